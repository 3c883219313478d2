"""What stands on the bench, in time: supply, wiring, lamps and the unit in the socket, integrated with located contact events.

Third-order steps (Bogacki and Shampine 1989) that start small at each jump and grow with the time since; contact events are
found inside a step by false position. Lamps without current cool on paper until they are needed again.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from bench.simboard import faults as catalogue_of_faults
from bench.simboard.circuit import Bench, solve
from bench.simboard.contact import MainContact
from bench.simboard.filament import (
    HEAT_J_PER_KG_K,
    HEAT_SLOPE_J_PER_KG_K2,
    KELVIN,
    RADIATION_EXPONENT,
    RESISTANCE_EXPONENT,
    Filament,
)
from bench.simboard.loads import LEAK, LEAK_OHM, PILOT, SENSE_OHM, Bank, LedLamp, Resistor, standard_bank
from bench.simboard.mechanisms import running
from bench.simboard.units import EMPTY, LINK, HotWire, ThermalClosed, Unit

Array = npt.NDArray[np.float64]

_FIRST_STEP_S = 2.0e-4
_GROWTH = 0.1
_LONGEST_LIVE_S = 8.0e-3
_LONGEST_DEAD_S = 2.0e-2
_TRAVEL_S = 1.0e-3  # an armature needs this to cross its gap
_EVENT_S = 1.0e-6
_PULSES_KEPT = 100_000


@dataclass(frozen=True)
class Stretch:
    """Waveforms between two instants as the sense leads see them. Break points in t_s, s, ascending (m,), straight lines between;
    two equal times are a jump. V against the supply's return; i_load in A: all that passes the shunt."""

    t_s: Array
    v_in: Array
    v_out: Array
    i_load: Array
    v_pilot: Array


@dataclass(frozen=True, slots=True)
class Pulse:
    """The truth about one closed period of the main contact, bounce included.

    make_s, break_s: first touch (or switch-on) and first opening; break_s is None where supply or load was cut before.
    peak_a: current at the make, without inductance. lowest_drop_v: of the unit, after bounce (None if it never came to rest). steady_a, supply_v
    (unit's input), lamp_v (its output), pilot_lit: at the end. dark_a: at the end of the gap that follows, None if none did.
    """

    make_s: float
    break_s: float | None
    peak_a: float
    lowest_drop_v: float | None
    steady_a: float
    supply_v: float
    lamp_v: float
    pilot_lit: bool
    bounce_make_s: float
    bounce_break_s: float
    dark_a: float | None


@dataclass(slots=True)
class _Lamp:
    filament: Filament
    branch_ohm: float
    kelvin: float
    at_s: float
    dead: bool = False


@dataclass(slots=True)
class _Alike:
    """Lamps with the same data at the same temperature: one lamp, taken `lamps` times."""

    lamps: list[_Lamp]
    at_input: bool
    count: float
    ohm: float
    branch_ohm: float
    radiation: float
    gas: float
    mass_kg: float
    gained_w: float


# Slopes of lamp temperatures and of the unit's state, nodes (input V, lamp V, unit A, supply A), margin of the armature.
_Look = tuple[list[float], float, float, float, float, float, float, float, float]
_Trial = tuple[list[float], float, float, float, _Look]


