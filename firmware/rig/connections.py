"""What a drawing connects: pins, wires and names at places of the sheet -> nets. The check that the picture is the circuit.

Places are in sheet units. Two wires are joined where an end of one lies on the other; where they only cross they are not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

Place = tuple[float, float]
Segment = tuple[Place, Place]
Pin = tuple[str, str]


@dataclass
class Connections:
    """Everything on one sheet that conducts."""

    pins: dict[Pin, Place] = field(default_factory=dict)
    segments: list[Segment] = field(default_factory=list)
    names: list[tuple[str, Place]] = field(default_factory=list)

    def add_wire(self, places: Iterable[Place]) -> None:
        """Add a wire from place to place. ValueError if a stretch of it is neither level nor upright."""
        for start, end in pairwise(places):
            if start[0] != end[0] and start[1] != end[1]:
                raise ValueError(f"the wire from {start} to {end} runs aslant")
            self.segments.append((start, end))

    def ends(self) -> list[Place]:
        """Return the places where a wire ends or a pin is, each as often as something ends there."""
        return [place for segment in self.segments for place in segment] + list(self.pins.values())

    def joints(self) -> list[Place]:
        """Return the places where three or more lines meet, for the dots."""
        ends = self.ends()
        return sorted({p for p in ends if ends.count(p) + 2 * sum(_inside(p, s) for s in self.segments) >= 3})

    def groups(self) -> list[tuple[frozenset[Pin], frozenset[str]]]:
        """Return the groups of pins and names that the lines of this sheet join."""
        places = set(self.ends()) | {place for _, place in self.names}
        root = {place: place for place in places}

        def top(place: Place) -> Place:
            while root[place] != place:
                place = root[place]
            return place

        for segment in self.segments:
            for place in places:
                if place in segment or _inside(place, segment):
                    root[top(place)] = top(segment[0])
        pins: dict[Place, set[Pin]] = {}
        names: dict[Place, set[str]] = {}
        for pin, place in self.pins.items():
            pins.setdefault(top(place), set()).add(pin)
        for name, place in self.names:
            names.setdefault(top(place), set()).add(name)
        return [(frozenset(pins.get(p, ())), frozenset(names.get(p, ()))) for p in sorted(pins.keys() | names.keys())]


def find_nets(sheets: Iterable[Connections]) -> list[tuple[frozenset[Pin], frozenset[str]]]:
    """Return the nets of all sheets: what has one name is one net, on whatever sheet."""
    nets: list[tuple[frozenset[Pin], frozenset[str]]] = []
    for pins, names in (group for sheet in sheets for group in sheet.groups()):
        same = [net for net in nets if net[1] & names]
        nets = [net for net in nets if net not in same]
        for other_pins, other_names in same:
            pins, names = pins | other_pins, names | other_names
        nets.append((pins, names))
    return nets


def _inside(place: Place, segment: Segment) -> bool:
    """Whether a place lies on an upright or level line between its ends."""
    (x0, y0), (x1, y1) = segment
    x, y = place
    if x0 == x1 == x:
        return min(y0, y1) < y < max(y0, y1)
    return y0 == y1 == y and min(x0, x1) < x < max(x0, x1)
