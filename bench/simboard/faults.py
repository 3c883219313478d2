"""Faults of units and of the bench by name: each a change of the model, never of its results.

What one should see is for the nominal unit with two 21 W lamps at 12.8 V, computed by this model; causes are common practice,
no source. Faults of the analog rig and of the link are kept where those are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal, TypeVar

from bench.simboard.circuit import BenchCircuit
from bench.simboard.filament import Filament, rated_filament
from bench.simboard.loads import LampBank, Resistor, test_volts
from bench.simboard.units import (
    MECHANISMS,
    ContactConstants,
    Electronic,
    HotWire,
    Law,
    Pilot,
    ThermalClosed,
    TwoCoil,
    Unit,
)

_HOT = ("HWh", "HWp")
_ELECTRONIC = ("ELo", "EL", "EL2")
_SNAPPING = ("NC", *_HOT)
_WITH_PILOT = (*_HOT, "TC", "ELo")

ChangeUnit = Callable[[Unit], Unit]
ChangeBench = Callable[[BenchCircuit, float], BenchCircuit]
Constants = TypeVar("Constants", ThermalClosed, HotWire, TwoCoil, Electronic)


@dataclass(frozen=True, slots=True)
class BankNeed:
    """A condition that a fault sets to the lamp bank: its words, and whether a bank meets it."""

    text: str
    met: Callable[[LampBank], bool]


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of a unit or of the bench: name, title in plain words, whose it is, the mechanisms that can have it (bench: all), what one
    should see, and what it needs of the lamp bank to change anything."""

    name: str
    title: str
    side: Literal["unit", "bench"]
    kinds: tuple[str, ...]
    see: str
    unit_change: ChangeUnit | None = field(default=None, repr=False)
    bench_change: ChangeBench | None = field(default=None, repr=False)
    needs: BankNeed | None = field(default=None, repr=False)

    def spoil_unit(self, unit: Unit) -> Unit:
        """Return the unit with this fault; unchanged if its mechanism cannot have it."""
        return self.unit_change(unit) if self.unit_change is not None and unit.kind in self.kinds else unit

    def changes(self, unit: Unit) -> bool:
        """Return whether the unit can have this fault, and does not have it already."""
        return self.side == "unit" and self.spoil_unit(unit) != unit

    def spoil_bench(self, bench: BenchCircuit, system_v: float) -> BenchCircuit:
        """Return the bench with this fault; unchanged if it is one of units."""
        return self.bench_change(bench, system_v) if self.bench_change is not None else bench


def fault(name: str) -> Fault:
    """Return the fault of this name. KeyError that lists the names if there is none."""
    if name not in FAULTS:
        raise KeyError(f"no unit or bench fault is called {name!r}; there are: {', '.join(FAULTS)}")
    return FAULTS[name]


def _law(kind: type[Constants], change: Callable[[Constants], Constants]) -> ChangeUnit:
    """Return the change of a unit whose mechanism is of this type; others stay."""

    def apply(unit: Unit) -> Unit:
        law: Law = unit.mechanism
        return replace(unit, mechanism=change(law)) if isinstance(law, kind) else unit

    return apply


def _contact(change: Callable[[ContactConstants], ContactConstants]) -> ChangeUnit:
    return lambda unit: replace(unit, contact=change(unit.contact))


def _pilot(change: Callable[[Pilot], Pilot]) -> ChangeUnit:
    return lambda unit: unit if unit.pilot is None else replace(unit, pilot=change(unit.pilot))


def _closed(change: Callable[[ThermalClosed], ThermalClosed]) -> ChangeUnit:
    return _law(ThermalClosed, change)


def _wire(change: Callable[[HotWire], HotWire]) -> ChangeUnit:
    return _law(HotWire, change)


def _coil(change: Callable[[TwoCoil], TwoCoil]) -> ChangeUnit:
    return _law(TwoCoil, change)


def _circuit(change: Callable[[Electronic], Electronic]) -> ChangeUnit:
    return _law(Electronic, change)


def _of_unit(name: str, title: str, kinds: tuple[str, ...], see: str, change: ChangeUnit) -> Fault:
    return Fault(name, title, "unit", kinds, see, unit_change=change)


def _of_bench(name: str, title: str, see: str, change: ChangeBench, needs: BankNeed | None = None) -> Fault:
    return Fault(name, title, "bench", MECHANISMS, see, bench_change=change, needs=needs)


