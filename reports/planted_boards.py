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
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bench.errors import AddressError
from bench.simboard.board import SimulatedBoard
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.rig import rig_description
from reports import planted_faults as faults
from reports.described_board import SEED, BoardPort, described_board

KIND = "planted"
ROOT = Path(__file__).parent.parent


@dataclass(frozen=True)
class Planted:
    """A fault: what is wrong in words, the board that has it, and the rig's faults that it needs to show: those lose samples, and
    are for the one test of such boards."""

    text: str
    board: type[SimulatedBoard]
    rig_faults: tuple[str, ...] = ()


FAULTS: Mapping[str, Planted] = {
    "no-supply-trip": Planted("no trip of cause SUPPly", faults.NoSupplyTrip),
    "supply-trip-at-once": Planted("SUPPly trips without its 10 ms", faults.SupplyTripAtOnce),
    "ticks-zero": Planted("ticks of events are always 0", faults.TicksZero),
    "rst-order": Planted("*RST stops sampling before it opens", faults.StopBeforeOpening),
    "store-nothing": Planted("CAL:STOR stores nothing", faults.StoresNothing),
    "keeps-unstored": Planted("calibration lasts without CAL:STOR", faults.KeepsUnstored),
    "burst-last": Planted("a burst is stamped at its last change", faults.BurstAtLastChange),
    "burst-end": Planted("a burst is stamped when it is over", faults.BurstAtItsEnd),
    "burst-count": Planted("a burst's changes are always one", faults.BurstCountsOne),
    "threshold-quarter": Planted("the comparator's threshold is a quarter of the input", faults.ThresholdQuarter),
    "threshold-fixed": Planted("the comparator's threshold is 4 V", faults.ThresholdFixed),
    "threshold-floor": Planted("the comparator's input counts below 1 V", faults.ThresholdWithoutFloor),
    "run-number": Planted("the run number does not advance", faults.RunNumberStands),
    "sequence": Planted("the sequence goes on over a reset", faults.SequenceGoesOn),
    "overflow-bit": Planted("at -350 the event status has the bit of the ninth error", faults.OverflowKeepsItsBit),
    "overflow-oldest": Planted("at -350 the oldest error is lost", faults.OverflowEvictsTheOldest),
    "silence-errors": Planted("lines with errors count against silence", faults.ErrorsCountAgainstSilence),
    "live-glitch": Planted("live switching opens all loads for 0.3 ms", faults.LiveGlitch),
    "lost-unsaid": Planted("flags: bit 0 is missing where samples were lost", faults.LostUnsaid, ("board-overrun",)),
    "lost-always": Planted("flags: bit 0 is always set", faults.LostAlwaysSaid),
    "cause-rst": Planted("*RST forgets the last cause", faults.CauseGoneAtRst),
    "cause-reset": Planted("a reset by its pin forgets the last cause", faults.CauseGoneAtReset),
    "cause-power": Planted("a power-up keeps the last cause", faults.CauseKeptAtPowerUp),
    "edges-zero": Planted("edges are always 0", faults.EdgesZero),
    "time-anew": Planted("the longest on-time counts from any switching", faults.TimeCountsFromAnySwitch),
    "time-next": Planted("the longest on-time holds from the next closing on", faults.TimeHoldsFromTheNextClosing),
    "header-last": Planted("a frame's header is that of its last sample", faults.HeaderOfTheLastSample),
    "rst-queue": Planted("*RST empties the error queue", faults.RstEmptiesTheQueue),
    "trip-stops": Planted("a trip stops sampling", faults.TripStopsSampling),
    "range-in-name": Planted("the voltage range changes in name only", faults.RangeInNameOnly),
    "range-v_in-only": Planted("v_out does not follow the voltage range", faults.RangesDownOnly),
    "trip-before": Planted("the event of a trip does not say what was closed", faults.TripWithoutBefore),
    "late": Planted("every reply comes 0.6 s late", faults.RepliesLate),
    "current-at-once": Planted("CURRent trips without its delay", faults.CurrentTripAtOnce),
    "no-zero": Planted("no further zero byte before the frame behind a reply", faults.NoZeroBehindReplies),
    "refused-by-half": Planted("a refused list of loads is obeyed as far as it can be", faults.RefusedByHalf),
}


def planted_board(name: str) -> SimulatedBoard:
    """The board with this fault; `sound` has none. AddressError for a name that is not known."""
    description = rig_description(SEED)
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
