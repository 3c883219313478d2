"""The page of choices: walked by arrows, searched by words, favourites kept."""

from __future__ import annotations

import asyncio

import pytest
from stub_screen import StubApp, play, press, text_of
from textual.events import Key, Paste
from textual.pilot import Pilot

from bench import defaults
from bench.tui.choice_rows import Kind, choice_rows
from bench.tui.choices import Choices
from bench.tui.choose import Choose
from bench.tui.presets import PRESETS
from bench.tui.requests import Chosen, FavouritesChanged, Scanned
from bench.tui.search_line import SearchLine

THREE_SETS = Choices(24.0, (2, 0, 1), limits=("us-turn", "un-r48", "iso-4082"))


def test_choosing_with_arrows() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await to_row(pilot, "system")
        assert "► system          ◄ 12 V ►" in text_of(app)
        await press(pilot, "right", "down", "right", "right")
        seen = await press(pilot, "right")
        assert "► signal lamps    ◄ 2 ►" in seen
        assert f"Enter takes: 24 V, 2 x 21 W, procedure {defaults.PROCEDURE}" in " ".join(seen.split())
        assert app.asked == []
        await press(pilot, "enter")
        assert [asked.choices for asked in app.asked if isinstance(asked, Chosen)] == [Choices(24.0, (2, 0, 0))]
        assert not isinstance(app.screen, Choose)

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_escape_leaves_it_as_it_was() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await press(pilot, "right", "end", "right", "escape")
        assert app.asked == []
        assert not isinstance(app.screen, Choose)

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_what_cannot_be_is_not_taken() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await to_row(pilot, "signal lamps")
        seen = await press(pilot, "right")
        assert "! Not possible: Choose at least one lamp" in seen
        await press(pilot, "enter")
        assert app.asked == []
        assert isinstance(app.screen, Choose)

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


@pytest.mark.parametrize("size", [(60, 12), (80, 24), (120, 40)])
def test_every_row_can_be_seen(size: tuple[int, int]) -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await press(pilot, "home")
        for row in choice_rows(THREE_SETS):
            assert f"► {'[' if row.kind is Kind.MARK else row.title[:40]}" in text_of(app)
            assert max(map(len, text_of(app).split("\n"))) <= size[0]
            await press(pilot, "down")

    asyncio.run(play(StubApp(Choose, THREE_SETS), script, size))


async def to_row(pilot: Pilot[None], title: str) -> None:
    for _ in range(80):
        if f"► {title} " in text_of(pilot.app):
            return
        await press(pilot, "down")
    raise AssertionError(f"no row {title}")


async def search(pilot: Pilot[None], words: str) -> str:
    """As fingers type: not all in one moment."""
    await press(pilot, "f7")
    for character in words:
        await press(pilot, "space" if character == " " else character)
        await asyncio.sleep(0.05)
    return text_of(pilot.app)


def test_enter_at_a_kind_of_unit_takes_all_of_it() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert "► system" in text_of(app), "Enter at once changes nothing"
        seen = await press(pilot, "home", "down")
        assert "► 12 V turn, electronic, 2 x 21 W + 5 W" in seen and app.asked == []
        await press(pilot, "enter")
        assert [asked.choices for asked in app.asked if isinstance(asked, Chosen)] == [PRESETS[1].applied(Choices())]

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_a_search_finds_and_takes_nothing_by_itself() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = await search(pilot, "us turn")
        assert (
            "12 V US turn, 2 x 27 W" in seen
            and "us-turn-closed-2" in seen
            and "motorcycle" not in seen
            and "un-r48" not in seen.split("──")[0]
        )
        seen = await press(pilot, "enter")
        assert not app.asked and isinstance(app.screen, Choose), "Enter only goes to what was found"
        await to_row(pilot, "[ ] us-turn")
        seen = await press(pilot, "right")
        assert "[x] us-turn" in seen and "judged by un-r48 + us-turn" in " ".join(seen.split())
        chosen = app.screen
        assert isinstance(chosen, Choose) and chosen.step_back()
        await pilot.pause()
        assert "motorcycle" in text_of(app) and not chosen.step_back()
        await press(pilot, "enter")
        assert [asked.choices.limits for asked in app.asked if isinstance(asked, Chosen)] == [("un-r48", "us-turn")]

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_what_is_nowhere_is_said() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert "Nothing is called so" in await search(pilot, "nowhere")
        await press(pilot, "enter", "right", "enter")
        assert "Enter takes" not in text_of(app)

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_a_scan_never_ends_up_in_the_search() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await search(pilot, "us ")
        line = app.screen.query_one(SearchLine)
        for key in ("4", "7", "1", "1", "enter"):
            line.post_message(Key(key, None if key == "enter" else key))
        await pilot.pause()
        assert [asked.text for asked in app.asked if isinstance(asked, Scanned)] == ["4711\n"]
        assert line.value == "us "
        line.post_message(Paste("4712\n"))
        await pilot.pause()
        assert [asked.text for asked in app.asked if isinstance(asked, Scanned)] == ["4711\n", "4712\n"]
        assert line.value == "us "

    asyncio.run(play(StubApp(Choose), script, (80, 24)))


def test_a_favourite_stays_until_it_is_taken_away() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await to_row(pilot, "system")
        seen = await press(pilot, "right", "f6")
        assert "Enter takes: ★ 24 V" in seen
        await press(pilot, "home")
        assert "FAVOURITES" in text_of(app) and "► 24 V, lamp rating not known" in text_of(app)
        await press(pilot, "f6")
        assert "FAVOURITES" not in text_of(app)
        kept = [asked.favourites for asked in app.asked if isinstance(asked, FavouritesChanged)]
        assert kept == [(Choices(24.0),), ()]
        assert not any(isinstance(asked, Chosen) for asked in app.asked), "nothing is taken before Enter"

    asyncio.run(play(StubApp(Choose), script, (80, 24)))
