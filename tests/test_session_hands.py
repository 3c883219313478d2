"""A session and the person at the bench."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_port import bench_port, run_on, setup
from session_plans import SHORT, Helpless, RealHands, one_cooled, spoilt

from bench.errors import Cancelled, SetupError
from bench.manual_actions import Action, Cool, Do, Meanwhile, SetSupply
from bench.outcome import Outcome
from bench.procedure import CoolStep, Procedure, PromptStep
from bench.session import Asked, Waiting
from bench.uncertainty import Estimate


def test_rest_before_the_test_counts_as_cooling() -> None:
    waits: list[float] = []

    class Hands:
        def do(self, action: Action, meanwhile: Meanwhile) -> bool:
            assert isinstance(action, Cool)
            waits.append(action.seconds)
            return True

    for rested_s in (0.0, 4.0, 20.0):
        port = bench_port("EL")
        port.real = True
        run_on(port, one_cooled(), setup=setup(rested_s=rested_s), operator=RealHands(Hands().do))
    assert waits == pytest.approx([10.0, 6.0], abs=3.0)


# --- hands


def test_prompts_and_waiting_for_a_person() -> None:
    """A board without SIMulation words: the person is asked, the session waits and looks at the supply by itself."""
    by_hand = PromptStep("look", "Look", "Look at the contacts."), CoolStep("rest", "Rest", "", 3.0)
    plan = Procedure("hands", "", "", (*by_hand, *SHORT.steps))
    asked: list[Action] = []
    port = bench_port("EL", supply_v=11.0)
    port.real = True

    class Person:
        def do(self, action: Action, meanwhile: Meanwhile) -> None:
            asked.append(action)
            if isinstance(action, SetSupply):
                port.board.set_supply(action.volts)

    events: list[object] = []
    record = run_on(port, plan, operator=Person(), progress=events.append)
    assert record.interrupted is None
    assert [type(a) for a in asked] == [Do, Cool, SetSupply]
    assert isinstance(record.measured.values["rate_per_min"], Estimate)
    assert not record.bench_faults
    assert sum(isinstance(e, Waiting) for e in events) == 12
    assert sum(isinstance(e, Asked) for e in events) == 2


def test_whoever_sets_the_supply_may_take_his_time() -> None:
    """Also after a run, when the longest on-time is that of the run: the board is never on for so long at once."""
    port = bench_port("EL", supply_v=12.8)
    port.real = True
    shown: list[float] = []

    class Slow:
        def do(self, action: Action, meanwhile: Meanwhile) -> None:
            if isinstance(action, SetSupply):
                until_s = port.now_s() + 100.0
                while port.now_s() < until_s:
                    shown.append(meanwhile()["v_in"])
                port.board.set_supply(action.volts)

    first = replace(SHORT.runs[0], at_most_s=2.0, judge=())
    plan = Procedure("two", "", "", (first, replace(SHORT.runs[0], name="low", supply_v=11.0)))
    record = run_on(port, plan, operator=Slow())
    assert record.interrupted is None
    assert len(shown) > 500 and min(shown) > 12.0, "it is shown all the while"
    assert not record.bench_faults


def test_a_supply_that_is_never_right_is_the_bench_s_fault() -> None:
    port = bench_port("NC", supply_v=11.0)
    port.real = True
    record = run_on(port, operator=Helpless())
    assert record.interrupted is None
    assert record.outcome is Outcome.BENCH_FAULT
    assert {"supply-not-set", "supply-out-of-range"} <= {fault.code for fault in record.bench_faults}
    assert "set the supply to 13.16 V, which leaves 12.80 V at the lamps" in record.reason


def test_a_procedure_with_hands_needs_hands() -> None:
    port = bench_port("EL")
    port.real = True
    plan = Procedure("hands", "", "", (PromptStep("look", "Look", "Look."), *SHORT.steps))
    with pytest.raises(SetupError, match="needs manual actions"):
        run_on(port, plan)
    assert port.all_open


@pytest.mark.parametrize(
    ("error", "why", "outcome"),
    [
        (Cancelled("gone home"), "gone home", Outcome.NOT_DECIDED),
        (Cancelled(), "cancelled by the operator", Outcome.NOT_DECIDED),
        (RuntimeError("no such window"), "an error in the program: RuntimeError: no such window", Outcome.BENCH_FAULT),
    ],
)
def test_a_person_who_breaks_off(error: Exception, why: str, outcome: Outcome) -> None:
    """What is no `Cancelled` is a mistake in whatever asks the person."""

    class Person:
        def do(self, action: Action, meanwhile: Meanwhile) -> None:
            if isinstance(action, Do):
                raise error

    port = bench_port("EL")
    port.real = True
    plan = Procedure("hands", "", "", (PromptStep("look", "Look", "Look."), *SHORT.steps))
    record = run_on(port, plan, operator=Person())
    spoilt(record, port)
    assert (record.interrupted, record.outcome) == (why, outcome)


@pytest.mark.parametrize("name", ["NONE", "LINK"])
def test_an_empty_socket_is_not_a_dead_unit(name: str) -> None:
    port = bench_port("EL")
    port.board.unit_name = name
    with pytest.raises(SetupError, match=f"no unit in the simulated socket but {name}"):
        run_on(port, SHORT)
