"""The simulated bench in time: supply, wiring, lamps and the unit in the socket.

The state is the temperature of each group of equal lamps and three numbers of the unit's mechanism; voltages and currents follow from it in
closed form (`circuit`). It is integrated in third-order steps (Bogacki and Shampine 1989) that start at 0.2 ms after each jump and grow
with the time since it, because the fast parts of the state decay from there. A move of the armature is located inside a step by false
position, within 1 us; the contact then bounces at instants drawn beforehand (`contact`), each of which ends a step. While nothing flows,
lamps are not integrated at all: they cool in one go when they are next needed (`bank_lamps`).
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from bench.simboard.bank_lamps import BankLamps, LampGroup
from bench.simboard.circuit import BenchCircuit, solve
from bench.simboard.contact import MainContact
from bench.simboard.faults import fault
from bench.simboard.filament import HEAT_J_PER_KG_K, HEAT_SLOPE_J_PER_KG_K2, RADIATION_EXPONENT, RESISTANCE_EXPONENT
from bench.simboard.loads import PILOT, LampBank, standard_bank
from bench.simboard.mechanisms import running
from bench.simboard.pulses import Pulse, PulseLog
from bench.simboard.units import EMPTY, LINK, HotWire, ThermalClosed, Unit
from bench.simboard.waveform import Waveform

InSocket = Unit | Literal["LINK"] | None

_FIRST_STEP_S = 2.0e-4
_GROWTH = 0.1
_LONGEST_LIVE_S = 8.0e-3
_LONGEST_DEAD_S = 2.0e-2
_TRAVEL_S = 1.0e-3  # an armature needs this to cross its gap
_EVENT_S = 1.0e-6


@dataclass(slots=True)
class _CircuitState:
    """What follows from the state at an instant: its slopes, voltages and currents, the margin of the armature."""

    heating: list[float]
    state: tuple[float, float, float]
    v_in: float
    v_lamp: float
    unit_a: float
    supply_a: float
    margin: float


_Trial = tuple[list[float], tuple[float, float, float], _CircuitState]


class World:
    """The bench with a unit in the socket. Time in true seconds from 0; everything starts open, cold and at rest.

    supply_v: at the lamps with the link in place of the unit and `rated_loads` on (`set_supply` may name others); the source is
    raised by what the wiring costs. `scatter` False: no bounce, no flash-to-flash scatter, nothing by chance. `faults`: names of
    `faults.FAULTS` (KeyError if unknown); those of units apply to every unit put in whose mechanism can have them. step_scale:
    factor on the steps, to show convergence.
    """

    def __init__(
        self,
        unit: InSocket,
        *,
        supply_v: float = 12.8,
        system_v: float = 12.0,
        ambient_c: float = 24.0,
        source_ohm: float = 0.10,
        seed: int = 0,
        scatter: bool = True,
        bank: LampBank | None = None,
        rated_loads: tuple[int, ...] = (1, 2),
        faults: tuple[str, ...] = (),
        step_scale: float = 1.0,
    ) -> None:
        self._rng = random.Random(f"world {seed}") if scatter else None
        self._scale = step_scale
        self._good_bank = bank or standard_bank(system_v)
        self._rated = frozenset(rated_loads)
        self._set_on = self._rated  # the loads on which the supply was set
        self._faults = tuple(fault(name) for name in faults)
        self._bench = BenchCircuit(self._good_bank, series_ohm=source_ohm)
        for one in self._faults:
            self._bench = one.spoil_bench(self._bench, system_v)
        self._upstream_ohm, self._downstream_ohm = self._bench.upstream_ohm, self._bench.downstream_ohm
        self._ambient_c = ambient_c
        self.t_s = self._since_s = self._free_s = 0.0
        self._log = PulseLog()
        self._lamps = BankLamps(self._bench.bank, ambient_c)
        self._groups: list[LampGroup] = []
        self._kelvins: list[float] = []
        self._master = self._powered = False  # powered: on, with something to light
        self._loads: frozenset[int] = frozenset()
        self._pilot_on = self._pilot_pulled = False
        self._times: list[float] = []
        self._points: list[tuple[float, float, float, float]] = []
        self._supply_v = supply_v
        self._emf_v = self._source_v()
        self._put(unit)
        self._prepare_start()
        self._rewire()

    @property
    def pulses(self) -> deque[Pulse]:
        """The pulses that are over, the last hundred thousand of them. The caller may clear them."""
        return self._log.done

    # --- manual actions ---

    def switch(self, *, master: bool | None = None, loads: frozenset[int] | None = None) -> None:
        """Switch at this instant; what is None stays. Loads 1..6 are lamps, 7 the pilot lamp, 8 a leakage load of 1 kohm."""
        was_powered = self._powered
        now_on = self._master if master is None else master
        self._powered = now_on and bool((self._loads if loads is None else loads) - {PILOT})
        if was_powered and not self._powered:
            self._cut()
        self._loads = self._loads if loads is None else loads
        if now_on != self._master:
            self._master = now_on
            was_closed = self._mechanism.closed
            self._mechanism.supply(now_on)
            if self._mechanism.closed != was_closed:
                self._contact.follow(self.t_s, self._mechanism.closed)
        self._rewire()
        if self._powered and self._contact.conducting and not self._log.on:
            self._make(None)

    def set_unit(self, unit: InSocket) -> None:
        """Put a unit, cold and at rest, or the shorting link, or nothing into the socket."""
        self._cut()
        self._put(unit)
        self.switch()

    def set_supply(self, volts: float, loads: frozenset[int] | None = None) -> None:
        """Set the supply so that these loads have so many volts with the link fitted; None: those that the unit is rated for."""
        self._supply_v = volts
        self._set_on = self._rated if loads is None else loads
        self._emf_v = self._source_v()
        self._rewire()

    def set_ambient(self, c: float) -> None:
        """Set the ambient temperature, in degC. The unit and the lamps follow in their own time."""
        self._ambient_c = c
        self._mechanism.surround(c)
        self._rewire()

    def rest(self, seconds: float) -> None:
        """Let seconds pass with everything open. ValueError if it is not."""
        if self._master or self._loads:
            raise ValueError("resting the bench: the master switch and all loads must be open")
        end_s = self.t_s + seconds
        limit_s = self._bench.unit_rest_s
        self._run(self.t_s + (seconds if limit_s is None else min(seconds, limit_s)), keep=False)
        self.t_s = self._since_s = end_s
        self._prepare_start()

    # --- time ---

    def advance(self, until_s: float) -> Waveform:
        """Live on to until_s, not before the present; return the waveform since."""
        self._times, self._points = [self.t_s], [self._point()]
        self._run(until_s, keep=True)
        if self._times[-1] < until_s:
            self._keep()
        values = np.array(self._points)
        return Waveform(np.array(self._times), values[:, 0], values[:, 1], values[:, 2], values[:, 3])

    def _run(self, until_s: float, keep: bool) -> None:
        contact = self._contact
        while True:
            if contact.next_s <= self.t_s:
                self._change_contact(keep)
            elif self._circuit_now.margin >= 0.0 and self.t_s >= self._free_s:
                self._move_armature()
            elif until_s - self.t_s > 1e-12:
                stop_s = min(until_s, contact.next_s, self._free_s if self._free_s > self.t_s else math.inf)
                self._step(stop_s, keep)
            else:
                return

    def _step(self, stop_s: float, keep: bool) -> None:
        """Take one step, to stop_s at most, or to the move of the armature before."""
        longest = _LONGEST_LIVE_S if self._live else _LONGEST_DEAD_S
        step = self._scale * min(longest, max(_FIRST_STEP_S, _GROWTH * (self.t_s - self._since_s)))
        room = stop_s - self.t_s
        # Two equal steps rather than a full one and a sliver, which would cost as much.
        if step < room < 2.0 * step:
            step = 0.5 * room
        end_s = self.t_s + step
        if step >= room:
            step, end_s = room, stop_s
        trial = self._trial(step)
        if trial[2].margin >= 0.0 > self._circuit_now.margin and self.t_s >= self._free_s:
            step, trial = self._locate(step, trial)
            end_s = min(end_s, self.t_s + step)
        self._commit(end_s, trial, keep)

    def _trial(self, h: float) -> _Trial:
        """Return the state after h seconds from here; nothing is changed yet."""
        k, (a, b, c) = self._kelvins, self._mechanism.state
        one = self._circuit_now
        dk1, (a1, b1, c1) = one.heating, one.state
        q = 0.5 * h
        two = self._slopes([x + q * d for x, d in zip(k, dk1, strict=True)], a + q * a1, b + q * b1, c + q * c1)
        dk2, (a2, b2, c2) = two.heating, two.state
        q = 0.75 * h
        three = self._slopes([x + q * d for x, d in zip(k, dk2, strict=True)], a + q * a2, b + q * b2, c + q * c2)
        dk3, (a3, b3, c3) = three.heating, three.state
        q = h / 9.0
        k = [x + q * (2.0 * d + 3.0 * e + 4.0 * f) for x, d, e, f in zip(k, dk1, dk2, dk3, strict=True)]
        a += q * (2.0 * a1 + 3.0 * a2 + 4.0 * a3)
        b += q * (2.0 * b1 + 3.0 * b2 + 4.0 * b3)
        c += q * (2.0 * c1 + 3.0 * c2 + 4.0 * c3)
        return k, (a, b, c), self._slopes(k, a, b, c)

    def _locate(self, high: float, trial: _Trial) -> tuple[float, _Trial]:
        """Return the shortest step whose end has a margin that isn't negative, within 1 us: false position, halving every other time."""
        low, low_margin, high_margin = 0.0, self._circuit_now.margin, trial[2].margin
        halve = False
        while high - low > _EVENT_S:
            share = 0.5 if halve else low_margin / (low_margin - high_margin)
            # A little beyond the estimate, so that the bracket closes from above.
            step = low + min(max(share * (high - low) + 0.3 * _EVENT_S, 0.3 * _EVENT_S), high - low - 0.3 * _EVENT_S)
            attempt = self._trial(step)
            halve = not halve
            if attempt[2].margin >= 0.0:
                high, high_margin, trial = step, attempt[2].margin, attempt
            else:
                low, low_margin = step, attempt[2].margin
        return high, trial

    def _slopes(self, kelvins: list[float], a: float, b: float, c: float) -> _CircuitState:
        mechanism, conducting = self._mechanism, self._contact.conducting
        if not self._live:
            v_in, own_a = self._idle
            return _CircuitState([], mechanism.rates(a, b, c, 0.0, conducting), v_in, 0.0, 0.0, own_a, mechanism.margin(a, b, c, 0.0, v_in))
        fixed = self._fixed
        lamp_siemens, input_siemens = fixed.ohmic_siemens, mechanism.own_siemens
        ohms = []
        for group, kelvin in zip(self._groups, kelvins, strict=True):
            ohm = group.ohm * kelvin**RESISTANCE_EXPONENT
            ohms.append(ohm)
            if group.at_input:
                input_siemens += group.count / (ohm + group.branch_ohm)
            else:
                lamp_siemens += group.count / (ohm + group.branch_ohm)
        v_in, v_lamp, unit_a, supply_a = solve(
            self._emf_v, self._upstream_ohm, input_siemens, self._unit_ohm, a if self._stored else 0.0, self._downstream_ohm,
            lamp_siemens, fixed.led_siemens, fixed.knee_v, self._bench.limit_a,
        )  # fmt: skip
        heating = []
        for group, kelvin, ohm in zip(self._groups, kelvins, ohms, strict=True):
            amps = (v_in if group.at_input else v_lamp) / (ohm + group.branch_ohm)
            lost = group.radiation * kelvin**RADIATION_EXPONENT + group.gas * kelvin - group.gained_w
            capacity = group.mass_kg * (HEAT_J_PER_KG_K + HEAT_SLOPE_J_PER_KG_K2 * kelvin)
            heating.append((amps * amps * ohm - lost) / capacity)
        state = mechanism.rates(a, b, c, unit_a, conducting)
        return _CircuitState(heating, state, v_in, v_lamp, unit_a, supply_a, mechanism.margin(a, b, c, unit_a, v_in))

    def _commit(self, t_s: float, trial: _Trial, keep: bool) -> None:
        self.t_s = t_s
        self._kelvins, self._mechanism.state, self._circuit_now = trial
        if not self._live:
            return
        if self._log.on and self._contact.conducting and not self._contact.pending:
            self._log.drop(self._circuit_now.v_in - self._v_out())
        if keep:
            self._keep()
        if self._pilot_moves():
            self._rewire()
            if keep:
                self._keep()

    # --- jumps ---

    def _rewire(self) -> None:
        """Work out what is in circuit after a jump, and the voltages and currents from there on."""
        self._lamps.leave(self._groups, self._kelvins, self.t_s)
        if self._pilot is None or not self._master:
            self._pilot_on = self._pilot_pulled = False
        mechanism, conducting = self._mechanism, self._contact.conducting
        self._unit_ohm = mechanism.ohm_closed + self._contact.ohm if conducting else mechanism.ohm_open
        self._stored = mechanism.stores and not conducting
        passing = self._master and self._unit_ohm < math.inf
        pilot = self._master and self._pilot_on and PILOT in self._loads
        self._live = passing or pilot
        self._fixed = self._lamps.fixed(self._loads)
        self._groups, self._kelvins = self._lamps.join(self._loads if passing else frozenset(), pilot, self.t_s, self._ambient_c)
        v_in = self._emf_v / (1.0 + mechanism.own_siemens * self._upstream_ohm) if self._master else 0.0
        self._idle = (v_in, v_in * mechanism.own_siemens)
        self._since_s = self.t_s
        self._circuit_now = self._slopes(self._kelvins, *mechanism.state)
        if self._pilot_moves():
            self._rewire()

    def _change_contact(self, keep: bool) -> None:
        """Let the main contact touch or part, as planned."""
        contact, log = self._contact, self._log
        touched, before = contact.conducting, self._circuit_now
        if touched:
            log.ending(before.supply_a, before.v_in, self._v_out(), self._pilot_on)
        if keep and self._times[-1] < self.t_s:
            self._keep()  # nothing is kept while nothing flows, and the jump begins here
        contact.change()
        self._rewire()
        if contact.conducting and not touched and self._powered:
            if log.on:
                log.touched_again(self.t_s)
            else:
                self._make(before.supply_a)
        elif touched and not contact.conducting and not self._mechanism.closed:
            log.opened(self.t_s)
            if not contact.pending:
                log.finish(cut=False)
        if keep:
            self._keep()

    def _move_armature(self) -> None:
        skip = self._mechanism.move(self._contact.flashes, self._contact.misses())
        self._contact.follow(self.t_s, self._mechanism.closed, skip)
        self._free_s = self.t_s + _TRAVEL_S
        self._since_s = self.t_s
        self._circuit_now = self._slopes(self._kelvins, *self._mechanism.state)

    def _make(self, dark_a: float | None) -> None:
        """Begin a pulse: the lamps light."""
        dies = self._bench.bank.dies
        if dies is not None and self._log.makes + 1 == dies[1]:
            self._lamps.burn_out(dies[0])
            self._rewire()
        self._log.begin(self.t_s, self._circuit_now.supply_a, dark_a)

    def _cut(self) -> None:
        """End the pulse by a switch, if one is going on."""
        if self._log.on and self._contact.conducting:
            self._log.ending(self._circuit_now.supply_a, self._circuit_now.v_in, self._v_out(), self._pilot_on)
        self._log.finish(cut=True)

    def _pilot_moves(self) -> bool:
        """Let the pilot contact follow the present current; return whether it moved."""
        pilot = self._pilot
        if pilot is None or not self._master:
            return False
        self._pilot_pulled = abs(self._circuit_now.unit_a) > (pilot.drop_out_a if self._pilot_pulled else pilot.pull_in_a)
        on = self._pilot_pulled != pilot.antiphase and not pilot.dead
        moved = on != self._pilot_on
        self._pilot_on = on
        return moved

    # --- small parts ---

    def _put(self, socket: InSocket) -> None:
        unit = LINK if socket == "LINK" else EMPTY if socket is None else socket
        for one in self._faults:
            unit = one.spoil_unit(unit)
        law, loss = unit.mechanism, self._bench.heat_loss
        if isinstance(law, ThermalClosed):
            unit = replace(unit, mechanism=replace(law, strip_w_k=law.strip_w_k * loss))
        elif isinstance(law, HotWire):
            unit = replace(unit, mechanism=replace(law, wire_w_k=law.wire_w_k * loss))
        self._pilot = unit.pilot
        self._mechanism = running(unit, self._ambient_c, self._rng)
        self._contact = MainContact(unit, self._mechanism.closed, self._rng)
        if self._bench.unit_rest_s is not None:
            self._mechanism.warm()

    def _prepare_start(self) -> None:
        """Warm the lamps where a fault has them lit shortly before each start."""
        if self._bench.lamps_off_s is not None:
            self._lamps.were_lit(self._supply_v, self.t_s - self._bench.lamps_off_s, self._ambient_c)

    def _source_v(self) -> float:
        bench = self._bench
        loads_a = 0.0 if bench.set_at_source else self._good_bank.current_a(self._set_on, self._supply_v)
        return self._supply_v + bench.set_error_v + bench.series_ohm * loads_a

    def _v_out(self) -> float:
        return self._circuit_now.v_lamp + self._circuit_now.unit_a * self._downstream_ohm

    def _point(self) -> tuple[float, float, float, float]:
        look = self._circuit_now
        sensed_v = look.v_in + look.unit_a * self._bench.sense_ohm
        return sensed_v, self._v_out(), look.supply_a, look.v_in if self._pilot_on else 0.0

    def _keep(self) -> None:
        self._times.append(self.t_s)
        self._points.append(self._point())
