"""Sheet 1: from the battery to the far side of the master switch, and what drives its gates."""

from __future__ import annotations

from firmware.rig.sheet import Sheet

TITLE = "Power path and master switch"


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _inlet(s)
    _ballast(s)
    _switch(s)
    _drive(s)
    _logic(s)


def _inlet(s: Sheet) -> None:
    s.box("J1", (0, 10.5), (2, 2), {"+": (2.5, 12), "-": (2.5, 11)})
    s.wire((2.5, 12), (3, 12), thick=True)
    s.part("F1", (3, 12), (5, 12), thick=True)
    s.line((2, 12), (2.5, 12), width=2.6)
    s.line((2, 11), (2.5, 11), width=2.6)
    s.wire((2.5, 11), (3, 11), (3, 6), thick=True)
    s.ground("STAR", (3, 6))
    s.wire((5, 12), (7, 12), thick=True)
    s.name("INLET", (5.15, 12))
    s.part("R101", (6, 12), (6, 10))
    s.part("D101", (6, 8), (6, 10))
    s.part("D102", (6, 6), (6, 8))
    s.text((6.55, 6.4), "lights when the\nbattery is reversed", size=7)
    s.ground("STAR", (6, 6))
    s.part("SW1", (7, 12), (9, 12), pins=("1", "2"), thick=True)
    s.wire((9, 12), (9.5, 12), thick=True)


def _ballast(s: Sheet) -> None:
    for place in range(4):
        x = 9.5 + 2 * place
        s.part(f"RB{place + 1}", (x, 12), (x + 2, 12), words="below", thick=True)
        s.part(f"JP{place + 1}", (x, 13.5), (x + 2, 13.5))
        s.wire((x, 12), (x, 13.5), thick=True)
    s.wire((17.5, 12), (17.5, 13.5), thick=True)
    s.wire((17.5, 12), (22, 12), thick=True)
    s.name("VS", (20.5, 12))
    s.part("TVS1", (18.5, 12), (18.5, 10), words="left")
    s.ground("STAR", (18.5, 10))
    s.part("R102", (20, 12), (20, 10))
    s.part("C101", (20, 10), (20, 8))
    s.ground("STAR", (20, 8))


def _switch(s: Sheet) -> None:
    s.fet("Q1", (23, 11), turn=1, diode=True, thick=True)
    s.fet("Q2", (26, 11), turn=3, mirror=True, diode=True, thick=True)
    s.wire((24, 12), (25, 12), thick=True)
    s.wire((24.5, 12), (24.5, 14.5), (25, 14.5))
    s.tag("MS", (25, 14.5))
    s.wire((27, 12), (28.5, 12), thick=True)
    s.tag("VM", (28.5, 12))
    s.wire((23, 11), (23, 10), (26, 10), (26, 11))


def _drive(s: Sheet) -> None:
    _gates(s)
    _driver(s)
    _driver_supply(s)


def _gates(s: Sheet) -> None:
    s.wire((23, 10), (23, 4))
    s.name("MG", (23, 8.5))
    s.part("R103", (21, 4), (23, 4), words="below")
    s.wire((20.5, 4), (21, 4))
    s.wire((23, 7), (27, 7))
    s.part("R104", (25, 7), (25, 5))
    s.part("D103", (27, 5), (27, 7))
    s.wire((25, 5), (25, 2.5))
    s.wire((27, 5), (27, 2.5))
    s.wire((20.5, 2.5), (28, 2.5))
    s.tag("MS", (28, 2.5))


def _driver(s: Sheet) -> None:
    s.box("U9", (17, 2), (3, 4), {"A": (16.5, 5), "K": (16.5, 3), "VCC": (20.5, 5.5), "OUT": (20.5, 4), "VEE": (20.5, 2.5)})
    s.rail("VG12", (20.5, 5.5))


def _driver_supply(s: Sheet) -> None:
    s.box("U8", (17, -5.5), (3, 3), {"+IN": (16.5, -3), "-IN": (16.5, -5), "+OUT": (20.5, -3), "-OUT": (20.5, -5)})
    s.wire((16.5, -3), (13.5, -3))
    s.rail("+5V", (13.5, -3))
    s.part("C102", (13.5, -3), (13.5, -5))
    s.wire((13.5, -5), (16.5, -5))
    s.ground("AGND", (13.5, -5))
    s.wire((20.5, -3), (26, -3))
    s.rail("VG12", (22, -3))
    s.part("C103", (22, -3), (22, -5))
    s.part("R105", (24, -3), (24, -5))
    s.part("C104", (26, -3), (26, -5))
    s.text((26.42, -4.4), "(at U9)", size=7)
    s.wire((20.5, -5), (28, -5))
    s.tag("MS", (28, -5))


def _logic(s: Sheet) -> None:
    s.rail("+5V", (14, 5))
    s.part("R106", (14, 5), (16, 5), words="below")
    s.wire((16, 5), (16.5, 5))
    s.wire((16.5, 3), (15, 3), (15, 2))
    s.fet("Q4", (14, 1))
    s.ground("AGND", (15, 0))
    s.wire((9.5, 1), (14, 1))
    s.tag("MASTER", (7.5, 1), "left")
    s.part("R107", (7.5, 1), (9.5, 1))
    s.part("R108", (10.5, 1), (10.5, -1), words="left")
    s.ground("AGND", (10.5, -1))
    s.fet("Q5", (12, 0))
    s.tag("OE", (12, 0), "left")
    s.ground("AGND", (13, -1))
