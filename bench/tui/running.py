"""A test as it goes: the step, lamps and contact, flashes, the trace, and every measurement against its band."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widget import Widget

from bench.claims import claims_set
from bench.description import BoardDescription
from bench.limits import LimitSet
from bench.measure import FactName, PilotState
from bench.plain import one_line
from bench.session import StepBegan
from bench.setup import Setup
from bench.tui.call import Call
from bench.tui.figures import LINES, SHORT_LINES, Figures, figures_of, side_by_side
from bench.tui.gauge import Gauges
from bench.tui.panes import PILOT_CHANNEL
from bench.tui.state import State, Underway
from bench.tui.trace import LiveTrace
from bench.tui.wrapped import cut, padded

_BAR = 24
_ROOMY = 30  # lines of the view from which on nothing has to share a line
_LEAST_FOR_FIGURES = 19
_LEAST_TRACE, _LEAST_TRACE_SMALL = 12, 7
_NOW_LINES = 3
_LEAST_STEP = 12  # cells of the step's words that stay where its time stands beside them


class RunningView(Vertical):
    """`refresh_state` shows the state; the app adds the trace's pieces to `trace` as they come."""

    DEFAULT_CSS = """
    RunningView { width: 1fr; height: 1fr; }
    RunningView Now { height: 3; }
    RunningView LiveTrace { height: 1fr; }
    RunningView Gauges { padding: 0 1; }
    RunningView Call { height: 1fr; display: none; }
    RunningView.called LiveTrace, RunningView.called Gauges, RunningView.called Figures { display: none; }
    RunningView.called Call { display: block; }
    """

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state
        self.now = Now(state)
        self.figures = Figures()
        self.trace = LiveTrace(state.ink)
        self.gauges = Gauges()
        self.call = Call(state)

    def compose(self) -> ComposeResult:
        yield self.now
        yield self.figures
        yield self.trace
        yield self.gauges
        yield self.call

    def begin(self) -> None:
        """A test begins: nothing is known yet."""
        state = self._state
        if state.test is not None and state.description is not None:
            sets = expected_sets(state.test.setup)
            self.trace.begin(traced_channels(state.description, state.test.setup), tightest_drop_v(sets))
            self.gauges.expect(sets)
        self._share()

    def carry_on(self, step: StepBegan) -> None:
        """The load is switched while the unit flashes: the trace goes on, and says where that was."""
        self.trace.mark(f"load {one_line(step.load)}")

    def on_resize(self) -> None:
        self._share()

    def _share(self) -> None:
        """Who gets the lines: the step first, then the figures, the gauges as far as the trace stays readable; the trace gets the rest."""
        height, width = self.size.height, self.size.width - 2
        figures = figures_height(width, height)
        self.figures.styles.height = figures
        room = height - _NOW_LINES - figures - (_LEAST_TRACE if height >= _ROOMY else _LEAST_TRACE_SMALL)
        self.gauges.styles.height = max(min(self.gauges.lines_wanted, room), 2)

    def refresh_state(self) -> None:
        """Show the state as it is now."""
        test = self._state.test
        if test is None:
            return
        called = test.live is None or test.asked is not None or test.waiting is not None
        self.set_class(called, "called")
        self.now.refresh()
        if called:
            self.call.refresh()
        elif test.live is not None:
            self.gauges.show(() if test.early else test.verdicts, test.values, test.live.cycles)
            figures = figures_of(test, self.gauges.rows)[: side_by_side(self.size.width - 2)] if self.figures.size.height else ()
            self.figures.show(figures)
            self.gauges.leave_out(figure.row for figure in figures if figure.row is not None)


def expected_sets(setup: Setup) -> list[LimitSet]:
    """The limit sets that may be judged by, and what the unit is said to be."""
    sets = [limit_set for _, some in setup.limits for limit_set in some]
    claimed = claims_set(setup.claims, sets[0].averaging) if sets else None
    return [*sets, claimed] if claimed is not None else sets


