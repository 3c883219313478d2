"""Boards with one planted fault each, and whether the contract's tests (tests/test_contract_*.py) catch it.

    python -m reports.planted_boards              every fault, by all of the contract's tests: a table
    python -m reports.planted_boards ticks-zero   those named

Each is the simulated board with a small change such as a board written by somebody else might have. `planted://NAME` is its address in the
contract's tests; `planted://sound` is the board without any.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.bank import Bank, Socket
from bench.description import BoardDescription
from bench.errors import AddressError
from bench.ports.simulated import SimulatedLine
from bench.simboard.board import SimulatedBoard
from bench.simboard.commands import execute
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.loads import lamp_bank
from bench.simboard.protection import Protection, Trip
from bench.simboard.rig import rig_description
from bench.simboard.sampling import BURST_OVER_S, BoardState, FinishedBurst, FullFrame
from bench.simboard.status import CommandError, Status
from bench.simboard.units import Unit
from bench.simboard.waveform import Waveform
from bench.simboard.world import InSocket, World
from bench.wire import Decoder, EventFrame, EventKind, ResetCause, SampleFrame, TripCause, encode_event, encode_reply, encode_sample_frame

KIND = "planted"
ROOT = Path(__file__).parent.parent
_SEED = 5


class BoardPort:
    """The host's end of the cable of a simulated board that was made elsewhere, in virtual time."""

    def __init__(self, address: str, board: SimulatedBoard) -> None:
        self.address = address
        self.board = board
        self._line = SimulatedLine(board)

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def read(self, timeout_s: float) -> bytes:
        return self._line.read(timeout_s)

    def now_s(self) -> float:
        return self._line.now_s

    def close(self) -> None:
        """Nothing to let go of."""


def described_board(
    description: BoardDescription,
    kind: type[SimulatedBoard] = SimulatedBoard,
    unit: InSocket = "LINK",
    rig_faults: Sequence[str] = (),
) -> SimulatedBoard:
    """A simulated board, and a world around it, that are as this description says: its lamps in sockets 1 to 6, its loop, 12 V.

    `unit` is in the socket, and the only one that the board knows besides LINK and NONE.
    """
    watts = [description.loads[n].nominal if n in description.loads and description.loads[n].kind == "LAMP" else 0.0 for n in range(1, 7)]
    sockets = tuple(Socket("filament", watts=w) if w else Socket("empty") for w in watts)
    loop_ohm = description.loop.ohm if description.loop is not None else 0.10
    lamps = sorted((n for n, w in enumerate(watts, start=1) if w), key=lambda n: -watts[n - 1])
    name = unit.name if isinstance(unit, Unit) else "LINK"
    known: dict[str, InSocket] = {"LINK": "LINK", "NONE": None, name: unit}
    world = World(
        unit,
        seed=_SEED,
        source_ohm=loop_ohm,
        bank=lamp_bank(Bank("described", "In the sockets: what a description says", sockets), 12.0),
        rated_loads=tuple(lamps[:2]),
    )

    def find(wanted: str) -> InSocket:
        return known[wanted if wanted in known else wanted.upper()]

    return kind(world, seed=_SEED, unit_name=name, find_unit=find, description=description, faults=rig_faults)


