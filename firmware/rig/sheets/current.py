"""Sheet 2: shunt, both current channels, the bias, the two trips and their latch."""

from __future__ import annotations

from firmware.rig.sheet import Sheet

TITLE = "Shunt, current channels, trips and latch"


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _shunt(s)
    _amplifier(s)
    _low_range(s)
    _bias(s)
    _trip(s, y=5.0, parts=("R210", "C205", "R211", "R212"), unit="A", says="75 A, at once")
    _trip(s, y=-1.5, parts=("R213", "C206", "R214", "R215"), unit="B", says="30 A, 47 ms")
    _latch(s)


def _shunt(s: Sheet) -> None:
    s.box("RS1", (2, 14), (3, 2), {"I+": (1.5, 15), "I-": (5.5, 15), "S+": (2.5, 13.5), "S-": (4.5, 13.5)})
    s.line((1.5, 15), (2, 15), width=2.6)
    s.line((5, 15), (5.5, 15), width=2.6)
    s.wire((0.5, 15), (1.5, 15), thick=True)
    s.tag("VM", (0.5, 15), "left")
    s.wire((5.5, 15), (11.5, 15), thick=True)
    s.tag("F", (11.5, 15))
    s.part("TVS2", (8, 13), (8, 15))
    s.ground("STAR", (8, 13))
    s.part("R201", (10.5, 15), (10.5, 13))
    s.ground("STAR", (10.5, 13))


def _amplifier(s: Sheet) -> None:
    s.part("R202", (2.5, 13.5), (2.5, 11.5), words="left")
    s.part("R203", (4.5, 13.5), (4.5, 11.5))
    s.wire((2.5, 11.5), (2.5, 10))
    s.wire((4.5, 11.5), (4.5, 10))
    s.part("C201", (2.5, 11), (4.5, 11), words="below")
    pins = {"IN+": (2.5, 10), "IN-": (4.5, 10), "REF1": (1.5, 8.5), "REF2": (1.5, 7.5), "VS": (5.5, 9), "OUT": (5.5, 8), "GND": (3.5, 5.5)}
    s.box("U4", (2, 6), (3, 3.5), pins, title=(3.5, 7))
    s.wire((1.5, 8.5), (1, 8.5), (1, 7.5), (1.5, 7.5))
    s.tag("VBIAS", (1, 8.5), "left")
    s.wire((5.5, 9), (6, 9))
    s.rail("5VA", (6, 9))
    s.ground("AGND", (3.5, 5.5))
    s.wire((5.5, 8), (7.5, 8))
    s.name("IH", (6.3, 8))
    s.part("R204", (7.5, 8), (9.5, 8))
    s.wire((9.5, 8), (10.5, 8))
    s.part("C202", (10, 8), (10, 6), words="left")
    s.ground("AGND", (10, 6))
    s.tag("I_LOAD", (10.5, 8))


def _low_range(s: Sheet) -> None:
    s.tag("IH", (16, 14.5), "left")
    s.wire((16, 14.5), (16.5, 14.5))
    s.amplifier("U3", "B", (16.5, 14))
    s.wire((16.5, 13.5), (16, 13.5), (16, 12))
    s.part("R206", (16, 12), (19, 12))
    s.wire((19, 12), (19, 14), (20, 14))
    s.part("R205", (16, 12), (16, 10), pins=("2", "1"))
    s.tag("VBIAS", (16, 10), "left")
    s.part("R207", (20, 14), (22, 14))
    s.wire((22, 14), (23.5, 14))
    s.part("C203", (22.5, 14), (22.5, 12))
    s.ground("AGND", (22.5, 12))
    s.tag("I_LOAD_LOW", (23.5, 14))


