"""What hands must do, in large letters: the act itself, and each can be drawn at every size of a terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench import files
from bench.manual_actions import Action, Cool, Do, FitLink, FitResistor, FitUnit, SetSupply
from bench.session import StepBegan, Waiting
from bench.setup import Setup
from bench.tui.call import call_of
from bench.tui.choices import Choices
from bench.tui.large import large
from bench.tui.state import Practising, State, Underway

STATE = State(None, Choices())
OWN_HANDS = State(None, Choices(), practice=Practising("sim://bench-nc-2x21", True, False))
SUPPLY = SetSupply(11.0, 11.33)


def underway(**changed: object) -> Underway:
    step = StepBegan("starts", "Further cold starts", "", 5, 6, start=2, starts=3)
    return replace(Underway(Setup("X"), files.procedure("decide"), step=step), **changed)  # type: ignore[arg-type]


ACTS: list[tuple[Action, float | None, str]] = [
    (FitLink(), None, "LINK IN"),
    (FitUnit("4711"), None, "UNIT IN"),
    (FitResistor(2.2), None, "RESISTOR IN"),
    (Cool(20.0), None, "LET IT COOL"),
    (Do("Press the insulation tester's key."), None, "Further cold starts"),
    (SUPPLY, None, "SET 11.33 V"),
    (SUPPLY, 10.02, "10.02 V, turn up"),
    (SUPPLY, 12.81, "12.81 V, turn down"),
    (SUPPLY, 11.34, "11.34 V, hands off"),
]


@pytest.mark.parametrize(("action", "supply_v", "act"), ACTS)
def test_the_large_word_is_the_act(action: Action, supply_v: float | None, act: str) -> None:
    said, texts = call_of(underway(asked=action, supply_v=supply_v), STATE)
    assert said == act
    assert "Esc: cancel the test." in texts[-1] and "Enter:" in texts[-1]
    for width, height in ((74, 10), (114, 18), (154, 23)):
        assert len(large(said, width, height)) >= 5, "it is read from afar"


@pytest.mark.parametrize(
    ("what", "left_s", "start", "act"),
    [("cooling", 247.0, 2, "cooling 4:07, start 2 of 3"), ("lamps cooling", 9.6, 1, "lamps cooling 0:10")],
)
def test_waiting_says_for_what_for_how_long_and_for_which_start(what: str, left_s: float, start: int, act: str) -> None:
    step = StepBegan("starts", "Starts", "", 5, 6, start=start, starts=3 if start > 1 else 1)
    said, texts = call_of(underway(step=step, waiting=Waiting(what, left_s)), OWN_HANDS)
    assert said == act and len(large(said, 74, 10)) >= 5
    assert "all loads off. Please wait." in texts[0] and "skip the wait" in texts[1]


def test_what_the_bench_does_by_itself() -> None:
    assert call_of(underway(step=None), STATE)[0] == "SELF-TEST"
    assert call_of(underway(), STATE)[0] == "SUPPLY CHECK"
    zero = underway(step=StepBegan("zero", "Zeros with the shorting link", "", 1, 6))
    assert call_of(zero, STATE) == ("MEASURING", ["Zeros with the shorting link. Please wait."])
    assert call_of(underway(stopping=True, asked=FitLink()), STATE)[0] == "CANCELLED"
