"""Sheet 5: microcontroller, USB isolator, reference, temperature, self-check, supplies of the integrated circuits."""

from __future__ import annotations

from firmware.rig.sheet import Sheet

TITLE = "Microcontroller, USB isolator, supplies"
_POWERED = (
    ("U3", "5VA", "VDD", "VSS", "C506"),
    ("U10", "5VA", "VDD", "VSS", "C507"),
    ("U7", "5VA", "VDD", "VSS", "C508"),
    ("U11", "5VA", "VDD", "VSS", "C509"),
    ("U5", "+5V", "VCC", "GND", "C510"),
    ("U6", "+5V", "VCC", "GND", "C511"),
)


def draw(s: Sheet) -> None:
    """Draw the sheet."""
    _microcontroller(s)
    _usb(s)
    _reference(s)
    _dividers(s)
    for place, row in enumerate(_POWERED):
        _powered(s, 1.0 + 4 * place, *row)
    s.rail("5VA", (26, -1.5))
    s.part("C505", (26, -1.5), (26, -4))
    s.text((26.42, -3.3), "(at U4)", size=7)
    s.ground("AGND", (26, -4))
    s.tag("AGND", (29.5, -2), "left")
    s.part("W1", (29.5, -2), (31.5, -2))
    s.ground("STAR", (31.5, -2))
    s.text((28.6, -3.4), "the only way from AGND to STAR", size=7)


def _microcontroller(s: Sheet) -> None:
    nets = s.circuit.parts["U1"].nets
    left = {f"A{n}": (7.5, 18.0 - n) for n in range(8)} | {"AREF": (7.5, 9.5), "5V": (7.5, 8.0), "GND": (7.5, 7.0)}
    right = {pin: (14.0, 18.0 - n) for n, pin in enumerate(("D2", "D3", "D4", "D5", "D6", "D7", "D8", "D10", "D11", "D13"))}
    usb = {"VBUS": (7.5, 5.0), "D+": (7.5, 4.0), "D-": (7.5, 3.0), "UGND": (7.5, 2.0)}
    s.box("U1", (8, 1.5), (5.5, 17), left | right | usb)
    for n in range(8):
        s.tag(nets[f"A{n}"], left[f"A{n}"], "left")
    s.tag("AREF", left["AREF"], "left")
    s.tag("+5V", left["5V"], "left")
    s.tag("AGND", left["GND"], "left")
    for pin, place in right.items():
        s.tag(nets[pin], place)
    s.text((8.3, 8.75), "AREF is driven from outside:\nno internal reference, ever", size=7)


def _usb(s: Sheet) -> None:
    rows = {"VBUS2": 5.0, "D2+": 4.0, "D2-": 3.0, "GND2": 2.0}
    s.box("U2", (2, 1.5), (3.5, 4), {pin: (6.0, y) for pin, y in rows.items()})
    for y in rows.values():
        s.wire((6, y), (7.5, y))
    s.wire((6.75, 2), (6.75, 1))
    s.ground("AGND", (6.75, 1))
    s.line((2, 3.5), (0.5, 3.5))
    s.text((0.3, 4.1), "to the\ncomputer", size=7)
    s.line((3.6, 1.9), (3.6, 5.1))
    s.line((3.75, 1.9), (3.75, 5.1))


def _reference(s: Sheet) -> None:
    s.rail("+5V", (18.5, 17))
    s.part("R501", (18.5, 17), (20.5, 17))
    s.wire((20.5, 17), (23, 17))
    s.rail("5VA", (21.5, 17))
    s.part("C501", (21.5, 17), (21.5, 15))
    s.ground("AGND", (21.5, 15))
    s.part("R502", (23, 17), (25, 17))
    s.wire((25, 17), (29, 17))
    s.part("VR1", (26.5, 15), (26.5, 17), pins=("A", "K"))
    s.ground("AGND", (26.5, 15))
    s.part("C502", (29, 17), (29, 15))
    s.ground("AGND", (29, 15))
    s.rail("AREF", (29, 17))


def _dividers(s: Sheet) -> None:
    for x, net, upper, lower, capacitor in ((19.5, "TEMPERATURE", "R503", "NTC1", "C503"), (26.5, "SELF_CHECK", "R504", "R505", "C504")):
        s.rail("AREF", (x, 11.5))
        s.part(upper, (x, 11.5), (x, 9.5))
        s.part(lower, (x, 9.5), (x, 7.5))
        s.ground("AGND", (x, 7.5))
        s.wire((x, 9.5), (x + 3, 9.5))
        s.part(capacitor, (x + 2.5, 9.5), (x + 2.5, 7.5))
        s.ground("AGND", (x + 2.5, 7.5))
        s.tag(net, (x + 3, 9.5))


def _powered(s: Sheet, x: float, reference: str, supply: str, plus: str, minus: str, capacitor: str) -> None:
    s.box(reference, (x, -3.5), (1.4, 1.5), {plus: (x + 0.7, -1.5), minus: (x + 0.7, -4.0)}, title=(x + 0.9, -5.1))
    s.wire((x + 0.7, -1.5), (x + 2.2, -1.5))
    s.rail(supply, (x + 0.7, -1.5))
    s.part(capacitor, (x + 2.2, -1.5), (x + 2.2, -4))
    s.wire((x + 0.7, -4), (x + 2.2, -4))
    s.ground("AGND", (x + 2.2, -4))