def _bias(s: Sheet) -> None:
    s.rail("AREF", (1, 3))
    s.part("R208", (1, 3), (1, 1))
    s.part("R209", (1, 1), (1, -1), words="left")
    s.ground("AGND", (1, -1))
    s.wire((1, 1), (5, 1))
    s.part("C204", (3, 1), (3, -1), words="left")
    s.ground("AGND", (3, -1))
    s.amplifier("U3", "D", (5, 0.5))
    s.wire((5, 0), (5, -1), (7.5, -1), (7.5, 0.5), (8, 0.5))
    s.name("VBD", (3.3, 1))
    s.tag("VBIAS", (8, 0.5))
    s.text((4, -1.9), "0.256 V = AREF/16", size=7)


def _trip(s: Sheet, y: float, parts: tuple[str, str, str, str], unit: str, says: str) -> None:
    """Draw a comparator with its threshold at y and its filtered current 3 below it."""
    filter_r, filter_c, upper, lower = parts
    s.rail("AREF", (12.5, y + 2))
    s.part(upper, (12.5, y + 2), (12.5, y))
    s.part(lower, (12.5, y), (12.5, y - 2), words="left")
    s.ground("AGND", (12.5, y - 2))
    s.wire((12.5, y), (15.5, y))
    s.tag("IH", (10, y - 3), "left")
    s.part(filter_r, (10, y - 3), (12, y - 3), words="below")
    s.wire((12, y - 3), (14.5, y - 3), (14.5, y - 1), (15.5, y - 1))
    s.part(filter_c, (14.5, y - 3), (14.5, y - 5))
    s.ground("AGND", (14.5, y - 5))
    s.amplifier("U7", unit, (15.5, y - 0.5))
    s.wire((18, y - 0.5), (19, y - 0.5))
    s.text((16, y + 0.85), says, size=7)


def _latch(s: Sheet) -> None:
    _trip_line(s)
    _flip_flop(s)
    _enable(s)


def _trip_line(s: Sheet) -> None:
    s.rail("+5V", (19, 8))
    s.part("R216", (19, 8), (19, 6))
    s.wire((19, 6), (19, -2))
    s.name("/OC", (19, 4))
    s.part("SW1", (19, -2), (19, -4), pins=("13", "14"), value=False)
    s.text((19.42, -3.15), "closed in OFF", size=7)
    s.ground("AGND", (19, -4))
    s.wire((19, 3.5), (22, 3.5))


def _flip_flop(s: Sheet) -> None:
    s.nand("U6", "1", (22, 3))
    s.nand("U6", "2", (22, 0))
    s.wire((24.5, 3), (25, 3), (25, 1.25), (21.5, 1.25), (21.5, 0.5), (22, 0.5))
    s.wire((24.5, 0), (24.5, 1.75), (21.5, 1.75), (21.5, 2.5), (22, 2.5))
    s.rail("+5V", (20.5, 1.5))
    s.part("R217", (20.5, 1.5), (20.5, -0.5))
    s.wire((20.5, -0.5), (22, -0.5))
    s.tag("CLEAR", (20.5, -0.5), "left")


def _enable(s: Sheet) -> None:
    s.wire((25, 3), (26.5, 3))
    s.wire((27, 3.5), (26.5, 3.5), (26.5, 2.5), (27, 2.5))
    s.wire((25.5, 3), (25.5, 5), (26, 5))
    s.tag("TRIP", (26, 5))
    s.nand("U6", "3", (27, 3))
    s.wire((29.5, 3), (31, 3))
    s.name("/TRIP", (29.6, 3), dy=-0.25)
    s.nand("U6", "4", (31, 3.5))
    s.wire((31, 4), (30.5, 4), (30.5, 6))
    s.tag("ARM", (30.5, 6), "left")
    s.part("R218", (30.5, 6), (32.5, 6))
    s.ground("AGND", (32.5, 6))
    s.tag("OE", (33.5, 3.5))
    s.text(
        (22, -2),
        "TRIP stays high until CLEAR is low and /OC is high.\nOE is low (switches allowed) only while ARM is high and TRIP low.",
        size=7,
    )
