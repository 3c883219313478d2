"""Invented flasher units as netlists, run in ngspice, and what their waves truly show.

The netlists (`fixtures/netlists`) are written from the trade handbook's equations, not from the simulated bench's code. Truth is read off
ngspice's own waves, at its own time steps: when the contact's control crosses one half (interpolated; the steps there are some 10 us and
shorter), and the levels of currents and voltages between these instants. Nothing of the analysis is used.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from statistics import fmean, median, stdev

import numpy as np

from reports import ngspice
from reports.ngspice import Waves

NETLISTS = Path(__file__).parent.parent / "fixtures" / "netlists"
SKIPPED = 5  # cycles left out by the limit sets used here
DROP_CYCLES = 15  # the drop is read before the twentieth cycle
_BOUNCE_S = 3e-3  # shorter states are bounce
_AT_ONCE_S, _CLOSED_AT_REST_S = 5e-3, 0.1
_BESIDE_S = 50e-6  # so far from an edge a level is read: some of ngspice's steps there
_SETTLED_S = 1e-3


@dataclass(frozen=True)
class ReferenceUnit:
    """A unit: its netlist, what is changed in it, and how a test of it is set up.

    `ramp_s`: how long its output takes from one state to the other, 0 for a contact.
    """

    netlist: str
    parameters: Mapping[str, float] = field(default_factory=dict)
    rated: tuple[float, ...] = (21.0, 21.0)
    system_v: float = 12.0
    behaviour: str = "flashing"
    led: bool = False
    ramp_s: float = 0.0

    def run(self, folder: Path) -> Waves:
        return ngspice.run(NETLISTS / self.netlist, folder, **self.parameters)


# Lamps of 6 V and 24 V: objective watts of UN R37; the filament's mass goes with the voltage to the power -2/3 (same heat, same heat per
# area, resistance with the square of the voltage).
_6V = {"source": 7.15, "w21": 26.0, "v21": 6.75, "m21": 14.4e-6}
_24V = {"source": 25.98, "w21": 28.0, "v21": 28.0, "m21": 5.7e-6}

UNITS: Mapping[str, ReferenceUnit] = {
    "thermal": ReferenceUnit("thermal_closed.cir"),
    "thermal-21+5": ReferenceUnit("thermal_closed.cir", {"n21": 1, "n5": 1, "rh": 0.235, "source": 13.02}, (21.0, 5.0)),
    "thermal-3x21": ReferenceUnit("thermal_closed.cir", {"n21": 3, "rh": 0.040, "source": 13.34}, (21.0, 21.0, 21.0)),
    "thermal-6v": ReferenceUnit("thermal_closed.cir", {**_6V, "rh": 0.0215}, system_v=6.0),
    "thermal-worn": ReferenceUnit("thermal_closed.cir", {"rc": 0.25}),
    "hot-wire-hold": ReferenceUnit("hot_wire.cir"),
    "hot-wire-plain": ReferenceUnit("hot_wire.cir", {"hold": 0.0, "topen": 175.0, "rk": 0.012, "c1": 1.3e-3}),
    "hot-wire-24v": ReferenceUnit(
        "hot_wire.cir", {**_24V, "rb": 136.0, "rw": 40.0, "rk": 0.12, "half": 1.0, "tell": 2080.0}, system_v=24.0
    ),
    "two-coil": ReferenceUnit("two_coil.cir", {"lag": 0.018}),  # a blip of 7 ms, too short for light
    "electronic": ReferenceUnit("electronic.cir", {"period": 0.6713, "lit": 0.3309}),
    "electronic-leaky": ReferenceUnit("electronic.cir", {"first": 1.42373, "leak": 2100.0, "period": 0.7119, "lit": 0.3703}),
    "electronic-led": ReferenceUnit("electronic.cir", {"n21": 0.0, "leds": 2.0, "source": 12.83, "period": 0.6507}, led=True),
    # Just outside the limits: 122.3 and 58.3 flashes a minute, lit for 80.7 and 29.2 % of the time, first light after 1.03 s.
    "electronic-fast": ReferenceUnit("electronic.cir", {"period": 0.4905, "lit": 0.3959}),
    "electronic-late": ReferenceUnit("electronic.cir", {"first": 2.0313, "period": 1.0287, "lit": 0.3007}),
    "transistor": ReferenceUnit("transistor.cir", {"period": 0.6891, "lit": 0.3417}, ramp_s=6e-3),
    "bouncing": ReferenceUnit("bouncing.cir"),
    "irregular": ReferenceUnit("irregular.cir", behaviour="irregular"),
    "skipping": ReferenceUnit("skipping.cir", behaviour="irregular"),
    "dead": ReferenceUnit("electronic.cir", {"first": 1000.0}, behaviour="dark"),
    "stays-lit": ReferenceUnit("electronic.cir", {"lit": 1000.0, "period": 2000.0}, behaviour="steady on"),
}


@dataclass(frozen=True)
class Flash:
    """One ON: its instants in s, and the levels that its wave shows. `off_a`: current at the end of the OFF after it."""

    make_s: float
    break_s: float
    peak_a: float
    steady_a: float
    drop_v: float
    drop_a: float
    supply_v: float
    lamp_v: float
    pilot_v: float | None
    off_a: float


@dataclass(frozen=True)
class Reference:
    """A unit's waves, and its flashes as they truly are."""

    unit: ReferenceUnit
    waves: Waves

    @cached_property
    def applied_s(self) -> float:
        applied = self.waves.first("v(sup)", 0.5)
        assert applied is not None, f"{self.unit.netlist}: the supply never comes"
        return applied

    @cached_property
    def transitions(self) -> Sequence[tuple[float, bool]]:
        """Instant and new state of every change of the contact under voltage, bounce told apart: its first edge is the instant."""
        edges = list(self._edges())
        found: list[tuple[float, bool]] = []
        k = 0
        while k < len(edges):
            last = k
            while last + 1 < len(edges) and edges[last + 1][0] - edges[last][0] < _BOUNCE_S:
                last += 1
            if not found or found[-1][1] != edges[last][1]:
                found.append((edges[k][0], edges[last][1]))
            k = last + 1
        return found

    def _edges(self) -> Iterator[tuple[float, bool]]:
        t, control = self.waves.t_s, self.waves["v(ctl)"]
        if self.unit.ramp_s:
            # A slow transition has its instant half-way between the levels (IEEE Std 181), here of the output over the input.
            part = self.waves["v(out)"] / self.waves["v(in)"]
            control = part / float(np.median(part[control > 0.999]))
        if self.waves.at("v(ctl)", self.applied_s) > 0.5:
            yield self.applied_s, True
        for k in np.flatnonzero(np.diff((control > 0.5).astype(np.int8))):
            instant = t[k] + (0.5 - control[k]) / (control[k + 1] - control[k]) * (t[k + 1] - t[k])
            if instant > self.applied_s:
                yield float(instant), bool(control[k + 1] > 0.5)

    @cached_property
    def flashes(self) -> Sequence[Flash]:
        """Every flash whose make lies in the waves; the last may end with them."""
        end_s = float(self.waves.t_s[-1])
        instants = [t for t, _ in self.transitions]
        assert [closed for _, closed in self.transitions] == [k % 2 == 0 for k in range(len(instants))]
        padded = [*instants, end_s, end_s]
        return [self.flash(*padded[k : k + 3]) for k in range(0, len(instants), 2)]

    def flash(self, make_s: float, break_s: float, next_s: float) -> Flash:
        """Return the flash from make_s to break_s, with its levels; the OFF after it ends at next_s."""
        w, beside = self.waves, _BESIDE_S + self.unit.ramp_s
        inside = (w.t_s > make_s + _SETTLED_S + self.unit.ramp_s) & (w.t_s < break_s - beside)
        last_s = break_s - beside
        if inside.any():
            drop = (w["v(in)"] - w["v(out)"])[inside]
            lowest = int(drop.argmin())
            drop_v, drop_a = float(drop[lowest]), float(w["i(vamp)"][inside][lowest])
        else:
            drop_v, drop_a = w.at("v(in)", last_s) - w.at("v(out)", last_s), w.at("i(vamp)", last_s)
        return Flash(
            make_s, break_s, float(w.between("i(vamp)", make_s - beside, min(make_s + 2.0 * _BOUNCE_S, break_s)).max()),
            w.at("i(vamp)", last_s), drop_v, drop_a, w.at("v(in)", last_s), w.at("v(out)", last_s),
            float(w.samples("v(pilot)", np.linspace((make_s + break_s) / 2.0, last_s, 200)).mean()) if "v(pilot)" in w.saved else None,
            w.at("i(vamp)", next_s - beside),
        )  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a recording from `begin_s` to `end_s` can truly show: values by the quantity's name, facts, and how many cycles count."""

    values: Mapping[str, float]
    facts: Mapping[str, str]
    cycles: int