class World:
    """Supply, wiring, lamp bank, unit in the socket. Time in true seconds from 0; everything starts open, cold and at rest.

    supply_v: at the lamps with the link in place of the unit and the rated loads on; the source is raised by what the wiring
    costs. `scatter` False: no bounce, no flash-to-flash scatter, nothing by chance. `faults`: names of `faults.FAULTS`; those of
    units apply to every unit put in whose mechanism can have them. step_scale: factor on the steps, to show convergence.
    """

    def __init__(
        self,
        unit: Unit | Literal["LINK"] | None,
        *,
        supply_v: float = 12.8,
        system_v: float = 12.0,
        ambient_c: float = 24.0,
        source_ohm: float = 0.10,
        seed: int = 0,
        scatter: bool = True,
        bank: Bank | None = None,
        rated_loads: tuple[int, ...] = (1, 2),
        faults: tuple[str, ...] = (),
        step_scale: float = 1.0,
    ) -> None:
        self._rng = random.Random(f"world {seed}") if scatter else None
        self._scale = step_scale
        self._healthy_bank = bank or standard_bank(system_v)
        self._rated = rated_loads
        self._faults = tuple(catalogue_of_faults.fault(name) for name in faults)
        self._bench = Bench(self._healthy_bank, series_ohm=source_ohm)
        for fault in self._faults:
            self._bench = fault.spoil_bench(self._bench, system_v)
        self._ambient_c = ambient_c
        self.t_s = 0.0
        self.pulses: deque[Pulse] = deque(maxlen=_PULSES_KEPT)
        self._open_pulse: Pulse | None = None
        self._lowest_v = math.inf
        self._gap = False  # dark after a pulse that the unit itself ended
        self._makes = 0
        self._master = self._powered = False  # powered: on, with something to light
        self._loads: frozenset[int] = frozenset()
        self._pilot_on = self._pilot_pulled = False
        self._groups: list[_Alike] = []
        self._kelvins: list[float] = []
        bank = self._bench.bank
        self._lamps = {
            n: _Lamp(load, ohm, ambient_c + KELVIN, 0.0)
            for n, (load, ohm) in enumerate(zip(bank.sockets, bank.branch_ohm, strict=True), start=1)
            if isinstance(load, Filament)
        }
        self._pilot_lamp = _Lamp(bank.pilot, 0.0, ambient_c + KELVIN, 0.0)
        self._times: list[float] = []
        self._points: list[tuple[float, float, float, float]] = []
        self._since_s = self._free_s = 0.0
        self._supply_v = supply_v
        self._emf = self._source_v()
        self._put(unit)
        self._prepare_start()
        self._rewire()

    # --- what a person's hands do ---

    def switch(self, *, master: bool | None = None, loads: frozenset[int] | None = None) -> None:
        """Switches at this instant; what is None stays. Loads 1..6 are lamps, 7 the pilot lamp, 8 a leakage load of 1 kohm."""
        was_powered = self._powered
        self._loads = self._loads if loads is None else loads
        self._powered = (self._master if master is None else master) and bool(self._loads - {PILOT})
        if was_powered and not self._powered:
            self._finish_pulse(cut=True)
            self._gap = False
        if master is not None and master != self._master:
            self._master = master
            was = self._mechanism.closed
            self._mechanism.supply(master)
            if self._mechanism.closed != was:
                self._contact.follow(self.t_s, self._mechanism.closed)
        self._rewire()
        if self._powered and self._contact.conducting and self._open_pulse is None:
            self._begin_pulse()

    def set_unit(self, unit: Unit | Literal["LINK"] | None) -> None:
        """Puts a unit, cold and at rest, or the shorting link, or nothing into the socket."""
        self._finish_pulse(cut=True)
        self._put(unit)
        self.switch()

    def set_supply(self, v: float) -> None:
        self._supply_v = v
        self._emf = self._source_v()
        self._rewire()

    def set_ambient(self, c: float) -> None:
        """Another ambient temperature. The unit and the lamps follow in their own time."""
        self._ambient_c = c
        self._mechanism.surround(c)
        self._rewire()

    def rest(self, seconds: float) -> None:
        """Lets seconds pass with everything open. ValueError if it is not."""
        if self._master or self._loads:
            raise ValueError("resting the bench: the master switch and all loads must be open")
        end_s = self.t_s + seconds
        resting_s = seconds if self._bench.unit_rest_s is None else min(seconds, self._bench.unit_rest_s)
        self._run(self.t_s + resting_s, keep=False)
        self.t_s = self._since_s = end_s
        self._prepare_start()

    # --- time ---

    def advance(self, until_s: float) -> Stretch:
        """Lives on to until_s, not before the present."""
        self._times, self._points = [self.t_s], [self._point()]
        self._run(until_s, keep=True)
        if self._times[-1] < until_s:
            self._keep()
        values = np.array(self._points)
        return Stretch(np.array(self._times), values[:, 0], values[:, 1], values[:, 2], values[:, 3])

    def _run(self, until_s: float, keep: bool) -> None:
        contact = self._contact
        while True:
            if contact.next_s <= self.t_s:
                self._change_contact(keep)
                continue
            if self._look[8] >= 0.0 and self.t_s >= self._free_s:
                self._move_armature()
                continue
            left_s = until_s - self.t_s
            if left_s <= 1e-12:
                return
            longest = _LONGEST_LIVE_S if self._live else _LONGEST_DEAD_S
            step = self._scale * min(longest, max(_FIRST_STEP_S, _GROWTH * (self.t_s - self._since_s)))
            stop_s = min(until_s, contact.next_s, self._free_s if self._free_s > self.t_s else math.inf)
            # Two equal steps rather than a full one and a sliver.
            room = stop_s - self.t_s
            step = room if room <= step else min(step, 0.5 * room) if room < 2.0 * step else step
            trial = self._trial(step)
            if trial[4][8] >= 0.0 and self._look[8] < 0.0 and self.t_s >= self._free_s:
                step, trial = self._locate(step, trial)
            elif step == room:
                step = -1.0
            self._commit(stop_s if step < 0.0 else self.t_s + step, trial, keep)

    def _trial(self, h: float) -> _Trial:
        """A step of h from here, not yet taken."""
        k, a, b, c = self._kelvins, *self._mechanism.state
        dk1, a1, b1, c1, *_ = self._look
        q = 0.5 * h
        dk2, a2, b2, c2, *_ = self._slopes([x + q * d for x, d in zip(k, dk1, strict=True)], a + q * a1, b + q * b1, c + q * c1)
        q = 0.75 * h
        dk3, a3, b3, c3, *_ = self._slopes([x + q * d for x, d in zip(k, dk2, strict=True)], a + q * a2, b + q * b2, c + q * c2)
        q = h / 9.0
        k = [x + q * (2.0 * d + 3.0 * e + 4.0 * f) for x, d, e, f in zip(k, dk1, dk2, dk3, strict=True)]
        a += q * (2.0 * a1 + 3.0 * a2 + 4.0 * a3)
        b += q * (2.0 * b1 + 3.0 * b2 + 4.0 * b3)
        c += q * (2.0 * c1 + 3.0 * c2 + 4.0 * c3)
        return k, a, b, c, self._slopes(k, a, b, c)

    def _locate(self, high: float, trial: _Trial) -> tuple[float, _Trial]:
        """The shortest step whose end has a margin that isn't negative, within 1 us: false position, halving where it lags."""
        low, low_margin, high_margin = 0.0, self._look[8], trial[4][8]
        halve = False
        while high - low > _EVENT_S:
            share = 0.5 if halve else low_margin / (low_margin - high_margin)
            # A little beyond the estimate, so that the bracket closes from above.
            step = low + min(max(share * (high - low) + 0.3 * _EVENT_S, 0.3 * _EVENT_S), high - low - 0.3 * _EVENT_S)
            attempt = self._trial(step)
            halve = not halve
            if attempt[4][8] >= 0.0:
                high, high_margin, trial = step, attempt[4][8], attempt
            else:
                low, low_margin = step, attempt[4][8]
        return high, trial

    def _slopes(self, kelvins: list[float], a: float, b: float, c: float) -> _Look:
        mechanism = self._mechanism
        if not self._live:
            amps, v_in = self._dead_look
            da, db, dc = mechanism.rates(a, b, c, 0.0, self._contact.conducting)
            return [], da, db, dc, v_in, 0.0, 0.0, amps, mechanism.margin(a, b, c, 0.0, v_in)
        lamp_siemens, input_siemens = self._fixed_siemens, mechanism.own_siemens
        ohms = []
        for group, kelvin in zip(self._groups, kelvins, strict=True):
            ohm = group.ohm * kelvin**RESISTANCE_EXPONENT
            ohms.append(ohm)
            if group.at_input:
                input_siemens += group.count / (ohm + group.branch_ohm)
            else:
                lamp_siemens += group.count / (ohm + group.branch_ohm)
        bench = self._bench
        v_in, v_lamp, unit_a, supply_a = solve(
            self._emf, self._upstream_ohm, input_siemens, self._unit_ohm, a if self._stored else 0.0, self._downstream_ohm,
            lamp_siemens, self._led_siemens, self._knee_v, bench.limit_a,
        )  # fmt: skip
        slopes = []
        for group, kelvin, ohm in zip(self._groups, kelvins, ohms, strict=True):
            amps = (v_in if group.at_input else v_lamp) / (ohm + group.branch_ohm)
            lost = group.radiation * kelvin**RADIATION_EXPONENT + group.gas * kelvin - group.gained_w
            slopes.append((amps * amps * ohm - lost) / (group.mass_kg * (HEAT_J_PER_KG_K + HEAT_SLOPE_J_PER_KG_K2 * kelvin)))
        da, db, dc = mechanism.rates(a, b, c, unit_a, self._contact.conducting)
        return slopes, da, db, dc, v_in, v_lamp, unit_a, supply_a, mechanism.margin(a, b, c, unit_a, v_in)

    def _commit(self, t_s: float, trial: _Trial, keep: bool) -> None:
        self.t_s = t_s
        self._kelvins, a, b, c, self._look = trial
        self._mechanism.state = (a, b, c)
        if self._live:
            if self._open_pulse is not None and self._contact.conducting and not self._contact.pending:
                self._lowest_v = min(self._lowest_v, self._drop_v())
            if keep:
                self._keep()
            if self._pilot_moves():
                self._rewire()
                if keep:
                    self._keep()

    # --- jumps ---

    def _rewire(self) -> None:
        """Something was switched, or lamps changed: sorts out what is in circuit and looks at it afresh."""
        for group, kelvin in zip(self._groups, self._kelvins, strict=True):
            for lamp in group.lamps:
                lamp.kelvin, lamp.at_s = kelvin, self.t_s
        if self._pilot is None or not self._master:
            self._pilot_on = self._pilot_pulled = False
        conducting = self._contact.conducting
        mechanism = self._mechanism
        self._unit_ohm = mechanism.ohm_closed + self._contact.ohm if conducting else mechanism.ohm_open
        self._stored = mechanism.stores and not conducting
        passing = self._master and self._unit_ohm < math.inf
        lit_pilot = self._master and self._pilot_on and PILOT in self._loads
        self._live = passing or lit_pilot
        self._upstream_ohm, self._downstream_ohm = self._bench.upstream_ohm, self._bench.downstream_ohm
        self._fix_loads()
        ambient_k = self._ambient_c + KELVIN
        alike: dict[tuple[Filament, float, float, bool], list[_Lamp]] = {}
        joining = [(self._lamps[n], False) for n in sorted(self._loads) if n in self._lamps] if passing else []
        for lamp, at_input in [*joining, (self._pilot_lamp, True)] if lit_pilot else joining:
            if lamp.dead:
                continue
            lamp.kelvin = lamp.filament.cooled_k(lamp.kelvin, self.t_s - lamp.at_s, ambient_k)
            lamp.at_s = self.t_s
            alike.setdefault((lamp.filament, lamp.branch_ohm, lamp.kelvin, at_input), []).append(lamp)
        self._kelvins = [kelvin for _, _, kelvin, _ in alike]
        self._groups = [
            _Alike(
                lamps, at_input, float(len(lamps)), f.ohm, branch_ohm, f.radiation, f.gas, f.mass_kg,
                float(f.radiation * ambient_k**RADIATION_EXPONENT + f.gas * ambient_k),
            )
            for (f, branch_ohm, _, at_input), lamps in alike.items()
        ]  # fmt: skip
        v_in = self._emf / (1.0 + mechanism.own_siemens * self._upstream_ohm) if self._master else 0.0
        self._dead_look = (v_in * mechanism.own_siemens, v_in)
        self._since_s = self.t_s
        self._look = self._slopes(self._kelvins, *mechanism.state)
        if self._pilot_moves():
            self._rewire()

    def _fix_loads(self) -> None:
        """Loads without a temperature."""
        siemens, leds = 1.0 / SENSE_OHM, []
        if LEAK in self._loads:
            siemens += 1.0 / LEAK_OHM
        bank = self._bench.bank
        for n, (load, branch_ohm) in enumerate(zip(bank.sockets, bank.branch_ohm, strict=True), start=1):
            if n in self._loads and isinstance(load, Resistor):
                siemens += 1.0 / (load.ohm + branch_ohm)
            elif n in self._loads and isinstance(load, LedLamp):
                leds.append((load.knee_v, load.ohm + branch_ohm))
        self._fixed_siemens = siemens
        self._led_siemens = sum(1.0 / ohm for _, ohm in leds)
        self._knee_v = min((knee for knee, _ in leds), default=math.inf)

    def _change_contact(self, keep: bool) -> None:
        """The main contact touches or parts, as planned."""
        contact = self._contact
        was = contact.conducting
        dark_a = self._look[7]
        if keep and self._times[-1] < self.t_s:
            self._keep()  # nothing was kept while nothing flowed; the jump begins here
        if was and self._open_pulse is not None:
            self._end_state()
        contact.change()
        self._rewire()
        if contact.conducting and not was and self._powered:
            if self._open_pulse is None:
                if self._gap:
                    self.pulses[-1] = replace(self.pulses[-1], dark_a=dark_a)
                self._begin_pulse()
            elif self._open_pulse.break_s is None:
                self._open_pulse = replace(self._open_pulse, bounce_make_s=self.t_s - self._open_pulse.make_s)
        elif was and not contact.conducting and self._open_pulse is not None and not self._mechanism.closed:
            pulse = self._open_pulse
            if pulse.break_s is None:
                self._open_pulse = replace(pulse, break_s=self.t_s)
            else:
                self._open_pulse = replace(pulse, bounce_break_s=self.t_s - pulse.break_s)
            if not contact.pending:
                self._finish_pulse(cut=False)
        if keep:
            self._keep()

    def _move_armature(self) -> None:
        skip = self._mechanism.move(self._contact.flashes, self._contact.misses())
        self._contact.follow(self.t_s, self._mechanism.closed, skip)
        self._free_s = self.t_s + _TRAVEL_S
        self._since_s = self.t_s
        self._look = self._slopes(self._kelvins, *self._mechanism.state)

    def _pilot_moves(self) -> bool:
        """Whether the pilot contact changes at the present current; it has then."""
        pilot = self._pilot
        if pilot is None or not self._master:
            return False
        self._pilot_pulled = abs(self._look[6]) > (pilot.drop_out_a if self._pilot_pulled else pilot.pull_in_a)
        on = self._pilot_pulled != pilot.antiphase and not pilot.dead
        changed = on != self._pilot_on
        self._pilot_on = on
        return changed

    # --- pulses: the truth ---

    def _begin_pulse(self) -> None:
        self._makes += 1
        dies = self._bench.bank.dies
        if dies is not None and self._makes == dies[1] and dies[0] in self._lamps:
            self._lamps[dies[0]].dead = True
            self._rewire()
        self._lowest_v = math.inf
        self._open_pulse = Pulse(self.t_s, None, self._look[7], None, 0.0, 0.0, 0.0, False, 0.0, 0.0, None)

    def _end_state(self) -> None:
        """Notes what the pulse has come to, while the contact still conducts; reclosing while it bounces open adds nothing."""
        pulse = self._open_pulse
        if pulse is not None and pulse.break_s is None:
            lowest = None if self._lowest_v == math.inf else self._lowest_v
            _, _, _, _, v_in, v_lamp, unit_a, supply_a, _ = self._look
            v_out = v_lamp + unit_a * self._downstream_ohm
            self._open_pulse = replace(
                pulse, lowest_drop_v=lowest, steady_a=supply_a, supply_v=v_in, lamp_v=v_out, pilot_lit=self._pilot_on
            )

    def _finish_pulse(self, cut: bool) -> None:
        if self._open_pulse is None:
            return
        if cut and self._contact.conducting:
            self._end_state()
        self.pulses.append(self._open_pulse)
        self._open_pulse = None
        self._gap = not cut

    # --- small parts ---

    def _put(self, unit: Unit | Literal["LINK"] | None) -> None:
        chosen = LINK if unit == "LINK" else EMPTY if unit is None else unit
        for fault in self._faults:
            chosen = fault.spoil_unit(chosen)
        law, loss = chosen.mechanism, self._bench.heat_loss
        if isinstance(law, ThermalClosed):
            chosen = replace(chosen, mechanism=replace(law, strip_w_k=law.strip_w_k * loss))
        elif isinstance(law, HotWire):
            chosen = replace(chosen, mechanism=replace(law, wire_w_k=law.wire_w_k * loss))
        self.unit = chosen
        self._pilot = chosen.pilot
        self._mechanism = running(chosen, self._ambient_c, self._rng)
        self._contact = MainContact(chosen, self._mechanism.closed, self._rng)
        if self._bench.unit_rest_s is not None:
            self._mechanism.warm()

    def _prepare_start(self) -> None:
        """Where lamps were lit shortly before, they are warm."""
        off_s = self._bench.lamps_off_s
        if off_s is not None:
            for lamp in self._lamps.values():
                lit_k = lamp.filament.steady_k(self._supply_v, self._ambient_c + KELVIN)
                lamp.kelvin, lamp.at_s = lit_k, self.t_s - off_s

    def _source_v(self) -> float:
        bench = self._bench
        rated_a = 0.0 if bench.set_at_source else self._healthy_bank.current_a(self._rated, self._supply_v)
        return self._supply_v + bench.set_error_v + bench.series_ohm * rated_a

    def _drop_v(self) -> float:
        _, _, _, _, v_in, v_lamp, unit_a, _, _ = self._look
        return v_in - v_lamp - unit_a * self._downstream_ohm

    def _point(self) -> tuple[float, float, float, float]:
        _, _, _, _, v_in, v_lamp, unit_a, supply_a, _ = self._look
        sensed_in = v_in + unit_a * self._bench.sense_ohm
        return sensed_in, v_lamp + unit_a * self._downstream_ohm, supply_a, v_in if self._pilot_on else 0.0

    def _keep(self) -> None:
        self._times.append(self.t_s)
        self._points.append(self._point())
