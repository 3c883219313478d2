"""Parts of the session by themselves: putting runs together, choosing loads, the self-check; and mishaps at random moments."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from bench_port import BenchPort, bench_port, run_on, setup
from hypothesis import given, settings
from hypothesis import strategies as st

from bench import files
from bench.combine import StepRuns, combine_runs, mean_of_starts
from bench.description import BoardDescription, Loop
from bench.description import BoardLoad as BoardLoad
from bench.errors import SetupError
from bench.files import bank
from bench.measure import BenchFault, Measured
from bench.outcome import Outcome
from bench.procedure import Procedure, RunStep
from bench.record import StepRecord
from bench.setup import conditions_for, load_for, open_v, protection_a, watts_text
from bench.simboard.rig import rig_description
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured, quotient
from bench.upkeep import self_check
from bench.upkeep.selfcheck import CheckState
from bench.verdict import Conformity
from bench.wire import ResetCause

RATED = RunStep("rated", "Rated", starts=3, judge=("rate_per_min", "start_s"))
OUT = RunStep("out", "Out", loads="one-out", judge=("outage_rate_per_min", "outage_ratio"))
PLAN = Procedure("p", "", "", (RATED, OUT))


def start(value: float, u: float = 0.001) -> Estimate:
    return Estimate(value, "s", (Component("clock", u),))


def rate(value: float, clock_u: float = 0.3, scatter_u: float = 0.1) -> Estimate:
    return Estimate(value, "1/min", (Component("scatter", scatter_u, 9.0, "A"), Component("clock", clock_u)))


def record(values: dict[str, Measurement], interrupted: str | None = None, faults: tuple[BenchFault, ...] = (), **facts: str) -> StepRecord:
    return StepRecord("s", "", (1, 2), "", 0.0, 1.0, Measured(values, facts, faults), 8, 0, 12.8, interrupted=interrupted)


# --- the mean of starts


def test_the_mean_of_three_starts_by_hand() -> None:
    """GUM 4.2: mean 1.1, s = 0.1, u = 0.1 / sqrt 3 with 2 degrees of freedom; the clock's error is the same in all three."""
    found = mean_of_starts([start(1.0), start(1.1), start(1.2)])
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(1.1)
    scatter, clock = found.budget
    assert (scatter.kind, scatter.dof) == ("A", 2.0)
    assert scatter.u == pytest.approx(0.1 / math.sqrt(3.0))
    assert clock.u == pytest.approx(0.001)
    assert found.n == 3
    assert "largest 1.200 s" in found.note


def test_one_start_stands_for_itself() -> None:
    assert mean_of_starts([start(1.0)]) == start(1.0)


def test_a_start_that_the_bench_spoilt_is_left_out_one_of_the_unit_is_not() -> None:
    bench, unit = NotMeasured("samples lost", "bench"), NotMeasured("it never lit", "unit")
    found = mean_of_starts([start(1.0), bench, start(1.2)])
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(1.1)
    assert "1 left out: samples lost" in found.note
    assert mean_of_starts([start(1.0), unit, bench]) is unit
    assert mean_of_starts([bench, bench]) is bench


# --- ratios


def test_a_common_clock_cancels_in_a_ratio() -> None:
    found = quotient(rate(180.0, clock_u=0.6, scatter_u=0.0), rate(90.0, clock_u=0.3, scatter_u=0.0))
    assert found.value == 2.0
    assert found.u == pytest.approx(0.0, abs=1e-12)
    scattered = quotient(rate(180.0, 0.6, 0.18), rate(90.0, 0.3, 0.09))
    assert scattered.u == pytest.approx(2.0 * math.hypot(0.001, 0.001))


# --- what is judged