def truth(reference: Reference, begin_s: float, end_s: float, gaps: Sequence[tuple[float, float]], counted: int | None) -> Truth:
    """Return the truth of what was recorded.

    `gaps`: from when to when rows are missing. `counted`: how many cycles the mean was taken over, the last ones; None for all after the
    first SKIPPED.
    """
    flashes = reference.flashes
    makes = [f.make_s for f in flashes]
    shown = range(bisect_left(makes, begin_s), len(flashes))
    pairs = [
        (flashes[k], flashes[k + 1])
        for k in shown[:-1]
        if flashes[k + 1].make_s < end_s and not any(a < flashes[k + 1].make_s and b > flashes[k].make_s for a, b in gaps)
    ]
    after = pairs[SKIPPED:]
    used = after if counted is None else pairs[max(0, len(pairs) - counted) :]
    values: dict[str, float] = {}
    facts = {"behaviour": reference.unit.behaviour, "rest": "unknown"}
    if begin_s < reference.applied_s:
        starting, facts["rest"] = _start(reference)
        values |= starting
        if flashes:
            values["inrush_first_a"] = flashes[0].peak_a
    if len(used) >= 3:
        values |= _means(used)
    elif not pairs and flashes:
        # The recording's end cuts off the flash at hand.
        values |= _levels([reference.flash(flashes[-1].make_s, min(flashes[-1].break_s, end_s), end_s)])
    elif not flashes:
        values["dark_a"] = reference.waves.at("i(vamp)", end_s - _BESIDE_S)
    if len(pairs) >= 3:
        values |= _counts(pairs, flashes[0] if begin_s < reference.applied_s else pairs[0][0])
    return Truth(values, facts, len(after))


