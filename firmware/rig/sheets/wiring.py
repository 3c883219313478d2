"""Sheet 6: the wiring, for people who build and use the rig: battery, computer, and the unit's leads in each case."""

from __future__ import annotations

from firmware.rig.connections import Place
from firmware.rig.sheet import Sheet

TITLE = "Wiring: battery, computer, unit"
_SUPPLY, _LOAD, _THIRD, _EARTH = "#b00020", "#1546a0", "#1b7a2f", "black"
_POWER, _SENSE = 3.2, 1.3
_WORDS = "Thick: the unit's current, 2.5 mm2 or more. Thin: sense leads, each with a clip of its own on the terminal's blade itself."


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _bench(s, (0, 10))
    _two_terminals(s, (17, 10))
    _three_terminals(s, (0, 0))
    _positive_earth(s, (17, 0))
    s.text((0, -1), _WORDS, size=8)


def _panel(s: Sheet, corner: Place, title: str) -> Place:
    s.outline(corner, (16, 9), width=0.6)
    s.text((corner[0] + 0.3, corner[1] + 8.55), title, size=10)
    return corner


def _sockets(s: Sheet, corner: Place, names: dict[str, float]) -> None:
    """Draw the rig's front with its sockets at x = 3.5 of the panel; `names`: the row of each."""
    x, y = corner
    s.outline((x + 0.5, y + 0.5), (3, 7.2), width=1.4)
    s.text((x + 0.8, y + 7.3), "rig", size=9)
    for name, row in names.items():
        s.circle((x + 3.5, y + row), 0.16)
        s.text((x + 3.2, y + row), name, align="right")


def _unit(s: Sheet, corner: Place, terminals: dict[str, float]) -> None:
    """Draw the unit with its terminals' blades at x = 10.2 of the panel; `terminals`: the row of each."""
    x, y = corner
    s.outline((x + 10.2, y + 0.5), (5.3, 7.2), width=1.4)
    s.text((x + 13.6, y + 7.3), "unit", size=9)
    for name, row in terminals.items():
        s.outline((x + 9.6, y + row - 0.12), (0.6, 0.24))
        s.text((x + 10.4, y + row), name)


def _power(s: Sheet, corner: Place, row: float, colour: str, start: float = 3.66, end: float = 9.6) -> None:
    x, y = corner
    s.line((x + start, y + row), (x + end, y + row), width=_POWER, colour=colour)


def _sense(s: Sheet, corner: Place, row: float, blade: float, colour: str) -> None:
    x, y = corner
    s.line((x + 3.66, y + row), (x + 9.9, y + row), (x + 9.9, y + blade - 0.12), width=_SENSE, colour=colour)


def _bench(s: Sheet, corner: Place) -> None:
    x, y = _panel(s, corner, "Battery and computer")
    _battery(s, x, y)
    _rig(s, x, y)
    _computer(s, x, y)


def _battery(s: Sheet, x: float, y: float) -> None:
    """Draw the battery and its way through fuse and hand switch; x, y is the panel's corner."""
    s.outline((x + 0.6, y + 4.6), (2.6, 2.2), width=1.4)
    s.text((x + 0.8, y + 5.7), "battery")
    s.text((x + 2.9, y + 6.3), "+", align="center")
    s.text((x + 2.9, y + 5.1), "-", align="center")
    s.line((x + 3.2, y + 6.3), (x + 4, y + 6.3), width=_POWER, colour=_SUPPLY)
    s.outline((x + 4, y + 6.05), (1.2, 0.5))
    s.text((x + 4.6, y + 6.85), "F1 20 A", align="center")
    s.text((x + 3.4, y + 7.45), "within 15 cm of the post", size=8)
    s.line((x + 5.2, y + 6.3), (x + 7.5, y + 6.3), width=_POWER, colour=_SUPPLY)
    s.outline((x + 7.5, y + 5.8), (1.6, 1.0))
    s.text((x + 8.3, y + 6.3), "SW1", align="center")
    s.text((x + 8.3, y + 7.1), "the real OFF", align="center", size=8)
    s.line((x + 9.1, y + 6.3), (x + 11, y + 6.3), width=_POWER, colour=_SUPPLY)
    s.line((x + 3.2, y + 5.1), (x + 11, y + 5.1), width=_POWER)


def _rig(s: Sheet, x: float, y: float) -> None:
    s.outline((x + 11, y + 0.8), (4.2, 6.4), width=1.4)
    s.text((x + 11.2, y + 6.3), "+")
    s.text((x + 11.2, y + 5.1), "STAR (0 V)")
    s.text((x + 14.9, y + 6.8), "rig", align="right")
    s.text((x + 11.2, y + 3.9), "nothing earthed is joined\nto this 0 V", size=8)
    s.text((x + 11.2, y + 2.2), "module")


