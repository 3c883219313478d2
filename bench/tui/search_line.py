"""A line to search by: words that are typed. What a scanner sends is no search, but a unit's number as everywhere."""

from __future__ import annotations

from textual import events
from textual.message import Message
from textual.widgets import Input

from bench.tui.requests import Scanned

_LEAST = 4
_SCANNER_S = 0.035
"""s between two characters, on the average: a scanner takes less (at most 20 ms, common practice), fingers take more."""


class SearchLine(Input):
    """Posts `Input.Changed` as words are typed, and `Searched` for Enter or an arrow; a scan is taken out again and posted as `Scanned`."""

    class Searched(Message):
        """The words are there: on to what was found."""

    def __init__(self) -> None:
        super().__init__(placeholder="words of it, such as: us turn, thermal, bank", compact=True, select_on_focus=False)
        self._typed_s: list[tuple[str, float]] = []

    def on_key(self, event: events.Key) -> None:
        if event.is_printable and event.character is not None:
            self._typed_s.append((event.character, event.time))
        elif event.key == "enter":
            event.stop()
            event.prevent_default()
            self._enter(event.time)
        elif event.key in ("down", "up"):
            event.stop()
            self.post_message(self.Searched())

    def _enter(self, now_s: float) -> None:
        scan = self._scan_before(now_s)
        self._typed_s = []
        if scan:
            self.value = self.value.removesuffix(scan)
            self.post_message(Scanned(f"{scan}\n"))
        else:
            self.post_message(self.Searched())

    def _scan_before(self, now_s: float) -> str:
        """What came as fast as a scanner types, up to this Enter; empty if fingers typed it."""
        scan, after_s = "", now_s
        for character, typed_s in reversed(self._typed_s):
            if after_s - typed_s > _SCANNER_S:
                break
            scan, after_s = character + scan, typed_s
        return scan if len(scan) >= _LEAST else ""

    def on_paste(self, event: events.Paste) -> None:
        """Some terminals hand a scan over as pasted text."""
        event.stop()
        event.prevent_default()
        self.post_message(Scanned(event.text))
