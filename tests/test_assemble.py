"""From runs to a record: what spoils a test spoils its verdicts and its grade; sets that cannot be chosen; what a person knows."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import BenchPort, bench_port, run_on, setup

from bench.assemble import TestContext, assemble, judge_all
from bench.combine import StepRuns
from bench.errors import SetupError
from bench.files import grade_rule, named_limits, procedure
from bench.judging import judge_capture
from bench.manual_actions import Action, FitLink, FitUnit, Meanwhile, SetSupply
from bench.measure import BenchFault, BenchProof, Measured
from bench.outcome import Outcome
from bench.procedure import Procedure, RunStep
from bench.record import StepRecord, TestRecord
from bench.record_json import from_json, to_json
from bench.render.brief import brief_lines
from bench.render.report import report_text
from bench.render.rows import judged_rows
from bench.session.ledger import STOPPING_LEVEL
from bench.setup import Setup
from bench.simboard.units import LINK
from bench.tui.gauge import RowWidths, gauge_line
from bench.tui.gauge_rows import rows_of_verdict
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured
from bench.verdict import Conformity, is_decided, judge

RATED = RunStep("rated", "Rated", judge=("rate_per_min", "drop_v"))
TRAILER = RunStep("trailer", "Trailer", loads="trailer")
PLAN = Procedure("p", "", "", (RATED, TRAILER))
BAD: Mapping[str, Measurement] = {
    "rate_per_min": Estimate(140.0, "1/min", (Component("scatter", 0.1),), 3),
    "drop_v": Estimate(1.2, "V", (Component("scatter", 0.01),), 3),
}
LAMP = BenchFault("lamp-current", "the lamps take 50 % of what they should")


def run(step: RunStep, measured: Measured) -> StepRuns:
    return StepRuns(step, (StepRecord(step.name, step.title, (1, 2), "2 x 21 W", 0.0, 9.0, measured, 8, 0),))


def assembled(
    values: Mapping[str, Measurement] = BAD,
    *,
    facts: Mapping[str, str] | None = None,
    faults: tuple[BenchFault, ...] = (),
    of_trailer: tuple[BenchFault, ...] = (),
    of_story: tuple[BenchFault, ...] = (),
    wanted: Setup | None = None,
) -> TestRecord:
    seen = {"behaviour": "flashing", "rest": "closed", "pilot": "dead"} if facts is None else facts
    runs = run(RATED, Measured(values, seen, faults)), run(TRAILER, Measured({}, {}, of_trailer))
    wanted = wanted or setup(grade_rule=grade_rule())
    return assemble(PLAN, wanted, runs, TestContext("", "", bench_faults=of_story))


def test_a_bad_unit_on_a_good_bench() -> None:
    record = assembled()
    assert record.outcome is Outcome.NOT_GOOD
    assert record.conclusion.letter == "R"
    assert record.reason == "Rejected: contact drop 1.200 ± 0.020 V, the limit is 0.8, and 1 more reason."


@pytest.mark.parametrize("where", ["faults", "of_story"])
def test_no_verdict_and_no_grade_stand_beside_a_fault_that_spoils(where: str) -> None:
    record = assembled(**{where: (LAMP,)})  # type: ignore[arg-type]
    assert record.outcome is Outcome.BENCH_FAULT
    assert {v.conformity for v in record.verdicts} == {Conformity.NOT_MEASURED}
    assert record.grade is None
    assert record.reason.startswith("The bench is at fault, not the unit: the lamps take 50 %")
    assert record.bench_faults == (LAMP,)


def test_a_fault_that_spoils_nothing_leaves_the_verdict() -> None:
    clock = BenchFault("clock-off", "corrected", spoils=False)
    record = assembled(faults=(clock,))
    assert record.outcome is Outcome.NOT_GOOD
    assert record.bench_faults == (clock,)


def test_a_fault_of_a_run_that_nothing_was_judged_by_is_told_and_spoils_nothing() -> None:
    record = assembled(of_trailer=(LAMP,))
    assert record.outcome is Outcome.NOT_GOOD
    assert record.bench_faults == (replace(LAMP, spoils=False),)
    assert record.steps[1].measured.bench_faults == (LAMP,)


def test_a_set_that_cannot_be_chosen_leaves_the_test_open() -> None:
    """Whether the unit is closed or open at rest was not seen, and the US figures depend on it."""
    both = setup(grade_rule=grade_rule(), limits=(named_limits("un-r48"), named_limits("us-turn")))
    facts = {"behaviour": "flashing", "rest": "unknown", "pilot": "dead"}
    good = {"rate_per_min": Estimate(90.0, "1/min", (Component("scatter", 0.1),), 3)}
    record = assembled(good, facts=facts, wanted=both)
    assert record.outcome is Outcome.NOT_DECIDED
    assert record.reason.startswith("Not decided: a set of this family not measured (")
    assert [used.name for used in record.limit_sets] == ["un-r48"]
    (open_set,) = [v for v in record.verdicts if v.limit_set == "us-turn"]
    assert isinstance(open_set.found, NotMeasured)
    assert "whether the unit is closed or open at rest was not seen" in open_set.found.reason
    assert record.conclusion.letter == ""
    failing = assembled(facts=facts, wanted=both)
    assert failing.outcome is Outcome.NOT_GOOD, "what one set decides stays decided"


def test_stopping_early_asks_for_more_than_the_report() -> None:
    """120 less 1.9 u: inside with 97 %, which will do at the end (95 %) but not for one of many looks (99 %)."""
    near = Measured({"rate_per_min": Estimate(119.81, "1/min", (Component("clock", 0.1),), 3)}, {"rest": "open"})
    wanted = setup(limits=(named_limits("germany"),))
    found = [judge_all(wanted, near, None, level)[1] for level in (0.95, STOPPING_LEVEL)]
    rates = [[v for v in verdicts if v.found is near.values["rate_per_min"]] for verdicts in found]
    assert [is_decided(verdicts) for verdicts in rates] == [True, False]


def test_stopping_early_waits_for_the_cycles_that_the_limits_ask_for() -> None:
    only_start = Procedure("p", "", "", (replace(procedure("quick").runs[0], cycles=40, at_most_s=40.0, judge=("start_s", "drop_v")),))
    wanted = setup(limits=(named_limits("sae-j945"),), stop_early=True)
    (step,) = run_on(bench_port("EL"), only_start, setup=wanted).steps
    assert wanted.counts.skip + wanted.counts.average <= step.cycles <= 40


# --- what a person knows


def test_what_was_entered_is_judged_by_and_kept() -> None:
    wanted = setup(rating_known=True, entered={"pilot": "absent", "insulation": "bad"}, grade_rule=grade_rule())
    record = assembled(wanted=wanted)
    assert record.measured.facts == {
        "behaviour": "flashing", "rest": "closed", "pilot": "absent", "rating": "known", "insulation": "bad", "system": "12 V",
    }  # fmt: skip
    assert record.setup.entered == wanted.entered
    assert record.grade is not None and "insulation" in record.grade.charged


def test_a_pilot_that_was_seen_is_not_argued_away() -> None:
    facts = {"behaviour": "flashing", "rest": "open", "pilot": "in step"}
    assert assembled(facts=facts, wanted=setup(entered={"pilot": "absent"})).measured.facts["pilot"] == "in step"


@pytest.mark.parametrize("entered", [{"rest": "open"}, {"insulation": "so-so"}, {"colour": "red"}])
def test_only_what_no_rig_sees_can_be_entered(entered: dict[str, str]) -> None:
    with pytest.raises(SetupError, match="what can be entered by hand is pilot = absent; insulation = good or bad"):
        setup(entered=entered)


def test_an_a_can_be_had() -> None:
    wanted = setup(limits=(named_limits("sae-j945"),), grade_rule=grade_rule(), rating_known=True, entered={"pilot": "absent"}, zero=True)
    for plan in ("full", "decide"):
        record = run_on(bench_port("NC"), plan, setup=wanted)
        assert record.outcome is Outcome.GOOD and record.grade is not None, record.reason
        assert (record.grade.name, record.grade.kept_from) == ("A", ("not known for R: insulation not tested",))


def test_a_unit_that_stands_still_on_a_guessed_load_is_not_blamed() -> None:
    """A thermal unit for two lamps stays on with one."""
    guessed = run_on(bench_port("NC"), setup=setup(rated=(21.0,)))
    assert guessed.outcome is Outcome.NOT_DECIDED
    assert guessed.reason == "Not decided: it does not flash: the lamps stay lit on 21 W, and its rating is not known."
    assert guessed.conclusion.advice == "Read on the unit which lamps it is for, and test it on those."
    known = run_on(bench_port("NC"), setup=setup(rated=(21.0,), rating_known=True))
    assert known.outcome is Outcome.NOT_GOOD


# --- the bench, tended


def zeroing_port() -> BenchPort:
    port = bench_port("NC", supply_v=12.8)
    port.real = True
    return port


class Fitter:
    """Fits the link when asked for the n-th time, and only says so before."""

    def __init__(self, port: BenchPort, at: int) -> None:
        self._port, self._at, self._unit = port, at, port.board.find_unit("unit")
        self.asked = 0

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        match action:
            case FitLink():
                self.asked += 1
                if self.asked == self._at:
                    self._port.board.fit("LINK", LINK)
            case FitUnit():
                self._port.board.fit("unit", self._unit)
            case SetSupply(volts=volts):
                self._port.board.set_supply(volts)
            case _:
                return True
        return None


def brief() -> Procedure:
    full = procedure("full")
    zero, rated = full.steps[0], full.runs[0]
    return Procedure("brief", "", "", (zero, replace(rated, starts=1, cool_s=0.0, cycles=8)))


def test_a_link_that_was_not_fitted_is_asked_for_again() -> None:
    port = zeroing_port()
    # A unit that is open at rest can't be taken for the link.
    port.board.fit("unit", bench_port("HWh").board.find_unit("unit"))
    fitter = Fitter(port, at=3)
    record = run_on(port, brief(), setup=setup(zero=True), operator=fitter)
    assert fitter.asked == 3
    assert record.interrupted is None
    assert sum("asked again" in text for text in record.notes) == 2


def test_a_link_that_is_never_fitted_is_the_bench_s_fault() -> None:
    port = zeroing_port()
    fitter = Fitter(port, at=99)
    port.board.fit("unit", bench_port("HWh").board.find_unit("unit"))
    record = run_on(port, brief(), setup=setup(zero=True), operator=fitter)
    assert fitter.asked == 3
    assert [fault.code for fault in record.bench_faults] == ["zero"]
    assert record.outcome is Outcome.BENCH_FAULT
    assert record.grade is None
    assert port.all_open


def test_a_supply_that_nobody_could_set_is_the_same_fault_when_the_capture_is_judged(tmp_path: Path) -> None:
    class Helpless:
        def do(self, action: Action, meanwhile: Meanwhile) -> None:
            return None

    buffer = io.BytesIO()
    port = bench_port("NC", supply_v=12.4)
    port.real = True
    live = run_on(port, setup=setup(grade_rule=grade_rule()), operator=Helpless(), capture=buffer)
    path = tmp_path / "low.capture"
    path.write_bytes(buffer.getvalue())
    again = judge_capture(path, setup(grade_rule=grade_rule()), procedure("quick"), when="", software="")
    assert [fault.code for fault in live.bench_faults if fault.spoils][:1] == ["supply-not-set"]
    assert (again.conclusion, again.bench_faults) == (live.conclusion, live.bench_faults)


def in_format_3(record: TestRecord) -> str:
    """The record as the version before wrote it."""
    newer = ("schema", "format", "sha256", "older_format")
    content = {key: value for key, value in json.loads(to_json(record)).items() if key not in newer}
    return json.dumps({"schema": "makebreak-record-3", "format": 3, **content})


@pytest.mark.parametrize("behaviour", ["dark", "steady on"])
def test_no_page_charges_what_the_outcome_leaves_open(behaviour: str) -> None:
    """The lamps were not proved, so a unit that stays dark or lit is not counted against, neither first nor below."""
    facts = {"behaviour": behaviour, "rest": "open", "pilot": "dead"}
    nothing = dict.fromkeys(("rate_per_min", "first_light_s", "first_extinction_s"), NotMeasured("the unit did not flash"))
    unproved = (BenchProof("lamps", False, "not filament lamps: their current says nothing"),)
    by_r48 = setup(limits=(named_limits("un-r48"),), grade_rule=grade_rule())
    record = assemble(PLAN, by_r48, (run(RATED, Measured(nothing, facts, (), unproved)),), TestContext("", ""))
    assert record.outcome is Outcome.NOT_DECIDED and "the lamps were not proved" in record.reason
    short = [line for line in brief_lines(record) if line.startswith(("Flash rate", "First extinction"))]
    assert len(short) == 2 and all(line.endswith(" open") for line in short)
    rows = judged_rows(record)
    assert {row.verdict for row in rows} <= {"open", "not measured"}
    assert all("not counted against the unit" in row.why_not for row in rows if row.verdict == "open")
    assert f"the lamps stay {'lit' if behaviour == 'steady on' else 'dark'}" in {row.value for row in rows}, "what was seen is still said"
    assert " fail" not in report_text(record, 100)
    of_screen = [line.plain for row in rows_of_verdict(record.verdicts[0]) for line in [gauge_line(row, RowWidths.of(100), {})]]
    assert of_screen and not any("outside" in line or "not as asked" in line for line in of_screen)
    before = replace(record, verdicts=judge(record.measured, named_limits("un-r48")[1][0]))
    assert Conformity.FAIL in {v.conformity for v in before.verdicts}, "what a file of an earlier version held"
    assert from_json(in_format_3(before)).verdicts == record.verdicts
