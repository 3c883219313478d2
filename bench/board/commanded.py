"""What the board was told and has confirmed, held against what its frames show.

Every frame's header says how the board stood at its first sample: switches, sample mode, voltage range, run (firmware/PROTOCOL.md
section 3). A board that confirms one thing and shows another measures something that was not asked for: nothing of it counts.

Strategy. From the moment at which a line that changes something is sent, anything may be shown: the line may come late, twice or damaged.
That ends some frames after the board has confirmed, counted in frames and not in time, because frames and replies come in one stream:
those that were on their way are older than the confirmation, however busy the computer or the line is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from bench.wire import STAMP_MODULUS, EventFrame, EventKind, SampleFrame, format_channels

_ON_THEIR_WAY = 4  # the frame being filled, two that wait behind a reply (PROTOCOL.md section 3), and one to spare
_PERSISTS = 3  # frames: a single one may be damage that its check sum did not show


@dataclass
class _Item:
    """Something that frames show, and what it must be; `known` is False from a command until the board has confirmed it."""

    shown: Callable[[SampleFrame | EventFrame], Any]
    text: Callable[[Any], str]
    known: bool = False
    value: Any = None
    on_their_way: int = 0
    against: int = 0

    def forget(self) -> None:
        self.known = False

    def expect(self, value: Any) -> None:
        self.known, self.value, self.on_their_way, self.against = True, value, _ON_THEIR_WAY, 0

    @property
    def settled(self) -> bool:
        return self.known and not self.on_their_way


_ALL = ("master", "loads", "mode", "range", "run")
_TELLS: Mapping[str, tuple[str, ...]] = {
    "*RST": _ALL,
    "OUTP": ("master",),
    "ROUT:CLOS": ("loads",),
    "ROUT:OPEN": ("loads",),
    "ROUT:OPEN:ALL": ("loads",),
    "SENS:MODE": ("mode",),
    "SENS:VOLT:RANG": ("range",),
    "INIT": ("run",),
    "ABOR": ("run",),
}
"""What a line may change, by its header."""
_CONFIRMS: Mapping[str, str] = {"OUTP?": "master", "ROUT:CLOS?": "loads", "SENS:MODE?": "mode", "SENS:VOLT:RANG?": "range"}
"""What the answer to a question confirms."""


class Commanded:
    """Tell it each line that goes down (`note_sent`) and what the board confirmed (`confirmed`, `began`); ask it of each frame."""

    def __init__(self) -> None:
        self._items = {
            "master": _Item(lambda frame: frame.master, lambda on: f"the master switch {'on' if on else 'off'}"),
            "loads": _Item(lambda frame: frame.closed_loads, lambda loads: f"the closed loads {format_channels(loads)}"),
            "mode": _Item(lambda frame: frame.mode, lambda name: f"the sample mode {name}"),
            "range": _Item(lambda frame: frame.range_number, lambda number: f"the voltage range {number}"),
            "run": _Item(lambda frame: frame.run, lambda number: f"the run number {number}"),
        }
        self._newest: tuple[int, int] | None = None

    def note_sent(self, line: str) -> None:
        """Note that a line was sent: what it may change is not known until the board confirms it."""
        header = line.partition(" ")[0]
        for name in _TELLS.get(header, ()):
            self._items[name].forget()
        if header == "INIT":
            self._newest = None

    def confirmed(self, ask: str, value: object) -> None:
        """Note the answer to `ask`, which is as it should be: whether it is on, a set of loads, a mode's name, a range's number."""
        if ask in _CONFIRMS:
            self._items[_CONFIRMS[ask]].expect(value)

    def began(self) -> None:
        """Note that the board samples: which run it is shows once older frames have passed, and must not change by itself."""
        self._items["run"].expect(None)

    def is_new(self, frame: SampleFrame | EventFrame) -> bool:
        """Return whether this frame brings samples that were not there before: its stamp has gone on, or another run has begun."""
        if not isinstance(frame, SampleFrame):
            return False
        newest, self._newest = self._newest, (frame.run, frame.stamp)
        if newest is None or newest[0] != frame.run or 0 < (frame.stamp - newest[1]) % STAMP_MODULUS < STAMP_MODULUS // 2:
            return True
        self._newest = newest
        return False

    def contradiction(self, frame: SampleFrame | EventFrame) -> str:
        """Return what this frame shows that persists and contradicts what was confirmed; empty if nothing does."""
        if isinstance(frame, EventFrame):
            return self._switched(frame) if frame.kind == EventKind.SWITCHED else ""
        for item in self._items.values():
            if not item.known:
                continue
            if item.on_their_way:
                item.on_their_way -= 1
                continue
            shown = item.shown(frame)
            if item.value is None:
                item.value = shown
            elif shown != item.value:
                item.against += 1
                if item.against >= _PERSISTS:
                    return f"its frames show {item.text(shown)}, and it confirmed {item.text(item.value)}"
        return ""

    def _switched(self, event: EventFrame) -> str:
        """Return why an event contradicts what was confirmed, which says that something was switched: by itself, if all was confirmed long
        ago and was another state."""
        for name in ("master", "loads"):
            item = self._items[name]
            if item.settled and (shown := item.shown(event)) != item.value:
                return f"it switched by itself to {item.text(shown)}, and it confirmed {item.text(item.value)}"
        return ""
