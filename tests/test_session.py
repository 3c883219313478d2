"""A session from board to record: whole tests, setting up, progress, captures."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from session_plans import SHORT, TWO, brief_full, long_plan, value

from bench.assemble import RunningJudgement
from bench.errors import SetupError
from bench.files import grade_rule, named_limits
from bench.judging import judge_capture
from bench.limits import Limit
from bench.measure import Measured
from bench.outcome import Outcome
from bench.procedure import Procedure, RunStep
from bench.session import Live, Noted, SoFar, StepBegan, run_test
from bench.session.ledger import Ledger
from bench.setup import Setup
from bench.uncertainty import Estimate, Measurement, NotMeasured
from bench.verdict import Conformity

# --- tests that come to their end


def test_quick_test_of_a_good_unit_is_good_without_a_grade_and_leaves_everything_open() -> None:
    port = bench_port("EL")
    record = run_on(port, setup=setup(grade_rule=grade_rule()))
    assert record.interrupted is None
    assert record.outcome is Outcome.GOOD
    # Eight flashes say nothing of one in a hundred that fails: a grade asks for sixty.
    assert record.conclusion.letter == ""
    assert "not graded: not known for C: missed flashes: 8 flashes seen, 60 needed" in record.reason
    assert value(record, "rate_per_min") == pytest.approx(90.0, abs=0.6)
    assert port.all_open
    assert [used.name for used in record.limit_sets] == ["un-r48"]
    assert record.board is not None and record.board.model == "rig-328"


def test_on_a_limit_in_doubt_nothing_is_decided() -> None:
    """90 per minute stands on a US limit that is in doubt."""
    record = run_on(bench_port("EL"), setup=setup(limits=(named_limits("un-r48"), named_limits("us-turn"))))
    assert all(v.conformity.is_favourable or v.why_open for v in record.verdicts)
    assert [used.name for used in record.limit_sets] == ["un-r48", "us-turn-closed-2"]
    assert record.outcome is (Outcome.GOOD if all(v.conformity is Conformity.PASS for v in record.verdicts) else Outcome.NOT_DECIDED)


def test_a_unit_outside_a_limit_is_not_good() -> None:
    port = bench_port("NC")
    name, (un,) = named_limits("un-r48")
    narrow = replace(un, requirements=tuple(replace(limit, low=95.0) for limit in un.limits if limit.quantity == "rate_per_min"))
    record = run_on(port, setup=setup(limits=((name, (narrow,)),)))
    # Nominal thermal unit: 88 per minute (table of computed behaviour).
    assert record.outcome is Outcome.NOT_GOOD
    assert record.reason.startswith("Rejected: too slow: ")
    assert value(record, "rate_per_min") == pytest.approx(88.0, abs=1.5)
    assert port.all_open


def test_a_good_thermal_unit_is_not_rejected_by_a_limit_in_doubt() -> None:
    """88 per minute, where a chart that nobody could read may ask for 90 of units closed at rest."""
    record = run_on(bench_port("NC"), "decide", setup=setup(limits=(named_limits("us-turn"),)))
    assert record.outcome is Outcome.NOT_DECIDED
    assert record.reason.startswith("Not decided: flash rate: the limit is in doubt: ")
    (unsure,) = [v for v in record.verdicts if v.conformity is not Conformity.PASS]
    assert isinstance(unsure.limit, Limit) and unsure.limit.low == 90.0 and "could not be read" in unsure.why_open


@pytest.mark.parametrize(("kind", "rate", "outage"), [("NC", 88.2, "steady on"), ("HWh", 84.8, "flashing"), ("ELo", 90.0, "flashing")])
def test_full_procedure_in_virtual_time(kind: str, rate: float, outage: str) -> None:
    """Rates at 12.8 V and what one lamp out does, as computed for nominal units; trade practice, no source."""
    port = bench_port(kind)
    record = run_on(port, "full" if kind == "NC" else brief_full(), setup=setup(zero=True))
    assert record.interrupted is None
    assert [s.name for s in record.steps] == ["rated-1", "rated-2", "rated-3", "one-out", "trailer"]
    assert value(record, "rate_per_min") == pytest.approx(rate, rel=0.02)
    assert record.measured.facts["outage"] == outage
    start = record.measured.values["start_s"]
    assert isinstance(start, Estimate)
    assert start.n == 3
    assert "largest" in start.note
    drop = record.measured.values["drop_v"]
    assert isinstance(drop, Estimate)
    assert drop.u < 0.003  # zeroed with the link; 13 mV without
    assert record.steps[3].loads == (1, 7)
    assert record.steps[4].loads == (1, 2, 3, 7)
    assert port.board.unit_name == kind
    assert port.all_open


def test_an_outage_signalling_unit_doubles_its_rate() -> None:
    plan = replace(TWO, steps=tuple(replace(step, cycles=12) for step in TWO.runs))
    record = run_on(bench_port("ELo"), plan)
    ratio = record.measured.values["outage_ratio"]
    assert isinstance(ratio, Estimate)
    assert ratio.value == pytest.approx(2.2, abs=0.15)
    clock = [c for c in ratio.budget if "clock" in c.source]
    # The same clock in both rates: of its tolerance (0.5 %, 6e-3 of this ratio) only what two short runs tell apart is left.
    assert all(c.u == pytest.approx(0.0, abs=4e-4) for c in clock)


def test_supply_steps_are_set_from_low_to_high() -> None:
    record = run_on(bench_port("NC"), "supply")
    assert [s.supply_v for s in record.steps] == [11.0, 12.8, 15.0]
    rates = [s.measured.values["rate_per_min"] for s in record.steps]
    assert all(isinstance(r, Estimate) for r in rates)
    # More volts, faster: 59, 88, 110 per minute computed for the nominal thermal unit (trade practice, no source).
    assert [r.value for r in rates if isinstance(r, Estimate)] == pytest.approx([59.0, 88.0, 110.0], rel=0.05)
    assert not record.bench_faults


def test_a_closed_unit_gets_the_heavy_load_for_a_short_time_only() -> None:
    plan = Procedure("heavy", "", "", (
        RunStep("rated", "", cycles=1, at_most_s=12.0, judge=("rate_per_min",)),
        RunStep("trailer", "", loads="trailer", cool_s=10.0, cycles=100, at_most_s=60.0, closed_at_most_s=4.0),
    ))  # fmt: skip
    closed = run_on(bench_port("NC"), plan).steps[1]
    opened = run_on(bench_port("HWh"), replace(plan, steps=(plan.steps[0], replace(plan.runs[1], at_most_s=15.0)))).steps[1]
    assert 4.0 < closed.lasted_s < 6.0
    assert opened.lasted_s > 14.0


def test_stopping_early_saves_time_and_says_so() -> None:
    patient = run_on(bench_port("EL"), setup=setup(), plan=long_plan())
    hasty = run_on(bench_port("EL"), setup=setup(stop_early=True), plan=long_plan())
    assert not patient.steps[0].stopped_early
    assert hasty.steps[0].stopped_early
    assert hasty.steps[0].lasted_s < patient.steps[0].lasted_s / 2
    assert hasty.outcome is patient.outcome is Outcome.GOOD


# --- setting up


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"rated": (35.0,)}, "this board's bank has 1: 21 W"),
        ({"rated": (21.0,) * 4}, "bank has"),
        ({"lamps": (8,)}, "load 8 is no lamp"),
    ],
)
def test_what_the_bank_does_not_have_is_said_before_anything_is_switched(changes: dict[str, object], message: str) -> None:
    port = bench_port("EL")
    with pytest.raises(SetupError, match=message):
        run_on(port, setup=setup(**changes))
    assert port.all_open
    assert not any(line.startswith(b"OUTP ON") for line in port.sent)


@pytest.mark.parametrize(
    ("changes", "message"),
    [({"system_v": 48.0}, "48 V system"), ({"rated": ()}, "rated load"), ({"supply_v": 25.0}, "40 % to 140 %")],
)
def test_a_setup_that_makes_no_sense_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(SetupError, match=message):
        Setup("x", **changes)  # type: ignore[arg-type]


def test_steps_that_the_bank_can_t_do_are_left_out_and_said() -> None:
    record = run_on(bench_port("EL"), brief_full(), setup=setup(rated=(21.0, 21.0, 21.0)))
    assert [s.name for s in record.steps] == ["rated-1", "rated-2", "rated-3", "one-out"]
    assert any("trailer left out" in text for text in record.notes)
    assert any("no zeros asked for" in text for text in record.notes)


def test_protection_stands_above_the_inrush_and_below_the_largest() -> None:
    port = bench_port("EL")
    run_on(port, SHORT)
    (level,) = [float(line.split()[1]) for line in port.sent if line.startswith(b"CURR:PROT ")]
    # 37.7 A computed for two cold 21 W lamps through 0.10 ohm (trade practice, no source).
    assert 40.0 < level < 60.0
    (longest,) = [float(line.split()[1]) for line in port.sent if line.startswith(b"OUTP:PROT:TIME ")]
    assert longest == 17.0


def test_progress_tells_the_story() -> None:
    events: list[object] = []
    port = bench_port("EL")
    run_test(port, TWO, setup(), progress=events.append, when="", software="")
    assert [e.name for e in events if isinstance(e, StepBegan)] == ["rated", "one-out"]
    live = [e for e in events if isinstance(e, Live)]
    assert max(e.cycles for e in live) >= 8
    assert any(e.closed for e in live) and any(e.closed is False for e in live)
    assert live[-1].latest["v_in"] > 12.0
    assert any("rate_per_min" in e.measured.values for e in events if isinstance(e, SoFar))
    assert all(0.0 <= e.left_s <= 12.0 for e in live)
    assert not any(isinstance(e, Noted) for e in events)


def test_a_run_is_judged_once_a_second_and_told_with_what_was_measured_then(monkeypatch: pytest.MonkeyPatch) -> None:
    judged: list[Measured] = []
    judge = Ledger.judge_so_far

    def counted(ledger: Ledger, step: RunStep, measured: Measured) -> RunningJudgement:
        judged.append(measured)
        return judge(ledger, step, measured)

    monkeypatch.setattr(Ledger, "judge_so_far", counted)
    events: list[object] = []
    port = bench_port("EL")
    record = run_test(port, SHORT, setup(stop_early=True), progress=events.append, when="", software="")
    told = [e for e in events if isinstance(e, SoFar)]
    assert record.steps[0].lasted_s - 2.0 <= len(told) == len(judged) <= record.steps[0].lasted_s
    assert all(e.measured is measured for e, measured in zip(told, judged, strict=True))
    of_rate = [(e, v) for e in told for v in e.verdicts if isinstance(v.limit, Limit) and v.limit.quantity == "rate_per_min"]
    rates = [(v.found, e.measured.values["rate_per_min"]) for e, v in of_rate]
    assert rates and all(found == measured for found, measured in rates)


def test_heartbeat_at_least_every_three_tenths_of_a_second_while_closed() -> None:
    port = bench_port("EL")
    times: list[tuple[float, bool]] = []
    write = port.write

    def noting(data: bytes) -> None:
        times.append((port.now_s(), not port.all_open))
        write(data)

    port.write = noting  # type: ignore[method-assign]
    run_on(port, SHORT)
    gaps = [b - a for (a, closed), (b, _) in pairwise(times) if closed]
    assert max(gaps) <= 0.3


# --- captures


def numbers(values: Mapping[str, Measurement]) -> dict[str, float]:
    """Values and uncertainties; without the temperature, which is that of the newest samples looked at."""
    found = {name: v for name, v in values.items() if isinstance(v, Estimate) and name != "temperature_c"}
    return {name: v.value for name, v in found.items()} | {f"u of {name}": v.u for name, v in found.items()}


def test_a_capture_gives_the_same_record_again(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    wanted = setup(zero=True)
    live = run_on(bench_port("NC"), brief_full(), setup=wanted, capture=buffer)
    path = tmp_path / "test.capture"
    path.write_bytes(buffer.getvalue())
    again = judge_capture(path, wanted, brief_full(), when=live.when, software=live.software)
    assert numbers(again.measured.values) == pytest.approx(numbers(live.measured.values), rel=1e-9)
    assert again.measured.facts == live.measured.facts
    assert [v.conformity for v in again.verdicts] == [v.conformity for v in live.verdicts]
    assert again.conclusion == live.conclusion
    assert [s.cycles for s in again.steps] == [s.cycles for s in live.steps]
    other = judge_capture(path, replace(wanted, limits=(named_limits("us-turn"),)), brief_full(), when="", software="")
    assert [used.name for used in other.limit_sets] == ["us-turn-closed-2"]
    # 88 per minute: below the 90 that is in doubt.
    assert other.outcome is Outcome.NOT_DECIDED
    assert sum("in doubt" in v.why_open for v in other.verdicts) == 1


def test_a_capture_cut_anywhere_is_an_interrupted_test(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    run_on(bench_port("EL"), SHORT, capture=buffer)
    data = buffer.getvalue()
    path = tmp_path / "cut.capture"
    for part in (0.3, 0.6, 0.9):
        path.write_bytes(data[: int(part * len(data))])
        record = judge_capture(path, setup(), SHORT, when="", software="")
        assert record.interrupted is not None
        assert record.outcome is Outcome.NOT_DECIDED
        assert isinstance(record.measured.values["rate_per_min"], NotMeasured)
