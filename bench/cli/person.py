"""The person at the terminal: told what to do, asked whether it is done, cautioned once the board is found and before current flows."""

from __future__ import annotations

import contextlib
import queue
import re
import shutil
import sys
import textwrap
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import click

from bench.plain import one_line
from bench.terminal import forget_typed

if TYPE_CHECKING:
    from bench.manual_actions import Action, Meanwhile, MeasuringPoint
    from bench.ports import Port

_LOOK_S = 0.1


def open_confirmed(address: str, assume_yes: bool, more: Sequence[str] = ()) -> Port:
    """Open the port of a board that will drive current, with the cautions read (`_confirm_cautions`); closed again if they are not."""
    from bench.errors import PortError
    from bench.ports.opening import open_port

    port = open_port(address)
    try:
        _confirm_cautions(port, assume_yes, more)
    except BaseException:
        with contextlib.suppress(PortError):
            port.close()
        raise
    return port


def _confirm_cautions(port: Port, assume_yes: bool, more: Sequence[str]) -> None:
    """Find the board, show the cautions and `more` of the work at hand, and ask whether they are read.

    BoardFault or PortError if no board answers, Abort at a no. At a simulated board nothing is shown.
    """
    if port.address.startswith(("sim://", "replay://")):
        return
    from bench.board.conversation import conversation
    from bench.render.cautions import BEFORE_POWER

    with conversation(port) as board:
        identity = board.make_contact().identity
    print(folded(f"Board at {port.address}: {one_line(identity).replace(',', ', ')}"), file=sys.stderr)
    print("Caution:", file=sys.stderr)
    for line in (*BEFORE_POWER, *more):
        print(folded(line, "  - "), file=sys.stderr)
    question = "Connections of unit, lamps and supply checked, cautions read."
    if assume_yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError(f"the input is no terminal, so this cannot be confirmed: {question} Give --yes if that is so.")
    forget_typed(sys.stdin)
    print(folded(question), file=sys.stderr)
    click.confirm("Start?", default=True, abort=True, err=True)


def folded(text: str, mark: str = "") -> str:
    """Return `text` in lines that fit the terminal, broken between words, after a mark that stands out."""
    width = min(shutil.get_terminal_size().columns, 100)
    return textwrap.fill(text, width, initial_indent=mark, subsequent_indent=" " * len(mark))


class Person:
    """An operator at a terminal. With `assume_yes` it is told, and taken to have done it."""

    def __init__(self, assume_yes: bool) -> None:
        self._assume_yes = assume_yes

    def do(self, action: Action, meanwhile: Meanwhile) -> bool | None:
        """Ask a person to perform an action; return whether it was done."""
        from bench.manual_actions import Cool
        from bench.render.actions import action_text

        if not isinstance(action, Cool):
            if not self._assume_yes:
                forget_typed(sys.stdin)
            print(folded(action_text(action)), file=sys.stderr)
            if not self._assume_yes:
                _wait_until_done(action, meanwhile)
        return None

    def read_meter(self, place: MeasuringPoint, meanwhile: Meanwhile) -> float:
        """Ask for what the meter shows, and ask again until it is a number; SetupError where the input is no terminal."""
        from bench.errors import SetupError

        question = f"Meter at {one_line(place.text)}: what does it show, in {place.unit}?"
        if not sys.stdin.isatty():
            raise SetupError(f"the input is no terminal, so the meter's reading cannot be entered: {question}")
        while True:
            forget_typed(sys.stdin)
            print(folded(question), file=sys.stderr)
            text = _line_typed(meanwhile).strip()
            value = figure(text, place.unit)
            if value is not None:
                return value
            print(f"{one_line(text)!r} is no number of {place.unit}; type the display's figures, like 12.803", file=sys.stderr)


def figure(text: str, unit: str) -> float | None:
    """Return what a meter's display shows, in `unit`: `12.803`, `12,803 V`, `812 mV`; None for anything else."""
    match = re.fullmatch(rf"([-+]?(?:\d{{1,9}}(?:[.,]\d{{0,9}})?|[.,]\d{{1,9}}))\s*(m?{unit})?", text, re.ASCII)
    if match is None:
        return None
    return float(match[1].replace(",", ".")) * (1e-3 if match[2] and match[2] != unit else 1.0)


def _line_typed(meanwhile: Callable[[], object]) -> str:
    """Return a line from the standard input. Ctrl-C and the end of the input cancel.

    It is waited for in a thread of its own, since the board opens everything when it hears nothing for a second.
    """
    from bench.errors import Cancelled

    typed: queue.SimpleQueue[str] = queue.SimpleQueue()

    def wait_for_line() -> None:
        try:
            typed.put(sys.stdin.readline())
        except (OSError, ValueError):  # the terminal of a process in the background is gone: nothing more will come
            typed.put("")

    threading.Thread(target=wait_for_line, daemon=True).start()
    while True:
        try:
            line = typed.get(timeout=_LOOK_S)
        except queue.Empty:
            meanwhile()
            continue
        if not line:
            raise Cancelled("cancelled: the input has ended")
        return line


def _wait_until_done(action: Action, meanwhile: Meanwhile) -> None:
    """Ask until it is done. Cancelled at a no, or Ctrl-C."""
    from bench.errors import Cancelled, SetupError
    from bench.render.actions import action_text

    if not sys.stdin.isatty():
        raise SetupError(
            f"the input is no terminal, so this cannot be confirmed as done: {action_text(action)} Give --yes if it will be done"
        )
    while True:
        print("Done? [Y/n]: ", end="", file=sys.stderr, flush=True)
        answer = _line_typed(meanwhile).strip().lower()
        if answer in ("", "y", "yes"):
            return
        if answer in ("n", "no"):
            raise Cancelled("cancelled by the operator")
