"""The simulated board: switches, samples, frames, events and trips in simulated time (firmware/PROTOCOL.md sections 3, 4 and 6).

Time passes only in `run_until`, in steps of at most 40 ms. In each step the circuit lives first; where its currents trip the protection the
step is cut at that instant, and what the circuit lived beyond it is thrown away. Then the rig follows the waveform, samples are taken
from it, and what is ready goes up. Commands take effect at the moment up to which the board has been simulated.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from bench.description import BoardDescription
from bench.simboard.commands import execute
from bench.simboard.line_buffer import LineBuffer
from bench.simboard.link import Link
from bench.simboard.protection import Protection, Trip
from bench.simboard.sampling import BoardState, FullFrame, SamplingRun
from bench.simboard.scales import BoardScales
from bench.simboard.seeded_rig import draw_rig
from bench.simboard.settings import default_settings
from bench.simboard.status import CommandError, Status
from bench.simboard.uplink import Uplink
from bench.simboard.waveform import Waveform
from bench.wire import (
    EventFrame,
    EventKind,
    HeaderState,
    ResetCause,
    SampleFrame,
    TripCause,
    encode_event,
    encode_reply,
    encode_sample_frame,
)

FIRMWARE = "1.0-sim"
LONGEST_STEP_S = 0.04


class Surroundings(Protocol):
    """The circuit around a board: the board switches it, lets it live on, and is shown what happened."""

    @property
    def t_s(self) -> float:
        """The present, in s of its own time."""

    def switch(self, *, master: bool, loads: frozenset[int]) -> None:
        """Set the master switch and the loads."""

    def advance(self, until_s: float) -> Waveform:
        """Live on to until_s, not before the present; return the waveform since."""

    def set_unit(self, unit: Any) -> None:
        """Put a unit into the socket."""

    def set_supply(self, volts: float, loads: frozenset[int] | None = None) -> None:
        """Set the supply to so many volts at these loads; None: those that the unit is rated for."""

    def set_ambient(self, celsius: float) -> None:
        """Set the ambient temperature."""

    def rest(self, seconds: float) -> None:
        """Let seconds pass with everything open."""


def _plain_name(name: str) -> str:
    """LINK and NONE are words of the protocol, in any case; a unit's name is its own."""
    return name.upper() if name.upper() in ("LINK", "NONE") else name


def _no_units(name: str) -> Any:
    raise KeyError(name)


