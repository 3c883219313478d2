"""No size of a terminal, however small, breaks the screen: every phase and every screen laid over it, drawn at each size."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.cells import cell_len
from screens import shown
from textual.events import Resize
from textual.geometry import Size

from bench.tui.frame import BenchScreen
from bench.tui.overlays import KEYS
from reports.posed_bench import Pose, posed
from reports.scenes import SCENES

SHOWING = ("no-board", "in-hand", "late", "cooling", "not-good", "looked-back", "zoomed", "choices", "practice", "cautions")


def sizes() -> Iterator[tuple[int, int]]:
    """All narrow ones, all low ones, and those that are both."""
    yield from ((width, 24) for width in range(1, 40))
    yield from ((80, height) for height in range(1, 12))
    yield from ((size, size) for size in range(1, 12))


@pytest.mark.parametrize("name", SHOWING)
def test_any_size_is_drawn(name: str, tmp_path: Path) -> None:
    listed = name == "looked-back"
    scene = SCENES["opened" if listed else name]

    async def main() -> None:
        with contextlib.chdir(tmp_path):
            folder = scene.folder()
        async with posed(scene.bench, tmp_path / folder, (80, 24), choices=scene.choices, absent=scene.absent, real=scene.real) as pose:
            await scene.bring(pose)
            if listed:
                await pose.do("escape")
            await draw_all_sizes(pose)

    asyncio.run(main())


def test_the_screen_of_every_key_is_drawn_at_any_size(tmp_path: Path) -> None:
    async def main() -> None:
        async with posed(SCENES["good"].bench, tmp_path, (80, 24)) as pose:
            await pose.test("4711")
            for key in KEYS:
                await pose.do(key.lower())
                assert isinstance(pose.app.screen, BenchScreen) and key == pose.app.screen.KEY
                await draw_all_sizes(pose)
                await pose.do(key.lower())

    asyncio.run(main())


async def draw_all_sizes(pose: Pose) -> None:
    for width, height in sizes():
        pose.app.post_message(Resize(Size(width, height), Size(width, height)))
        await pose.pilot.pause()
        lines = shown(pose.app).splitlines()
        assert len(lines) <= height and all(cell_len(line) <= width for line in lines), (width, height)
