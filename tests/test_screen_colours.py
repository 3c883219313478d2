"""Colours that are told apart in lightness and letters that stand out, in true colour and in the 256 of a plain terminal."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path

import pytest
from rich.color import Color, ColorSystem
from rich.color_triplet import ColorTriplet
from textual.app import App

from bench.tui.theme import THEMES
from reports.posed_bench import posed
from reports.scenes import SCENES

GROUNDS = ("background", "band-ground", "practice-ground", "good-ground", "bad-ground", "doubt-ground", "fault-ground")
LEAST_CONTRAST = 7.0
"""Of letters, by WCAG 2.1, level AAA."""
LEAST_APART = 3.5
"""Of two grounds, in steps of L* (CIE 1976): some three times what is just seen."""
SHOWING = (
    "no-board",
    "late",
    "link",
    "not-good",
    "other-load",
    "bench-fault",
    "not-kept",
    "opened",
    "choices",
    "practice",
    "help",
    "report",
)
Way = Callable[[Color], ColorTriplet]


def true_colour(colour: Color) -> ColorTriplet:
    return colour.get_truecolor()


def of_256(colour: Color) -> ColorTriplet:
    """The colour that the screen's library sends to a terminal of 256 colours."""
    return colour.downgrade(ColorSystem.EIGHT_BIT).get_truecolor()


def luminance(colour: ColorTriplet) -> float:
    """Relative luminance, 0 to 1, as WCAG 2.1 defines it."""
    parts = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (part / 255.0 for part in colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: ColorTriplet, other: ColorTriplet) -> float:
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def lightness(colour: ColorTriplet) -> float:
    """L*, 0 to 100."""
    y = luminance(colour)
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y


def test_contrast_as_the_guideline_defines_it() -> None:
    black, white = ColorTriplet(0, 0, 0), ColorTriplet(255, 255, 255)
    assert contrast(black, white) == 21.0
    assert contrast(ColorTriplet(0x77, 0x77, 0x77), white) == pytest.approx(4.48, abs=0.005)
    assert lightness(white) == pytest.approx(100.0) and lightness(ColorTriplet(119, 119, 119)) == pytest.approx(50.0, abs=0.1)


@pytest.mark.parametrize("way", [true_colour, of_256])
@pytest.mark.parametrize("theme", THEMES)
def test_grounds_differ_in_lightness(theme: str, way: Way) -> None:
    named = {"background": THEMES[theme].background, **THEMES[theme].variables}
    levels = {name: lightness(way(Color.parse(str(named[name])))) for name in GROUNDS}
    near = [(a, b, levels[a], levels[b]) for a, b in combinations(GROUNDS, 2) if abs(levels[a] - levels[b]) < LEAST_APART]
    assert not near


def drawn(app: App[None]) -> Iterator[tuple[Color, Color, str]]:
    """Letter, ground and text of everything that is seen now; blanks and bars beside a page are left out."""
    for strip in app.screen._compositor.render_strips():
        for segment in strip:
            style = segment.style
            if (
                segment.text.isspace()
                or style is None
                or style.color is None
                or style.bgcolor is None
                or "@mouse.down" in (style.meta or {})
            ):
                continue
            yield (style.bgcolor, style.color, segment.text) if style.reverse else (style.color, style.bgcolor, segment.text)


@pytest.mark.parametrize("name", SHOWING)
def test_every_letter_stands_out_from_its_ground(name: str, tmp_path: Path) -> None:
    scene = SCENES[name]

    async def main() -> None:
        with contextlib.chdir(tmp_path):
            folder = scene.folder()
        async with posed(scene.bench, tmp_path / folder, (120, 40), choices=scene.choices, absent=scene.absent, real=scene.real) as pose:
            await scene.bring(pose)
            for _ in THEMES:
                seen = set(drawn(pose.app))
                assert len(seen) > 5
                faint = {
                    (text, letter.name, ground.name, round(contrast(way(letter), way(ground)), 1))
                    for letter, ground, text in seen
                    for way in (true_colour, of_256)
                    if contrast(way(letter), way(ground)) < LEAST_CONTRAST
                }
                assert not faint, pose.app.theme
                await pose.do("f8")

    asyncio.run(main())
