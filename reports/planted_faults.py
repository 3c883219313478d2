"""The faults that `reports.planted_boards` plants: each a board like one that somebody else might have written, wrong in one thing."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bench.simboard.board import SimulatedBoard
from bench.simboard.commands import execute
from bench.simboard.protection import Protection, Trip
from bench.simboard.sampling import BURST_OVER_S, BoardState, FinishedBurst, FullFrame
from bench.simboard.status import CommandError, Status
from bench.simboard.waveform import Waveform
from bench.wire import Decoder, EventFrame, EventKind, ResetCause, SampleFrame, TripCause, encode_event, encode_reply, encode_sample_frame


class Changed(SimulatedBoard):
    """A board whose frames pass through `changed` on their way out."""

    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame

    def _send_frame(self, ready_s: float, data: bytes) -> None:
        (frame,) = Decoder().feed(data)
        assert isinstance(frame, SampleFrame | EventFrame)
        frame = self.changed(frame)
        super()._send_frame(ready_s, encode_event(frame) if isinstance(frame, EventFrame) else encode_sample_frame(frame))


class _OtherParts(SimulatedBoard):
    """A board with a protection or a status of its own kind."""

    protection: type[Protection] = Protection
    status_kind: type[Status] = Status

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self._protection = self.protection()
        self.status = self.status_kind()


class NoSupplyTrip(_OtherParts):
    class _Deaf(Protection):
        def watch(self, wave: Waveform, level_a: float, delay_s: float, top_v: float, *, tripped: bool) -> Trip | None:
            return super().watch(wave, level_a, delay_s, 1e9, tripped=tripped)

    protection = _Deaf


class SupplyTripAtOnce(_OtherParts):
    class _Hasty(Protection):
        def watch(self, wave: Waveform, level_a: float, delay_s: float, top_v: float, *, tripped: bool) -> Trip | None:
            first = super().watch(wave, level_a, delay_s, top_v, tripped=tripped)
            beyond = wave.v_in >= top_v
            return first if tripped or not beyond.any() else Trip(float(wave.t_s[beyond.argmax()]), TripCause.SUPP)

    protection = _Hasty


class TicksZero(Changed):
    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame._replace(ticks=0) if isinstance(frame, EventFrame) else frame


class StopBeforeOpening(SimulatedBoard):
    def restore(self) -> None:
        self.stop()
        super().restore()


class StoresNothing(SimulatedBoard):
    def power_up(self, cause: ResetCause) -> None:
        self.scales.store = lambda: None  # type: ignore[method-assign]
        super().power_up(cause)


class KeepsUnstored(SimulatedBoard):
    def power_up(self, cause: ResetCause) -> None:
        self.scales.store()
        super().power_up(cause)


class _OtherBursts(SimulatedBoard):
    def other(self, burst: FinishedBurst) -> FinishedBurst:
        return burst

    def start(self) -> None:
        super().start()
        assert self._run is not None
        plain: Callable[..., list[FinishedBurst]] = self._run._bursts
        self._run._bursts = lambda *given: [self.other(burst) for burst in plain(*given)]  # type: ignore[method-assign]


class BurstAtLastChange(_OtherBursts):
    def other(self, burst: FinishedBurst) -> FinishedBurst:
        return replace(burst, first_s=burst.ready_s - BURST_OVER_S)


class BurstAtItsEnd(_OtherBursts):
    def other(self, burst: FinishedBurst) -> FinishedBurst:
        return replace(burst, first_s=burst.ready_s)


class BurstCountsOne(_OtherBursts):
    def other(self, burst: FinishedBurst) -> FinishedBurst:
        return replace(burst, count=1)


class _OtherComparator(SimulatedBoard):
    part, floor_v = 0.5, 1.0

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        if "_compare" not in vars(self.rig):
            plain = self.rig._compare
            self.rig._compare = lambda wave: plain(self._compared(wave))  # type: ignore[method-assign]

    def _compared(self, wave: Waveform) -> Waveform:
        """What the built-in comparator takes as this board's one takes the wave itself."""
        least_v = self.part * np.maximum(wave.v_in, self.floor_v)
        return Waveform(wave.t_s, np.full_like(wave.v_in, 1.0), 0.5 + wave.v_out - least_v, wave.i_load, wave.v_pilot)


class ThresholdQuarter(_OtherComparator):
    part, floor_v = 0.25, 2.0


class ThresholdFixed(_OtherComparator):
    part, floor_v = 0.0001, 40000.0  # 4 V, whatever the input


class ThresholdWithoutFloor(_OtherComparator):
    floor_v = 0.1


class RunNumberStands(SimulatedBoard):
    def start(self) -> None:
        self._run_number = 0
        super().start()


class SequenceGoesOn(SimulatedBoard):
    _own = -1

    def _next_sequence(self) -> int:
        self._own = (self._own + 1) % 256
        return self._own


