"""Sheet 3: input, output and pilot voltage with two ranges, the drop amplifier, the edge comparator."""

from __future__ import annotations

from firmware.rig.sheet import Sheet

TITLE = "Voltage and drop channels, comparator"


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _channel(s, 16, "SB", "30", ("U10", "A"), "VBB", "V_IN")
    _second_range(s, 16, "R303", "Q7")
    _channel(s, 10.5, "SL", "31", ("U10", "B"), "VLB", "V_OUT")
    _second_range(s, 10.5, "R313", "Q8")
    _channel(s, 5, "P", "32", ("U3", "C"), "VPB", "V_PILOT")
    _range(s)
    _drop(s)
    _comparator(s)


def _channel(s: Sheet, y: float, source: str, stem: str, buffer: tuple[str, str], inner: str, pin: str) -> None:
    s.tag(source, (1.5, y), "left")
    s.part(f"R{stem}1", (1.5, y), (3.5, y))
    s.wire((3.5, y), (8, y))
    s.part(f"R{stem}2", (4, y), (4, y - 2), words="left")
    s.ground("AGND", (4, y - 2))
    s.amplifier(*buffer, (8, y - 0.5))
    s.wire((8, y - 1), (8, y - 2), (10.5, y - 2), (10.5, y - 0.5), (11.5, y - 0.5))
    s.name(inner, (10.5, y - 0.5))
    s.part(f"R{stem}4", (11.5, y - 0.5), (13.5, y - 0.5))
    s.wire((13.5, y - 0.5), (14.5, y - 0.5))
    s.part(f"C{stem}1", (14, y - 0.5), (14, y - 2.5))
    s.ground("AGND", (14, y - 2.5))
    s.tag(pin, (14.5, y - 0.5))


def _second_range(s: Sheet, y: float, resistor: str, fet: str) -> None:
    s.part(resistor, (6, y), (6, y - 2))
    s.fet(fet, (5, y - 3))
    s.tag("RANGE", (5, y - 3), "left")
    s.ground("AGND", (6, y - 4))


def _range(s: Sheet) -> None:
    s.rail("+5V", (4, -1))
    s.part("R330", (4, -1), (4, -3))
    s.tag("RANGE", (4, -3))
    s.text((1, -4), "RANGE low: 18.8 V; high or floating: 36.8 V.\nP has the one range, 18.8 V.", size=7)
    for place, unit in enumerate("CD"):
        x = 9 + 5 * place
        s.amplifier("U10", unit, (x, -2.5))
        s.ground("AGND", (x - 0.5, -2))
        s.wire((x - 0.5, -2), (x, -2))
        s.wire((x, -3), (x, -4), (x + 2.5, -4), (x + 2.5, -2.5))
    s.text((9, -0.9), "spare, tied", size=7)


def _drop(s: Sheet) -> None:
    _drop_inputs(s)
    _drop_amplifier(s)


def _drop_inputs(s: Sheet) -> None:
    s.tag("SB", (19.5, 16), "left")
    s.part("R341", (19.5, 16), (21.5, 16), words="below")
    s.wire((21.5, 16), (27, 16))
    s.part("R342", (22, 16), (22, 14))
    s.ground("AGND", (22, 14))
    s.part("R343", (22, 16), (22, 18))
    s.part("R344", (22, 18), (22, 20))
    s.tag("VBIAS", (22, 20))
    s.tag("SL", (19.5, 11.5), "left")
    s.part("R345", (19.5, 11.5), (21.5, 11.5))
    s.wire((21.5, 11.5), (25, 11.5), (25, 15), (27, 15))
    s.part("R346", (22, 11.5), (22, 9.5))
    s.ground("AGND", (22, 9.5))


def _drop_amplifier(s: Sheet) -> None:
    s.part("R347", (25, 11.5), (27, 11.5))
    s.part("R348", (27, 11.5), (29.5, 11.5))
    s.wire((29.5, 11.5), (29.5, 15.5))
    s.amplifier("U3", "A", (27, 15.5))
    s.wire((29.5, 15.5), (30.5, 15.5))
    s.part("R349", (30.5, 15.5), (32.5, 15.5))
    s.wire((32.5, 15.5), (33.5, 15.5))
    s.part("C341", (33, 15.5), (33, 13.5))
    s.ground("AGND", (33, 13.5))
    s.tag("V_DROP", (33.5, 15.5))
    s.name("DROP", (29.5, 13.5))
    s.text((25.5, 17.4), "out = VBIAS + 4 (SB - SL)", size=7)


def _comparator(s: Sheet) -> None:
    _half_of_input(s)
    _edges(s)
    _floor(s)


def _half_of_input(s: Sheet) -> None:
    s.tag("VLB", (19.5, 6), "left")
    s.part("R351", (19.5, 6), (21.5, 6))
    s.wire((21.5, 6), (26, 6))
    s.name("CP", (22.5, 6))
    s.part("C351", (22, 6), (22, 4))
    s.ground("AGND", (22, 4))
    s.tag("VBB", (19.5, 2), "left")
    s.part("R352", (19.5, 2), (21.5, 2))
    s.wire((21.5, 2), (24.5, 2), (24.5, 5), (26, 5))
    s.name("HALF", (22.2, 2))
    s.part("R353", (22, 2), (22, 0), words="left")
    s.ground("AGND", (22, 0))
    s.part("C352", (23.5, 2), (23.5, 0))
    s.ground("AGND", (23.5, 0))


def _edges(s: Sheet) -> None:
    s.amplifier("U11", "A", (26, 5.5))
    s.wire((25.5, 6), (25.5, 8), (26, 8))
    s.part("R354", (26, 8), (28, 8))
    s.wire((28, 8), (29, 8), (29, 5.5))
    s.wire((28.5, 5.5), (32, 5.5))
    s.rail("+5V", (31, 8))
    s.part("R355", (31, 8), (31, 5.5))
    s.tag("EDGES", (32, 5.5))


def _floor(s: Sheet) -> None:
    s.wire((25.5, 6), (25.5, 1.5), (27, 1.5))
    s.amplifier("U11", "B", (27, 1))
    s.wire((29.5, 1), (31, 1), (31, 5.5))
    s.wire((27, 0.5), (27, -2))
    s.name("FLOOR", (27, -1))
    s.tag("VBIAS", (24.5, -2), "left")
    s.part("R356", (24.5, -2), (26.5, -2))
    s.wire((26.5, -2), (27, -2))
    s.part("R357", (27, -2), (27, -4))
    s.ground("AGND", (27, -4))
    s.text(
        (28.2, -0.6),
        "Both outputs are open drains on one wire:\nhigh only while the output is above half\nthe input and above the floor.",
        size=7,
    )
