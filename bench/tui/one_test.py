"""One test opened again: what came out of it, and the trace of each of its runs with zoom, cursors, and one flash after another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Static
from textual.worker import Worker, WorkerState

from bench.errors import CaptureError
from bench.judging.capture_setup import Otherwise, read_session, setup_again
from bench.judging.traces import RunTrace, run_traces
from bench.plain import one_line
from bench.tui.cursor_readings import between_line, cursor_line, flash_at, flash_lines, rate_text, titles_line
from bench.tui.frame import BACK, BenchScreen, KeyHint
from bench.tui.signs import sign_of
from bench.tui.state import State, Tested
from bench.tui.still_trace import StillTrace
from bench.tui.view import around, interval_s, moved, whole, zoomed
from bench.tui.wrapped import cut

_CLOSER, _WIDER = 0.5, 2.0
_PAN = 0.25  # of what is seen
_LINES = 6


class OneTest(BenchScreen):
    """`tested` with its runs. The capture is read in a thread; until then, and if it can't be, the screen says so in one line."""

    KEY = "F4"
    HINTS: ClassVar[Sequence[KeyHint]] = (
        ("Tab", "flash"), ("←→", "move"), ("↑↓", "zoom"), BACK, ("Shift ←→", "cursor 1"), ("Home", "cursor 2 here"),
        ("PgUp PgDn", "run"), ("End", "whole run"), ("F5", "report"), ("F6", "test it again"),
    )  # fmt: skip
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "zoom(True)", show=False),
        Binding("down", "zoom(False)", show=False),
        Binding("left", "pan(-1)", show=False),
        Binding("right", "pan(1)", show=False),
        Binding("ctrl+left", "pan_flash(-1)", show=False),
        Binding("ctrl+right", "pan_flash(1)", show=False),
        Binding("tab", "flash(1)", show=False, priority=True),
        Binding("shift+tab", "flash(-1)", show=False, priority=True),
        Binding("shift+left", "cursor(-1)", show=False),
        Binding("shift+right", "cursor(1)", show=False),
        Binding("home", "second", show=False),
        Binding("end", "whole", show=False),
        Binding("pageup", "run(-1)", show=False),
        Binding("pagedown", "run(1)", show=False),
    ]
    DEFAULT_CSS = f"""
    OneTest Static {{ height: 1; padding: 0 1; }}
    OneTest #head {{ height: 2; }}
    OneTest #readings {{ height: {_LINES}; }}
    """

    def __init__(self, state: State, tested: Tested) -> None:
        super().__init__(state)
        self._tested = tested
        self._runs: tuple[RunTrace, ...] = ()
        self._run = 0
        self._flash: int | None = None
        self.trace = StillTrace(state.ink)

    def body(self) -> Iterable[Widget]:
        yield Static(id="head", markup=False)
        yield Static(id="run", markup=False)
        yield self.trace
        yield Static(id="readings", markup=False)

    @property
    def shown_test(self) -> Tested | None:
        return self._tested

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self._show())
        self.trace.words = "reading the trace ..."
        if self._tested.capture_path is None:
            self.trace.words = one_line(self._tested.problem) or "no trace of this test was kept"
        else:
            self.run_worker(self._read, thread=True, exit_on_error=False, group="trace")
        self._show()

    def on_resize(self) -> None:
        self._show()

    def refresh_state(self) -> None:
        self._show()

    # -- reading

    def _read(self) -> tuple[RunTrace, ...] | str:
        """In a thread of its own: it touches nothing of the screen."""
        path = self._tested.capture_path
        assert path is not None
        try:
            note = read_session(path)
            if note is None:
                return f"capture {path.name}: it does not say what was tested"
            # By which limits the test was judged is no matter here, and their files may be gone.
            return run_traces(path, setup_again(note, path.name, Otherwise(limits=(), grade_rule="none")), note.procedure)
        except CaptureError as error:
            return str(error)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        if event.state is WorkerState.SUCCESS:
            self._take(event.worker.result)
        elif event.state is WorkerState.ERROR:
            self.trace.say(one_line(f"the trace can't be shown: {event.worker.error}"))

    def _take(self, found: tuple[RunTrace, ...] | str | None) -> None:
        if isinstance(found, str):
            self.trace.say(one_line(found))
            return
        if not found:
            self.trace.say("the capture holds no run")
            return
        self._runs = found
        self._open_run(0)

    def _open_run(self, number: int) -> None:
        self._run, self._flash = number, None
        self.trace.show(self._runs[number])
        self._show()

    # -- what is seen

    def _show(self) -> None:
        if not self.is_attached:
            return
        width = max(self.size.width - 2, 1)
        self.query_one("#head", Static).update(self._head(width))
        self.query_one("#run", Static).update(Text(cut(self._run_line(), width), "bold"))
        self.query_one("#readings", Static).update(Text("\n".join(cut(line, width) for line in self._readings(width))))
        self.trace.redraw()

    def _head(self, width: int) -> Text:
        record = self._tested.record
        sign = sign_of(record)
        grade = one_line(record.conclusion.letter)
        colour = self.app.theme_variables.get(sign.variable, "default")
        head = Text.assemble((f"{sign.mark} {sign.word}", f"bold {colour}"), (f"   grade {grade}" if grade else "", "bold"))
        when, procedure = one_line(record.when)[:16].replace("T", " "), one_line(record.procedure.name)
        head.append(f"   unit {one_line(record.unit)}   {when}   {procedure} test")
        head.truncate(width, overflow="ellipsis")
        return Text("\n").join((head, Text(cut(one_line(record.reason), width))))

    def _run_line(self) -> str:
        run = self.trace.run
        if run is None:
            return ""
        note = f"   ({one_line(run.note)})" if run.note else ""
        place = f"Run {self._run + 1} of {len(self._runs)}" if len(self._runs) > 1 else "Run"
        if self._flash is not None:
            place += f", flash {self._flash + 1} of {len(run.cycles)}"
        return f"{place}: {one_line(run.title)}, {one_line(run.load)}{note}"

    def _readings(self, width: int) -> list[str]:
        run, trace = self.trace.run, self.trace
        if run is None or not run.traces:
            return []
        lines = [titles_line(run, width), cursor_line(run, "1", trace.cursor_s, trace.cell_s, width)]
        if trace.second_s is None:
            lines += ["cursor 2   Home puts it where cursor 1 is; Shift and arrows then move 1 away", ""]
        else:
            lines.append(cursor_line(run, "2", trace.second_s, trace.cell_s, width))
            lines.append(between_line(run, trace.cursor_s, trace.second_s, self._step_s, width))
        if self._flash is not None:
            return lines + [_fitting(parts, width) for parts in flash_lines(run, self._flash)]
        if trace.second_s is not None:
            lines.append(rate_text(trace.cursor_s, trace.second_s, self._step_s))
        whole_flashes = f"{len(run.cycles)} whole {'flash' if len(run.cycles) == 1 else 'flashes'}"
        return [*lines, f"{whole_flashes}: Tab shows one after another, with its figures" if run.cycles else "no whole flash in this run"]

    # -- keys

    @property
    def _step_s(self) -> float:
        """A cursor moves by a cell, or by a sample where cells are finer."""
        run = self.trace.run
        return max(self.trace.cell_s, interval_s(run)) if run is not None else self.trace.cell_s

    def action_zoom(self, closer: bool) -> None:
        if (run := self.trace.run) is not None:
            view = self.trace.view
            about_s = self.trace.cursor_s if view.holds(self.trace.cursor_s) else view.middle_s
            self.trace.view = zoomed(view, _CLOSER if closer else _WIDER, about_s, run)
            self._show()

    def action_pan(self, way: int) -> None:
        if (run := self.trace.run) is not None:
            self.trace.view = moved(self.trace.view, way * _PAN * self.trace.view.span_s, run)
            self._show()

    def action_pan_flash(self, way: int) -> None:
        """By one flash as long as the one in the middle: the next then stands where this one stood."""
        if (run := self.trace.run) is None:
            return
        here = flash_at(run.cycles, self.trace.view.middle_s)
        by_s = run.cycles[here].period_s if here is not None else self.trace.view.span_s / 2.0
        self.trace.view = moved(self.trace.view, way * by_s, run)
        self._show()

    def action_flash(self, way: int) -> None:
        """The next flash, or the one before; at first the first one in sight."""
        run = self.trace.run
        if run is None or not run.cycles:
            return
        if self._flash is None:
            begins_s = [cycle.begun.t_s for cycle in run.cycles]
            chosen = next((i for i, t_s in enumerate(begins_s) if t_s >= self.trace.view.begin_s), len(begins_s) - 1)
        else:
            chosen = min(max(self._flash + way, 0), len(run.cycles) - 1)
        self._flash = chosen
        cycle = run.cycles[chosen]
        self.trace.view = around(cycle, run)
        self.trace.cursor_s = (cycle.begun.t_s + cycle.broke.t_s) / 2.0
        self._show()

    def action_cursor(self, way: int) -> None:
        run, trace = self.trace.run, self.trace
        if run is None:
            return
        if trace.view.holds(trace.cursor_s):
            trace.cursor_s = min(max(trace.cursor_s + way * self._step_s, run.begin_s), run.end_s)
            if not trace.view.holds(trace.cursor_s):
                trace.view = moved(trace.view, way * _PAN * trace.view.span_s, run)
        else:
            trace.cursor_s = trace.view.middle_s
        self._show()

    def action_second(self) -> None:
        if self.trace.run is not None:
            self.trace.second_s = self.trace.cursor_s
            self._show()

    def action_whole(self) -> None:
        if (run := self.trace.run) is not None:
            self._flash = None
            self.trace.view = whole(run)
            self._show()

    def action_run(self, way: int) -> None:
        number = min(max(self._run + way, 0), len(self._runs) - 1)
        if self._runs and number != self._run:
            self._open_run(number)


def _fitting(parts: Sequence[str], width: int) -> str:
    """As many of the parts as fit whole, the first ones first."""
    line = ""
    for part in parts:
        longer = f"{line}   {part}" if line else part
        if line and len(longer) > width:
            break
        line = longer
    return line
