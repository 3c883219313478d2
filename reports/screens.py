"""Pictures of the bench screen in `reports/screens/`, and a page that lists them.

    python -m reports.screens              all of them: some four minutes
    python -m reports.screens good help    those whose names begin so
    python -m reports.screens --look /tmp/looked good help    these scenes in all three sizes, dark and light, in true and in 256 colours

Each is the real app with a simulated board in virtual time. The text becomes a picture by chromium; without it SVG files are left.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rich.color import Color, ColorSystem

from bench.tui.raster import BLOCKS, BRAILLE, Ink
from reports.posed_bench import posed
from reports.scenes import SCENES

FOLDER = Path(__file__).parent / "screens"
LARGE, SMALL, WIDE = (120, 40), (80, 24), (160, 50)
_FACES = re.compile(r"@font-face\s*\{[^}]*\}")
_BUTTONS = re.compile(r"<circle[^>]*/>")
_BOX = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
_COLOUR = re.compile(r"#[0-9a-fA-F]{6}\b")


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture: a scene, at a size, dark or light; with another ink, without colours, or in those of a terminal that has 256."""

    scene: str
    size: tuple[int, int] = LARGE
    dark: bool = True
    ink: Ink = BLOCKS
    colour: bool = True
    of_256: bool = False

    @property
    def name(self) -> str:
        parts = [self.scene, f"{self.size[0]}x{self.size[1]}", "dark" if self.dark else "light"]
        parts += [self.ink.name] if self.ink is not BLOCKS else []
        parts += [] if self.colour else ["no-colour"]
        parts += ["256"] if self.of_256 else []
        return "-".join(parts)

    @property
    def text(self) -> str:
        more = [f"{self.size[0]} x {self.size[1]}", "dark" if self.dark else "light"]
        more += ["in braille dots"] if self.ink is not BLOCKS else []
        more += [] if self.colour else ["NO_COLOR"]
        more += ["256 colours"] if self.of_256 else []
        return f"{SCENES[self.scene].text} ({', '.join(more)})"


def pictures() -> Iterator[Picture]:
    """All of them, in the order of a day."""
    for scene in SCENES:
        yield Picture(scene)
    for scene in (
        "ready-later", "early", "late", "live", "supply", "good", "not-good", "other-load", "bench-fault", "looking-back", "zoomed",
        "choices", "help",
    ):  # fmt: skip
        yield Picture(scene, SMALL, dark=scene in ("early", "not-good", "zoomed"))
    for scene in ("late", "not-good", "practice", "report"):
        yield Picture(scene, dark=False)
    for scene in ("no-board", "cooling", "cancelled", "practice", "report", "cautions"):
        yield Picture(scene, SMALL)
    yield Picture("late", WIDE)
    yield Picture("late", colour=False)
    yield Picture("not-good", SMALL, colour=False)
    yield Picture("late", SMALL, ink=BRAILLE)


async def svg_of(picture: Picture) -> str:
    """The picture as SVG, without the addresses of fonts elsewhere, and without the buttons of somebody's windows."""
    scene = SCENES[picture.scene]
    before = os.environ.pop("NO_COLOR", None)
    if not picture.colour:
        os.environ["NO_COLOR"] = "1"
    try:
        async with posed(
            scene.bench, scene.folder(), picture.size, dark=picture.dark, ink=picture.ink, choices=scene.choices, absent=scene.absent,
            real=scene.real,
        ) as pose:  # fmt: skip
            await scene.bring(pose)
            await pose.pilot.pause(0.2)
            svg = _BUTTONS.sub("", _FACES.sub("", pose.app.export_screenshot()))
            return _COLOUR.sub(_of_256, svg) if picture.of_256 else svg
    finally:
        os.environ.pop("NO_COLOR", None)
        if before is not None:
            os.environ["NO_COLOR"] = before


def _of_256(found: re.Match[str]) -> str:
    """The colour that the screen's library sends to a terminal of 256 colours instead of this one."""
    return Color.parse(found[0]).downgrade(ColorSystem.EIGHT_BIT).get_truecolor().hex


def to_png(svg: Path, png: Path, chromium: str) -> None:
    """As chromium draws it, at the size that the SVG asks for."""
    found = _BOX.search(svg.read_text(encoding="utf-8"))
    assert found is not None
    width, height = (round(float(number)) for number in found.groups())
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            (chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync", "--hide-scrollbars", f"--user-data-dir={profile}",
             f"--window-size={width},{height}", f"--screenshot={png}", svg.as_uri()),
            check=True, capture_output=True, timeout=60,
        )  # fmt: skip
    _packed(png)


def _packed(png: Path) -> None:
    """The same picture in fewer bytes, every pixel in its own colour, if a package for pictures is there. No palette: the package takes the
    nearest colour for its neighbour in one, and a picture made for its colours would show others."""
    try:
        from PIL import Image
    except ImportError:
        return
    with Image.open(png) as image:
        image.convert("RGB").save(png, optimize=True)


def index() -> str:
    """The page that lists them all."""
    lines = [
        "# Pictures of the bench screen",
        "",
        "Made by `python -m reports.screens`: the real screen, with a simulated board in its rig.",
        "",
    ]
    lines += [f"- [{picture.text}]({picture.name}.png)" for picture in pictures()]
    return "\n".join(lines) + "\n"


def looked_at(scenes: list[str]) -> Iterator[Picture]:
    """Each of these scenes as it is on every terminal: to be looked at after a change, not to be kept."""
    for scene in scenes or SCENES:
        for size in (SMALL, LARGE, WIDE):
            for dark in (True, False):
                yield from (Picture(scene, size, dark), Picture(scene, size, dark, of_256=True))


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="reports.screens", description="Make the pictures of the bench screen.")
    parser.add_argument("names", nargs="*", help="those whose names begin so; with --look, scenes")
    parser.add_argument("--look", type=Path, metavar="FOLDER", help="all sizes and colours of the scenes, into this folder")
    given = parser.parse_args(arguments)
    if given.look and (unknown := [name for name in given.names if name not in SCENES]):
        parser.error(f"there is no scene {unknown[0]!r}; there are: {', '.join(SCENES)}")
    folder = given.look or FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    names = tuple(given.names)
    wanted = looked_at(given.names) if given.look else (one for one in pictures() if not names or one.name.startswith(names))
    chromium = next((path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None)
    for picture in wanted:
        with tempfile.TemporaryDirectory() as name:
            own = Path(name)
            svg = (own if chromium else folder) / f"{picture.name}.svg"
            with contextlib.chdir(own):  # so that no picture shows where it was made
                svg.write_text(asyncio.run(svg_of(picture)), encoding="utf-8")
            if chromium:
                to_png(svg, folder / f"{picture.name}.png", chromium)
        print(picture.name, flush=True)
    if not given.look:
        (FOLDER / "README.md").write_text(index(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
