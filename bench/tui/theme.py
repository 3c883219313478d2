"""Colours, by what they mean. They only repeat what words, signs and places say; the two themes differ in nothing else.

The hues are told apart by people who confuse red and green: they differ in lightness too (after the eight colours of Okabe and Ito, 2008,
darkened or lightened for contrast with the ground; from memory).
"""

from __future__ import annotations

from textual.theme import Theme

_DARK = {
    "good": "#2fbf8f",
    "good-ground": "#004d39",
    "bad": "#ff8a4c",
    "bad-ground": "#7a2600",
    "doubt": "#f0e442",
    "doubt-ground": "#4f4a00",
    "fault": "#7cc4f4",
    "fault-ground": "#003e66",
    "trace-in": "#9aa5b1",
    "trace-out": "#56b4e9",
    "trace-current": "#f0b429",
    "trace-pilot": "#e59ac4",
    "quiet": "#8a939d",
    "band-ground": "#22272e",
    "practice-ground": "#5a3d7a",
}
_LIGHT = {
    "good": "#00694a",
    "good-ground": "#c4f0df",
    "bad": "#a83c00",
    "bad-ground": "#ffdcc8",
    "doubt": "#6b6000",
    "doubt-ground": "#fff6a8",
    "fault": "#00548a",
    "fault-ground": "#d3ebfb",
    "trace-in": "#5b6570",
    "trace-out": "#0068a8",
    "trace-current": "#8f5a00",
    "trace-pilot": "#9c3d75",
    "quiet": "#5b6570",
    "band-ground": "#e4e7eb",
    "practice-ground": "#e5d4f5",
}
DARK = Theme(
    name="bench-dark", dark=True, primary="#56b4e9", secondary="#8a939d", background="#101418", surface="#101418", panel="#1a1f25",
    foreground="#e6e9ec", accent="#f0b429", success="#2fbf8f", warning="#f0e442", error="#ff8a4c", variables=_DARK,
)  # fmt: skip
LIGHT = Theme(
    name="bench-light", dark=False, primary="#0068a8", secondary="#5b6570", background="#ffffff", surface="#ffffff", panel="#f2f4f6",
    foreground="#15191d", accent="#8f5a00", success="#00694a", warning="#6b6000", error="#a83c00", variables=_LIGHT,
)  # fmt: skip
THEMES = {"dark": DARK, "light": LIGHT}