def test_runs_are_put_together_as_the_procedure_says() -> None:
    starts = tuple(
        record({"start_s": start(s), "rate_per_min": rate(88.0 + s)}, rest="closed", behaviour="flashing") for s in (1.0, 1.1, 1.2)
    )
    out = record({"rate_per_min": rate(178.4)}, behaviour="flashing")
    found = combine_runs(PLAN, (StepRuns(RATED, starts), StepRuns(OUT, (out,))), 12.0)
    assert found.values["rate_per_min"] == rate(89.2)  # the last start's
    assert isinstance(found.values["start_s"], Estimate) and found.values["start_s"].n == 3
    assert isinstance(found.values["outage_ratio"], Estimate) and found.values["outage_ratio"].value == pytest.approx(2.0)
    # Twice the rate: nobody overlooks that a lamp is out.
    assert found.facts == {
        "rest": "closed", "behaviour": "flashing", "outage": "flashing", "lamp out": "shown", "pilot, lamp out": "unknown",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("rate_out", "doing", "pilot", "pilot_out", "shown"),
    [
        (90.0, "flashing", "in step", "in step", "not shown"),
        (90.0, "flashing", "in step", "dead", "shown"),
        (90.0, "flashing", "dead", "dead", "not shown"),
        (110.0, "flashing", "dead", "dead", "shown"),
        (98.0, "flashing", "dead", "dead", "not shown"),
        (None, "steady on", "dead", "dead", "shown"),
        (None, "dark", "dead", "dead", "shown"),
        (None, "too few", "dead", "dead", "unknown"),
    ],
)
def test_whether_a_driver_would_notice_a_lamp_out(rate_out: float | None, doing: str, pilot: str, pilot_out: str, shown: str) -> None:
    """By standing still, by the tell-tale, or by a rate that changes by more than 15 % (common practice, no source)."""
    whole = record({"start_s": start(1.0), "rate_per_min": rate(90.0)}, behaviour="flashing", pilot=pilot)
    values = {"rate_per_min": rate(rate_out) if rate_out is not None else NotMeasured("it did not flash")}
    found = combine_runs(PLAN, (StepRuns(RATED, (whole,)), StepRuns(OUT, (record(values, behaviour=doing, pilot=pilot_out),))), 12.0)
    assert found.facts["lamp out"] == shown
    assert found.facts["pilot, lamp out"] == pilot_out


def test_an_interrupted_run_gives_nothing() -> None:
    good = record({"start_s": start(1.0), "rate_per_min": rate(90.0)}, rest="closed", behaviour="too few")
    cut = record({"start_s": start(9.0), "rate_per_min": rate(10.0)}, interrupted="unplugged", rest="open", behaviour="dark")
    found = combine_runs(PLAN, (StepRuns(RATED, (good, cut)), StepRuns(OUT, (), "the test was interrupted before")), 12.0)
    for name in ("start_s", "rate_per_min"):
        missing = found.values[name]
        assert isinstance(missing, NotMeasured)
        assert missing.fault == "bench"
        assert "unplugged" in missing.reason
    assert found.facts == {"rest": "closed"}
    assert found.values["outage_ratio"] == NotMeasured("the test was interrupted before")


@pytest.mark.parametrize(("code", "spoils_all"), [("supply-limited", False), ("lamp-current", True)])
def test_a_bench_fault_with_one_lamp_out_spoils_only_that_unless_it_is_of_the_lamps(code: str, spoils_all: bool) -> None:
    """The lamps that are lit with one out are some of those of the rated load."""
    fault = BenchFault(code, "it is the bench")
    whole = record({"start_s": start(1.0), "rate_per_min": rate(90.0)}, behaviour="flashing")
    out = record({"rate_per_min": rate(180.0)}, faults=(fault,), behaviour="flashing")
    found = combine_runs(PLAN, (StepRuns(RATED, (whole,)), StepRuns(OUT, (out,))), 12.0)
    assert found.bench_faults == ((fault,) if spoils_all else ())
    assert found.values["outage_ratio"] == NotMeasured("it is the bench", "bench")
    assert "outage" not in found.facts
    spoilt = combine_runs(PLAN, (StepRuns(RATED, (replace(whole, measured=replace(whole.measured, bench_faults=(fault, fault))),)),), 12.0)
    assert spoilt.bench_faults == (fault,)


# --- loads and protection


@pytest.fixture
def board() -> BoardDescription:
    return rig_description(1)


