"""A sheet that is drawn and wired in one go: every call puts lines on paper and notes what they connect.

Places are in sheet units of 0.5 inch, on a grid of half a unit. Letters are Latin-1 only, for the fonts that every PDF reader has.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Literal

import schemdraw
from schemdraw import elements as elm
from schemdraw.segments import Segment, SegmentCircle, SegmentPoly, SegmentText

from firmware.rig.circuit import Circuit, Part
from firmware.rig.connections import Connections, Place

Box = tuple[float, float, float, float]  # left, bottom, right, top
Align = Literal["left", "center", "right"]
LETTER = 9.0
SMALL = 7.5
_UNIT_PT = 36.0
_THICK = 2.6
_THIN = 1.1
_LEGEND = "Triangle: AGND. Bars: STAR, where load current returns. What has one name is one net, on every sheet. Values as in IEC 60062."

_SYMBOLS: Mapping[str, type[elm.Element2Term]] = {
    "diode": elm.Diode,
    "led": elm.LED,
    "zener13": elm.Zener,
    "reference": elm.Zener,
    "tvs_uni": elm.Zener,
    "tvs_bi": elm.DiodeTVS,
    "fuse20": elm.Fuse,
    "fuse2": elm.Fuse,
    "lamp_led": elm.LED,
    "ntc": elm.Thermistor,
    "c100u": elm.Capacitor2,
    "isolating_switch": elm.Switch,
}


# A MOSFET in places of its gate.
_FET_LINES = (
    ((0, 0), (0.5, 0)), ((0.5, 0.35), (0.5, -0.35)),
    ((0.62, 0.45), (0.62, 0.2)), ((0.62, 0.12), (0.62, -0.12)), ((0.62, -0.2), (0.62, -0.45)),
    ((0.62, 0.32), (1, 0.32), (1, 1)), ((0.62, -0.32), (1, -0.32), (1, -1)), ((0.62, 0), (1, 0), (1, -0.32)),
)  # fmt: skip


def _turned(origin: Place, turn: int, mirror: bool) -> Callable[[float, float], Place]:
    """Return what puts a symbol's places on the sheet: mirrored left to right, then turned left by quarters, then moved to `origin`."""

    def put(x: float, y: float) -> Place:
        if mirror:
            x = -x
        for _ in range(turn):
            x, y = -y, x
        return origin[0] + x, origin[1] + y

    return put


def _box_around(start: Place, end: Place, half: float) -> Box:
    xs, ys = (start[0], end[0]), (start[1], end[1])
    return min(xs) - half, min(ys) - half, max(xs) + half, max(ys) + half


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


class Shape(elm.Element):  # type: ignore[no-untyped-call]  # the library gives its subclass hook no types
    """Lines and text at places of the sheet."""

    def __init__(self, segments: Sequence[Segment | SegmentCircle | SegmentPoly | SegmentText]) -> None:
        super().__init__()
        self.segments.extend(segments)


