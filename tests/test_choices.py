"""Choosing what is tested, and putting together a bench to practise on: kept, walked by arrows, refused in words."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest
from sample_records import FLASHING, good_values
from stub_screen import StubApp, play, press, text_of
from textual.events import Key, Paste
from textual.pilot import Pilot

from bench import defaults, files
from bench.assemble import effective_measured, judge_all
from bench.claims import Claims
from bench.errors import SetupError, TableError
from bench.limits import FactLimit
from bench.measure import Measured
from bench.ports.address import parse_sim_address
from bench.ports.setting import set_up
from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.simboard.rig import rig_description
from bench.tui.choice_rows import LIMITS, ChoiceRow, Kind, choice_rows
from bench.tui.choices import FREE_PLACE, NO_RULE, Choices, KeptChoices, load, save
from bench.tui.choose import Choose
from bench.tui.drawn_bench import address_of, answer_text, drawn_address, possible_faults
from bench.tui.practice import MYSTERY, Practice
from bench.tui.presets import PRESETS, Preset
from bench.tui.requests import Chosen, FavouritesChanged, PracticeLeft, Scanned
from bench.tui.search_line import SearchLine
from bench.tui.state import Practising
from bench.verdict import Conformity

CHOSEN = Choices(
    24.0, (2, 0, 1), claims=Claims(terminals=2), procedure="full", limits=("us-turn", "un-r48", "iso-4082"), grade_rule=NO_RULE,
    precise=True, zero=True, stop_early=True,
)  # fmt: skip
CLAIMED = Choices(
    lamps=(3, 0, 1), signal_w=27.0, bank="2x27",
    claims=Claims(
        terminals=3, pilot="antiphase", pilot_lamp_out="dead", load="variable", outage=True, led=False, trailer=True,
    ),
)  # fmt: skip


def test_nothing_chosen_is_what_the_command_takes() -> None:
    setup = Choices().setup("DEMO-1")
    assert (setup.unit, setup.system_v, setup.rated, setup.rating_known) == ("DEMO-1", 12.0, defaults.RATED_W, False)
    assert [name for name, _ in setup.limits] == list(defaults.LIMITS)
    assert setup.grade_rule == files.grade_rule()
    assert (setup.bank, setup.claims) == (None, Claims())
    said = f"procedure {defaults.PROCEDURE}, judged by {' + '.join(defaults.LIMITS)}"
    assert Choices().summary() == f"12 V, lamp rating not known (2 x 21 W tried), {said}"


def test_what_is_chosen_is_in_the_setup() -> None:
    setup = CHOSEN.setup("X")
    assert (setup.system_v, setup.rated, setup.rating_known) == (24.0, (21.0, 21.0, 5.0), True)
    assert (setup.precise, setup.zero, setup.stop_early, setup.grade_rule) == (True, True, True, None)
    assert (setup.claims, setup.claims.facts) == (Claims(rated=(21.0, 21.0, 5.0), terminals=2), {"pilot": "absent"})
    assert len(setup.limits[0][1]) == 3
    led = Choices(led=True).setup("X")
    assert (led.lamps, led.filament, led.entered) == ((FREE_PLACE,), False, {})
    claimed = CLAIMED.setup("X")
    assert (claimed.rated, claimed.bank) == ((27.0, 27.0, 27.0, 5.0), files.bank("2x27"))
    assert claimed.claims == replace(CLAIMED.claims, rated=(27.0, 27.0, 27.0, 5.0))


def test_a_bank_decides_where_led_lamps_are() -> None:
    led = files.bank("led")
    assert Choices(led=True, bank="led", lamps=(2, 0, 0)).setup("X").lamps == (1, 2)
    assert Choices(led=True, lamps=(1, 0, 0)).setup("X", fitted=led).lamps == (1,), "what is known of a simulated bench"
    assert Choices(bank="standard").setup("X", fitted=led).bank == files.bank("standard"), "what is chosen wins"
    assert Choices(bank="standard", led=True).setup("X").lamps == (6,)
    assert "no LED lamp stands in the bank 4x21" in Choices(led=True, bank="4x21").refusal()


def pilot_of(choices: Choices, pilot: str) -> dict[str, Conformity]:
    """How the requirements on the pilot are judged, for a unit whose tell-tale was seen to do so."""
    setup = choices.setup("X")
    measured = effective_measured(setup, Measured(good_values(), {**FLASHING, "pilot": pilot}))
    _, verdicts = judge_all(setup, measured, None)
    return {v.limit.title: v.conformity for v in verdicts if isinstance(v.limit, FactLimit) and v.limit.fact == "pilot"}


def row_of(title: str) -> ChoiceRow:
    return next(row for row in choice_rows(Choices()) if row.title == title)


def option_of(title: str, text: str, choices: Choices) -> Choices:
    return next(option.choices for option in row_of(title).now(choices)[1] if option.text == text)


def test_three_terminals_have_the_pilot_judged() -> None:
    usual = Choices(limits=("un-r48",))
    in_step = "tell-tale in step with the lamps"
    assert in_step not in pilot_of(usual, "dead")
    three = option_of("terminals", "3", usual)
    assert pilot_of(three, "dead")[in_step] is Conformity.FAIL
    assert pilot_of(three, "in step")[in_step] is Conformity.PASS
    other = option_of("pilot", "antiphase", three)
    assert pilot_of(other, "antiphase")["tell-tale antiphase with the lamps"] is Conformity.PASS
    earth = option_of("pilot", "none", three)
    assert in_step not in pilot_of(earth, "dead")
    two = option_of("terminals", "2", option_of("pilot, lamp out", "dead", three))
    assert two.setup("X").claims == Claims(terminals=2), "without a pilot nothing is said of it"
    assert option_of("terminals", "3", two).claims.pilot_lamp_out == "dead", "what was chosen comes back"
    assert option_of("terminals", "not known", three).claims == Claims()


def test_every_claim_can_be_chosen() -> None:
    choices = Choices()
    for title, text in (
        ("signal lamps", "3"), ("each of", "27 W"), ("lamps of 5 W", "1"), ("bank", "2x27"), ("terminals", "3"), ("pilot", "antiphase"),
        ("pilot, lamp out", "dead"), ("made for load", "variable"), ("outage signal", "yes"), ("LED lamps", "no"), ("trailer", "yes"),
    ):  # fmt: skip
        choices = option_of(title, text, choices)
    assert choices == CLAIMED


def test_the_summary_says_it_in_a_line() -> None:
    assert Choices(lamps=(2, 0, 0), limits=("un-r48", "sae-j945")).summary() == (
        f"12 V, 2 x 21 W, procedure {defaults.PROCEDURE}, judged by un-r48 + sae-j945"
    )
    assert CLAIMED.summary().startswith(
        "12 V, 3 x 27 W + 5 W, bank 2x27, 3 terminals, pilot antiphase, pilot dead with a lamp out, variable load, outage signal, "
        "no LED lamps, trailer, procedure"
    )
    assert CHOSEN.summary() == (
        "24 V, 2 x 21 W + 5 W, 2 terminals, procedure full, precise, zeros, stops early, judged by us-turn + un-r48 + iso-4082, "
        "grades by none"
    )
    assert "LED lamps as load" in Choices(led=True, limits=()).summary()
    assert "judged by nothing" in Choices(limits=()).summary()


def test_what_a_bank_cannot_do_is_refused_in_words() -> None:
    usual = rig_description(1)
    for choices in (Choices(), CHOSEN, Choices(led=True), Choices(lamps=(0, 1, 0))):
        assert choices.refusal() == choices.refusal(usual) == ""
    assert Choices(lamps=(4, 0, 0)).refusal() == "", "nothing is known of a board"
    assert "4 x 21 W: this board's bank has 1: 21 W, 2: 21 W" in Choices(lamps=(4, 0, 0)).refusal(usual)
    full = replace(usual, loads={n: replace(load, kind="LAMP") for n, load in usual.loads.items()})
    assert "a free place, and this board's bank has" in Choices(led=True).refusal(full)
    moved = replace(usual, loads={n: replace(load, kind="FREE" if n == 2 else "LAMP") for n, load in usual.loads.items()})
    assert Choices(led=True).setup("X", moved).lamps == (2,)
    assert "at least one lamp" in Choices(lamps=(0, 0, 0)).refusal()
    assert "no such set" in Choices(limits=("nowhere",)).refusal()
    assert "no such name" in Choices(procedure="nowhere").refusal()
    with pytest.raises(SetupError):
        Choices(lamps=(0, 0, 0)).setup("X")
    with pytest.raises(TableError):
        Choices(limits=("nowhere",)).setup("X")


# Kept.


@pytest.mark.parametrize("choices", [Choices(), CHOSEN, CLAIMED, Choices(led=True, limits=())])
def test_the_last_choice_stays(choices: Choices, tmp_path: Path) -> None:
    path = tmp_path / "new" / "choices.json"
    assert load(path) == (KeptChoices(), "")
    kept = KeptChoices(choices, (CHOSEN, CLAIMED))
    assert save(path, kept) == ""
    assert load(path) == (kept, "")
    assert [one.name for one in path.parent.iterdir()] == ["choices.json"]


def test_choices_of_an_earlier_version_are_read(tmp_path: Path) -> None:
    path = tmp_path / "choices.json"
    before = {"format": 1, "system_v": 24.0, "lamps": [2, 0, 1], "led": False, "terminals": 2, "procedure": "quick", "limits": ["un-r48"]}
    path.write_text(json.dumps(before))
    expected = Choices(24.0, (2, 0, 1), claims=Claims(terminals=2), procedure="quick", limits=("un-r48",))
    assert load(path) == (KeptChoices(expected), "")
    path.write_text(json.dumps({**before, "terminals": None}))
    assert load(path) == (KeptChoices(replace(expected, claims=Claims())), "")


DAMAGED = {
    "empty": "",
    "half": '{"format": 1, "system_v": 12',
    "list": "[]",
    "later format": '{"format": 2}',
    "another field": '{"format": 1, "colour": "red"}',
    "no system": '{"format": 1, "system_v": 13}',
    "a word": '{"format": 1, "led": "yes"}',
    "a number for a yes": '{"format": 1, "led": 1}',
    "claims": '{"format": 1, "claims": [3]}',
    "a claim": '{"format": 1, "claims": {"pilot": "blue"}}',
    "another claim": '{"format": 1, "claims": {"colour": "red"}}',
    "terminals": '{"format": 1, "terminals": "two"}',
    "bank": '{"format": 1, "bank": 3}',
    "watts": '{"format": 1, "signal_w": 22}',
    "lamps": '{"format": 1, "lamps": [2, 0]}',
    "many lamps": '{"format": 1, "lamps": [20, 0, 0]}',
    "a true lamp": '{"format": 1, "lamps": [true, 0, 0]}',
    "limits": '{"format": 1, "limits": "un-r48"}',
    "procedure": '{"format": 1, "procedure": null}',
    "favourites": '{"format": 1, "favourites": {}}',
    "a favourite": '{"format": 1, "favourites": [{"system_v": 13}]}',
    "deep": "[" * 100_000,
}


@pytest.mark.parametrize("text", DAMAGED.values(), ids=DAMAGED.keys())
def test_a_damaged_file_gives_the_usual_choices_and_a_line(text: str, tmp_path: Path) -> None:
    path = tmp_path / "choices.json"
    path.write_text(text)
    kept, note = load(path)
    assert kept == KeptChoices()
    assert note == "The last choices in choices.json are damaged or too new: the usual ones are taken."


def test_what_cannot_be_read_or_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    assert "can't be read" in load(tmp_path / "folder")[1]
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    assert "not UTF-8 text" in load(tmp_path / "bytes")[1]
    assert "can't be kept" in save(tmp_path / "bytes" / "choices.json", KeptChoices())


def test_a_name_that_is_no_more_is_kept_and_refused(tmp_path: Path) -> None:
    path = tmp_path / "choices.json"
    path.write_text(json.dumps({"format": 1, "limits": ["gone"], "procedure": "gone too"}))
    kept, note = load(path)
    choices = kept.choices
    assert (choices.limits, choices.procedure, note) == (("gone",), "gone too", "")
    assert choices.refusal()
    rows = choice_rows(choices)
    for row in rows:
        row.now(choices)
    (gone,) = (row for row in rows if row.title == "gone")
    assert gone.moved(choices, 1).limits == (), "it can be taken away"


# The rows.


@pytest.mark.parametrize("start", [Choices(), CHOSEN, CLAIMED, Choices(limits=()), Choices(lamps=(0, 0, 0)), Choices(led=True)])
def test_every_row_holds_what_is_chosen_and_leads_on(start: Choices) -> None:
    for row in choice_rows(start, (CHOSEN,)):
        number, options = row.now(start)
        assert options[number].choices == start
        assert row.kind is Kind.WHOLE or set(row.moved(row.moved(start, 1), -1).limits) == set(start.limits)
        assert row.kind is not Kind.ANSWER or row.moved(row.moved(start, 1), -1) == start
        assert all(option.choices.summary() for option in options)


def test_limit_sets_are_marked_one_by_one_and_listed_by_family() -> None:
    rows = [row for row in choice_rows(Choices()) if row.group == LIMITS]
    names = [row.title.strip() for row in rows]
    assert len(set(names)) == len(names) and {"un-r48", "us-turn", "us-turn-open"} <= set(names)
    family = names.index("us-turn")
    assert [row.title for row in rows[family + 1 : family + 4]] == ["  us-turn-closed-2", "  us-turn-closed-more", "  us-turn-open"]
    sae = row_of("sae-j945")
    two = sae.moved(Choices(limits=("un-r48",)), 1)
    assert two.limits == ("un-r48", "sae-j945")
    assert sae.moved(two, 1).limits == ("un-r48",)
    assert "flash rate 60 to 120 /min" in sae.now(two)[1][1].means and "contact drop max 0.5 V" in sae.now(two)[1][1].means


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.title)
def test_a_kind_of_unit_sets_all_of_it_at_once(preset: Preset) -> None:
    wanted = preset.applied(replace(CHOSEN, precise=True))
    assert wanted.refusal() == "" and wanted.setup("X").rating_known
    assert (wanted.system_v, wanted.claims, wanted.limits) == (preset.choices.system_v, preset.choices.claims, preset.choices.limits)
    assert (wanted.precise, wanted.zero, wanted.grade_rule) == (True, True, NO_RULE), "how it is tested and graded stays"
    assert preset.title.startswith(f"{wanted.system_v:g} V")


# The screen.


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
        for row in choice_rows(CHOSEN):
            assert f"► {'[' if row.kind is Kind.MARK else row.title[:40]}" in text_of(app)
            assert max(map(len, text_of(app).split("\n"))) <= size[0]
            await press(pilot, "down")

    asyncio.run(play(StubApp(Choose, CHOSEN), script, size))


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


# Practice.


def test_only_faults_that_fit_the_unit_are_offered() -> None:
    for name in catalogue.names():
        entry = catalogue.entry(name)
        for fault in possible_faults(name):
            assert fault.of != "unit" or entry.kind in FAULTS[fault.name].kinds
            assert fault.name not in entry.faults
    assert {fault.of for fault in possible_faults("bench-nc-2x21")} == {"unit", "bench", "board", "cable"}


def test_addresses_can_be_opened() -> None:
    address = parse_sim_address(address_of("bench-nc-2x21", ("film", "unplug"), seed=7, supply_v=11.52, ambient_c=-20.0))
    assert (address.unit, address.faults, address.seed) == ("bench-nc-2x21", ("film", "unplug"), 7)
    assert (address.supply_v, address.ambient_c, address.pace) == (11.52, -20.0, "real")
    set_up(address)


def test_mysteries_are_drawn_by_their_number() -> None:
    drawn = [parse_sim_address(drawn_address(seed)) for seed in range(1, 100)]
    assert drawn == [parse_sim_address(drawn_address(seed)) for seed in range(1, 100)]
    assert all(len(address.faults) <= 1 for address in drawn)
    assert {catalogue.entry(address.unit).rating.system_v for address in drawn} == {12.0}
    healthy = [a for a in drawn if not a.faults and not catalogue.entry(a.unit).faults]
    assert 10 < len(healthy) < 60
    for address in drawn:
        told = answer_text(address)
        assert address.unit in told[0]
        assert len(told) == 2


def test_a_bench_is_put_together_with_arrows() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = await press(pilot, "home", "down", "down")
        assert "► bench-el-outage" in seen
        await press(pilot, "right", "enter", "down", "down", "enter", "enter")
        assert "[x] unit  contact-eroded" in text_of(app)
        assert "faults: 1 chosen" in text_of(app)
        seen = await press(pilot, "right", "down", "enter", "down", "enter", "down", "enter", "down", "enter", "home")
        assert "hands: yours" in seen
        assert "supply: 10.24 V" in seen
        await press(pilot, "enter")
        address = "sim://bench-el-outage?seed=2&fault=contact-eroded&supply=10.24&ambient=-20&pace=real"
        assert app.practices() == [Practising(address, True, False)]
        parse_sim_address(address)

    asyncio.run(play(StubApp(Practice), script, (80, 24)))


def test_faults_that_do_not_fit_another_unit_fall_away() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await press(pilot, "home", "down", "right", "end", "enter", "home", "down", "enter")
        await press(pilot, "left", "end", "right")
        assert "faults: 2 chosen" in text_of(app)
        await press(pilot, "right", "enter")
        assert app.practices()[0].address.startswith("sim://bench-tc-dry?seed=1&fault=")

    asyncio.run(play(StubApp(Practice), script, (120, 40)))


def test_a_mystery_is_not_told_before_one_asks() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = await press(pilot, "home", "right")
        assert "drawn, and not told" in seen
        await press(pilot, "enter")
        assert app.practices() == [Practising(drawn_address(1), False, True)]

    asyncio.run(play(StubApp(Practice), script, (80, 24)))


def test_the_answer_and_the_way_back() -> None:
    practising = Practising("sim://bench-el-two?seed=3&fault=timing-drift&pace=real", False, True)

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert f"► {MYSTERY}" in text_of(app)
        assert "timing" not in text_of(app)
        seen = await press(pilot, "right", "end", "up")
        assert "timing" not in seen
        seen = await press(pilot, "enter")
        assert "It was bench-el-two" in seen
        assert "timing part has drifted" in seen
        await press(pilot, "end", "enter")
        assert [type(asked) for asked in app.asked] == [PracticeLeft]

    asyncio.run(play(StubApp(Practice, practice=practising), script, (80, 24)))


def test_practice_goes_on_from_what_is_practised() -> None:
    practising = Practising("sim://bench-nc-24v?seed=5&fault=film&supply=20.48&ambient=40&pace=real", True, False)

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = text_of(app)
        assert "► bench-nc-24v" in seen
        assert "[x] unit  film" in seen
        for text in ("draw number: 5", "hands: yours", "supply: 20.48 V", "room: 40", "Back to the board"):
            assert text in seen

    asyncio.run(play(StubApp(Practice, practice=practising), script, (80, 24)))