def test_roles_become_loads_of_the_bank(board: BoardDescription) -> None:
    wanted = setup(rated=(21.0, 21.0, 5.0))
    assert load_for("rated", wanted, board).numbers == (1, 2, 5, 7)
    assert load_for("rated", wanted, board).text == "2 x 21 W + 5 W"
    assert load_for("rated", wanted, board).watts == (21.0, 21.0, 5.0)
    assert load_for("one-out", wanted, board).watts == (21.0, 5.0)
    assert load_for("trailer", wanted, board).watts == (21.0, 21.0, 21.0, 5.0)
    assert load_for((6, 4), wanted, board).text == "10 W + load 6"
    assert load_for((6, 4), wanted, board).watts == ()
    assert load_for("rated", setup(lamps=(6,)), board).numbers == (6, 7)
    with pytest.raises(SetupError, match="two are needed"):
        load_for("one-out", setup(rated=(21.0,)), board)
    bare = replace(board, loads={1: BoardLoad(1, "LAMP", 21.0)})
    assert load_for("rated", setup(rated=(21.0,)), bare).numbers == (1,)


def test_a_bank_wins_over_the_description(board: BoardDescription) -> None:
    wanted = setup(rated=(27.0, 27.0, 5.0), bank=bank("2x27"))
    assert load_for("rated", wanted, board).numbers == (1, 2, 5, 7)
    assert load_for("rated", wanted, board).text == "2 x 27 W + 5 W"
    assert load_for("trailer", wanted, board).watts == (27.0, 27.0, 27.0, 5.0), "a trailer's lamp is like the unit's heaviest"
    assert load_for("one-out", wanted, board).text == "27 W + 5 W"
    led = setup(lamps=(1, 2), bank=bank("led-resistor"))
    assert load_for("rated", led, board).text == "2 x LED 0.15 A with 6 ohm across"
    assert (load_for("rated", led, board).watts, load_for("rated", led, board).filament) == ((), False)
    assert load_for((3, 5), led, board).text == "LED 0.15 A + resistor 6 ohm"
    at_24 = setup(lamps=(6,), bank=bank("standard"), system_v=24.0)
    assert load_for("rated", at_24, board).text == "LED 0.075 A"
    mixed = load_for((4, 6), setup(bank=bank("standard")), board)
    assert (mixed.text, mixed.watts, mixed.filament) == ("10 W + LED 0.15 A", (), False)


def test_what_the_bank_has_not_is_said_with_the_banks_that_have_it(board: BoardDescription) -> None:
    for more, whose in (({}, "this board's bank"), ({"bank": bank("standard")}, "the bank standard")):
        with pytest.raises(SetupError) as caught:
            load_for("rated", setup(rated=(27.0, 27.0), **more), board, files.banks)
        text = str(caught.value)
        assert text.startswith(f"choosing lamps for 2 x 27 W: {whose} has 1: 21 W, 2: 21 W")
        assert "these banks have such lamps: 2x27 (fit them and say so: --bank 2x27, or for a simulated bench sim://...?bank=2x27)" in text
        assert "\n" not in text
    with pytest.raises(SetupError, match=r"such lamps: standard, 4x21 \(fit them and say so: --bank standard,"):
        load_for("rated", setup(bank=bank("led")), board, files.banks)
    with pytest.raises(SetupError, match="no bank here has such lamps: fit them and describe the sockets in a file for --bank"):
        load_for("rated", setup(rated=(35.0,)), board, files.banks)
    with pytest.raises(SetupError, match=r"socket 6 is empty; the bank has 1: LED 0\.15 A"):
        load_for("rated", setup(lamps=(1, 6), bank=bank("led")), board)
    small = replace(board, loads={n: board.loads[n] for n in (1, 2, 7)})
    with pytest.raises(SetupError, match=r"taking the bank led: it has LED 0\.15 A in socket 3, and this board has no lamp 3"):
        load_for("rated", setup(lamps=(1,), bank=bank("led")), small)
    with pytest.raises(SetupError, match="no lamp of 21 W or 10 W is left besides 10 W"):
        load_for("trailer", setup(rated=(10.0,), bank=bank("2x27")), board)


def test_what_is_known_of_the_load_without_a_board() -> None:
    assert setup(lamps=(6,)).rated_load == "load 6", "nobody knows what stands there"
    assert setup(lamps=(1, 6)).rated_load == "load 1 + load 6"
    assert setup(lamps=(4, 6), bank=bank("standard")).rated_load == "10 W + LED 0.15 A"
    assert setup(rated=(27.0, 27.0), bank=bank("2x27")).rated_load == "2 x 27 W"


