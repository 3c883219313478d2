"""Sheet 7: the whole rig on one page, as blocks, for people: the current's way round, and what watches and switches it."""

from __future__ import annotations

from firmware.rig.connections import Place
from firmware.rig.sheet import SMALL, Sheet

TITLE = "The rig at a glance"
_POWER, _SIGNAL = 3.2, 1.3
_LOADS = (
    (1, "21 W"), (2, "21 W"), (3, "21 W"), (4, "10 W"), (5, "5 W"), (6, "LED\nor free"), (8, "1 kohm\nleakage"), (7, "2.2 W\ntell-tale"),
)  # fmt: skip
_WORDS = """\
Thick: the unit's current, 4 mm2 (lamps and unit 2.5 mm2). All that is left of the USB isolator floats: no earthed instrument,
no second USB lead, no chassis. The sense leads SB and SL go to the unit's terminals themselves: see the sheet of the wiring."""


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _supply(s)
    _loads(s)
    _electronics(s)
    s.text((-1, -3.2), _WORDS, size=8)


def _box(s: Sheet, corner: Place, size: Place, words: str) -> None:
    """Draw a frame with its words in the middle."""
    s.outline(corner, size, width=1.4)
    s.text((corner[0] + size[0] / 2, corner[1] + size[1] / 2 + 0.16 * words.count("\n")), words, align="center")


def _power(s: Sheet, *places: Place) -> None:
    s.line(*places, width=_POWER)


def _socket(s: Sheet, at: Place, name: str) -> None:
    s.circle(at, 0.28)
    s.circle(at, 0.1, fill="black")
    s.text((at[0], at[1] + 0.55), name, align="center", size=11)


def _supply(s: Sheet) -> None:
    _box(s, (0, 10), (3, 2), "battery or\nsupply\n6, 12, 24 V")
    s.text((3.05, 12.3), "F1 within 15 cm of the plus post", size=SMALL)
    ends = 3.0
    for x, width, words in (
        (4.5, 1.8, "F1\n20 A"),
        (7.3, 2.4, "SW1 hand\nswitch"),
        (10.7, 2.6, "ballast\n4 x 10 mohm"),
        (14.3, 2.6, "master switch\nQ1, Q2"),
        (17.9, 2.4, "shunt RS1\n1 mohm"),
    ):
        _power(s, (ends, 11), (x, 11))
        _box(s, (x, 10.4), (width, 1.2), words)
        ends = x + width
    s.text((7.3, 9.95), "the only real OFF", size=SMALL)
    _power(s, (ends, 11), (23.5, 11))
    _socket(s, (21.78, 11), "F")
    _box(s, (23.5, 9), (3.5, 4), "the unit\nunder test")
    s.text((23.6, 12.7), "supply terminal", size=SMALL)
    s.text((23.6, 9.3), "load terminal", size=SMALL)
    _power(s, (25, 9), (25, 8), (1.5, 8))
    _socket(s, (21.78, 8), "L")


def _loads(s: Sheet) -> None:
    for place, (load, words) in enumerate(_LOADS):
        x = 1.5 + 2.6 * place
        if load != 7:
            _power(s, (x, 8), (x, 7))
        _box(s, (x - 0.9, 5.8), (1.8, 1.2), words)
        _power(s, (x, 5.8), (x, 4.6))
        _box(s, (x - 0.9, 3.6), (1.8, 1.0), f"switch {load}")
        _power(s, (x, 3.6), (x, 2.8))
        if load <= 6:
            s.circle((x, 5.2), 0.16)
            s.text((x + 0.25, 5.2), f"D{load}", size=SMALL)
    _power(s, (20.6, 6.4), (22.7, 6.4))
    _socket(s, (22.98, 6.4), "P")
    _power(s, (26.2, 4.6), (26.2, 6.12))
    _socket(s, (26.2, 6.4), "E")
    _box(s, (25.5, 3.6), (1.4, 1.0), "F2 2 A")
    s.text((22.2, 5.5), "for a third terminal,\nonce it is known", size=SMALL)
    _power(s, (26.2, 3.6), (26.2, 2.8), (-1, 2.8), (-1, 9), (1.5, 9), (1.5, 10))
    s.circle((-1, 2.8), 0.3, fill="black")
    s.text((-0.6, 2.3), "STAR: the one point of 0 V")
    s.text((9, 2.4), "D1 to D6: plugs between lamps and switches, pulled for positive earth", size=SMALL)


def _electronics(s: Sheet) -> None:
    _box(s, (7.3, -2.2), (5, 3), "amplifiers, comparator,\ntwo over-current trips\nand their latch")
    _box(s, (14.3, -2.2), (5.4, 3), "microcontroller module:\nreads, switches, protects")
    _box(s, (21.3, -1.6), (2.6, 1.8), "USB\nisolator")
    _box(s, (25.5, -1.6), (2.6, 1.8), "computer")
    s.line((-1, 2.8), (-1, -0.7), (7.3, -0.7), width=_SIGNAL)
    s.text((0.2, -0.45), "one wire from STAR to the electronics' ground", size=SMALL)
    s.line((9.8, 0.8), (9.8, 1.7))
    s.text((10, 1.3), "shunt, SB, SL, P", size=SMALL)
    s.line((17, 0.8), (17, 1.7))
    s.text((17.2, 1.3), "switches 1 to 8 and master, allowed only while the latch lets go", size=SMALL)
    s.line((12.3, -0.2), (14.3, -0.2))
    s.text((12.4, 0.05), "8 channels", size=SMALL)
    s.line((12.3, -1.2), (14.3, -1.2))
    s.text((12.4, -0.95), "TRIP, edges", size=SMALL)
    s.line((19.7, -0.7), (21.3, -0.7))
    s.line((23.9, -0.7), (25.5, -0.7))
