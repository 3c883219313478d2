"""Compute what every part has to bear, beside what it is rated for.

Rated use: 32 V, 15 A steady (the 6 V bank; a 12 V bank takes half). The 22 A that a blade fuse of 20 A lets through for ever count where
they are the worse case (110 %, ISO 8820-3; from memory). Peaks of voltage and energies are those of the netlists in this folder.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from firmware.rig.circuit import Circuit, Part, Span, magnitude

_SUPPLY_V = 32.0
_STEADY_A = 15.0
_FUSE_A = 22.0
_USB_V = 5.25
_GATE_V = 16.5
_REFERENCE_V = 4.096
_HOT = 1.33
_LED_V = 1.55
_SIGNAL = Span(0.0, _USB_V, _USB_V)

Stated = Mapping[str, tuple[float, str]]
_LOGIC: Stated = {"v": (_USB_V, "USB supply")}
_LAMP: Stated = {"v": (_SUPPLY_V, "supply")}
_REVERSED_A = (_SUPPLY_V - 2.5) / 2200
_DRIVE_A = (_USB_V - _LED_V) / 330
# By kind. The analog parts take some 14 mA (data sheets, typical), the module 25 mA, U8 idle 30 mA.
_BY_KIND: Mapping[str, Stated] = {
    "mcu": _LOGIC,
    "opamp": _LOGIC,
    "comparator": _LOGIC,
    "nand": _LOGIC,
    "shift": {**_LOGIC, "a": (8 * _USB_V / 10e3, "eight gate resistors of 10k")},
    "isolator": {"a": (0.025 + 0.014 + 0.03 + _DRIVE_A + 0.0035 + 0.2 / 0.75 / _USB_V, "module, analog parts, U8, U9, reference")},
    "converter": {"w": (_GATE_V**2 / 2200 + _GATE_V * 0.004, "R105 and U9")},
    "driver": {"v": (_GATE_V, "U8 without load"), "a": (_DRIVE_A, "R106")},
    "csa": {"v": (50.0, "net F while a contact opens at 51 A (simulated)")},
    "reference": {"a": ((_USB_V - _REFERENCE_V) / 330, "R502")},
    "master_fet": {
        "v": (63.0, "VS at 62 V and MS at -1 V, output shorted at 25.6 V (simulated)"),
        "a": (_FUSE_A, "what F1 lets through"),
        "w": (_STEADY_A**2 * 9e-3 * _HOT, "15 A in 9 mR, a third more when hot"),
    },
    "lamp_fet": {
        "a": (1.2 * 21 / 6.0, "21 W at 6 V"),
        "w": ((1.2 * 21 / 6.0) ** 2 * 10e-3 * _HOT, "21 W at 6 V"),
        "j": (0.014, "avalanche, lamp shorted at 25.6 V (simulated)"),
    },
    "small_fet": {"a": (_SUPPLY_V / 1000, "RG at 32 V"), "w": ((_SUPPLY_V / 1000) ** 2 * 7.5, "RG at 32 V in 7.5 ohm")},
    "diode": {"v": (_SUPPLY_V, "D101 across the supply"), "a": (_USB_V / 100, "D401: U5 against KILL")},
    "led": {"a": (_REVERSED_A, "reversed battery over R101")},
    "zener13": {"w": ((_GATE_V - 13.0) / 100 * 13.0, "U8 without load over R103")},
    "tvs_bi": _LAMP,
    "tvs_uni": _LAMP,
    "shunt": {"w": (_FUSE_A**2 * 1e-3, "what F1 lets through")},
    "ballast": {"w": (_FUSE_A**2 * 10e-3, "what F1 lets through")},
    "ghost": {"w": (_SUPPLY_V**2 / 1000, "32 V")},
    "r10": {"w": (0.05**2 * 10, "50 mA, more than 5VA takes")},
    "r10_1w": {"w": (1e-6 * _SUPPLY_V**2 * 10, "C101 filled ten times a second")},
    "r2k2_1w": {"w": (_REVERSED_A**2 * 2200, "reversed battery")},
    "r100": {"w": ((_GATE_V - 13.0) ** 2 / 100, "R103: U8 without load over D103")},
    "p10": {"w": (0.0766**2 / 10, "all the shunt's 76.6 mV")},
    "inlet": {"a": (_FUSE_A, "what F1 lets through")},
    "fuse20": {"a": (_STEADY_A, "rated use"), "v": (_SUPPLY_V, "supply")},
    "fuse2": {"a": (0.5, "an electronic unit's own current; common practice, no source"), "v": (_SUPPLY_V, "supply")},
    "isolating_switch": {"a": (_FUSE_A, "what F1 lets through"), "v": (_SUPPLY_V, "supply")},
    "link": {"a": (_FUSE_A, "what F1 lets through")},
    "bridge": {"a": (1.2 * 21 / 6.0, "21 W at 6 V")},
    "unit_leads": {"a": (_FUSE_A, "what F1 lets through")},
    "tie": {"a": (_FUSE_A, "what F1 lets through")},
    "lamp21": _LAMP,
    "lamp10": _LAMP,
    "lamp5": _LAMP,
    "lamp_led": _LAMP,
    "lamp2": _LAMP,
    "ntc": {"w": (_REFERENCE_V**2 / 4 / 10e3, "matched to R503")},
}


@dataclass(frozen=True)
class Stress:
    """What one part bears of one letter of its ratings: `value` and `rating` in the unit of the letter, V, A, W or J."""

    reference: str
    letter: str
    value: float
    rating: float
    why: str


def stresses(circuit: Circuit) -> Iterator[Stress]:
    """Yield every rating of every part with the stress computed against it. KeyError where nothing is computed against a rating."""
    for part in circuit.parts.values():
        borne = {**_from_nets(part, circuit), **_BY_KIND.get(part.kind.name, {})}
        for letter, rating in part.kind.ratings.items():
            if letter not in borne:
                raise KeyError(f"nothing is computed against the rating {letter} of {part.reference}")
            value, why = borne[letter]
            yield Stress(part.reference, letter, value, rating, why)


def _from_nets(part: Part, circuit: Circuit) -> dict[str, tuple[float, str]]:
    """Return the stress by letter that the voltages of its nets put on a resistor, a capacitor or a MOSFET."""
    if part.kind.name.endswith("_fet"):
        return {"v": (_apart(circuit, part.nets["D"], part.nets["S"], peak=True), "drain to source")}
    if part.reference.startswith("C"):
        return {"v": (_apart(circuit, part.nets["1"], part.nets["2"], peak=True), "its nets")}
    if part.reference.startswith("R") and part.kind.pins == ("1", "2"):
        apart_v = _apart(circuit, part.nets["1"], part.nets["2"], peak=False)
        return {"w": (apart_v**2 / magnitude(part.kind.value), "its nets")}
    return {}


def _apart(circuit: Circuit, one: str, other: str, peak: bool) -> float:
    """Return the highest voltage between two nets, V."""
    spans = [_span(circuit, net, floating=one in circuit.floating_v or other in circuit.floating_v) for net in (one, other)]
    highs = [span.peak if peak else span.highest for span in spans]
    return max(highs[0] - spans[1].lowest, highs[1] - spans[0].lowest)


def _span(circuit: Circuit, net: str, floating: bool) -> Span:
    if net in ("STAR", "AGND", "SRC"):
        return Span(0.0, 0.0, 0.0)
    if floating:
        return Span(0.0, 0.0, 0.0) if net == "MS" else circuit.floating_v[net]
    return circuit.spans_v.get(net, _SIGNAL)