def test_the_load_in_words() -> None:
    assert watts_text((5.0, 21.0, 21.0)) == "2 x 21 W + 5 W"
    assert setup(rated=(21.0, 21.0, 5.0)).signal_lamps == 2


def test_expected_inrush_against_the_computed_one(board: BoardDescription) -> None:
    """37.7 A computed for two cold 21 W lamps at 12.8 V through 0.10 ohm; the level stands a quarter above what the stiffest loop that the
    board's statement allows (0.088 ohm) would let through."""
    level = protection_a(setup(), load_for("rated", setup(), board), 12.8, board)
    assert level is not None
    assert level / 1.25 == pytest.approx(37.7 * (0.1 + 0.24) / (0.088 + 0.24), rel=0.05)
    assert protection_a(setup(lamps=(6,)), load_for((6,), setup(), board), 12.8, board) == 75.0
    doubted = setup(filament=False)
    assert protection_a(doubted, load_for("rated", doubted, board), 12.8, board) == 75.0, "other lamps than the description says"


def test_protection_and_supply_follow_what_the_bank_has(board: BoardDescription) -> None:
    """LED lamps: a quarter above three times their current. With 6 ohm across each takes 12.8 / 6 + 0.15 A."""
    led = setup(lamps=(1, 2), filament=False, bank=bank("led"))
    load = load_for("rated", led, board)
    assert protection_a(led, load, 12.8, board) == pytest.approx(1.25 * 3.0 * 0.30, abs=0.06)
    assert open_v(led, load, 12.8, board) == pytest.approx(12.83)
    with_resistor = setup(lamps=(1, 2), bank=bank("led-resistor"))
    load = load_for("rated", with_resistor, board)
    assert open_v(with_resistor, load, 12.8, board) == pytest.approx(12.8 + 0.1 * 2.0 * (12.8 / 6.0 + 0.15))
    conditions = conditions_for(with_resistor, load, load, 12.8, board)
    assert (conditions.filament, conditions.lamps_w) == (False, ())
    assert conditions.supply_low_v is not None and conditions.supply_high_v is not None
    assert conditions.supply_low_v < 12.8 < 13.26 < conditions.supply_high_v
    heavy = setup(rated=(27.0, 27.0), bank=bank("2x27"))
    load = load_for("rated", heavy, board)
    conditions = conditions_for(heavy, load, load, 12.8, board)
    assert (conditions.filament, conditions.lamps_w) == (True, (27.0, 27.0))
    assert open_v(heavy, load, 12.8, board) == pytest.approx(12.8 + 0.1 * 4.20, abs=0.001)


def test_the_band_of_the_supply_allows_for_the_loop(board: BoardDescription) -> None:
    """13.16 V without load leave 12.8 V at two lamps through 0.10 ohm (SAE J823, after a public summary)."""
    load = load_for("rated", setup(), board)
    conditions = conditions_for(setup(), load, load, 12.8, board)
    assert conditions.supply_low_v is not None and conditions.supply_high_v is not None
    assert conditions.supply_low_v < 12.8 < 13.16 < conditions.supply_high_v
    assert conditions.supply_high_v - conditions.supply_low_v < 1.2


