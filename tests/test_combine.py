"""Runs put together: what a quantity is taken from, and what a mean, a largest and a ratio of measurements are known to."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hand_evidence import near
from scipy import stats

from bench.combine import StepRuns, combine_runs, largest_of_starts, mean_of_starts
from bench.lamps import allowed_current_a
from bench.measure import BenchFault, BenchProof, Measured
from bench.procedure import Procedure, RunStep
from bench.record import StepRecord
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, quotient

RATED = RunStep("rated", "Rated", judge=("rate_per_min", "start_s", "start_largest_s", "dark_a"), starts=3)
ONE_OUT = RunStep("one-out", "One out", loads="one-out", judge=("outage_rate_per_min", "outage_ratio"))
TRAILER = RunStep("trailer", "Trailer", loads="trailer", judge=("trailer_rate_per_min", "trailer_on_ratio", "trailer_ratio"))
FURTHER = RunStep("further", "Further", starts_of="rated")
PLAN = Procedure("p", "", "", (RATED, ONE_OUT, TRAILER, FURTHER))
LAMP = BenchFault("lamp-current", "the lamps take 50 %")
COLD = BenchFault("lamps-not-cold", "the lamps were warm")
CLOCK = BenchFault("clock-off", "the clock is off", spoils=False)
PROOFS = (BenchProof("lamps", True, "100 %"), BenchProof("supply", True, "12.4 V"))
FACTS = {"behaviour": "flashing", "rest": "closed", "pilot": "in step"}


def of(value: float, *budget: Component, unit: str = "s", n: int = 1) -> Estimate:
    return Estimate(value, unit, budget, n)


def b(source: str, u: float, dof: float = math.inf) -> Component:
    return Component(source, u, dof)


def run(values: dict[str, Measurement], *, faults: tuple[BenchFault, ...] = (), interrupted: str | None = None, **more: Any) -> StepRecord:
    facts = FACTS | more.pop("facts", {})
    measured = Measured(values, facts, faults, more.pop("proofs", PROOFS))
    return StepRecord("s", "S", (1, 2), "", 0.0, 9.0, measured, 8, 0, interrupted=interrupted, **more)


def combined(rated: list[StepRecord], *others: tuple[RunStep, list[StepRecord]], left_out: str = "") -> Measured:
    runs = [StepRuns(RATED, tuple(rated), left_out), *(StepRuns(step, tuple(records)) for step, records in others)]
    return combine_runs(PLAN, runs, 12.0)


def rates(rate: float, on_ratio: float = 0.5, u: float = 0.05) -> dict[str, Measurement]:
    return {"rate_per_min": of(rate, b("scatter", u), unit="1/min", n=8), "on_ratio": of(on_ratio, b("scatter", 1e-3), unit="1", n=8)}


# Means of starts.


def test_a_mean_of_starts_has_their_scatter_and_their_common_errors_as_they_are() -> None:
    """One clock is off by the same in all of them: its part is averaged, not reduced by their number."""
    values, clocks = (0.5, 0.6, 0.55), (0.001, 0.002, 0.003)
    starts = zip(values, clocks, (20.0, 21.0, 22.0), strict=True)
    found = mean_of_starts([of(v, b("clock", u, dof), b("instant", 2e-6)) for v, u, dof in starts])
    assert isinstance(found, Estimate)
    assert (found.value, found.unit, found.n) == (near(0.55), "s", 3)
    scatter, clock, instant = found.budget
    assert (scatter.u, scatter.dof, scatter.kind) == (near(stats.sem(values)), 2.0, "A")
    assert (clock.source, clock.u, clock.dof, clock.kind) == ("clock", near(0.002), 20.0, "B")
    assert (instant.source, instant.u) == ("instant", near(2e-6))
    assert found.note == "mean of 3 starts, the largest 0.600 s"


def test_scatter_inside_of_starts_is_in_the_scatter_between_them() -> None:
    found = mean_of_starts([of(v, Component("cycles", 0.5, 3.0, "A")) for v in (1.0, 1.2)])
    assert isinstance(found, Estimate) and [c.kind for c in found.budget] == ["A"]
    assert found.u == near(0.1)


def test_a_part_that_only_some_starts_have_is_shared_by_all() -> None:
    found = mean_of_starts([of(1.0, b("skew", 0.003)), of(1.0), of(1.0)])
    assert isinstance(found, Estimate) and found.budget[1].u == near(0.001)


def test_one_start_stands_as_it_is() -> None:
    only = of(0.5, b("clock", 1e-3))
    assert mean_of_starts([only]) is only and mean_of_starts([only, NotMeasured("link", "bench")]) is only


@pytest.mark.parametrize("put_together", [mean_of_starts, largest_of_starts])
def test_a_start_that_the_bench_spoilt_is_left_out_and_one_that_the_unit_did_not_make_is_not(put_together: Any) -> None:
    lost, dark = NotMeasured("samples were lost", "bench"), NotMeasured("no light came")
    found = put_together([of(0.5), lost, of(0.7)])
    assert isinstance(found, Estimate) and found.n == 2
    assert put_together([of(0.5), lost, dark]) == put_together([dark, lost]) == put_together([lost, of(0.5), dark]) == dark
    assert put_together([lost, lost]) == lost


def test_the_note_says_what_was_left_out() -> None:
    lost = NotMeasured("samples were lost", "bench")
    found = mean_of_starts([of(0.5), of(0.7), lost, lost])
    assert isinstance(found, Estimate)
    assert found.note == "mean of 2 starts, the largest 0.700 s; 2 left out: samples were lost"


def test_the_largest_start_is_one_with_its_own_budget() -> None:
    found = largest_of_starts([of(0.5, b("clock", 1.0)), of(0.9, b("clock", 2.0)), of(0.7, b("clock", 3.0))])
    assert found == of(0.9, b("clock", 2.0), n=3)


# Ratios.


def test_a_common_error_cancels_in_a_ratio_and_scatter_does_not() -> None:
    """Both rates lean on one clock: what is left is the difference of their relative parts."""
    a = of(90.0, Component("scatter", 0.9, 7.0, "A"), b("clock", 0.27), b("edges", 0.18), unit="1/min", n=8)
    c = of(60.0, Component("scatter", 0.3, 5.0, "A"), b("clock", 0.12), unit="1/min", n=6)
    found = quotient(a, c)
    assert (found.value, found.unit, found.n) == (1.5, "1", 6)
    by_source = {one.source: one for one in found.budget}
    assert by_source["scatter"].u == near(1.5 * math.hypot(0.01, 0.005)) and by_source["scatter"].kind == "A"
    assert by_source["clock"].u == near(1.5 * abs(0.003 - 0.002))
    assert by_source["edges"].u == near(1.5 * 0.002)
    assert (by_source["scatter"].dof, by_source["clock"].dof) == (5.0, math.inf)
    back = quotient(c, a)
    assert back.value == near(2 / 3) and back.u / back.value == near(found.u / found.value)
    assert {one.source for one in back.budget} == {"scatter", "clock", "edges"}


# What comes from where.


def test_starts_are_averaged_and_the_rest_comes_from_the_last_start() -> None:
    starts = [run({"start_s": of(v), "start_largest_s": of(v), **rates(80.0 + v)}) for v in (0.5, 0.6, 0.7)]
    m = combined(starts)
    mean, largest, rate = (m.values[name] for name in ("start_s", "start_largest_s", "rate_per_min"))
    assert isinstance(mean, Estimate) and isinstance(largest, Estimate) and isinstance(rate, Estimate)
    assert (mean.value, mean.n, largest.value) == (near(0.6), 3, 0.7)
    assert rate.value == 80.7 and m.values["dark_a"] == NotMeasured("not part of this run")
    further = combined(starts, (FURTHER, [run({"start_s": of(1.0)}), run({"start_s": of(1.2)})]))
    mean = further.values["start_s"]
    assert isinstance(mean, Estimate) and (mean.value, mean.n) == (near(0.8), 5)


def test_an_interrupted_start_leaves_the_mean_unmeasured_and_an_interrupted_last_one_all() -> None:
    stopped = NotMeasured("the run was interrupted: cable", "bench")
    good = {"start_s": of(0.5), **rates(80.0)}
    first = combined([run(good, interrupted="cable"), run(good)])
    assert first.values["start_s"] == stopped and isinstance(first.values["rate_per_min"], Estimate)
    last = combined([run(good), run(good, interrupted="cable")])
    assert last.values["start_s"] == last.values["rate_per_min"] == stopped
    assert first.facts == last.facts == {"rest": "closed"}
    further = combined([run(good)], (FURTHER, [run(good, interrupted="cable")]))
    assert isinstance(further.values["rate_per_min"], Estimate) and isinstance(further.values["start_s"], NotMeasured)


def test_what_nobody_ran_says_why() -> None:
    assert combined([]).values["rate_per_min"] == NotMeasured("the step rated was not run")
    left = combined([run(rates(80.0))], left_out="too hot").values
    assert left["rate_per_min"] == NotMeasured("too hot")
    assert combine_runs(PLAN, (), 12.0).values["trailer_ratio"] == NotMeasured("the step trailer was not run")


def test_facts_are_those_of_the_last_start_and_rest_that_of_the_first() -> None:
    m = combined([run(rates(80.0), facts={"rest": "open", "pilot": "dead"}), run(rates(80.0), facts={"film": "none"})])
    assert m.facts == {"behaviour": "flashing", "rest": "open", "pilot": "in step", "film": "none"}


# Other loads.


def outage(rate: float, *, u: float = 0.05, rated: dict[str, str] | None = None, facts: dict[str, str] | None = None) -> Measured:
    return combined([run(rates(90.0), facts=rated or {})], (ONE_OUT, [run(rates(rate, u=u), facts=facts or {})]))


def test_a_load_with_a_lamp_less_gives_its_rate_and_the_ratio() -> None:
    m = outage(180.0)
    rate, compared = m.values["outage_rate_per_min"], m.values["outage_ratio"]
    assert isinstance(rate, Estimate) and isinstance(compared, Estimate)
    assert (rate.value, compared.value) == (180.0, near(2.0))
    assert "trailer_on_ratio" in m.values and isinstance(m.values["trailer_on_ratio"], NotMeasured)
    t = combined([run(rates(90.0))], (TRAILER, [run(rates(81.0, 0.45))])).values
    found = [t[name] for name in TRAILER.judge]
    assert [one.value for one in found if isinstance(one, Estimate)] == near([81.0, 0.45, 0.9])
    alone = combine_runs(PLAN, [StepRuns(TRAILER, (run(rates(81.0)),))], 12.0).values["trailer_ratio"]
    assert isinstance(alone, NotMeasured)


@pytest.mark.parametrize(
    ("rate", "u", "word"),
    [
        (90.0 * 1.14, 0.05, "not shown"), (90.0 * 1.16, 0.05, "shown"), (90.0 * 0.86, 0.05, "not shown"), (90.0 * 0.84, 0.05, "shown"),
        (90.0 * 1.16, 2.0, "not shown"),
    ],
)  # fmt: skip
def test_a_driver_notices_a_rate_that_changes_by_fifteen_percent_beyond_doubt(rate: float, u: float, word: str) -> None:
    assert outage(rate, u=u).facts["lamp out"] == word


@pytest.mark.parametrize(
    ("facts", "rated", "shown", "word"),
    [
        ({"behaviour": "steady on"}, {}, "steady on", "shown"),
        ({"behaviour": "dark"}, {}, "dark", "shown"),
        ({"behaviour": "one flash"}, {}, "one flash", "shown"),
        ({"behaviour": "irregular"}, {}, "flashing", "not shown"),
        ({"behaviour": "too few"}, {}, "unknown", "not shown"),
        ({"behaviour": "no supply"}, {}, "unknown", "not shown"),
        ({"pilot": "dead"}, {}, "flashing", "shown"),
        ({"pilot": "dead"}, {"pilot": "antiphase"}, "flashing", "shown"),
        ({"pilot": "dead"}, {"pilot": "dead"}, "flashing", "not shown"),
        ({"pilot": "steady"}, {}, "flashing", "not shown"),
    ],
)
def test_what_else_a_driver_notices(facts: dict[str, str], rated: dict[str, str], shown: str, word: str) -> None:
    m = outage(90.0, rated=rated, facts=facts)
    assert (m.facts["outage"], m.facts["lamp out"], m.facts["pilot, lamp out"]) == (shown, word, facts.get("pilot", "in step"))


def test_without_a_rate_to_compare_it_is_not_known_whether_a_driver_would_notice() -> None:
    m = combined([], (ONE_OUT, [run(rates(90.0))]))
    assert m.facts["lamp out"] == "unknown"
    assert combined([run(rates(90.0))], (TRAILER, [run(rates(80.0), facts={"behaviour": "irregular"})])).facts["trailer"] == "flashing"


# Faults of the bench.


def test_a_fault_of_the_bench_spoils_its_own_run() -> None:
    m = combined([run(rates(90.0))], (ONE_OUT, [run(rates(60.0), faults=(COLD,))]), (TRAILER, [run(rates(80.0), faults=(CLOCK,))]))
    assert m.values["outage_rate_per_min"] == NotMeasured("the lamps were warm", "bench")
    assert isinstance(m.values["trailer_ratio"], Estimate), "a clock that was corrected spoils nothing"
    assert m.bench_faults == () and "outage" not in m.facts and m.facts["trailer"] == "flashing"
    assert combined([run(rates(90.0), faults=(COLD, CLOCK))]).bench_faults == (COLD,)
    assert combined([run(rates(90.0))], (FURTHER, [run({}, faults=(COLD,))])).bench_faults == (COLD,)
    assert combined([run(rates(90.0), faults=(COLD,), interrupted="cable")]).bench_faults == ()


def test_a_lamp_that_is_wrong_with_one_out_was_wrong_before() -> None:
    m = combined([run(rates(90.0))], (ONE_OUT, [run(rates(60.0), faults=(LAMP, COLD))]))
    assert m.bench_faults == (LAMP,)
    assert [p.proved for p in m.proofs] == [False, True]
    assert [p.proved for p in combined([run(rates(90.0))]).proofs] == [True, True]
    assert combined([run(rates(90.0))], (TRAILER, [run(rates(60.0), faults=(LAMP,))])).bench_faults == ()


def lamps(amps: float, u: float, watts: tuple[float, ...], **facts: str) -> StepRecord:
    levels: dict[str, Measurement] = {"steady_a": of(amps, b("scale", u), unit="A"), "lamp_v": of(12.6, b("scale", 0.01), unit="V")}
    return run(rates(90.0) | levels, lamps_w=watts, facts=facts)


@pytest.mark.parametrize(("taken_a", "wrong"), [(-0.01, True), (0.01, False)])
@pytest.mark.parametrize("upper", [False, True])
def test_the_lamp_that_was_switched_off_takes_what_its_wattage_takes(taken_a: float, wrong: bool, upper: bool) -> None:
    """Two uncertainties of both readings of one range are allowed beyond the lamp's own tolerance."""
    least, most = allowed_current_a(21.0, 12.0, 12.6)
    margin = 2.0 * (0.02 + 0.01)
    edge = most + margin - taken_a if upper else least - margin + taken_a
    both, one = lamps(2.0 + edge, 0.02, (21.0, 21.0)), lamps(2.0, 0.01, (21.0,))
    found = combined([both], (ONE_OUT, [one])).bench_faults
    assert [fault.code for fault in found] == ["lamp-current"] * wrong
    assert not wrong or f"had taken {edge:.2f} A, a 21 W lamp takes {least:.2f} to {most:.2f} A" in found[0].text


