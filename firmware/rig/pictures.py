"""Pictures for people who build and use the rig: how it hangs together, and how units of two and three terminals are connected.

`python -m firmware.rig.pictures` writes them to drawing/ beside this file. They connect no nets: the schematic does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from firmware.rig.circuit import Circuit, read_circuit
from firmware.rig.connections import Place
from firmware.rig.sheet import SMALL, Sheet

DRAWING = Path(__file__).parent / "drawing"

_CURRENT = 2.6  # width of a lead that carries the unit's current
_SENSE = 1.1
_LARGE = 11.0


def _box(s: Sheet, corner: Place, size: Place, words: str, *, dashed: bool = False) -> None:
    """A frame with its words in the middle."""
    s.outline(corner, size, width=1.4, dashed=dashed)
    rows = words.count("\n")
    x, y = corner[0] + size[0] / 2, corner[1] + size[1] / 2 + rows * 0.16
    s.text((x, y), words, align="center")


def _socket(s: Sheet, at: Place, name: str, *, above: bool = True) -> None:
    """A 4 mm socket of the panel."""
    s.circle(at, 0.28)
    s.circle(at, 0.1, fill="black")
    s.text((at[0], at[1] + (0.55 if above else -0.55)), name, align="center", size=_LARGE)


def _tab(s: Sheet, at: Place, name: str) -> None:
    """A terminal of the unit, on its lower edge."""
    s.outline((at[0] - 0.2, at[1]), (0.4, 0.6), width=1.4)
    s.text((at[0], at[1] + 0.95), name, align="center", size=_LARGE)


def _lead(s: Sheet, *places: Place, sense: bool = False) -> None:
    s.line(*places, width=_SENSE if sense else _CURRENT, colour="#1f6fb2" if sense else "black")


def block(s: Sheet) -> None:
    """The whole rig on one page."""
    _box(s, (0, 10), (3, 2), "battery or\nsupply\n6, 12, 24 V")
    _box(s, (4.5, 10.4), (1.8, 1.2), "F1\n20 A")
    _box(s, (7.3, 10.4), (2.4, 1.2), "SW1 hand\nswitch")
    _box(s, (10.7, 10.4), (2.6, 1.2), "ballast\n4 x 10 mohm")
    _box(s, (14.3, 10.4), (2.6, 1.2), "master switch\nQ1, Q2")
    _box(s, (17.9, 10.4), (2.4, 1.2), "shunt RS1\n1 mohm")
    for left, right in ((3, 4.5), (6.3, 7.3), (9.7, 10.7), (13.3, 14.3), (16.9, 17.9), (20.3, 21.5)):
        _lead(s, (left, 11), (right, 11))
    s.text((3.05, 12.3), "F1 within 15 cm of the plus post", size=SMALL)
    s.text((7.3, 9.95), "the only real OFF", size=SMALL)
    _socket(s, (21.78, 11), "F")
    _box(s, (23.5, 9), (3.5, 4), "the unit\nunder test", dashed=True)
    _lead(s, (22.06, 11), (23.5, 11))
    s.text((23.6, 12.7), "supply terminal", size=SMALL)
    s.text((23.6, 9.3), "load terminal", size=SMALL)
    _socket(s, (21.78, 8), "L")
    _lead(s, (25, 9), (25, 8), (22.06, 8))

    # Lamps
    _lead(s, (21.5, 8), (1.5, 8))
    for place, words in enumerate(("21 W", "21 W", "21 W", "10 W", "5 W", "LED\nor free", "2.2 W\ntell-tale", "1 kohm\nleakage")):
        x = 1.5 + 2.6 * place
        if place == 6:
            _lead(s, (x, 7.2), (x, 7), sense=True)
            s.text((x + 0.1, 7.4), "from P", size=SMALL)
        else:
            _lead(s, (x, 8), (x, 7))
        _box(s, (x - 0.9, 5.8), (1.8, 1.2), words)
        _lead(s, (x, 5.8), (x, 4.6))
        _box(s, (x - 0.9, 3.6), (1.8, 1.0), f"switch {place + 1}")
        _lead(s, (x, 3.6), (x, 2.8))
        if place < 6:
            s.circle((x, 5.2), 0.16)
            s.text((x + 0.25, 5.2), f"D{place + 1}", size=SMALL)
    _lead(s, (19.7, 2.8), (-1, 2.8), (-1, 9), (1.5, 9), (1.5, 10))
    s.circle((-1, 2.8), 0.3, fill="black")
    s.text((-0.6, 2.3), "STAR: the one point of 0 V")
    s.text((18.0, 5.2), "D1 to D6: plugs, pulled for positive earth", size=SMALL)

    # Electronics
    _box(s, (14.3, -2.2), (5.4, 3), "microcontroller module\nreads, switches, protects")
    _box(s, (21.3, -1.6), (2.6, 1.8), "USB\nisolator")
    _box(s, (25.5, -1.6), (2.6, 1.8), "computer")
    _box(s, (7.3, -2.2), (5, 3), "amplifiers, comparator,\ntwo over-current trips\nand their latch")
    s.line((12.3, -0.2), (14.3, -0.2))
    s.line((12.3, -1.2), (14.3, -1.2))
    s.text((12.4, 0.05), "8 channels", size=SMALL)
    s.text((12.4, -0.95), "TRIP, edges", size=SMALL)
    s.line((19.7, -0.7), (21.3, -0.7))
    s.line((23.9, -0.7), (25.5, -0.7))
    s.line((17, 0.8), (17, 1.8))
    s.text((17.2, 1.45), "loads, master: allowed only while the latch does not hold", size=SMALL)
    _lead(s, (-1, 2.8), (-1, -0.7), (7.3, -0.7), sense=True)
    s.text((0.2, -0.45), "one wire from STAR to the electronics' ground", size=SMALL)
    s.text((-1, -3.2), "Thick: the unit's current (4 mm2, lamps 2.5 mm2). Everything on this side of the USB isolator floats:", size=SMALL)
    s.text((-1, -3.7), "no earthed instrument, no second USB lead, no chassis. Sense leads SB, SL: see the pictures of the wiring.", size=SMALL)


_SOCKETS = {"F": 2.0, "SB": 4.0, "L": 8.0, "SL": 10.0, "P": 14.0, "E": 18.0}
_PANEL_Y = 3.0
_TAB_Y = 8.0


def _panel(s: Sheet, used: str) -> None:
    s.outline((0, 1.6), (20, 2.4), width=1.4)
    s.text((0.2, 1.2), "panel of the rig", size=SMALL)
    for name, x in _SOCKETS.items():
        _socket(s, (x, _PANEL_Y), name, above=False)
        if name not in used.split():
            s.text((x, _PANEL_Y + 0.6), "not used", align="center", size=SMALL)


def _unit(s: Sheet, words: str, tabs: Mapping[str, float], third: float | None = None) -> None:
    s.outline((1, _TAB_Y + 0.6), (18 if third is not None else 12, 2.9), width=1.4, dashed=True)
    s.text((1.3, _TAB_Y + 3.1), words)
    for name, x in tabs.items():
        _tab(s, (x, _TAB_Y), name)


def _with_sense(s: Sheet, power: str, sense: str, tab_x: float) -> None:
    """Two leads to one terminal: one for the current, one that only feels the voltage, on the terminal itself."""
    x, xs = _SOCKETS[power], _SOCKETS[sense]
    _lead(s, (x, _PANEL_Y), (x, 6), (tab_x - 0.1, 6), (tab_x - 0.1, _TAB_Y))
    _lead(s, (xs, _PANEL_Y), (xs, 5), (tab_x + 0.1, 5), (tab_x + 0.1, _TAB_Y), sense=True)


def two_terminals(s: Sheet) -> None:
    _panel(s, "F SB L SL")
    _unit(s, "unit of two terminals", {"49 / X / B": 3.0, "49a / L": 9.0})
    _with_sense(s, "F", "SB", 3.0)
    _with_sense(s, "L", "SL", 9.0)
    _legend(s)


def pilot(s: Sheet) -> None:
    _panel(s, "F SB L SL P")
    _unit(s, "unit of three terminals, the third FOUND to be the tell-tale's", {"49 / X / B": 3.0, "49a / L": 9.0, "C / P": 14.0}, 14.0)
    _with_sense(s, "F", "SB", 3.0)
    _with_sense(s, "L", "SL", 9.0)
    _lead(s, (14, _PANEL_Y), (14, _TAB_Y))
    _legend(s)


def earth(s: Sheet) -> None:
    _panel(s, "F SB L SL E")
    _unit(s, "unit of three terminals, the third FOUND to be earth", {"49 / B / +": 3.0, "49a / L": 9.0, "31 / E": 17.0}, 17.0)
    _with_sense(s, "F", "SB", 3.0)
    _with_sense(s, "L", "SL", 9.0)
    _lead(s, (18, _PANEL_Y), (18, 6), (17, 6), (17, _TAB_Y))
    s.text((14.8, 5.3), "F2 2 A inside", size=SMALL)
    _legend(s)


def _legend(s: Sheet) -> None:
    _lead(s, (0, 0.3), (1.5, 0.3))
    s.text((1.8, 0.3), "carries current: 2.5 mm2, short", size=SMALL)
    _lead(s, (10, 0.3), (11.5, 0.3), sense=True)
    s.text((11.8, 0.3), "sense lead, with a clip of its own ON the terminal", size=SMALL)


def positive_earth(s: Sheet) -> None:
    """The whole path of the current, re-plugged."""
    _box(s, (0, 9), (3.4, 1.6), "battery, SW1,\nmaster, shunt")
    _socket(s, (5, 9.8), "F")
    _lead(s, (3.4, 9.8), (4.72, 9.8))
    _socket(s, (8, 9.8), "LC")
    _lead(s, (5.28, 9.8), (7.72, 9.8))
    s.text((5.3, 10.9), "lamp bus\nnow to F", size=SMALL)
    _lead(s, (8.28, 9.8), (16, 9.8))
    for place, words in enumerate(("21 W", "21 W", "and so on")):
        x = 10.5 + 2.75 * place
        _lead(s, (x, 9.8), (x, 9))
        _box(s, (x - 0.9, 7.8), (1.8, 1.2), words)
        _lead(s, (x, 7.8), (x, 7.2))
        _socket(s, (x, 6.92), "", above=True)
        s.text((x + 0.45, 6.95), f"D{place + 1}" if place < 2 else "Dn")
        _lead(s, (x, 6.64), (x, 6))
        _box(s, (x - 1.0, 4.2), (2.0, 0.9), "plug pulled", dashed=True)
    _lead(s, (16, 6), (5.9, 6), (5.9, 3.2))
    s.text((6.1, 5.7), "joined: the plugs choose the lamps", size=SMALL)
    s.outline((2.8, 1), (5.4, 2.2), width=1.4, dashed=True)
    s.text((3.0, 1.4), "the unit")
    s.text((5.9, 2.7), "L", align="center", size=_LARGE)
    s.text((4.0, 2.7), "B", align="center", size=_LARGE)
    s.text((7.4, 2.7), "E", align="center", size=_LARGE)
    _lead(s, (4, 3.2), (4, 4.6), (0.5, 4.6), (0.5, -0.6))
    s.text((0.7, 4.9), "to STAR", size=SMALL)
    s.circle((0.5, -0.6), 0.28, fill="black")
    s.text((0.95, -0.6), "STAR (battery minus)")
    _lead(s, (7.4, 3.2), (7.4, 9), (5, 9), (5, 9.52))
    s.text((7.6, 8.2), "only if\nit has E", size=SMALL)
    _lead(s, (5.9, 3.5), (9.5, 3.5), (9.5, 2.6), (10.6, 2.6), sense=True)
    _lead(s, (4, 3.5), (3.2, 3.5), (3.2, 3.9), (2.4, 3.9), (2.4, 0.4), (10.6, 0.4), sense=True)
    _socket(s, (10.88, 2.6), "SB")
    _socket(s, (10.88, 0.4), "SL")
    s.text((11.5, 2.5), "SB feels L, SL feels B: the channels follow the current, so\nv_in is the unit's L and v_out its B.", size=SMALL)
    s.text((11.5, 0.5), "The board's lamp switches do nothing here; the master switch, the\ntrips and the fuse do.", size=SMALL)


PICTURES: Mapping[str, tuple[str, Callable[[Sheet], None]]] = {
    "block": ("The rig at a glance", block),
    "wiring-two": ("A unit of two terminals", two_terminals),
    "wiring-pilot": ("A unit with a tell-tale terminal", pilot),
    "wiring-earth": ("A unit with an earth terminal", earth),
    "wiring-positive-earth": ("Positive earth, by re-plugging (polarised units and those with E)", positive_earth),
}


def drawn(circuit: Circuit) -> dict[str, Sheet]:
    """Every picture, drawn but not yet finished, by the name of its file without ending."""
    sheets = {}
    for name, (title, draw) in PICTURES.items():
        sheet = Sheet(0, title, circuit)
        draw(sheet)
        sheets[name] = sheet
    return sheets


def main() -> None:
    DRAWING.mkdir(exist_ok=True)
    for name, sheet in drawn(read_circuit()).items():
        (DRAWING / f"{name}.svg").write_bytes(sheet.svg())


if __name__ == "__main__":
    main()