def test_supply_and_protection_go_by_the_loop_that_the_board_states(board: BoardDescription) -> None:
    """Two lamps take 3.60 A at 12.8 V. On a stiff rig 13.16 V without load would over-volt them by 0.29 V."""
    wanted = setup()
    load = load_for("rated", wanted, board)
    stiff, silent = replace(board, loop=Loop(0.02, 0.002)), replace(board, loop=None)
    assert open_v(wanted, load, 12.8, stiff) == pytest.approx(12.8 + 0.02 * 3.60, abs=0.001)
    assert open_v(wanted, load, 12.8, silent) == open_v(wanted, load, 12.8, board)
    widths, mosts = [], []
    for one in (stiff, board, silent):
        conditions = conditions_for(wanted, load, load, 12.8, one)
        assert conditions.supply_low_v is not None and conditions.supply_high_v is not None
        widths.append(conditions.supply_high_v - conditions.supply_low_v)
        mosts.append(conditions.loop_ohm)
    assert mosts == pytest.approx([0.024, 0.112, 0.16]), "a supply that gives way is told beside what the board states"
    # 2.5 % and two u of the loop either way, and 1.2 times the fall.
    loops = (0.02, 0.002), (0.1, 0.006), (0.1, 0.03)
    assert widths == pytest.approx([0.64 + 3.60 * (1.2 * ohm + 4.0 * u) for ohm, u in loops], abs=0.002)
    levels = [protection_a(wanted, load, 12.8, one) for one in (board, silent, stiff)]
    assert None not in levels and levels == sorted(levels) and len(set(levels)) == 3  # type: ignore[type-var]


# --- self-check


def test_a_good_board_passes_its_self_check() -> None:
    port = bench_port("EL")
    findings = self_check(port)
    assert {f.state for f in findings} == {CheckState.GOOD}, findings
    assert {"identity", "description", "self-test", "self_check", "supply", "v_in at rest"} <= {f.what for f in findings}
    assert port.all_open


def test_the_self_check_lights_each_lamp_alone() -> None:
    port = bench_port("EL")
    findings = {f.what: f for f in self_check(port, lamps=True)}
    assert {findings[f"lamp {n}"].state for n in (1, 2, 3)} == {CheckState.GOOD}
    closed = [line for line in port.sent if line.startswith(b"ROUT:CLOS (@")]
    assert closed == [b"ROUT:CLOS (@%d)\n" % n for n in (1, 2, 3, 4, 5)]
    assert port.board.unit_name == "EL"
    assert port.all_open


def test_the_self_check_finds_a_dead_supply_and_a_dead_standard() -> None:
    port = bench_port("EL", supply_v=0.5)
    assert {f.what: f.state for f in self_check(port)}["supply"] is CheckState.BAD
    wrong = bench_port("EL")
    channels = dict(wrong.board.description.channels)
    ranges = tuple(replace(r, scale=r.scale * 1.02) for r in channels["self_check"].ranges)
    channels["self_check"] = replace(channels["self_check"], ranges=ranges)
    wrong.board.scales.use(replace(wrong.board.description, channels=channels))
    assert {f.what: f.state for f in self_check(wrong)}["self_check"] is CheckState.BAD


def test_lamps_need_hands_on_a_real_board() -> None:
    port = bench_port("EL")
    port.real = True
    assert {f.what: f.state for f in self_check(port, lamps=True)}["lamps"] is CheckState.NOT_DONE


# --- mishaps at random


def mishap(port: BenchPort, kind: str) -> None:
    def unplug() -> None:
        port.unplugged = True

    def hit() -> None:
        raise KeyboardInterrupt

    def mute() -> None:
        port.lose = lambda data: True

    {"unplug": unplug, "keyboard": hit, "reset": lambda: port.board.power_up(ResetCause.BROW), "mute": mute}[kind]()


@settings(max_examples=25)
@given(kind=st.sampled_from(["unplug", "keyboard", "reset", "mute"]), at_s=st.floats(min_value=0.0, max_value=9.0))
def test_whatever_happens_whenever_it_happens(kind: str, at_s: float) -> None:
    """All open within a second or so, nothing charged to the unit, and the record says what it was (or the test was through)."""
    port = bench_port("NC")
    port.at[at_s] = lambda: mishap(port, kind)
    plan = Procedure("p", "", "", (RunStep("rated", "", cycles=3, at_most_s=8.0, judge=("rate_per_min", "start_s")),))
    record = run_on(port, plan)
    port.a_second_later()
    assert port.all_open
    assert not any(v.conformity is Conformity.FAIL for v in record.verdicts)
    if record.interrupted is None:
        assert isinstance(record.measured.values["rate_per_min"], Estimate)
    else:
        assert record.outcome is (Outcome.NOT_DECIDED if kind == "keyboard" else Outcome.BENCH_FAULT)
        assert record.grade is None
        assert kind == "keyboard" or any(not f.spoils for f in record.bench_faults)
