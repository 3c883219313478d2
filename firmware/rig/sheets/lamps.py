"""Sheet 4: leads to the unit, lamps, tell-tale, leakage load, and the switches that close them to the star."""

from __future__ import annotations

from firmware.rig.sheet import Sheet

TITLE = "Lamp bank with drivers, leads to the unit"
_FIRST_X = 11.0
_PITCH = 5.0
_ROWS_Y = (20.0, 7.0)


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _leads(s)
    for load in range(1, 9):
        row, column = divmod(load - 1, 4)
        _load(s, load, _FIRST_X + _PITCH * column, _ROWS_Y[row])
    for y in _ROWS_Y:
        _buses(s, y)
    s.wire((_FIRST_X, 7), (6.1, 7), (6.1, 20), thick=True)
    s.wire((_FIRST_X, 7), (_FIRST_X + _PITCH, 7), thick=True)
    s.wire((_FIRST_X + _PITCH, 7), (_FIRST_X + _PITCH, 7.6), (_FIRST_X + 3 * _PITCH, 7.6), (_FIRST_X + 3 * _PITCH, 7))
    _register(s)
    _kill(s)
    s.text((9, -5.5), "R401 to R408 100R, R411 to R418 10k, D401 to D408 1N4148, Q11 to Q17 60 V 10 mR, Q18 2N7002.", size=8)
    s.text((9, -6.1), "BP1 to BP6 are plugs between 4 mm sockets D1 to D6 and the switches: pulled for positive earth.", size=8)


def _leads(s: Sheet) -> None:
    rows = ("L", "F", "SB", "SL", "P", "E")
    s.box("J2", (0, 14), (2.5, 7), {pin: (3.0, 20.0 - place) for place, pin in enumerate(rows)})
    s.line((2.5, 20), (3, 20), width=2.6)
    s.wire((3, 20), (_FIRST_X + 3 * _PITCH, 20), thick=True)
    s.name("L", (3.2, 20))
    for place, pin in enumerate(rows[1:5], start=1):
        s.tag(pin, (3, 20 - place))
    s.wire((3, 15), (3.5, 15))
    s.part("F2", (3.5, 15), (3.5, 13))
    s.ground("STAR", (3.5, 13))
    s.part("TVS3", (5.3, 18), (5.3, 20), words="left", value=False)
    s.ground("STAR", (5.3, 18))


def _load(s: Sheet, load: int, x: float, y: float) -> None:
    """Draw one load between the bus at y and its switch, 6 below."""
    thick = load <= 6
    if load <= 6:
        s.part(f"LA{load}", (x, y), (x, y - 2), words="left" if load == 6 else "right", thick=thick)
        s.wire((x, y - 2), (x, y - 3), thick=thick)
        s.name(f"D{load}", (x, y - 2.5), dy=0)
        s.part(f"BP{load}", (x, y - 3), (x, y - 5), value=False)
    elif load == 7:
        s.tag("P", (x - 0.5, y), "left")
        s.wire((x - 0.5, y), (x, y))
        s.part("LA7", (x, y), (x, y - 2))
        s.wire((x, y - 2), (x, y - 5))
    else:
        s.part("RG", (x, y), (x, y - 2))
        s.wire((x, y - 2), (x, y - 5))
    s.fet(f"Q{load + 10}", (x - 1, y - 6), words=(x + 0.3, y - 5.4), thick=thick)
    s.wire((x, y - 7), (x, y - 9), thick=thick)
    s.wire((x - 4, y - 6), (x - 1, y - 6))
    s.part(f"R40{load}", (x - 4, y - 6), (x - 4, y - 8), pins=("2", "1"), value=False)
    s.tag(f"O{load}", (x - 4, y - 8), "left")
    s.part(f"D40{load}", (x - 2.5, y - 6), (x - 2.5, y - 8), value=False)
    s.wire((x - 2.5, y - 8), (x - 2.5, y - 10))
    s.part(f"R41{load}", (x - 1, y - 6), (x - 1, y - 8), value=False)
    s.wire((x - 1, y - 8), (x - 1, y - 9))


def _buses(s: Sheet, y: float) -> None:
    last = _FIRST_X + 3 * _PITCH
    s.wire((_FIRST_X - 1, y - 9), (last + 1, y - 9), thick=True)
    s.tag("SRC", (last + 1, y - 9))
    s.wire((_FIRST_X - 2.5, y - 10), (last + 1, y - 10))
    s.tag("KILL", (last + 1, y - 10))


def _register(s: Sheet) -> None:
    left = {"SER": (0.5, 8.0), "SRCLK": (0.5, 7.0), "RCLK": (0.5, 6.0), "/OE": (0.5, 5.0), "/SRCLR": (0.5, 4.0)}
    s.box("U5", (1, 0.5), (2.5, 8), left | {f"Q{n}": (4.0, 8.0 - n) for n in range(8)})
    for net, pin in {"MOSI": "SER", "SCK": "SRCLK", "RCLK": "RCLK", "OE": "/OE", "+5V": "/SRCLR"}.items():
        s.tag(net, left[pin], "left")
    for n in range(8):
        s.tag(f"O{n + 1}", (4, 8 - n))


def _kill(s: Sheet) -> None:
    s.tag("KILL", (3.5, -1.5))
    s.wire((3, -1.5), (3.5, -1.5))
    s.wire((3, -1.5), (3, -2))
    s.fet("Q6", (2, -3))
    s.tag("OE", (2, -3), "left")
    s.ground("STAR", (3, -4))
    s.tag("SRC", (28, 13.5), "left")
    s.part("W2", (28, 13.5), (30, 13.5))
    s.ground("STAR", (30, 13.5))
