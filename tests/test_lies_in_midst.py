"""Lies and mishaps of the bench that begin in the midst of a run, or are there only while nothing is on: never charged to the unit."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pytest
from bench_port import BenchPort, bench_port, run_on, setup
from lying_board import Lie, LyingPort, channel, sampled_while_on
from test_commanded import nobody_is_judged

from bench.files import grade_rule, named_limits, procedure
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.uncertainty import Estimate, NotMeasured
from bench.wire import EventFrame, Reply, SampleFrame, pack_samples, unpack_samples

V_IN, V_OUT, DROP, CURRENT, FINE = (0, 5, 0), (1, 5, 0), (2, 5, 64), (3, 5, 64), (4, 10, 64)
"""Slot, samples from one to the next, and count of 0, in the reference rig's plan."""
SAMPLE_S = 26e-6


def lying(lie: Lie, kind: str = "NC", bench: BenchPort | None = None) -> TestRecord:
    wanted = setup(rating_known=True, grade_rule=grade_rule())
    return run_on(LyingPort(bench or bench_port(kind), lie), setup=wanted)  # type: ignore[arg-type]


def changed(frame: SampleFrame, gains: Mapping[tuple[int, int, int], npt.NDArray[np.float64] | float], fine_shift: int = 0) -> SampleFrame:
    """The same frame with these channels' readings multiplied, and the currents moved by so many counts of the narrow range."""
    counts = unpack_samples([frame.body])[0].astype(np.float64)
    for (slot, step, zero), gain in gains.items():
        counts[slot::step] = (counts[slot::step] - zero) * gain + zero
    counts[FINE[0] :: FINE[1]] += fine_shift
    counts[CURRENT[0] :: CURRENT[1]] += fine_shift / 10.0
    return frame._replace(body=pack_samples(np.clip(np.rint(counts), 0, 1023).astype(np.int64)))


@pytest.mark.parametrize("after", [0, 700, 1000])
def test_a_drop_whose_scale_goes_wrong_in_the_midst_of_a_run_is_no_drop_of_the_unit(after: int) -> None:
    """Three flashes of it are enough, however many were right before."""
    record = lying(sampled_while_on(channel(2, lambda counts: (counts - 64) * 2 + 64), after=after))
    nobody_is_judged(record, "drops-differ")


@pytest.mark.parametrize("counts", [120, -120])
@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_a_drop_that_moves_alone_in_the_midst_of_a_run_is_neither_wear_nor_film(kind: str, counts: int) -> None:
    """By 0.12 V: less than input and output are known to, but these do not move."""
    record = lying(sampled_while_on(channel(2, lambda read: np.where(read < 1000, read + counts, read)), after=850), kind)
    nobody_is_judged(record, "drops-differ")
    assert "v_drop moved by 0.1" in record.reason


@pytest.mark.parametrize("frames", [1, 4])
@pytest.mark.parametrize("kind", ["NC", "EL", "HWh"])
def test_a_supply_that_goes_away_for_a_moment_is_the_benchs(kind: str, frames: int) -> None:
    """Shorter than a bounce, but long enough for the unit to begin anew."""
    gone = dict.fromkeys((V_IN, V_OUT, DROP, CURRENT, FINE), 0.0)

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return changed(frame, gone) if isinstance(frame, SampleFrame) else frame

    record = lying(sampled_while_on(lie, after=700, times=frames), kind)
    nobody_is_judged(record, "supply-gone")
    assert "for a moment" in record.reason


@pytest.mark.parametrize(("part", "named"), [(0.05, False), (0.1, True), (0.3, True)])
@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_a_supply_that_ripples_is_the_benchs(kind: str, part: float, named: bool) -> None:
    """As behind a rectifier, at twice the mains' frequency; 5 % at the peak is 3.5 % effective."""

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        if not isinstance(frame, SampleFrame) or not frame.master:
            return frame
        wave = 1.0 + part * np.sin(2.0 * np.pi * 100.0 * SAMPLE_S * (frame.stamp + np.arange(160.0)))
        return changed(frame, {one: wave[one[0] :: one[1]] for one in (V_IN, V_OUT, DROP, CURRENT, FINE)})

    record = lying(lie, kind)
    assert ("supply-ripples" in {fault.code for fault in record.bench_faults}) is named
    assert record.outcome is (Outcome.BENCH_FAULT if named else Outcome.GOOD), record.reason


@pytest.mark.parametrize(("counts", "known"), [(0, True), (5, False), (20, False)])
def test_a_current_that_flows_backwards_in_the_dark_is_no_dark_current(counts: int, known: bool) -> None:
    """Its zero was read at rest, with the master switch open, and has moved since."""

    def lie(frame: SampleFrame | EventFrame) -> SampleFrame | EventFrame:
        return changed(frame, {}, counts) if isinstance(frame, SampleFrame) and not frame.master else frame

    found = lying(lie).measured.values["dark_a"]
    if known:
        assert isinstance(found, Estimate)
    else:
        assert isinstance(found, NotMeasured) and found.fault == "bench"
        assert "less than nothing" in found.reason


@pytest.mark.parametrize("frame", [0, 1, 3, 12])
def test_a_start_of_which_samples_were_lost_is_none_of_three(frame: int) -> None:
    """From the first frame on in which the supply is on."""
    starts = lost = 0

    class Losing(LyingPort):
        def _encoded(self, piece: SampleFrame | EventFrame | Reply) -> bytes:
            nonlocal starts, lost
            if isinstance(piece, SampleFrame) and not piece.master:
                starts, lost = starts + (lost > 0), 0
            elif isinstance(piece, SampleFrame) and piece.loads:
                lost += 1
                if starts == 1 and frame < lost <= frame + 2:
                    return b""
            return super()._encoded(piece)

    step = RunStep("rated", "Rated", starts=3, cool_s=10.0, cycles=8, at_most_s=20.0, judge=procedure("quick").runs[0].judge)
    wanted = setup(limits=(named_limits("sae-j945"),), rating_known=True)
    record = run_on(Losing(bench_port("EL"), lambda piece: piece), Procedure("p", "p", "", (step,)), setup=wanted)  # type: ignore[arg-type]
    assert [isinstance(one.measured.values["start_s"], Estimate) for one in record.steps] == [True, False, True]
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert "tested with 2 starts; the figures are for 3" in [condition.text for condition in record.conditions]


@pytest.mark.parametrize(("fault", "outcome"), [("", Outcome.GOOD), ("&fault=supply-sag", Outcome.BENCH_FAULT)])
@pytest.mark.parametrize(("unit", "system_v"), [("bench-nc-6v", 6.0), ("bench-nc-2x21", 12.0), ("bench-nc-24v", 24.0)])
def test_a_supply_that_sags_under_the_lamps_is_the_benchs_in_every_system(unit: str, system_v: float, fault: str, outcome: Outcome) -> None:
    """At 6 V a sixteenth of an ohm takes 7 % of the voltage, and an eighth of the unit's rate with it."""
    record = run_on(open_port(f"sim://{unit}?seed=3{fault}"), setup=setup(system_v=system_v, rating_known=True))  # type: ignore[arg-type]
    assert record.outcome is outcome, record.reason
    of_supply = {"supply-sags", "supply-out-of-range", "supply-limited"}
    assert bool(of_supply & {one.code for one in record.bench_faults}) is bool(fault)