class Changed(SimulatedBoard):
    """A board whose frames pass through `changed` on their way out."""

    def changed(self, frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return frame

    def _send_frame(self, ready_s: float, data: bytes) -> None:
        (frame,) = Decoder().feed(data)
        assert isinstance(frame, SampleFrame | EventFrame)
        frame = self.changed(frame)
        super()._send_frame(ready_s, encode_event(frame) if isinstance(frame, EventFrame) else encode_sample_frame(frame))


class NoSupplyTrip(SimulatedBoard):
    class _Protection(Protection):
        def watch(self, wave: Waveform, level_a: float, delay_s: float, top_v: float, *, tripped: bool) -> Trip | None:
            return super().watch(wave, level_a, delay_s, 1e9, tripped=tripped)

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self._protection = self._Protection()


class SupplyTripAtOnce(SimulatedBoard):
    class _Protection(Protection):
        def watch(self, wave: Waveform, level_a: float, delay_s: float, top_v: float, *, tripped: bool) -> Trip | None:
            first = super().watch(wave, level_a, delay_s, top_v, tripped=tripped)
            beyond = wave.v_in >= top_v
            return first if tripped or not beyond.any() else Trip(float(wave.t_s[beyond.argmax()]), TripCause.SUPP)

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self._protection = self._Protection()


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


class OverflowKeepsItsBit(SimulatedBoard):
    class _Status(Status):
        def push(self, number: int) -> None:
            before = self.event
            super().push(number)
            self.event = before | {1: 32, 2: 16, 3: 8}[-number // 100]

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self.status = self._Status()


class OverflowEvictsTheOldest(SimulatedBoard):
    class _Status(Status):
        def push(self, number: int) -> None:
            if len(self.errors) == 8:
                self.errors.popleft()
                super().push(-350)
            else:
                super().push(number)

    def power_up(self, cause: ResetCause) -> None:
        super().power_up(cause)
        self.status = self._Status()


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


@dataclass(frozen=True)
class Planted:
    """A fault: what is wrong in words, the board that has it, and the rig's faults that it needs to show: those lose samples, and
    are for the one test of such boards."""

    text: str
    board: type[SimulatedBoard]
    rig_faults: tuple[str, ...] = ()


FAULTS: Mapping[str, Planted] = {
    "no-supply-trip": Planted("no trip of cause SUPPly", NoSupplyTrip),
    "supply-trip-at-once": Planted("SUPPly trips without its 10 ms", SupplyTripAtOnce),
    "ticks-zero": Planted("ticks of events are always 0", TicksZero),
    "rst-order": Planted("*RST stops sampling before it opens", StopBeforeOpening),
    "store-nothing": Planted("CAL:STOR stores nothing", StoresNothing),
    "keeps-unstored": Planted("calibration lasts without CAL:STOR", KeepsUnstored),
    "burst-last": Planted("a burst is stamped at its last change", BurstAtLastChange),
    "burst-end": Planted("a burst is stamped when it is over", BurstAtItsEnd),
    "burst-count": Planted("a burst's changes are always one", BurstCountsOne),
    "threshold-quarter": Planted("the comparator's threshold is a quarter of the input", ThresholdQuarter),
    "threshold-fixed": Planted("the comparator's threshold is 4 V", ThresholdFixed),
    "threshold-floor": Planted("the comparator's input counts below 1 V", ThresholdWithoutFloor),
    "run-number": Planted("the run number does not advance", RunNumberStands),
    "sequence": Planted("the sequence goes on over a reset", SequenceGoesOn),
    "overflow-bit": Planted("at -350 the event status has the bit of the ninth error", OverflowKeepsItsBit),
    "overflow-oldest": Planted("at -350 the oldest error is lost", OverflowEvictsTheOldest),
    "silence-errors": Planted("lines with errors count against silence", ErrorsCountAgainstSilence),
    "live-glitch": Planted("live switching opens all loads for 0.3 ms", LiveGlitch),
    "lost-unsaid": Planted("flags: bit 0 is missing where samples were lost", LostUnsaid, ("board-overrun",)),
    "lost-always": Planted("flags: bit 0 is always set", LostAlwaysSaid),
    "cause-rst": Planted("*RST forgets the last cause", CauseGoneAtRst),
    "cause-reset": Planted("a reset by its pin forgets the last cause", CauseGoneAtReset),
    "cause-power": Planted("a power-up keeps the last cause", CauseKeptAtPowerUp),
    "edges-zero": Planted("edges are always 0", EdgesZero),
    "time-anew": Planted("the longest on-time counts from any switching", TimeCountsFromAnySwitch),
    "time-next": Planted("the longest on-time holds from the next closing on", TimeHoldsFromTheNextClosing),
    "header-last": Planted("a frame's header is that of its last sample", HeaderOfTheLastSample),
    "rst-queue": Planted("*RST empties the error queue", RstEmptiesTheQueue),
    "trip-stops": Planted("a trip stops sampling", TripStopsSampling),
    "range-in-name": Planted("the voltage range changes in name only", RangeInNameOnly),
    "range-v_in-only": Planted("v_out does not follow the voltage range", RangesDownOnly),
    "trip-before": Planted("the event of a trip does not say what was closed", TripWithoutBefore),
    "late": Planted("every reply comes 0.6 s late", RepliesLate),
    "current-at-once": Planted("CURRent trips without its delay", CurrentTripAtOnce),
    "no-zero": Planted("no further zero byte before the frame behind a reply", NoZeroBehindReplies),
    "refused-by-half": Planted("a refused list of loads is obeyed as far as it can be", RefusedByHalf),
}


def planted_board(name: str) -> SimulatedBoard:
    """The board with this fault; `sound` has none. AddressError for a name that is not known."""
    description = rig_description(_SEED)
    if name == "sound":
        return described_board(description)
    if name not in FAULTS:
        raise AddressError(f"opening {KIND}://{name}: no fault has this name; there are: {', '.join(FAULTS)}")
    fault = FAULTS[name]
    assert set(fault.rig_faults) <= RIG_FAULTS.keys()
    return described_board(description, fault.board, rig_faults=fault.rig_faults)


def open_planted(address: str) -> BoardPort:
    return BoardPort(address, planted_board(address.partition("://")[2]))


def caught_by(name: str) -> list[str]:
    """The contract's tests that fail on this board."""
    tests = sorted(str(path) for path in (ROOT / "tests").glob("test_contract_*.py"))
    loses = name in FAULTS and bool(FAULTS[name].rig_faults)
    told = {"MAKEBREAK_CONTRACT_LOSING" if loses else "MAKEBREAK_CONTRACT": f"{KIND}://{name}", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "pytest", "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-k", KIND, *tests]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, env={**os.environ, **told})
    if not re.search(r"\d+ (passed|failed)", done.stdout):
        raise RuntimeError(f"running the contract's tests on {name}: {done.stdout[-500:]}{done.stderr[-500:]}")
    return sorted({f"{m[1]}" for m in re.finditer(r"^(?:FAILED|ERROR) \S+::(\w+)", done.stdout, re.MULTILINE)})


def main() -> int:
    parser = argparse.ArgumentParser(description="Do the contract's tests catch boards with planted faults?")
    parser.add_argument("names", nargs="*", help="faults, all if none is named")
    names = parser.parse_args().names or list(FAULTS)
    wrong = caught_by("sound")
    print(f"sound board: {'passes' if not wrong else 'FAILS ' + ', '.join(wrong)}")
    caught = 0
    for name in names:
        found = caught_by(name)
        caught += bool(found)
        by = "NOT CAUGHT" if not found else f"{len(found):2d}: {found[0]}"
        print(f"{name:19} {FAULTS[name].text:62} {by}", flush=True)
    print(f"{caught} of {len(names)} caught")
    return 0 if caught == len(names) and not wrong else 1


if __name__ == "__main__":
    sys.exit(main())
