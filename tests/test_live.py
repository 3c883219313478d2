"""Lamps switched while the unit flashes: the analysis that is carried on, and captures of such tests."""

from __future__ import annotations

import io
import random
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup

from bench.analysis import Analysis
from bench.claims import Claims
from bench.cycles import Cycle
from bench.files import grade_rule, named_limits, procedure
from bench.judging import judge_capture
from bench.measure import Conditions, Counts
from bench.outcome import Outcome
from bench.simboard.board import SimulatedBoard
from bench.simboard.rig import rig_description
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.uncertainty import Estimate, NotMeasured
from bench.wire import Decoder, EventFrame, SampleFrame

TWO, ONE = Conditions(12.0, (21.0, 21.0)), Conditions(12.0, (21.0,))
LATER = Counts(skip=2, average=3)
Frames = Sequence[SampleFrame | EventFrame]


@cache
def frames(kind: str) -> Frames:
    """Six seconds on two lamps, and seven on one of them; the unit flashes on."""
    board = SimulatedBoard(World(nominal(kind), seed=3), seed=3)
    board.receive(b"SENS:VOLT:RANG 15\nSENS:MODE FAST\nINIT\n")
    found = [board.advance(0.5)]
    for line, seconds in ((b"ROUT:CLOS (@1,2)\n", 0.1), (b"OUTP ON\n", 6.0), (b"ROUT:OPEN (@2)\n", 7.0)):
        board.receive(line)
        for _ in range(round(seconds / 0.1)):
            found.append(board.advance(0.1))
            board.receive(b"SYST:BEAT\n")
    return tuple(piece for piece in Decoder().feed(b"".join(found)) if isinstance(piece, SampleFrame | EventFrame))


def switched_at(all_frames: Frames) -> int:
    """Index of the first frame that may hold samples of the one lamp alone: the one after the first that says so."""
    said = [n for n, f in enumerate(all_frames) if isinstance(f, SampleFrame) and f.closed_loads == frozenset({1})]
    return said[1]


def feed(analysis: Analysis, some: Sequence[SampleFrame | EventFrame]) -> None:
    """Frames that arrive when their last sample is held, by a host's clock that goes as the board's."""
    analysis.feed(some, max(((f.stamp + 160) * 26e-6 for f in some if isinstance(f, SampleFrame)), default=0.0))


def carried(all_frames: Frames, pieces: Sequence[int], at: int) -> tuple[Analysis, Analysis]:
    """The analysis of the frames before `at`, and the one carried on; fed in pieces of these sizes, again and again."""
    first = Analysis(rig_description(3), TWO)
    now = first
    done = n = 0
    while done < len(all_frames):
        size = pieces[n % len(pieces)]
        if done < at <= done + size:
            size = at - done
        feed(now, all_frames[done : done + size])
        done, n = done + size, n + 1
        if done == at:
            now = first.carry_on(ONE, frozenset({1}))
    return first, now


def edges(cycles: Sequence[Cycle]) -> list[tuple[float, float, float]]:
    return [(c.begun.t_s, c.on_s, c.period_s) for c in cycles]


@pytest.mark.parametrize("kind", ["EL", "HWh", "TC"])
def test_what_is_carried_on_sees_the_cycles_of_a_fresh_look_at_the_later_part(kind: str) -> None:
    later = switched_at(frames(kind))
    _, after = carried(frames(kind), (17,), later - 40)
    fresh = Analysis(rig_description(3), ONE)
    feed(fresh, frames(kind)[later:])
    assert after.cycles_complete >= 5
    assert edges(after.cycles()) == edges(fresh.cycles())
    assert after.measured(LATER).facts["behaviour"] == fresh.measured(LATER).facts["behaviour"] == "flashing"


@pytest.mark.parametrize("seed", range(4))
def test_when_it_was_carried_on_and_how_the_frames_came_changes_nothing(seed: int) -> None:
    """The order is given some time before the lamp goes out, and whatever still comes of two lamps is passed over."""
    rng = random.Random(seed)
    every = frames("EL")
    later = switched_at(every)
    usual = edges(carried(every, (1000,), later - 10)[1].cycles())
    pieces = [rng.randint(1, 90) for _ in range(40)]
    assert edges(carried(every, pieces, later - rng.randint(0, 300))[1].cycles()) == usual


