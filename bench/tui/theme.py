"""Colours, by what they mean. They only repeat what words, signs and places say; the two themes differ in nothing else.

All but the light band are colours of the 256-colour palette (its cube and its greys), so that a terminal with no more shows the same.
The grounds differ in lightness, not in hue alone, and every letter has a contrast of 7:1 to each ground it stands on: hence letters that
are nearly white or nearly black. Dark yellow would be too light for that on a light ground, so doubt is grey there.
"""

from __future__ import annotations

from rich.color import Color
from rich.terminal_theme import TerminalTheme
from textual.theme import Theme

_DARK = {
    "good": "#d7ffd7",
    "good-ground": "#005f00",
    "bad": "#ffaf87",
    "bad-ground": "#5f0000",
    "doubt": "#ffff5f",
    "doubt-ground": "#444444",
    "fault": "#87d7ff",
    "fault-ground": "#000087",
    "trace-in": "#afafd7",
    "trace-out": "#5fafff",
    "trace-current": "#ffaf00",
    "trace-pilot": "#ffafd7",
    "quiet": "#b2b2b2",
    "band-ground": "#1c1c1c",
    "practice-ground": "#5f0087",
}
_LIGHT = {
    "good": "#005f00",
    "good-ground": "#d7ff87",
    "bad": "#5f0000",
    "bad-ground": "#ffafaf",
    "doubt": "#3a3a3a",
    "doubt-ground": "#d7d75f",
    "fault": "#00005f",
    "fault-ground": "#afafff",
    "trace-in": "#4e4e4e",
    "trace-out": "#005f87",
    "trace-current": "#870000",
    "trace-pilot": "#870087",
    "quiet": "#4e4e4e",
    "band-ground": "#a9a9a9",
    "practice-ground": "#ffd7ff",
}
DARK = Theme(
    name="bench-dark", dark=True, primary="#5fafff", secondary="#b2b2b2", background="#121212", surface="#121212", panel="#1c1c1c",
    foreground="#ffffff", accent="#ffaf00", success="#d7ffd7", warning="#ffff5f", error="#ffaf87", variables=_DARK,
)  # fmt: skip
LIGHT = Theme(
    name="bench-light", dark=False, primary="#005f87", secondary="#4e4e4e", background="#ffffff", surface="#ffffff", panel="#eeeeee",
    foreground="#000000", accent="#870000", success="#005f00", warning="#3a3a3a", error="#5f0000", variables=_LIGHT,
)  # fmt: skip
THEMES = {"dark": DARK, "light": LIGHT}
_ANSI = ("band-ground", "bad", "good", "doubt", "fault", "trace-pilot", "trace-out", "quiet")  # black, red, green, ...


def ansi_theme(theme: Theme) -> TerminalTheme:
    """The theme's colours in place of a terminal's sixteen, which reports are coloured with."""
    named = {name: Color.parse(text).get_truecolor() for name, text in theme.variables.items()}
    ground, letters = (Color.parse(str(text)).get_truecolor() for text in (theme.background, theme.foreground))
    return TerminalTheme(ground, letters, [named[name] for name in _ANSI])