class SimulatedBoard:
    """A board in a `world`: `receive` bytes at the present time, `advance` by some seconds and take the bytes that came up.

    `seed` draws its hidden errors, its noise and its bridge's delays; `ideal` leaves errors and noise out. `faults`: names
    of `RIG_FAULTS`. `find_unit` gives what `Surroundings.set_unit` takes for a name (KeyError if unknown). `first_stamp`: that of every
    run's first sample, for tests of the wrap. `description`: what it says about itself, None for the reference rig of this seed.
    """

    firmware = FIRMWARE

    def __init__(
        self,
        world: Surroundings,
        *,
        seed: int = 1,
        ideal: bool = False,
        faults: Iterable[str] = (),
        unit_name: str = "NONE",
        supply_v: float = 12.8,
        ambient_c: float = 24.0,
        find_unit: Callable[[str], Any] = _no_units,
        link: Link | None = None,
        first_stamp: int = 0,
        description: BoardDescription | None = None,
    ) -> None:
        self.rig, self.meter, delays, self._chance = draw_rig(
            seed, ideal=ideal, faults=faults, ambient_c=ambient_c, description=description
        )
        self.description: BoardDescription = self.rig.description
        self.scales = BoardScales(self.description)
        self.link = Link() if link is None else link
        self.uplink = Uplink(delays, self.link)
        self.world = world
        self.unit_name = _plain_name(unit_name)
        self.supply_v = supply_v
        self.find_unit = find_unit
        self.now_s = 0.0
        self._first_stamp = first_stamp
        self._offset_s = world.t_s
        self.trip_cause = TripCause.NONE
        self.master = False
        self.loads: frozenset[int] = frozenset()
        world.switch(master=False, loads=frozenset())
        self.power_up(ResetCause.POW)

    # --- the outside: bytes and time ---

    def receive(self, data: bytes) -> None:
        """Take bytes from the host; whole lines take effect now."""
        for line in self._buffer.feed(self.link.carry_down(data)):
            if line is None:
                self._line_lost = True
                self.status.push(-363)
            elif line.strip(b" "):
                self._obey(line)

    def advance(self, seconds: float) -> bytes:
        """Let time pass; return the bytes that reached the host up to then."""
        self.run_until(self.now_s + seconds)
        return self.uplink.take(self.now_s)

    def run_until(self, t_s: float) -> None:
        """Simulate up to t_s; what comes up waits in `uplink`."""
        while self.now_s < t_s:
            trip = self._deadline()
            if self.link.board_reset_at_s <= self.now_s:
                self.link.board_reset_at_s = math.inf
                self.power_up(ResetCause.EXT)
            elif trip.t_s <= self.now_s:
                self._open_for(trip.cause)
            else:
                self._step(min(t_s, self.now_s + LONGEST_STEP_S, trip.t_s, self.link.board_reset_at_s))

    def _obey(self, line: bytes) -> None:
        try:
            reply = execute(self, line)
        except CommandError as error:
            self.status.push(error.number)
            return
        self._last_line_s = self.now_s
        if reply is not None:
            self.answer(reply)

    def answer(self, reply: str) -> None:
        """Send a reply."""
        self.uplink.send(self.now_s, encode_reply(reply))
        self._zero_first = True

    # --- what commands do ---

    @property
    def sampling(self) -> bool:
        """Whether a run is on."""
        return self._run is not None

    @property
    def ambient_c(self) -> float:
        """The ambient temperature."""
        return self.rig.ambient_c

    def power_up(self, cause: ResetCause) -> None:
        """Begin as after power-up (POW) or another reset: sampling stops, everything opens, what was not stored is forgotten."""
        self.reset_cause = cause
        if cause is ResetCause.POW:
            self.trip_cause = TripCause.NONE
        self.scales.forget()
        self.status = Status()
        self._buffer = LineBuffer()
        self._protection = Protection()
        self._run: SamplingRun | None = None
        self._run_number = 0
        self._sequence = 0
        self._edges: list[float] = []
        self._line_lost = self._samples_lost = False
        self._last_line_s = self._master_since_s = self.now_s
        self._zero_first = True
        self.tripped = False
        self._defaults()
        self._apply(False, frozenset())
        self._event(self.now_s, EventKind.STARTED, int(cause))

    def restore(self) -> None:
        """Obey `*RST`: open everything, stop sampling, put the settings back, clear a trip."""
        self.switch(False, frozenset())
        self.stop()
        self._defaults()
        self.clear_trip()

    def clear_trip(self) -> None:
        """Clear a trip. Nothing happens while the latch's capacitor still holds it."""
        if self.trip_cause is not TripCause.LATC or self._protection.latch.free:
            self.tripped = False

    def switch(self, master: bool, loads: frozenset[int]) -> None:
        """Set the master switch and the loads; send an event if that changed anything."""
        before = self._switch_bits()
        if self._apply(master, loads):
            self._event(self.now_s, EventKind.SWITCHED, 0, before)

    def start(self) -> None:
        """Obey `INITiate`: sample 0 is held now."""
        self._run_number = (self._run_number + 1) % 4
        self._zero_first = True
        self.rig.configure(self.settings.range_number)
        clock_hz = self.description.clock_hz * (1.0 + self.rig.hidden.clock_error)
        ticks = self.description.modes[self.settings.mode].ticks_per_sample
        self._run = SamplingRun(self.rig, self.now_s, clock_hz, ticks, self._first_stamp)

    def stop(self) -> None:
        """Obey `ABORt`: a frame not yet full is not sent."""
        if self._run is not None:
            stamp = self._run.end_stamp()
            self._run = None
            self._event(self.now_s, EventKind.STOPPED, 0, place=(stamp, 0))

    def fit(self, name: str, unit: Any) -> None:
        """Put a unit (or the link, or nothing) in the socket."""
        self.world.set_unit(unit)
        self.unit_name = _plain_name(name)

    def set_supply(self, volts: float, loads: frozenset[int] | None = None) -> None:
        """Set the supply to so many volts at these loads with the link fitted; None: those that the unit is rated for."""
        self.world.set_supply(volts, loads)
        self.supply_v = volts

    def set_ambient(self, celsius: float) -> None:
        """Set the ambient temperature of the circuit and of the rig's sensor."""
        self.world.set_ambient(celsius)
        self.rig.ambient_c = celsius
        self.rig.configure(self.settings.range_number)

    def rest(self, seconds: float) -> None:
        """Let the circuit age by `seconds` while no time passes for board and host."""
        self.world.rest(seconds)
        self._offset_s = self.world.t_s - self.now_s

    def metered(self, channel: str, part: float, rest: float) -> float:
        """Return what a meter shows at a channel's place now; its error is at most a `part` of the value plus `rest` in the channel's unit.
        KeyError where there is nothing to clip it on."""
        return self.meter.at(self.world.advance(self.world.t_s), channel, part, rest)

    def stamp_at(self, t_s: float) -> tuple[int, int]:
        """Return stamp and ticks of a moment of the run; 0, 0 when not sampling."""
        return (0, 0) if self._run is None else self._run.stamp_at(t_s)

    # --- switches and trips ---

    def _defaults(self) -> None:
        self.settings = default_settings(self.description)

    def _switch_bits(self) -> int:
        return sum(1 << (n - 1) for n in self.loads) | int(self.master) << 8

    def _apply(self, master: bool, loads: frozenset[int]) -> bool:
        if (master, loads) == (self.master, self.loads):
            return False
        if master and not self.master:
            self._master_since_s = self.now_s
        self.master, self.loads = master, loads
        self.world.switch(master=master, loads=loads)
        return True

    def _deadline(self) -> Trip:
        """Return the trip that time alone brings if nothing else happens; its t_s is inf where none is to come."""
        trip = Trip(math.inf, TripCause.NONE)
        if self.master:
            trip = Trip(self._master_since_s + self.settings.time_s, TripCause.TIME)
        if self.master or self.loads:
            trip = min(trip, Trip(self._last_line_s + self.settings.silence_s, TripCause.SIL))
        return trip

    def _open_for(self, cause: TripCause) -> None:
        before = self._switch_bits()
        self.trip_cause, self.tripped = cause, True
        self._apply(False, frozenset())
        self._event(self.now_s, EventKind.TRIP, int(cause), before)

    # --- a step of time ---

    def _step(self, stop_s: float) -> None:
        wave = self.world.advance(stop_s + self._offset_s).earlier_by(self._offset_s)
        top_v = self.scales.description.channels["v_in"].range(self.settings.range_number).high
        trip = self._protection.watch(wave, self.settings.level_a, self.settings.delay_s, top_v, tripped=self.tripped)
        if trip is not None:
            # The circuit has lived past the trip: what it did then is thrown away, and its clock stays ahead by that much.
            at = max(trip.t_s, self.now_s)
            self._offset_s += stop_s - at
            stop_s, wave = at, wave.until(at)
        before = BoardState(self._switch_bits() & 0xFF, self._state(self.rig.comparator))
        changes = self.rig.follow(wave)
        self._edges += changes
        if self._run is not None:
            for item in self._run.step(stop_s, changes, before):
                if isinstance(item, FullFrame):
                    self._send_samples(item)
                else:
                    place, count = self._run.stamp_at(item.first_s), min(item.count, 0xFFFF)
                    self._event(item.ready_s, EventKind.BURST, int(item.high), count, place=place, comparator=item.high)
        self.now_s = stop_s
        if trip is not None:
            self._open_for(trip.cause)

    def _send_samples(self, full: FullFrame) -> None:
        skipped = self.rig.hidden.frames_skipped
        if skipped and self._chance.random() < skipped:
            self._samples_lost = True
            return
        state, flags = self._encode(full.board.state._replace(samples_lost=self._samples_lost))
        self._samples_lost = False
        sequence, edges = self._next_sequence(), self._count_edges(full.ready_s)
        frame = SampleFrame(sequence, full.stamp, full.board.loads, state, flags, edges, full.body)
        self._send_frame(full.ready_s, encode_sample_frame(frame))

    # --- frames ---

    def _state(self, comparator: bool) -> HeaderState:
        """Return the board's present state as a frame's header states it."""
        return HeaderState(
            master=self.master,
            tripped=self.tripped,
            range_number=self.settings.range_number,
            precise=self.settings.mode == "PREC",
            sampling=self.sampling,
            run=self._run_number,
            comparator=comparator,
        )

    def _encode(self, state: HeaderState) -> tuple[int, int]:
        """Return the bytes `state` and `flags` of the next frame, which states once that a line was lost."""
        line_lost, self._line_lost = self._line_lost, False
        return state._replace(line_lost=line_lost).encode()

    def _count_edges(self, until_s: float) -> int:
        count = bisect_right(self._edges, until_s)
        del self._edges[:count]
        return min(count, 255)

    def _next_sequence(self) -> int:
        sequence, self._sequence = self._sequence, (self._sequence + 1) % 256
        return sequence

    def _event(
        self,
        t_s: float,
        kind: EventKind,
        reason: int,
        value: int = 0,
        *,
        place: tuple[int, int] | None = None,
        comparator: bool | None = None,
    ) -> None:
        """Send an event that is ready at t_s; `place` is its stamp and ticks where those are not of that moment."""
        stamp, ticks = self.stamp_at(t_s) if place is None else place
        state, flags = self._encode(self._state(self.rig.comparator if comparator is None else comparator))
        sequence, edges = self._next_sequence(), self._count_edges(t_s)
        loads = self._switch_bits() & 0xFF
        frame = EventFrame(sequence, stamp, loads, state, flags, edges, kind, reason, ticks, value)
        self._send_frame(t_s, encode_event(frame))

    def _send_frame(self, ready_s: float, data: bytes) -> None:
        self.uplink.send(ready_s, b"\0" + data if self._zero_first else data)
        self._zero_first = False