_A_FILAMENT = BankNeed("a filament lamp", lambda bank: any(isinstance(load, Filament) for load in bank.sockets))
_FILAMENT_2 = BankNeed("a filament lamp in socket 2", lambda bank: isinstance(bank.sockets[1], Filament))
_LAMP_1 = BankNeed("something in socket 1", lambda bank: bank.sockets[0] is not None)
_LAMP_2 = BankNeed("something in socket 2", lambda bank: bank.sockets[1] is not None)


def _resistors(bench: BenchCircuit, system_v: float) -> BenchCircuit:
    """Put for each filament lamp the resistor that takes its current at the nominal test voltage."""
    volts = test_volts(system_v)
    sockets = tuple(Resistor(volts / x.steady_a(volts)) if isinstance(x, Filament) else x for x in bench.bank.sockets)
    return replace(bench, bank=replace(bench.bank, sockets=sockets))


_UNIT_FAULTS = (
    _of_unit(
        "contact-eroded", "main contact eroded to 0.10 ohm", MECHANISMS,
        "drop up by 0.3 V and scattered, rate almost unchanged", _contact(lambda c: replace(c, ohm=0.10)),
    ),
    _of_unit(
        "contact-burnt", "main contact burnt to 0.30 ohm", MECHANISMS,
        "drop above 1 V; a thermal unit closed at rest slows down", _contact(lambda c: replace(c, ohm=0.30)),
    ),
    _of_unit(
        "film", "contact filmed over in storage", MECHANISMS,
        "high drop over the first 5 to 20 flashes, then good", _contact(lambda c: replace(c, film_ohm=0.6)),
    ),
    _of_unit(
        "contact-welded", "main contact welded", (*_SNAPPING, "TC"),
        "lit steadily at any load, low drop, full current", _contact(lambda c: replace(c, welded=True)),
    ),
    _of_unit(
        "sticking", "main contact sticks now and then", MECHANISMS,
        "single long flashes, more than 1.5 times the usual", _contact(lambda c: replace(c, stick_probability=0.08)),
    ),
    _of_unit(
        "bounce", "main contact bounces long", (*_SNAPPING, "TC", "ELo", "EL"),
        "bursts of edges over 5 ms and more at each make",
        _contact(lambda c: replace(c, bounce_make_s=(0.006, 0.012), bounce_break_s=(0.002, 0.004))),
    ),
    _of_unit(
        "heater-shorted-turns", "a fifth of the heater's turns shorted", ("NC",),
        "slow (46 per minute, 75 % on), late first opening, low drop",
        _closed(lambda n: replace(n, heater_ohm=0.8 * n.heater_ohm)),
    ),
    _of_unit(
        "heater-open", "heater burnt through", ("NC",), "dead: no current at all", _contact(lambda c: replace(c, dead=True)),
    ),
    _of_unit(
        "opens-late", "strip opens 20 K too hot", ("NC",),
        "60 per minute, 58 % on, first opening late, drop unchanged", _closed(lambda n: replace(n, open_c=n.open_c + 20.0)),
    ),
    _of_unit(
        "opens-early", "strip opens 15 K too cool", ("NC",),
        "123 per minute, 46 % on, first opening early", _closed(lambda n: replace(n, open_c=n.open_c - 15.0)),
    ),
    _of_unit(
        "closes-late", "strip closes 20 K too cool: weak return", ("NC",),
        "66 per minute, 49 % on: longer gaps, first opening unchanged", _closed(lambda n: replace(n, close_c=n.close_c - 20.0)),
    ),
    _of_unit(
        "small-snap-gap", "strip closes 20 K too hot: snap gone soft", ("NC",),
        "130 per minute, first opening unchanged", _closed(lambda n: replace(n, close_c=n.close_c + 20.0)),
    ),
    _of_unit(
        "frame-bent", "frame bent: both temperatures 20 K up", ("NC",),
        "79 per minute, 61 % on, late first opening",
        _closed(lambda n: replace(n, open_c=n.open_c + 20.0, close_c=n.close_c + 20.0)),
    ),
    _of_unit(
        "spring-fatigue", "spring near its end", (*_SNAPPING, "TC"),
        "period scatters by more than 5 %, flashes missed, the rest normal",
        lambda u: replace(u, scatter=6.0 * u.scatter, contact=replace(u.contact, miss_probability=0.04)),
    ),
    _of_unit(
        "can-unsealed", "can opened: strip loses 15 % more heat", ("NC",),
        "73 per minute, 65 % on, first opening late; right again when covered",
        _closed(lambda n: replace(n, strip_w_k=1.15 * n.strip_w_k)),
    ),
    _of_unit(
        "wrong-rating", "good unit made for three lamps", ("NC",),
        "lit steadily on two lamps, right on three", _closed(lambda n: replace(n, heater_ohm=n.heater_ohm * 4.0 / 9.0)),
    ),
    _of_unit(
        "wire-open", "fine wire burnt through", _HOT, "dead: never lights, no dark current",
        _wire(lambda w: replace(w, broken=True)),
    ),
    _of_unit(
        "ballast-high", "ballast 20 % high", _HOT,
        "slow (67 per minute, 47 % on), late light, small dark current",
        _wire(lambda w: replace(w, ballast_ohm=1.2 * w.ballast_ohm)),
    ),
    _of_unit(
        "ballast-shorted", "ballast shorted", _HOT,
        "138 per minute, dark current near 1 A", _wire(lambda w: replace(w, ballast_ohm=0.0)),
    ),
    _of_unit(
        "wire-stretched", "wire stretched: both temperatures 40 K up", _HOT,
        "89 per minute, 51 % on, late light, dark current unchanged",
        _wire(lambda w: replace(w, open_c=w.open_c + 40.0, close_c=w.close_c + 40.0)),
    ),
    _of_unit(
        "wire-tight", "wire tight: both temperatures 40 K down", _HOT,
        "76 per minute, 68 % on, early light, dark current unchanged",
        _wire(lambda w: replace(w, open_c=w.open_c - 40.0, close_c=w.close_c - 40.0)),
    ),
    _of_unit(
        "hold-weak", "magnetic hold 30 % weak", ("HWh",), "130 per minute, 55 % on",
        _wire(lambda w: replace(w, hold_k=0.7 * w.hold_k)),
    ),
    _of_unit(
        "pilot-dead", "pilot contact dirty or open", _WITH_PILOT,
        "no pilot with a good load, all else right", _pilot(lambda p: replace(p, dead=True)),
    ),
    _of_unit(
        "pilot-shifted", "pilot pulls in at half the current", _WITH_PILOT, "pilot also with one lamp out",
        _pilot(lambda p: replace(p, pull_in_a=0.5 * p.pull_in_a, drop_out_a=0.5 * p.drop_out_a)),
    ),
    _of_unit(
        "pilot-lazy", "pilot pulls in at 1.6 times the current", (*_HOT, "TC"), "no steady pilot with all lamps",
        _pilot(lambda p: replace(p, pull_in_a=1.6 * p.pull_in_a, drop_out_a=1.8 * p.drop_out_a)),
    ),
    _of_unit(
        "capacitor-low", "capacitor dried out to 70 %", ("TC",), "119 per minute, 42 % on, early light",
        _coil(lambda c: replace(c, capacitor_f=0.7 * c.capacitor_f)),
    ),
    _of_unit(
        "capacitor-open", "capacitor open", ("TC",), "buzzes at some 25 Hz", _coil(lambda c: replace(c, capacitor_f=0.0)),
    ),
    _of_unit(
        "capacitor-leaky", "capacitor leaks 10 mA", ("TC",),
        "a short blink at the start, then dark with some 10 mA", _coil(lambda c: replace(c, leak_ohm=c.second_coil_ohm * 4.0)),
    ),
    _of_unit(
        "spring-weak", "spring 25 % weak", ("TC",), "87 per minute, 36 % on; 59 with one lamp out",
        _coil(lambda c: replace(c, open_at=0.75 * c.open_at, close_at=0.75 * c.close_at)),
    ),
    _of_unit(
        "spring-strong", "spring 15 % strong", ("TC",), "86 per minute, 46 % on; steady with one lamp out",
        _coil(lambda c: replace(c, open_at=1.15 * c.open_at, close_at=1.15 * c.close_at)),
    ),
    _of_unit(
        "timing-drift", "timing part has drifted by 40 %", _ELECTRONIC, "64 per minute at any load and supply, 50 % on",
        _circuit(lambda e: replace(e, rc_s=1.4 * e.rc_s)),
    ),
    _of_unit(
        "outage-threshold-high", "outage threshold 35 % high", ("ELo",), "double rate with all lamps good",
        _circuit(lambda e: replace(e, outage_a=1.35 * e.outage_a)),
    ),
    _of_unit(
        "outage-threshold-low", "outage threshold 45 % low", ("ELo",), "same rate with one lamp out",
        _circuit(lambda e: replace(e, outage_a=0.55 * e.outage_a)),
    ),
    _of_unit(
        "relay-welded", "output relay welded or transistor shorted", _ELECTRONIC, "lit steadily",
        _contact(lambda c: replace(c, welded=True)),
    ),
    _of_unit(
        "output-open", "output open after a short", _ELECTRONIC, "never lights", _contact(lambda c: replace(c, dead=True)),
    ),
    _of_unit(
        "leaky-output", "output leaks 25 mA while dark", ("EL2",), "LED lamps glow while dark; filaments don't",
        _circuit(lambda e: replace(e, leak_ohm=0.2 * e.leak_ohm)),
    ),
    _of_unit(
        "suppressor-shorted", "suppressor shorted by reversed supply", ("ELo", "EL"),
        "draws all the current there is; the bench trips",
        _circuit(lambda e: replace(e, own_ohm=0.03)),
    ),
)  # fmt: skip

