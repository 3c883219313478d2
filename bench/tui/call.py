"""The manual action that is asked now, or what is waited for: the act itself in large letters, to be read from two metres."""

from __future__ import annotations

from rich.text import Text
from textual.widget import Widget

from bench.manual_actions import Action, Cool, FitLink, FitResistor, FitUnit, SetSupply
from bench.plain import one_line
from bench.render.actions import action_text
from bench.session import Waiting
from bench.tui.large import large
from bench.tui.state import State, Underway
from bench.tui.wrapped import wrapped

_MARGIN = 3
_WIDEST = 110


class Call(Widget):
    """The act, and below it how to do it and which keys there are."""

    DEFAULT_CSS = "Call { color: $foreground; }"

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state

    def render(self) -> Text:
        state = self._state
        if state.test is None:
            return Text()
        width = self.size.width - 2 * _MARGIN
        act, texts = call_of(state.test, state)
        lines = [Text()]
        lines += [Text(row, "bold") for row in large(act, width, max(5, self.size.height // 2)) or wrapped(act, width)]
        for text in texts:
            lines += [Text(), *(Text(line) for line in wrapped(text, min(width, _WIDEST)))]
        return Text("\n").join(Text(" " * _MARGIN).append_text(line) for line in lines)


def call_of(test: Underway, state: State) -> tuple[str, list[str]]:
    """The act in a few words, and what is said below it."""
    if test.stopping:
        return "CANCELLED", ["Everything is being opened; what was measured so far is kept in the record."]
    if isinstance(test.asked, SetSupply):
        return _supply_call(test.asked, test.supply_v, state)
    if test.asked is not None:
        return _act(test.asked, test), [action_text(test.asked), "Enter: it is done.   Esc: cancel the test."]
    if test.waiting is not None:
        return _waiting_call(test.waiting, test, state)
    if test.step is None:
        return "SELF-TEST", ["Identifying the board, self-test running."]
    if any(test.step.name == run.name for run in test.procedure.runs):
        return "SUPPLY CHECK", ["Checking the supply. Please wait."]
    return "MEASURING", [f"{one_line(test.step.title)}. Please wait."]


def _act(action: Action, test: Underway) -> str:
    match action:
        case FitLink():
            return "LINK IN"
        case FitUnit():
            return "UNIT IN"
        case FitResistor():
            return "RESISTOR IN"
        case Cool():
            return "LET IT COOL"
    # A procedure of one's own asks for something: its step says in a word what.
    return one_line(test.step.title) if test.step is not None else "BY HAND"


def _waiting_call(waiting: Waiting, test: Underway, state: State) -> tuple[str, list[str]]:
    left_s, what = round(waiting.left_s), one_line(waiting.what)
    start = f", start {test.step.start} of {test.step.starts}" if test.step is not None and test.step.starts > 1 else ""
    texts = [f"{what[:1].upper()}{what[1:]}: all loads off. Please wait.   Esc: cancel the test."]
    if state.own_hands:
        texts.append("Enter: skip the wait (this bench is simulated).")
    return f"{what} {left_s // 60}:{left_s % 60:02d}{start}", texts


def _supply_call(wanted: SetSupply, v_in_v: float | None, state: State) -> tuple[str, list[str]]:
    texts = [action_text(wanted)]
    if v_in_v is None:
        act = f"SET {wanted.open_v:.2f} V"
    elif wanted.well_set(v_in_v):
        act = f"{v_in_v:.2f} V, hands off"
        texts.append("Right: hands off the knob for a second.")
    else:
        off_v = wanted.open_v - v_in_v
        act = f"{v_in_v:.2f} V, turn {'up' if off_v > 0 else 'down'}"
        turn = "▲ Turn it UP" if off_v > 0 else "▼ Turn it DOWN"
        texts.append(f"{turn} by {abs(off_v):.2f} V. It is watched, and goes on by itself when it is right.")
    if state.own_hands:
        texts.append("The simulated supply's knob: Up and Down keys.")
    texts.append("Enter: accept this setting.   Esc: cancel the test.")
    return act, texts