class Sheet:
    """One page. `connections`: what it connects. `texts`: everything written on it, with its box."""

    def __init__(self, number: int, title: str, circuit: Circuit) -> None:
        self.number = number
        self.title = title
        self.circuit = circuit
        self.connections = Connections()
        self.texts: list[tuple[str, Box]] = []
        self._wires: list[tuple[Place, Place, float]] = []
        self._canvas = schemdraw.Drawing(canvas="svg", show=False)
        self._canvas.config(unit=2, fontsize=LETTER, lw=_THIN, font="Helvetica, Arial, sans-serif", margin=0.4)

    # ---- lines and text

    def wire(self, *places: Place, thick: bool = False) -> None:
        """Draw a conductor along level and upright lines; thick where the unit's current flows."""
        self.connections.add_wire(places)
        self._line(*places, width=_THICK if thick else _THIN)

    def text(self, at: Place, words: str, *, align: Align = "left", size: float = LETTER) -> None:
        """Write words at a place: their left end, middle or right end, halfway up. `size` of letters in points."""
        for row, line in enumerate(words.split("\n")):
            y = at[1] - row * size * 1.25 / _UNIT_PT
            length = len(line) * size * 0.54 / _UNIT_PT
            left = at[0] - {"left": 0.0, "center": length / 2, "right": length}[align]
            half = size / _UNIT_PT / 2
            self.texts.append((line, (left, y - half, left + length, y + half)))
            self._shape(SegmentText((at[0], y - 0.1 * size / _UNIT_PT), line, align=(align, "center"), fontsize=size))

    def name(self, net: str, at: Place, *, align: Align = "left", dy: float = 0.22) -> None:
        """Write the name of a net beside its wire, `dy` sheet units above it."""
        self.connections.names.append((net, at))
        self.text((at[0] + {"left": 0.08, "center": 0.0, "right": -0.08}[align], at[1] + dy), net, align=align, size=SMALL)

    def tag(self, net: str, at: Place, side: str = "right") -> None:
        """Draw the flag of a net that goes on elsewhere under its name, on this side of the place."""
        self.connections.names.append((net, at))
        length = len(net) * SMALL * 0.62 / _UNIT_PT + 0.2
        sign = 1 if side == "right" else -1
        x, y = at
        near, far = x + sign * 0.2, x + sign * (0.2 + length)
        self._shape(SegmentPoly([(x, y), (near, y + 0.2), (far, y + 0.2), (far, y - 0.2), (near, y - 0.2)], closed=True, lw=0.8))
        self.text(((near + far) / 2 - sign * 0.02, y), net, align="center", size=SMALL)

    def rail(self, net: str, at: Place) -> None:
        """Draw a supply: a bar with its name, upward from the place."""
        self.connections.names.append((net, at))
        x, y = at
        self._line(at, (x, y + 0.4))
        self._line((x - 0.3, y + 0.4), (x + 0.3, y + 0.4), width=1.6)
        self.text((x, y + 0.58), net, align="center", size=SMALL)

    def ground(self, net: str, at: Place) -> None:
        """Draw a ground, downward from the place: a triangle for the signals' (AGND), bars for those that carry load current."""
        self.connections.names.append((net, at))
        x, y = at
        self._line(at, (x, y - 0.3))
        if net == "AGND":
            self._shape(SegmentPoly([(x - 0.25, y - 0.3), (x + 0.25, y - 0.3), (x, y - 0.6)], closed=True))
            return
        for step, half in enumerate((0.3, 0.2, 0.1)):
            self._line((x - half, y - 0.3 - 0.12 * step), (x + half, y - 0.3 - 0.12 * step), width=1.6)
        self.text((x, y - 0.74), net, align="center", size=SMALL)

    # ---- parts

    def part(
        self,
        reference: str,
        start: Place,
        end: Place,
        *,
        pins: tuple[str, str] | None = None,
        words: str = "auto",
        value: bool = True,
        thick: bool = False,
    ) -> None:
        """Draw a part of two pins between two places, first pin first unless `pins` says otherwise. `words`: the side of its text; `value`:
        whether its value is written. ValueError for a pin that is not connected or is drawn twice."""
        part = self.circuit.parts[reference]
        first, second = pins or (part.kind.pins[0], part.kind.pins[1])
        self._pin(part, first, start)
        self._pin(part, second, end)
        if thick:
            self._leads(start, end)
        self._symbol(part, first, start, end)
        self._wires.append((start, end, 0.2))
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        side = words if words != "auto" else ("right" if start[0] == end[0] else "above")
        self._label(part, middle, side, part.kind.value if value else "")

    def fet(
        self,
        reference: str,
        gate: Place,
        *,
        turn: int = 0,
        mirror: bool = False,
        diode: bool = False,
        words: Place | None = None,
        thick: bool = False,
    ) -> None:
        """Draw an N-channel MOSFET: drain at (1, 1) and source at (1, -1) of the gate, turned left by quarters, mirrored left to right."""
        part = self.circuit.parts[reference]
        put = _turned(gate, turn, mirror)
        for pin, place in {"G": (0, 0), "D": (1, 1), "S": (1, -1)}.items():
            self._pin(part, pin, put(*place))
        for line in _FET_LINES:
            self._line(*(put(*p) for p in line))
        if thick:
            for sign in (1, -1):
                self._shape(Segment([put(1, 0.32 * sign), put(1, sign)], lw=_THICK))
        self._shape(SegmentPoly([put(0.65, 0), put(0.8, 0.08), put(0.8, -0.08)], closed=True, fill="black", lw=0.5))
        if diode:
            self._body_diode(put)
        x, y = words or put(1.75 if diode else 1.2, 0.0)
        if turn % 2:
            self.text((x, y + 0.2), f"{reference} {part.kind.value}", align="center", size=SMALL)
        else:
            self.text((x, y + 0.14), f"{reference}\n{part.kind.value}", align="right" if mirror else "left", size=SMALL)

    def amplifier(self, reference: str, unit: str, at: Place, *, plus_above: bool = True) -> None:
        """Draw an operational amplifier or comparator: inputs at (0, 0.5) and (0, -0.5) of the place, output at (2.5, 0)."""
        part = self.circuit.parts[reference]
        x, y = at
        up, down = ("+", "-") if plus_above else ("-", "+")
        self._pin(part, unit + up, (x, y + 0.5))
        self._pin(part, unit + down, (x, y - 0.5))
        self._pin(part, unit + "O", (x + 2.5, y))
        for dy in (0.5, -0.5):
            self._line((x, y + dy), (x + 0.5, y + dy))
        self._line((x + 2.1, y), (x + 2.5, y))
        self._shape(SegmentPoly([(x + 0.5, y + 1), (x + 0.5, y - 1), (x + 2.1, y)], closed=True))
        self.text((x + 0.72, y + 0.5), up, align="center")
        self.text((x + 0.72, y - 0.5), down, align="center")
        self.text((x + 0.85, y), f"{reference}{unit}", size=SMALL)

    def nand(self, reference: str, unit: str, at: Place) -> None:
        """Draw a NAND gate: inputs A at (0, 0.5) and B at (0, -0.5) of the place, output at (2.5, 0)."""
        part = self.circuit.parts[reference]
        x, y = at
        for pin, place in {"A": (x, y + 0.5), "B": (x, y - 0.5), "Y": (x + 2.5, y)}.items():
            self._pin(part, unit + pin, place)
        for dy in (0.5, -0.5):
            self._line((x, y + dy), (x + 0.5, y + dy))
        bow = [(1.2, 0.8), (1.45, 0.75), (1.7, 0.57), (1.87, 0.3), (1.93, 0.0), (1.87, -0.3), (1.7, -0.57), (1.45, -0.75), (1.2, -0.8)]
        self._shape(
            SegmentPoly([(x + 0.5, y - 0.8), (x + 0.5, y + 0.8), *((x + a, y + b) for a, b in bow)], closed=True),
            SegmentCircle((x + 2.02, y), 0.09, fill="white"),
        )
        self._line((x + 2.11, y), (x + 2.5, y))
        self.text((x + 0.72, y), f"{reference}.{unit}", size=SMALL)

    def box(self, reference: str, corner: Place, size: Place, pins: Mapping[str, Place], title: Place | None = None) -> None:
        """Draw a part as a box from its lower left corner; each pin's place is half a unit outside an edge, and its name is inside."""
        part = self.circuit.parts[reference]
        (x, y), (width, height) = corner, size
        self._shape(SegmentPoly([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], closed=True, lw=1.4))
        for pin, (px, py) in pins.items():
            self._pin(part, pin, (px, py))
            if px < x:
                self._line((px, py), (x, py))
                self.text((x + 0.1, py), pin, size=SMALL)
            elif px > x + width:
                self._line((px, py), (x + width, py))
                self.text((x + width - 0.1, py), pin, align="right", size=SMALL)
            elif py < y:
                self._line((px, py), (px, y))
                self.text((px, y + 0.2), pin, align="center", size=SMALL)
            else:
                self._line((px, py), (px, y + height))
                self.text((px, y + height - 0.2), pin, align="center", size=SMALL)
        self.text(title or (x + width / 2, y + height + 0.25), f"{reference} {part.kind.value}", align="center")

    def outline(self, corner: Place, size: Place, width: float = 1.0, dashed: bool = False) -> None:
        """Draw a frame that connects nothing; `width` of its line in points."""
        (x, y), (w, h) = corner, size
        edge = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
        self._shape(SegmentPoly(edge, closed=True, lw=width, ls="--" if dashed else "-"))

    def circle(self, middle: Place, radius: float, fill: str = "white") -> None:
        """Draw a circle that connects nothing; `radius` in sheet units."""
        self._shape(SegmentCircle(middle, radius, fill=fill))

    def line(self, *places: Place, width: float = _THIN, colour: str = "black") -> None:
        """Draw a line that connects nothing; `width` in points."""
        self._shape(Segment(list(places), lw=width, color=colour))

    # ---- the finished page

    def svg(self) -> bytes:
        """Return the page as SVG, the same bytes each time. Only once, because it draws the dots of the joints."""
        for place in self.connections.joints():
            self._shape(SegmentCircle(place, 0.09, fill="black"))
        left = min(box[0] for _, box in self.texts)
        top = max(box[3] for _, box in self.texts) + 1.2
        self.text((left, top), f"{self.number}  {self.title}", size=13)
        if self.connections.pins:
            self.text((left, top - 0.45), _LEGEND, size=7)
        return bytes(self._canvas.get_imagedata("svg"))

    def crowded(self) -> list[str]:
        """Return what cannot be read: text on text, or a wire through text."""
        found = []
        for place, (words, box) in enumerate(self.texts):
            for other, other_box in self.texts[:place]:
                if _overlap(box, other_box):
                    found.append(f"{words!r} on {other!r} at {box[0]:.1f}, {box[1]:.1f}")
            # A line may touch the lowest and highest 0.03 of a box, where no letter reaches.
            inner = (box[0], box[1] + 0.03, box[2], box[3] - 0.03)
            for start, end, half in self._wires:
                if _overlap(inner, _box_around(start, end, half)):
                    found.append(f"a line from {start} to {end} through {words!r}")
        return found

    def _pin(self, part: Part, pin: str, place: Place) -> None:
        key = (part.reference, pin)
        if pin not in part.nets:
            raise ValueError(f"{part.reference} has no pin {pin} that is connected")
        if key in self.connections.pins:
            raise ValueError(f"pin {pin} of {part.reference} is drawn twice on sheet {self.number}")
        self.connections.pins[key] = (float(place[0]), float(place[1]))

    def _symbol(self, part: Part, first_pin: str, start: Place, end: Place) -> None:
        """Draw a part of two pins from `first_pin` to the other."""
        if part.kind.name in ("link", "bridge", "tie"):
            self._link(start, end, plugs=part.kind.name != "tie")
        elif part.kind.name in ("lamp21", "lamp10", "lamp5", "lamp2"):
            self._lamp(start, end)
        elif first_pin == "13":  # the hand switch's auxiliary contact, which is closed in OFF
            self._canvas.add(elm.Switch(nc=True).at(start).to(end))
        else:
            symbol = _SYMBOLS.get(part.kind.name) or (elm.Capacitor if part.reference.startswith("C") else elm.ResistorIEC)
            self._canvas.add(symbol().at(start).to(end))

    def _label(self, part: Part, middle: Place, side: str, value: str) -> None:
        """Write reference and value on this side of a part: above, below, right, left; on no other."""
        x, y = middle
        if side in ("above", "below"):
            dy = 0.48 if side == "above" else -0.48
            self.text((x, y + dy), f"{part.reference} {value}".rstrip(), align="center", size=SMALL)
        elif side in ("right", "left"):
            away = 0.6 if part.kind.name in ("ntc", "lamp_led") else 0.42
            at = (x + (away if side == "right" else -away), y + 0.14)
            self.text(at, f"{part.reference}\n{value}".rstrip(), align="left" if side == "right" else "right", size=SMALL)

    def _body_diode(self, put: Callable[[float, float], Place]) -> None:
        """Draw a MOSFET's body diode in the transistor's own places."""
        self._line(put(1, 0.6), put(1.35, 0.6), put(1.35, -0.6), put(1, -0.6))
        self._shape(SegmentPoly([put(1.22, -0.12), put(1.48, -0.12), put(1.35, 0.12)], closed=True, fill="white"))
        self._line(put(1.22, 0.12), put(1.48, 0.12))

    def _leads(self, start: Place, end: Place) -> None:
        """Draw the two leads of a part of one unit's length thick."""
        length = abs(end[0] - start[0]) + abs(end[1] - start[1])
        share = (length - 1) / 2 / length
        dx, dy = share * (end[0] - start[0]), share * (end[1] - start[1])
        self._shape(Segment([start, (start[0] + dx, start[1] + dy)], lw=_THICK), Segment([(end[0] - dx, end[1] - dy), end], lw=_THICK))

    def _lamp(self, start: Place, end: Place) -> None:
        x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
        self._shape(Segment([start, end], lw=_THIN))
        self.circle((x, y), 0.35)
        for slope in (1, -1):
            self._shape(Segment([(x - 0.25, y - 0.25 * slope), (x + 0.25, y + 0.25 * slope)], lw=_THIN))

    def _link(self, start: Place, end: Place, plugs: bool) -> None:
        self._shape(Segment([start, end], lw=_THICK if plugs else 4.0))
        if plugs:
            for part in (0.25, 0.75):
                self.circle((start[0] + part * (end[0] - start[0]), start[1] + part * (end[1] - start[1])), 0.13)

    def _line(self, *places: Place, width: float = _THIN) -> None:
        self._shape(Segment(list(places), lw=width))
        for start, end in pairwise(places):
            self._wires.append((start, end, width / _UNIT_PT / 2))

    def _shape(self, *segments: Segment | SegmentCircle | SegmentPoly | SegmentText) -> None:
        self._canvas.add(Shape(segments).at((0, 0)).theta(0))