def figures_height(width: int, height: int) -> int:
    """Lines for the large figures in a view of this size: none where the trace would have no room beside them."""
    if not side_by_side(width) or height < _LEAST_FOR_FIGURES:
        return 0
    return LINES if height >= _ROOMY else SHORT_LINES


def traced_channels(description: BoardDescription, setup: Setup) -> dict[str, str]:
    """The channels that are drawn, with their units: a pilot only where the unit can have one."""
    absent = setup.claims.facts.get(FactName.PILOT) == PilotState.ABSENT
    return {name: channel.unit for name, channel in description.channels.items() if not (absent and name == PILOT_CHANNEL)}


def tightest_drop_v(sets: Sequence[LimitSet]) -> float | None:
    """The least of all upper limits on a contact drop, in V; None if there is none."""
    drops = [limit.high for one in sets for limit in one.limits if limit.quantity.startswith("drop_") and limit.unit in ("V", "mV")]
    return min((high for high in drops if high is not None), default=None)


class Now(Widget):
    """The step and its time; lamps, contact, flashes, supply; the load, and what is worth knowing."""

    DEFAULT_CSS = "Now { padding: 0 1; }"

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state

    def render(self) -> Text:
        state = self._state
        if state.test is None:
            return Text()
        width = self.size.width
        lines = [step_line(state.test, width), lamps_line(state.test, width, self.app.theme_variables), note_line(state.test, width)]
        return Text("\n").join(lines)


def step_line(test: Underway, width: int) -> Text:
    """`Step 1 of 3  Rated load    12.4 s on, at most 17.6 s more`."""
    if test.stopping:
        return Text("Cancelled: opening everything ...", "bold")
    if test.step is None:
        return Text("Identifying the board, self-test running ...")
    start = f", start {test.step.start} of {test.step.starts}" if test.step.starts > 1 else ""
    left = f"Step {test.step.number} of {test.step.of}: {one_line(test.step.title)}{start}"
    right = ""
    if test.live is not None:
        right = f"{test.live.on_s:.1f} s {'so far' if test.step.live else 'on'}, at most {test.live.left_s:.0f} s more"
    room = width - len(right) - 2
    # A narrow window keeps the step; the time is what it can do without.
    return Text(f"{padded(left, room)}  {right}" if room >= _LEAST_STEP else cut(left, width), "bold")


def lamps_line(test: Underway, width: int, colours: dict[str, str]) -> Text:
    """Lamps (as many blocks as the load has), contact, flashes counted, supply; in words and in shapes."""
    live = test.live
    if live is None:
        return Text()
    text = Text()
    lit, lamps = live.closed, test.step.lamps if test.step is not None else 1
    if lit is None:
        text.append(f"{' ' * lamps} lamps ?    ", colours["quiet"])
    elif lit:
        text.append(f"{'█' * lamps} LAMPS LIT ", f"bold {colours['trace-current']}")
    else:
        text.append(f"{'░' * lamps} lamps dark", colours["quiet"])
    text.append("   contact ")
    text.append({True: "──●──  closed", False: "──● ╱●─  open", None: "?"}[lit].ljust(14))
    done = min(live.cycles / max(live.wanted, 1), 1.0)
    bar = max(4, min(_BAR, width - 78))
    filled = round(bar * done)
    text.append("  flashes ")
    text.append("■" * filled + "□" * (bar - filled))
    text.append(f" {live.cycles} of {live.wanted}")
    if (v_in_v := live.latest.get("v_in")) is not None:
        supply = f"   supply {v_in_v:.2f} V"
        text.append(supply if text.cell_len + len(supply) <= width else supply.replace("supply ", ""))
    text.truncate(width, overflow="ellipsis")
    return text


def note_line(test: Underway, width: int) -> Text:
    """The load of the step, and a note if there is one, else what the step is for."""
    if test.step is None:
        return Text(cut(f"note: {one_line(test.note)}", width)) if test.note else Text()
    load = f"load {one_line(test.step.load)}" if test.step.load else ""
    more = f"note: {one_line(test.note)}" if test.note else one_line(test.step.text)
    return Text(cut("   ".join(part for part in (load, more) if part), width))
