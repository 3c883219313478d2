"""What a person does at the real screen, as functions: choose, begin a test, see the verdict, look at what was kept."""

from __future__ import annotations

import json
import time
from dataclasses import asdict, replace
from pathlib import Path

from bench.record import TestRecord
from bench.record_json import from_json
from bench.tui.choices import FORMAT, Choices
from bench.tui.signs import SIGNS
from reports.real_screen import ENTER, RealScreen
from reports.seen_terminal import SeenTerminal

_VERDICT = tuple(f"{sign.mark} {sign.word}" for sign in SIGNS.values())
_BEGUN = "the program was stopped before the test was over"  # so a record begins, until there is a better one
_APART_S = 0.5  # an Enter that comes sooner is taken for the scanner's


def begin(screen: RealScreen, number: str) -> None:
    """From whatever stands there to the running test of this unit."""
    screen.scan(number)
    screen.until("Enter starts")
    press_again(screen)
    screen.until("LAMPS LIT", 30.0)


def press_again(screen: RealScreen) -> None:
    """Enter, after a person's pause."""
    time.sleep(_APART_S)
    screen.press(ENTER)


def shows_verdict(terminal: SeenTerminal) -> bool:
    text = terminal.text
    return "whole report" in terminal.rows[-1] and any(word in text for word in _VERDICT)


def choose(keep: Path, procedure: str) -> None:
    """As if somebody had chosen this procedure the day before."""
    chosen = replace(Choices(), procedure=procedure)
    (keep / "choices.json").write_text(json.dumps({"format": FORMAT, **asdict(chosen)}), encoding="utf-8")


def kept(keep: Path) -> tuple[TestRecord, Path]:
    """The newest record, once it is whole, and its capture."""
    end_s = time.monotonic() + 10.0
    while True:
        path = max(keep.rglob("[0-9]*.json"))
        record = from_json(path.read_text(encoding="ascii"))
        if not (record.interrupted or "").startswith(_BEGUN) or time.monotonic() > end_s:
            return record, path.with_suffix(".capture")
        time.sleep(0.02)
