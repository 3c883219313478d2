"""What a session learns of its bench once: zeros, lamps proved through the link; and whose fault a dead or shorted unit is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.files import grade_rule, named_limits, procedure
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.procedure import Procedure, RunStep
from bench.record import TestRecord
from bench.session import Action, BenchMemory, Cancelled, FitLink, Meanwhile, Operator, Setup, SimulatedHands, run_test
from bench.session.memory import LASTS_S
from bench.session.operator import Cool


class Counting:
    """Simulated hands that count how often they fit the link."""

    def __init__(self, hands: SimulatedHands, asked: list[Action]) -> None:
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

    def counting(hands: SimulatedHands) -> Operator:
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
    memory = BenchMemory("A", None, {}, 0.0, frozenset({1, 2}), 10.0)
    memory.meet("A", 20.0)
    assert memory.lamps == {1, 2}
    memory.meet("A", 10.1 + LASTS_S)
    assert memory.lamps == frozenset()
    memory = BenchMemory("A", None, {}, 0.0, frozenset({1, 2}), 10.0)
    memory.meet("B", 20.0)
    assert (memory.lamps, memory.board) == (frozenset(), "B")


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


def test_a_short_on_a_bench_that_is_not_right_stays_the_benchs() -> None:
    (record,), _ = session_of("sim://bench-el-plain?fault=suppressor-shorted,lamp-dead")
    assert record.outcome is Outcome.BENCH_FAULT


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
        def __init__(self, hands: SimulatedHands) -> None:
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
        def __init__(self, hands: SimulatedHands) -> None:
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