def _computer(s: Sheet, x: float, y: float) -> None:
    s.outline((x + 0.6, y + 1.4), (2.6, 1.6), width=1.4)
    s.text((x + 0.8, y + 2.2), "computer")
    s.line((x + 3.2, y + 2.2), (x + 5.4, y + 2.2))
    s.outline((x + 5.4, y + 1.7), (2.4, 1.0))
    s.text((x + 6.6, y + 2.2), "USB isolator", align="center", size=8)
    s.line((x + 7.8, y + 2.2), (x + 11, y + 2.2))


def _two_terminals(s: Sheet, corner: Place) -> None:
    _panel(s, corner, "Two terminals, negative earth")
    _sockets(s, corner, {"F": 6.5, "SB": 5.5, "L": 4.5, "SL": 3.5, "P": 2.0, "E": 1.0})
    _unit(s, corner, {"supply: 49, X or B": 6.5, "load: 49a or L": 4.5})
    _supply_and_load(s, corner)
    s.text((corner[0] + 4, corner[1] + 1.5), "P and E stay empty", size=8)


def _three_terminals(s: Sheet, corner: Place) -> None:
    x, y = _panel(s, corner, "Three terminals, negative earth: find out what the third is")
    _sockets(s, corner, {"F": 6.5, "SB": 5.5, "L": 4.5, "SL": 3.5, "P": 2.2, "E": 1.0})
    _unit(s, corner, {"supply: 49, X or B": 6.5, "load: 49a or L": 4.5, "third: C or P, or 31 or E": 1.6})
    _supply_and_load(s, corner)
    s.line((x + 3.66, y + 2.2), (x + 7.8, y + 2.2), width=1.8, colour=_THIRD)
    s.line((x + 3.66, y + 1.0), (x + 7.8, y + 1.0), width=1.8, colour=_EARTH)
    s.line((x + 8.4, y + 1.6), (x + 9.6, y + 1.6), width=1.8)
    for place in ((x + 7.8, y + 2.2), (x + 7.8, y + 1.0), (x + 8.4, y + 1.6)):
        s.circle(place, 0.12)
    s.text((x + 4, y + 2.5), "first, and if it is a tell-tale", size=8)
    s.text((x + 4, y + 1.3), "only if it is an earth", size=8)


def _supply_and_load(s: Sheet, corner: Place) -> None:
    _power(s, corner, 6.5, _SUPPLY)
    _sense(s, corner, 5.5, 6.5, _SUPPLY)
    _power(s, corner, 4.5, _LOAD)
    _sense(s, corner, 3.5, 4.5, _LOAD)


def _positive_earth(s: Sheet, corner: Place) -> None:
    x, y = _panel(s, corner, "Positive earth: bridging plugs pulled, lamps in front of the unit")
    _sockets(s, corner, {"F": 6.5, "L (lamp bus)": 5.5, "D1 D2 D3": 4.5, "SB": 3.5, "STAR": 2.2, "SL": 1.2})
    _unit(s, corner, {"earth: 31 or E, if it has one": 6.5, "load: 49a or L": 4.5, "supply: 49, X or B": 2.2})
    _power(s, corner, 6.5, _SUPPLY, end=4.6)
    s.line((x + 4.6, y + 6.5), (x + 6, y + 6.5), width=1.8, colour=_SUPPLY)
    s.outline((x + 6, y + 6.3), (1.2, 0.4))
    s.text((x + 6.6, y + 6.95), "2 A", align="center", size=8)
    s.line((x + 7.2, y + 6.5), (x + 9.6, y + 6.5), width=1.8, colour=_SUPPLY)
    s.line((x + 4.6, y + 6.5), (x + 4.6, y + 5.5), (x + 3.66, y + 5.5), width=_POWER, colour=_SUPPLY)
    s.circle((x + 4.6, y + 6.5), 0.12, fill=_SUPPLY)
    s.text((x + 4.9, y + 5.5), "lamp bus to F", size=8)
    _power(s, corner, 4.5, _LOAD)
    s.text((x + 4.2, y + 4.9), "the lamps' low sides, joined", size=8)
    _sense(s, corner, 3.5, 4.5, _LOAD)
    _power(s, corner, 2.2, _EARTH)
    _sense(s, corner, 1.2, 2.2, _EARTH)