_BENCH_FAULTS = (
    _of_bench(
        "lamp-dead", "lamp 2 burnt out from the start", "current half of the expected",
        lambda b, v: replace(b, bank=b.bank.fitted(2, None)), _LAMP_2,
    ),
    _of_bench(
        "lamp-dies", "lamp 2 burns out at the sixth flash", "current falls by half within a run",
        lambda b, v: replace(b, bank=replace(b.bank, dies=(2, 6))), _FILAMENT_2,
    ),
    _of_bench(
        "lamp-wrong", "10 W lamp in socket 2", "current 26 % low",
        lambda b, v: replace(b, bank=b.bank.fitted(2, rated_filament(10.0, v))), _FILAMENT_2,
    ),
    _of_bench(
        "lamps-are-resistors", "resistors in place of the lamps", "no inrush; a thermal unit is slow (65 per minute)",
        _resistors, _A_FILAMENT,
    ),
    _of_bench(
        "lamps-warm", "lamps lit 0.5 s before each start", "first peak a third of a cold one, late first opening",
        lambda b, v: replace(b, lamps_off_s=0.5), _A_FILAMENT,
    ),
    _of_bench(
        "bank-contact-high", "1 ohm in the contact of socket 1", "one branch low in current, less inrush",
        lambda b, v: replace(b, bank=replace(b.bank, branch_ohm=(v / 12.0, *b.bank.branch_ohm[1:]))), _LAMP_1,
    ),
    _of_bench(
        "supply-limit", "supply limits at 6 A", "peak clipped, supply dips in the inrush, late first opening",
        lambda b, v: replace(b, limit_a=6.0 * 12.0 / v),
    ),
    _of_bench(
        "supply-sag", "0.25 ohm too much in the supply leads", "supply 0.9 V low while lit",
        lambda b, v: replace(b, sag_ohm=0.25 * (v / 12.0) ** 2),
    ),
    _of_bench(
        "supply-low", "supply set 10 % low", "lamps get 11.5 V", lambda b, v: replace(b, set_error_v=-0.1 * test_volts(v)),
    ),
    _of_bench(
        "supply-set-at-source", "supply set at its terminals, not at the lamps", "0.36 V low; a thermal unit at 83",
        lambda b, v: replace(b, set_at_source=True),
    ),
    _of_bench(
        "sense-on-clips", "sense wires on the current clips: 20 mohm in the drop",
        "drop 70 mV high on every unit, and on the link",
        lambda b, v: replace(b, sense_ohm=0.020),
    ),
    _of_bench(
        "unit-not-cooled", "unit ran shortly before each start", "first opening of a thermal unit 6 % early",
        lambda b, v: replace(b, unit_rest_s=5.0),
    ),
    _of_bench(
        "draught", "draught over the unit: 5 % more heat lost", "a thermal unit 4 % slow",
        lambda b, v: replace(b, heat_loss=1.05),
    ),
)  # fmt: skip

FAULTS: dict[str, Fault] = {one.name: one for one in (*_UNIT_FAULTS, *_BENCH_FAULTS)}