def test_when_a_lamp_that_was_switched_off_says_nothing() -> None:
    both, one = lamps(8.0, 0.02, (21.0, 21.0)), lamps(2.0, 0.01, (21.0,))
    assert combined([both], (ONE_OUT, [one])).bench_faults
    for rated, out in (
        (both, lamps(2.0, 0.01, (5.0,))),  # two lamps were exchanged
        (both, lamps(2.0, 0.01, (21.0, 21.0))),  # none is missing
        (both, lamps(2.0, 0.01, (21.0,), pilot="dead")),  # the tell-tale went with it
        (run(rates(90.0), lamps_w=(21.0, 21.0)), one),  # no current was read
    ):
        assert combined([rated], (ONE_OUT, [out])).bench_faults == ()
    assert combined([], (ONE_OUT, [one])).bench_faults == ()
    assert combined([run({}, interrupted="cable")], (ONE_OUT, [one])).bench_faults == ()


def test_a_common_error_keeps_its_shape_if_it_has_it_in_every_start() -> None:
    wide, round_ = Component("clock", 0.01, shape="rectangular"), Component("clock", 0.01)
    for parts, shape in (((wide, wide), "rectangular"), ((wide, round_), "normal"), ((round_, round_), "normal")):
        found = mean_of_starts([of(1.0, parts[0]), of(1.2, parts[1])])
        assert isinstance(found, Estimate) and found.budget[1].shape == shape


def test_the_lamp_switched_off_is_compared_with_the_rated_load() -> None:
    both, one = lamps(8.0, 0.02, (21.0, 21.0)), lamps(2.0, 0.01, (21.0,))
    plan = Procedure("p", "", "", (TRAILER, FURTHER, RATED, ONE_OUT))
    more, good = lamps(9.0, 0.02, (21.0, 21.0, 21.0)), lamps(4.0, 0.02, (21.0, 21.0))
    runs = [StepRuns(TRAILER, (more,)), StepRuns(FURTHER, (good,)), StepRuns(RATED, (both,)), StepRuns(ONE_OUT, (one,))]
    assert [fault.code for fault in combine_runs(plan, runs, 12.0).bench_faults] == ["lamp-current"]
    assert combine_runs(PLAN, [StepRuns(ONE_OUT, (one,))], 12.0).bench_faults == ()
    unread = run(rates(90.0) | {"steady_a": of(8.0, unit="A"), "lamp_v": NotMeasured("not read")}, lamps_w=(21.0, 21.0))
    assert combined([unread], (ONE_OUT, [one])).bench_faults == ()