def test_the_frame_in_which_the_lamp_went_out_may_be_lost() -> None:
    every = frames("EL")
    later = switched_at(every)
    usual = edges(carried(every, (50,), later - 30)[1].cycles())
    lossy = [*every[: later - 3], *every[later + 2 :]]
    _, after = carried(lossy, (50,), later - 30)
    assert edges(after.cycles())[-5:] == usual[-5:]


def test_it_keeps_the_zeros_and_knows_of_no_start() -> None:
    every = frames("EL")
    first, after = carried(every, (50,), switched_at(every) - 30)
    before, measured = first.measured(Counts(skip=0, average=3)), after.measured(LATER)
    rest = [c for c in _budget(measured.values["steady_a"]) if "taken at rest" in c]
    assert rest and rest == [c for c in _budget(before.values["steady_a"]) if "taken at rest" in c]
    start = measured.values["start_s"]
    assert isinstance(start, NotMeasured) and "was not seen" in start.reason
    assert isinstance(before.values["start_s"], Estimate)
    assert (before.facts["mechanism"], measured.facts["mechanism"]) == ("electronic", "unknown")
    amps = [m.values["steady_a"] for m in (before, measured)]
    assert all(isinstance(a, Estimate) for a in amps)
    assert amps[1].value == pytest.approx(0.5 * amps[0].value, rel=0.04)  # type: ignore[union-attr]
    assert not measured.bench_faults, "the lamp that is lit is the right one"


def _budget(found: Estimate | NotMeasured) -> list[str]:
    assert isinstance(found, Estimate)
    return [c.source for c in found.budget]


def test_losses_are_counted_from_the_switching_on() -> None:
    every = frames("EL")
    later = switched_at(every)
    lossy = [*every[:100], *every[103:]]
    first, after = carried(lossy, (50,), later - 30)
    assert first.losses["frames_missing"] == 3
    assert set(after.losses.values()) == {0}
    assert after.totals["frames_missing"] == 3


# --- captures


def values(found: Mapping[str, Estimate | NotMeasured]) -> dict[str, float]:
    """Without the temperature, which is that of the newest samples looked at."""
    return {name: v.value for name, v in found.items() if isinstance(v, Estimate) and name != "temperature_c"}


@pytest.mark.parametrize(("kind", "claims"), [("EL", Claims(load="variable")), ("NC", Claims(outage=True)), ("ELo", Claims(outage=True))])
def test_a_capture_of_a_test_with_live_steps_gives_the_same_record(kind: str, claims: Claims, tmp_path: Path) -> None:
    buffer = io.BytesIO()
    wanted = setup(claims=claims, grade_rule=grade_rule(), rating_known=True, limits=(named_limits("un-r48"), named_limits("sae-j945")))
    live = run_on(bench_port(kind), "decide", setup=wanted, capture=buffer)
    path = tmp_path / "live.capture"
    path.write_bytes(buffer.getvalue())
    again = judge_capture(path, wanted, procedure("decide"), when=live.when, software=live.software)
    assert live.outcome is Outcome.GOOD, live.reason
    assert [s.name for s in live.steps] == ["rated", "one-out", "trailer", "starts-1", "starts-2"]
    assert again.conclusion == live.conclusion
    assert values(again.measured.values) == pytest.approx(values(live.measured.values), rel=1e-9)
    assert again.measured.facts == live.measured.facts
    assert again.measured.proofs == live.measured.proofs
    assert [(s.name, s.loads, s.load_text, s.cycles, s.measured.facts) for s in again.steps] == [
        (s.name, s.loads, s.load_text, s.cycles, s.measured.facts) for s in live.steps
    ]
    assert [(v.limit, v.conformity) for v in again.verdicts] == [(v.limit, v.conformity) for v in live.verdicts]


def test_a_capture_cut_in_a_live_step_keeps_what_is_whole(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    wanted = setup(claims=Claims(load="variable"))
    live = run_on(bench_port("EL"), "decide", setup=wanted, capture=buffer)
    assert [s.name for s in live.steps] == ["rated", "one-out", "trailer"]
    path = tmp_path / "cut.capture"
    path.write_bytes(buffer.getvalue()[: round(0.93 * len(buffer.getvalue()))])
    again = judge_capture(path, wanted, procedure("decide"), when="", software="")
    assert [s.interrupted is None for s in again.steps] in ([True, False], [True, True, False])
    assert again.outcome is Outcome.NOT_DECIDED and again.reason.startswith("Not finished: ")
    assert isinstance(again.measured.values["rate_per_min"], Estimate)