class OverflowKeepsItsBit(_OtherParts):
    class _Overfull(Status):
        def push(self, number: int) -> None:
            before = self.event
            super().push(number)
            self.event = before | {1: 32, 2: 16, 3: 8}[-number // 100]

    status_kind = _Overfull


class OverflowEvictsTheOldest(_OtherParts):
    class _Forgetful(Status):
        def push(self, number: int) -> None:
            if len(self.errors) == 8:
                self.errors.popleft()
                super().push(-350)
            else:
                super().push(number)

    status_kind = _Forgetful


class ErrorsCountAgainstSilence(SimulatedBoard):
    def _obey(self, line: bytes) -> None:
        self._last_line_s = self.now_s
        super()._obey(line)


class LiveGlitch(SimulatedBoard):
    def switch(self, master: bool, loads: frozenset[int]) -> None:
        if self.master and master and self.loads and loads != self.loads:
            self.world.switch(loads=frozenset())  # type: ignore[call-arg]
            self.run_until(self.now_s + 3e-4)
            self.world.switch(loads=self.loads)  # type: ignore[call-arg]
        super().switch(master, loads)


class LostUnsaid(Changed):
    """Loses frames, and does not say so."""

    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame._replace(flags=frame.flags & ~1)


class LostAlwaysSaid(Changed):
    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame._replace(flags=frame.flags | 1) if isinstance(frame, SampleFrame) else frame


class CauseGoneAtRst(SimulatedBoard):
    def restore(self) -> None:
        super().restore()
        self.trip_cause = TripCause.NONE


class CauseGoneAtReset(SimulatedBoard):
    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self.trip_cause = TripCause.NONE


class CauseKeptAtPowerUp(SimulatedBoard):
    def power_up(self, cause: ResetCause) -> None:
        kept = self.trip_cause
        super().power_up(cause)
        self.trip_cause = kept


class EdgesZero(Changed):
    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame._replace(edges=0)


class TimeCountsFromAnySwitch(SimulatedBoard):
    def _apply(self, master: bool, loads: frozenset[int]) -> bool:
        changed = super()._apply(master, loads)
        if changed:
            self._master_since_s = self.now_s
        return changed


class TimeHoldsFromTheNextClosing(SimulatedBoard):
    _closed_with_s = 1e9

    def _apply(self, master: bool, loads: frozenset[int]) -> bool:
        if master and not self.master:
            self._closed_with_s = self.settings.time_s
        return super()._apply(master, loads)

    def _deadline(self) -> Trip:
        now_s, self.settings.time_s = self.settings.time_s, self._closed_with_s
        trip = super()._deadline()
        self.settings.time_s = now_s
        return trip


class HeaderOfTheLastSample(SimulatedBoard):
    def _send_samples(self, full: FullFrame) -> None:
        super()._send_samples(replace(full, board=BoardState(self._switch_bits() & 0xFF, self._state(self.rig.comparator))))


class RstEmptiesTheQueue(SimulatedBoard):
    def restore(self) -> None:
        super().restore()
        self.status.clear()


class TripStopsSampling(SimulatedBoard):
    def _open_for(self, cause: TripCause) -> None:
        super()._open_for(cause)
        self.stop()


class RangeInNameOnly(SimulatedBoard):
    def start(self) -> None:
        super().start()
        self.rig.configure(0)


class RangesDownOnly(SimulatedBoard):
    """Other channels keep their first range when `v_in` changes."""

    def start(self) -> None:
        super().start()
        number = self.settings.range_number
        kept = self.rig.description
        ranges = {name: replace(c, ranges=c.ranges[:1]) if name != "v_in" else c for name, c in kept.channels.items()}
        self.rig.description = replace(kept, channels=ranges)
        self.rig.configure(number)
        self.rig.description = kept


class TripWithoutBefore(Changed):
    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame._replace(value=0) if isinstance(frame, EventFrame) and frame.kind == EventKind.TRIP else frame


class RepliesLate(SimulatedBoard):
    """Obeys at once and answers `late_s` later; frames are not held up."""

    late_s = 0.6

    def answer(self, reply: str) -> None:
        self.due.append((self.now_s + self.late_s, encode_reply(reply)))

    def run_until(self, t_s: float) -> None:
        while self.due and self.due[0][0] <= t_s:
            due_s, data = self.due.pop(0)
            super().run_until(due_s)
            self.uplink.send(due_s, data)
            self._zero_first = True
        super().run_until(t_s)

    @property
    def due(self) -> list[tuple[float, bytes]]:
        """Replies that wait: when they are to be sent, and their bytes."""
        return vars(self).setdefault("_due", [])  # type: ignore[no-any-return]


class OtherForms(RepliesLate):
    """No fault: it answers late, but in time, and in forms that the page allows and no other board of ours uses."""

    late_s = 0.45

    def answer(self, reply: str) -> None:
        super().answer(other_form(reply))


def other_form(reply: str) -> str:
    """The same answer in another allowed form: one more field of `*IDN?`, a list backwards and spaced, numbers with sign and point."""
    if reply.startswith("makebreak,"):
        return reply + ",blue"
    if reply.startswith("(@"):
        return "(@" + ", ".join(reply[2:-1].split(",")[::-1]) + ")"
    if re.fullmatch(r"[-\d,]+(\".*)?", reply):
        return re.sub(r"(?<![^,])-?\d+(?=,|$)", lambda number: f"{float(number[0]):+.1f}", reply)
    return reply


class CurrentTripAtOnce(SimulatedBoard):
    def _step(self, stop_s: float) -> None:
        kept, self.settings.delay_s = self.settings.delay_s, 1e-3
        super()._step(stop_s)
        self.settings.delay_s = kept


class NoZeroBehindReplies(SimulatedBoard):
    def answer(self, reply: str) -> None:
        super().answer(reply)
        self._zero_first = False


class RefusedByHalf(SimulatedBoard):
    """Of a list with a load that is not there it closes those that are."""

    def _obey(self, line: bytes) -> None:
        try:
            execute(self, line)
        except CommandError as error:
            if error.number == -222 and line.upper().startswith(b"ROUT:CLOS"):
                self.switch(self.master, self.loads | frozenset({min(self.description.loads)}))
            self.status.push(error.number)
        else:
            super()._obey(line)