def _start(reference: Reference) -> tuple[dict[str, float], str]:
    """Starting times after SAE J2068 and UN R48, and the state at rest."""
    flashes = list(reference.flashes)
    since = reference.applied_s

    def at_once() -> bool:
        return bool(flashes) and flashes[0].make_s - since < _AT_ONCE_S

    if at_once() and flashes[0].break_s - flashes[0].make_s < _CLOSED_AT_REST_S:
        flashes = flashes[1:]
        rest = "open"
    else:
        rest = "closed" if at_once() else "open"
    if not flashes:
        return {}, rest
    found = {"first_light_s": flashes[0].make_s - since}
    if flashes[0].break_s < reference.waves.t_s[-1]:
        found["first_extinction_s"] = found["start_s"] = flashes[0].break_s - since
    return found, rest


def _means(used: Sequence[tuple[Flash, Flash]]) -> dict[str, float]:
    periods = [b.make_s - a.make_s for a, b in used]
    ons = [a.break_s - a.make_s for a, _ in used]
    flashes = [a for a, _ in used]
    return {
        "rate_per_min": fmean(60.0 / p for p in periods),
        "rate_total_per_min": 60.0 / fmean(periods),
        "on_ratio": fmean(on / p for on, p in zip(ons, periods, strict=True)),
        "on_s": fmean(ons),
        "off_s": fmean(p - on for on, p in zip(ons, periods, strict=True)),
        "period_spread": stdev(periods) / fmean(periods),
        "inrush_later_a": fmean(f.peak_a for f in flashes),
        "dark_a": fmean(f.off_a for f in flashes),
    } | _levels(flashes)


def _levels(flashes: Sequence[Flash]) -> dict[str, float]:
    early = flashes[:DROP_CYCLES]
    drop_v = fmean(f.drop_v for f in early)
    found = {
        "drop_v": drop_v,
        "contact_ohm": drop_v / fmean(f.drop_a for f in early),
        "steady_a": fmean(f.steady_a for f in flashes),
        "supply_v": fmean(f.supply_v for f in flashes),
        "lamp_v": fmean(f.lamp_v for f in flashes),
    }
    pilots = [f.pilot_v for f in flashes if f.pilot_v is not None]
    return found | ({"pilot_on_v": fmean(pilots)} if pilots else {})


def _counts(pairs: Sequence[tuple[Flash, Flash]], first: Flash) -> dict[str, float]:
    """Missed flashes against the median period, flashes longer than 1.5 times the median; the first, from cold, is unlike the others."""
    alike = [(a, b) for a, b in pairs if a is not first]
    usual_s, usual_off_s = median(b.make_s - a.make_s for a, b in alike), median(b.make_s - a.break_s for a, b in alike)
    usual_on_s = median(a.break_s - a.make_s for a, _ in alike)
    longer = [(b.make_s - a.break_s - usual_off_s) / usual_s for a, b in pairs]
    return {
        "missed": float(sum(round(part) for part in longer if part > 0.6)),
        "stuck": float(sum(a.break_s - a.make_s > 1.5 * usual_on_s for a, _ in alike)),
    }
