"""How a test stands, in one line that is written over again; nothing of it where the standard error is no terminal."""

from __future__ import annotations

import shutil
import sys
from types import TracebackType
from typing import TYPE_CHECKING

from bench.cli.streams import bare
from bench.plain import one_line
from bench.terminal import takes_output

if TYPE_CHECKING:
    from bench.session import Event, Live

_READINGS = (("v_in", "in", "V"), ("v_out", "out", "V"), ("i_load", "", "A"))


class ProgressLine:
    """A `Progress`: call it with each event. As a context manager it leaves a clean line behind."""

    def __init__(self) -> None:
        self._stream = bare(sys.stderr)
        self._terminal = self._stream.isatty()
        self._step = ""
        self._shown = ""

    def __call__(self, event: Event) -> None:
        from bench.cli.person import folded
        from bench.session import Asked, Damage, Live, Noted, Planned, StepBegan, Waiting

        match event:
            case StepBegan():
                start = f", start {event.start}/{event.starts}" if event.starts > 1 else ""
                number = f"{event.number}/{event.of}"
                # What moves stands after the step's short name, so that it fits on the narrowest terminal.
                self._step = f"{number} {event.name}{start}"
                self._show(f"{number} {event.title}{start}")
            case Waiting(what=what, left_s=left_s):
                self._show(f"{self._step}: {what}, {left_s:.0f} s to go")
            case Live():
                self._show(f"{self._step}: {_live_text(event)}")
            case Noted(text=text):
                self._tell(f"note: {text}")
            case Damage(counts=counts):
                self._tell(f"link: {', '.join(f'{count} {name}' for name, count in counts.items() if count)}")
            case Planned(lines=lines):
                # Said wherever the standard error goes: the operator decides by it whether to begin.
                for line in lines:
                    print(folded(one_line(line), "  - "), file=sys.stderr)
            case Asked():
                self._clear()

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self._clear()

    def _takes(self) -> bool:
        """Return whether to write: a terminal that takes nothing must not hold up the test, for a board that hears nothing opens all."""
        return self._terminal and takes_output(self._stream)

    def _show(self, text: str) -> None:
        text = one_line(text)
        if text != self._shown and self._takes():
            self._shown = text
            width = shutil.get_terminal_size().columns - 1
            self._stream.write(f"\r{text[:width]:<{width}}")
            self._stream.flush()

    def _tell(self, text: str) -> None:
        if self._takes():
            self._clear()
            self._stream.write(f"{one_line(text)}\n")

    def _clear(self) -> None:
        if self._shown and self._takes():
            self._shown = ""
            self._stream.write(f"\r{'':<{shutil.get_terminal_size().columns - 1}}\r")
            self._stream.flush()


def _live_text(event: Live) -> str:
    lamps = {True: "LIT ", False: "dark", None: "-   "}[event.closed]
    readings = ", ".join(f"{title} {event.latest[name]:.2f} {unit}".strip() for name, title, unit in _READINGS if name in event.latest)
    return f"{lamps} flash {event.cycles}/{event.wanted}, {event.on_s:.1f} s, {readings}"
