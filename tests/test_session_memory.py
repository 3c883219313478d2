"""What a session learns of its bench once: zeros, lamps proved through the link; and whose fault a dead or shorted unit is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import pytest
from bench_port import bench_port, run_on, setup

from bench.bench_memory import LASTS_S, BenchMemory, Lamp
from bench.board import SimulatedOperator
from bench.description import parse_description
from bench.errors import Cancelled
from bench.files import banks, grade_rule, named_limits, procedure
from bench.manual_actions import Action, Cool, FitLink, Meanwhile, Operator
from bench.outcome import Outcome
from bench.ports import Port
from bench.ports.address import parse_sim_address
from bench.ports.opening import open_port
from bench.ports.simulated import open_line
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.simboard.board import SimulatedBoard
from bench.simboard.loads import Resistor, standard_bank
from bench.simboard.rig import DESCRIPTION_TEXT
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.wire import EventKind, TripCause
from reports.described_board import BoardPort, described_board
from reports.hostile_port import Heard, HostileLine, HostilePort, Mischief, Up, event


class Counting:
    """Simulated hands that count how often they fit the link."""

    def __init__(self, hands: SimulatedOperator, asked: list[Action]) -> None:
        self._hands = hands
        self._asked = asked

    def do(self, action: Action, meanwhile: Meanwhile) -> bool:
        self._asked.append(action)
        return self._hands.do(action, meanwhile)


def short_full() -> Procedure:
    full = procedure("full")
    steps = (replace(s, starts=1, cycles=8) if isinstance(s, RunStep) else s for s in full.steps if s.name in ("zero", "rated"))
    return replace(full, steps=tuple(steps))


def session_of(
    address: str, times: int = 1, *, plan: Procedure | None = None, memory: BenchMemory | None = None, zero: bool = False
) -> tuple[list[TestRecord], int]:
    """So many tests in one session, and how often the link was fitted in them."""
    asked: list[Action] = []
    setup = Setup("x", limits=(named_limits("un-r48"),), grade_rule=grade_rule(), rating_known=True, zero=zero)
    port = open_port(address)

    def counting(hands: SimulatedOperator) -> Operator:
        return Counting(hands, asked)

    try:
        chosen = plan or procedure("quick")
        records = [run_test(port, chosen, setup, at_simulated=counting, memory=memory, when="", software="") for _ in range(times)]
    finally:
        port.close()
    return records, sum(isinstance(action, FitLink) for action in asked)


def proof(record: TestRecord, item: str) -> tuple[bool, str]:
    (found,) = [p for p in record.measured.proofs if p.item == item]
    return found.proved, found.text


def test_a_session_reads_its_zeros_once() -> None:
    records, links = session_of("sim://bench-el-plain", 3, plan=short_full(), memory=BenchMemory(), zero=True)
    assert links == 1
    assert [proof(record, "zero")[0] for record in records] == [True] * 3
    assert any("earlier in this session" in text for text in records[1].notes)
    u = [record.measured.values["drop_v"].u for record in records]  # type: ignore[union-attr]
    assert max(u) < 0.003, "each drop is as good as one zeroed in its own test"


def test_without_a_memory_each_test_reads_its_own_zeros() -> None:
    assert session_of("sim://bench-el-plain", 2, plan=short_full(), zero=True)[1] == 2


def test_what_was_learnt_on_another_board_or_long_ago_is_forgotten() -> None:
    lamps = {Lamp(1, 21.0, 12.0): 10.0, Lamp(2, 21.0, 12.0): 30.0}
    memory = BenchMemory("A", lamps=dict(lamps))
    memory.meet("A", 30.0)
    assert memory.lamps == lamps
    memory.meet("A", 10.1 + LASTS_S)
    assert memory.lamps == {Lamp(2, 21.0, 12.0): 30.0}
    memory = BenchMemory("A", lamps=dict(lamps))
    memory.meet("B", 20.0)
    assert (memory.lamps, memory.board) == ({}, "B")


def test_a_dead_unit_is_blamed_after_the_link_proved_the_lamps() -> None:
    (record,), links = session_of("sim://bench-nc-2x21?fault=heater-open")
    assert links == 1
    assert record.outcome is Outcome.NOT_GOOD
    assert proof(record, "lamps") == (True, "each by itself, through the shorting link")


def test_a_session_proves_its_lamps_once() -> None:
    records, links = session_of("sim://bench-nc-2x21?fault=heater-open", 2, memory=BenchMemory())
    assert links == 1
    assert [record.outcome for record in records] == [Outcome.NOT_GOOD] * 2
    assert "earlier in this session" in proof(records[1], "lamps")[1]


def test_a_dead_unit_on_a_bank_with_a_dead_lamp_is_not_blamed() -> None:
    (record,), _ = session_of("sim://bench-nc-2x21?fault=heater-open,lamp-dead")
    assert record.outcome is Outcome.BENCH_FAULT
    assert "lamp 2" in record.reason


def test_a_lit_unit_needs_no_link() -> None:
    assert session_of("sim://bench-nc-2x21")[1] == 0
    assert session_of("sim://bench-nc-2x21?fault=contact-welded")[1] == 0, "its current proves the lamps"


@pytest.mark.parametrize("unit", ["bench-el-plain", "bench-el-outage"])
def test_a_short_is_the_units_if_the_lamps_are_right_without_it(unit: str) -> None:
    (record,), links = session_of(f"sim://{unit}?fault=suppressor-shorted")
    assert links == 1
    assert record.outcome is Outcome.NOT_GOOD and "a short inside" in record.reason
    assert not record.bench_faults
    assert record.interrupted is None


def test_lamps_are_proved_anew_after_a_trip_whatever_was_proved_before() -> None:
    records, links = session_of("sim://bench-el-plain?fault=suppressor-shorted", 2, memory=BenchMemory())
    assert links == 2
    assert [record.outcome for record in records] == [Outcome.NOT_GOOD] * 2


def test_a_short_on_a_bench_that_is_not_right_stays_the_benchs() -> None:
    (record,), _ = session_of("sim://bench-el-plain?fault=suppressor-shorted,lamp-dead")
    assert record.outcome is Outcome.BENCH_FAULT


def tripping(address: str, cause: TripCause, after_s: float) -> HostilePort:
    """A bench whose board trips for this cause, whatever flows, each time that the master switch has been on for so long."""
    on_s = math.inf

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal on_s
        if text in ("OUTP ON", "OUTP OFF", "*RST"):
            on_s = line.now_s if text == "OUTP ON" else math.inf
        return Heard((text,))

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal on_s
        if line.now_s - on_s < after_s or line.last is None:
            return ()
        on_s = math.inf
        line.board.switch(False, frozenset())
        return (event(line, EventKind.TRIP, int(cause), 0x100, loads=0, state=line.last.state & ~1 | 2),)

    return HostilePort(HostileLine(open_line(parse_sim_address(address)), (Mischief("", line=heard, more=more),)))


def trial(port: Port, plan: str = "quick", memory: BenchMemory | None = None, **changes: object) -> TestRecord:
    return run_on(port, plan, setup=setup(rating_known=True, **changes), memory=memory)  # type: ignore[arg-type]


@pytest.mark.parametrize("cause", [TripCause.CURR, TripCause.LATC])
@pytest.mark.parametrize("unit", ["bench-nc-2x21", "bench-el-plain"])
def test_a_board_that_trips_without_the_current_for_it_charges_no_unit(unit: str, cause: TripCause) -> None:
    """Longer than each lamp is lit by itself: to the lamps it does nothing."""
    record = trial(tripping(f"sim://{unit}?seed=2", cause, 4.0))
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert [fault.code for fault in record.bench_faults] == ["board-tripped"]


def test_a_board_that_cannot_let_cold_lamps_start_charges_no_unit() -> None:
    """Each lamp by itself stays below its highest level, both together do not."""
    text = DESCRIPTION_TEXT.replace("CURR,0.5,75,75", "CURR,0.5,20,20").replace("DELAY,0.001,5,0.05", "DELAY,0.001,5,0.001")
    board = described_board(parse_description(text.splitlines()), unit=nominal("EL"))
    record = trial(BoardPort("sim://low", board))
    assert "over-current" in record.reason
    assert record.outcome is Outcome.BENCH_FAULT, record.reason


def test_a_short_in_the_holder_of_a_further_lamp_is_none_of_the_unit() -> None:
    unit = nominal("EL")
    world = World(unit, seed=1, bank=standard_bank().fitted(3, Resistor(0.02)))
    board = SimulatedBoard(world, seed=1, unit_name="EL", find_unit=lambda name: "LINK" if name == "LINK" else unit)
    record = trial(BoardPort("sim://short", board), "decide")
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert "opened everything" in record.reason
    assert {step.measured.facts["behaviour"] for step in record.steps if step.name == "rated"} == {"flashing"}


def test_six_lamps_are_proved_in_the_time_that_the_board_is_given() -> None:
    bank = next(bank for bank in banks() if bank.name == "4x21")
    port = open_port("sim://bench-nc-2x21?fault=heater-open&bank=4x21")
    record = trial(port, bank=bank, rated=(21.0, 21.0, 21.0, 21.0, 10.0, 5.0))
    assert record.outcome is Outcome.NOT_GOOD, record.reason
    assert proof(record, "lamps")[0]


def test_lamps_are_proved_as_what_they_were() -> None:
    """The same places with other lamps, and lamps that were found wrong meanwhile, are proved again."""
    port, memory = open_port("sim://bench-nc-2x21?fault=heater-open"), BenchMemory()
    assert trial(port, memory=memory).outcome is Outcome.NOT_GOOD
    again = trial(port, memory=memory)
    assert "earlier in this session" in proof(again, "lamps")[1]
    other = trial(port, memory=memory, bank=next(bank for bank in banks() if bank.name == "2x18"), rated=(18.0, 18.0))
    assert other.outcome is Outcome.BENCH_FAULT, other.reason
    assert not proof(other, "lamps")[0]
    assert memory.lamps == {}


def test_lamps_that_a_run_shows_to_be_wrong_are_proved_no_more() -> None:
    memory = BenchMemory(lamps={Lamp(1, 21.0, 12.0): 0.0, Lamp(2, 21.0, 12.0): 0.0})
    port = open_port("sim://bench-nc-2x21?fault=lamp-dies")
    seen = BenchMemory()
    trial(port, memory=seen)
    memory.board = seen.board
    record = trial(open_port("sim://bench-nc-2x21?fault=lamp-dies"), memory=memory)
    assert [fault.code for fault in record.bench_faults] == ["lamp-died"]
    assert memory.lamps == {}


def test_a_board_that_was_calibrated_anew_reads_its_zeros_again() -> None:
    memory, plan, asked = BenchMemory(), short_full(), list[Action]()
    port = open_port("sim://bench-el-plain")
    wanted = Setup("x", limits=(named_limits("un-r48"),), zero=True)
    for scale, links in ((0.001, 1), (0.001, 0), (0.00101, 1)):
        port.write(f"CAL:RANG v_drop,0,64,{scale},0.0015,0.003,0.0006\n".encode())
        asked.clear()
        run_test(port, plan, wanted, at_simulated=lambda hands: Counting(hands, asked), memory=memory, when="", software="")
        assert sum(isinstance(action, FitLink) for action in asked) == links


@pytest.mark.parametrize("judged_first", [False, True])
def test_a_wrong_supply_that_spoilt_nothing_yet_is_looked_at_again(judged_first: bool) -> None:
    class Idle:
        """Says that everything is done, and does nothing."""

        def do(self, action: Action, meanwhile: Meanwhile) -> bool:
            return True

    port = bench_port("EL", supply_v=12.8 * 0.97)
    port.real = True
    judged = RunStep("rated", "Rated", cycles=3, at_most_s=12.0, judge=("rate_per_min",))
    first = () if judged_first else (replace(judged, name="before", judge=()),)
    record = run_on(port, Procedure("p", "p", "", (*first, judged)), operator=Idle())
    assert record.outcome is Outcome.BENCH_FAULT, record.reason
    assert [fault.spoils for fault in record.bench_faults if fault.code == "supply-not-set"] == [*(False for _ in first), True]


def test_a_person_who_fits_no_link_leaves_a_dead_unit_open() -> None:
    class Idle:
        """Says that everything is done, and does nothing."""

        def do(self, action: Action, meanwhile: Meanwhile) -> bool:
            return True

    port = open_port("sim://bench-nc-2x21?fault=heater-open&supply=12.8")
    setup = Setup("x", limits=(named_limits("un-r48"),), grade_rule=grade_rule(), rating_known=True)
    try:
        record = run_test(port, procedure("quick"), setup, at_simulated=lambda hands: Idle(), when="", software="")
    finally:
        port.close()
    assert record.outcome is Outcome.NOT_DECIDED
    assert "is it fitted?" in record.reason


def test_a_person_who_breaks_off_at_the_link_decides_nothing() -> None:
    class Leaving:
        def __init__(self, hands: SimulatedOperator) -> None:
            self._hands = hands

        def do(self, action: Action, meanwhile: Meanwhile) -> bool:
            if isinstance(action, FitLink):
                raise Cancelled("no link here")
            return self._hands.do(action, meanwhile)

    port = open_port("sim://bench-nc-2x21?fault=heater-open")
    setup = Setup("x", limits=(named_limits("un-r48"),), grade_rule=grade_rule(), rating_known=True)
    try:
        record = run_test(port, procedure("quick"), setup, at_simulated=Leaving, when="", software="")
    finally:
        port.close()
    assert (record.outcome, record.interrupted) == (Outcome.NOT_DECIDED, "no link here")


@pytest.mark.parametrize(("unit", "most_s"), [("bench-el-plain", 15.0), ("bench-tc-2x21", 15.0), ("bench-nc-2x21", 300.0)])
def test_a_unit_that_keeps_no_heat_is_not_waited_for(unit: str, most_s: float) -> None:
    """Cooling before the second and third start of the full procedure: by the mechanism that the first start has shown."""
    waits: list[float] = []

    class Waiting:
        def __init__(self, hands: SimulatedOperator) -> None:
            self._hands = hands

        def do(self, action: Action, meanwhile: Meanwhile) -> bool:
            if isinstance(action, Cool):
                waits.append(action.seconds)
            return self._hands.do(action, meanwhile)

    plan = replace(procedure("full"), steps=tuple(s for s in procedure("full").steps if s.name == "rated"))
    plan = replace(plan, steps=tuple(replace(s, cycles=8) for s in plan.steps if isinstance(s, RunStep)))
    port = open_port(f"sim://{unit}")
    setup = Setup("x", limits=(named_limits("un-r48"),), grade_rule=grade_rule(), rating_known=True, rested_s=400.0)
    try:
        run_test(port, plan, setup, at_simulated=Waiting, when="", software="")
    finally:
        port.close()
    assert len(waits) == 2 and max(waits) <= most_s
    assert min(waits) > (200.0 if most_s > 100.0 else 5.0)
