"""The band on top of every screen: which unit, what is being typed, which board; and, where it is so, that all of it is simulated."""

from __future__ import annotations

from rich.text import Text
from textual.widget import Widget

from bench.plain import one_line
from bench.tui.state import Phase, State

CURSOR = "▏"
SIMULATED = " SIMULATED: no real unit "
_LEAST = 20


class Band(Widget):
    """Two lines: unit and board; what is tested and how."""

    DEFAULT_CSS = """
    Band { dock: top; height: 2; background: $band-ground; color: $foreground; padding: 0 1; }
    Band.simulated { background: $practice-ground; }
    """

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state
        self._said: tuple[str, ...] = ()

    def refresh_state(self) -> None:
        """The state may have changed: draws what is said anew, if it is not what was said."""
        said = (*(text.plain for text in self._texts()), str(self._state.simulated))
        if said != self._said:
            self._said = said
            self.set_class(self._state.simulated, "simulated")
            self.refresh()

    def on_mount(self) -> None:
        self.refresh_state()

    def render(self) -> Text:
        width = self.size.width
        unit, board, what, damage = self._texts()
        return Text("\n").join((_between(unit, board, width), _between(what, damage, width)))

    def _texts(self) -> tuple[Text, Text, Text, Text]:
        state, fault_colour = self._state, self.app.theme_variables["fault"]
        return unit_text(state), board_text(state, fault_colour), what_text(state), damage_text(state, fault_colour)


def unit_text(state: State) -> Text:
    """The unit in hand; what is typed, with a cursor; the number that waits."""
    if state.typed:
        return Text.assemble("Number ", (one_line(state.typed) + CURSOR, "bold reverse"), "  Enter takes it")
    if state.phase is Phase.RUNNING and state.test is not None:
        shown = state.test.setup.unit
    elif state.phase is Phase.VERDICT and state.tested is not None:
        shown = state.tested.record.unit
    else:
        shown = state.number
    text = Text.assemble("Unit ", (one_line(shown) or "-", "bold"))
    if state.next_number:
        text.append(f"   next: {one_line(state.next_number)}")
    return text


def board_text(state: State, fault_colour: str) -> Text:
    """Whether a board answers, and which; that it is simulated stands out."""
    if state.board is None:
        return Text("NO BOARD" if state.absent else "looking for the board ...", f"bold {fault_colour}")
    names = state.board.identity.split(",")
    text = Text(f"board {one_line(' '.join(names[1:3]))}" if not state.simulated else "")
    if state.simulated:
        text.append(SIMULATED, "bold reverse")
    return text


def what_text(state: State) -> Text:
    """Return what is tested, and by what, in a line."""
    return Text(state.choices.summary())


def damage_text(state: State, fault_colour: str) -> Text:
    """What was lost or damaged on the cable during this test, if anything."""
    damage = state.test.damage if state.test is not None else {}
    if not damage:
        return Text()
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in damage.items())
    return Text(f"cable: {counts}", f"bold {fault_colour}")


def _between(left: Text, right: Text, width: int) -> Text:
    """Left and right in one line; the right end stays, the left is cut."""
    right.truncate(max(width - _LEAST, 0), overflow="ellipsis")
    room = width - right.cell_len - (2 if right.cell_len else 0)
    left.truncate(max(room, 0), overflow="ellipsis")
    left.append(" " * max(width - left.cell_len - right.cell_len, 0))
    left.append_text(right)
    left.no_wrap = True
    return left
