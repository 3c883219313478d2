"""Choosing what is tested: kept, in rows, refused in words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from sample_records import FLASHING, good_values

from bench import defaults, files
from bench.assemble import effective_measured, judge_all
from bench.claims import Claims
from bench.errors import SetupError, TableError
from bench.limits import FactLimit
from bench.measure import Measured
from bench.simboard.rig import rig_description
from bench.tui.choice_rows import LIMITS, ChoiceRow, Kind, choice_rows
from bench.tui.choices import FREE_PLACE, NO_RULE, Choices, KeptChoices, load, save
from bench.tui.presets import PRESETS, Preset
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
