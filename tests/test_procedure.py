"""Procedure files: the shipped ones keep the rules of the trade, and a bad one is refused in one line that says where and why."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

import pytest

from bench.errors import TableError
from bench.files import procedure, shipped
from bench.procedure import ORDINARY, CoolStep, Procedure, PromptStep, RunStep, ZeroStep, parse_procedure

GOOD = """
format = 1
name = "mine"
title = "Mine"

[[steps]]
kind = "prompt"
name = "look"
title = "Look"
text = "Look at the contacts."

[[steps]]
kind = "cool"
name = "rest"
title = "Rest"
seconds = 60

[[steps]]
kind = "zero"
name = "zero"
title = "Zero"

[[steps]]
kind = "run"
name = "rated"
title = "Rated"
supply_v = 13.5
starts = 3
cool_s = 300
judge = ["rate_per_min", "start_s"]

[[steps]]
kind = "run"
name = "lamps"
title = "Lamps"
loads = "(@4,1:2)"
closed_at_most_s = 10

[[steps]]
kind = "run"
name = "out"
title = "Out"
loads = "one-out"
judge = ["outage_ratio"]
"""


def parse(text: str) -> Any:
    return parse_procedure(tomllib.loads(text), "procedure mine")


def judged_quantities(found: Procedure) -> set[str]:
    return {name for run in found.runs for name in run.judge}


def test_every_kind_of_step() -> None:
    found = parse(GOOD)
    prompt, cool, zero, rated, lamps, out = found.steps
    assert prompt == PromptStep("look", "Look", "Look at the contacts.")
    assert cool == CoolStep("rest", "Rest", "", 60.0)
    assert zero == ZeroStep("zero", "Zero", "", "rated", 2.0)
    assert (rated.starts, rated.cool_s, rated.judge) == (3, 300.0, ("rate_per_min", "start_s"))
    assert lamps.loads == (1, 2, 4)
    assert lamps.closed_at_most_s == 10.0
    assert out.loads == "one-out"
    assert found.runs == (rated, lamps, out)
    assert judged_quantities(found) == {"rate_per_min", "start_s", "outage_ratio"}


@pytest.mark.parametrize(("system_v", "volts"), [(6.0, 6.75), (12.0, 13.5), (24.0, 27.0)])
def test_a_supply_is_that_of_a_12_v_system(system_v: float, volts: float) -> None:
    rated = parse(GOOD).runs[0]
    assert rated.supply_for(system_v, 12.8) == volts
    assert parse(GOOD).runs[1].supply_for(system_v, 12.8) == 12.8


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "format = 2", r"^procedure mine: format: got 2; this version reads format 1$"),
        ('name = "mine"', "", r"^procedure mine: name: missing"),
        ('kind = "cool"', 'kind = "sleep"', r"steps\[2\]\.kind: got 'sleep'; it must be one of zero, run, cool, prompt"),
        ("seconds = 60", "seconds = -1", r"steps\[2\]\.seconds: got -1.0; it must be a number from 0 to 86400"),
        ("seconds = 60", "", r"steps\[2\]\.seconds: got None"),
        ("seconds = 60", 'seconds = "long"', r"steps\[2\]\.seconds: got 'long'"),
        ("starts = 3", "starts = 0", r"steps\[4\]\.starts: got 0; it must be a whole number from 1 to 100"),
        ("starts = 3", "starts = 2.5", r"steps\[4\]\.starts: got 2\.5"),
        ("supply_v = 13.5", "supply_v = 48", r"steps\[4\]\.supply_v: got 48\.0; it must be a number from 5 to 16"),
        ("supply_v = 13.5", "volts = 13.5", r"steps\[4\]\.volts: unknown key; known here: "),
        ('"(@4,1:2)"', '"trailers"', r"steps\[5\]\.loads: got 'trailers'; it must be one of rated, one-out, trailer, own, or a"),
        ('"(@4,1:2)"', '"(@9)"', r"steps\[5\]\.loads: got '\(@9\)'"),
        ('"(@4,1:2)"', '"(@)"', r"steps\[5\]\.loads: got '\(@\)'"),
        ('["rate_per_min", "start_s"]', '["speed"]', r"steps\[4\]\.judge: got 'speed'; allowed are \[.all.\], or some of rate"),
        ('["rate_per_min", "start_s"]', '["outage_ratio"]', r"steps\[4\]\.judge: got 'outage_ratio' for loads = 'rated'"),
        ('["outage_ratio"]', '["rate_per_min"]', r"steps\[6\]\.judge: got 'rate_per_min' for loads = 'one-out'"),
        ('["rate_per_min", "start_s"]', '["start_s"]', r"steps: step 'out' judges outage_ratio; it needs an earlier step"),
        ('closed_at_most_s = 10', 'judge = ["start_s"]', r"steps: 'start_s' is judged from two steps"),
        ('name = "lamps"', 'name = "rated"', r"steps: two steps are named 'rated'"),
        ('text = "Look at the contacts."', "", r"steps\[1\]\.text: missing"),
    ],
)  # fmt: skip
def test_a_bad_file_is_refused_in_one_line(old: str, new: str, message: str) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(TableError, match=message) as caught:
        parse(GOOD.replace(old, new, 1))
    assert "\n" not in str(caught.value)


# Steps that hang together: live ones, those that end when all is decided, further starts.

LIVE = """
format = 1
name = "mine"
title = "Mine"

[[steps]]
kind = "run"
name = "rated"
title = "Rated"
until = "decided"
cycles = 60
judge = ["rate_per_min", "start_s"]

[[steps]]
kind = "run"
name = "out"
title = "Out"
live = true
loads = "one-out"
judge = ["outage_ratio"]

[[steps]]
kind = "run"
name = "heavy"
title = "Heavy"
live = true
loads = "trailer"
closed_at_most_s = 10
judge = ["trailer_rate_per_min"]

[[steps]]
kind = "run"
name = "starts"
title = "Starts"
starts_of = "rated"
cool_s = 300
electronic_cool_s = 10
"""


def test_steps_that_hang_together() -> None:
    rated, out, heavy, starts = parse(LIVE).runs
    assert (rated.until_decided, out.until_decided) == (True, False)
    assert [run.live for run in (rated, out, heavy, starts)] == [False, True, True, False]
    assert (starts.starts_of, starts.electronic_cool_s, rated.electronic_cool_s) == ("rated", 10.0, None)
    assert (rated.starts_of, starts.judge) == ("", ())


COOL = """[[steps]]
kind = "cool"
name = "rest"
title = "Rest"
seconds = 60

"""
OUT = '[[steps]]\nkind = "run"\nname = "out"'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (OUT, COOL + OUT, r"^procedure mine: steps: step 'out' is live; it must follow a step of kind run$"),
        ('title = "Rated"', 'title = "Rated"\nlive = true', r"steps: step 'rated' is live; it must follow a step of kind run"),
        ('title = "Out"', 'title = "Out"\nstarts = 3', r"steps: step 'out' is live; it can have no starts and no supply of its own"),
        ('title = "Out"', 'title = "Out"\nsupply_v = 11', r"steps: step 'out' is live; it can have no starts and no supply of its own"),
        ('title = "Heavy"', 'title = "Heavy"\nstarts_of = "rated"', r"steps: step 'heavy' is live; it can have no starts and"),
        ('starts_of = "rated"', 'starts_of = "heat"', r"starts_of = 'heat'; it must name an earlier run, and judge nothing"),
        ('starts_of = "rated"', 'starts_of = "starts"', r"step 'starts' has starts_of = 'starts'; it must name an earlier run, and"),
        ('starts_of = "rated"', 'starts_of = "rated"\njudge = ["drop_v"]', r"'starts' has starts_of = 'rated'; it must name an earlier"),
        ('until = "decided"', 'until = "bored"', r"steps\[1\]\.until: got 'bored'; it must be one of cycles, decided"),
        ("live = true", 'live = "yes"', r"steps\[2\]\.live: got 'yes'"),
        ("electronic_cool_s = 10", "electronic_cool_s = -1", r"steps\[4\]\.electronic_cool_s: got -1\.0; it must be a number from 0"),
        ('["outage_ratio"]', '["trailer_rate_per_min"]', r"steps\[2\]\.judge: got 'trailer_rate_per_min' for loads = 'one-out'"),
        ('["rate_per_min", "start_s"]', '["start_s"]', r"steps: step 'out' judges outage_ratio; it needs an earlier step"),
    ],
)  # fmt: skip
def test_steps_that_cannot_hang_together_are_refused_in_one_line(old: str, new: str, message: str) -> None:
    assert LIVE.count(old) >= 1
    with pytest.raises(TableError, match=message) as caught:
        parse(LIVE.replace(old, new, 1))
    assert "\n" not in str(caught.value)


def test_the_procedure_that_decides_switches_lamps_while_the_unit_flashes() -> None:
    """And makes the starts that a mean of three asks for only afterwards, if they are asked for."""
    rated, out, heavy, own, starts = procedure("decide").runs
    assert rated.until_decided and rated.starts == 1
    assert (out.live, out.loads) == (True, "one-out")
    assert (heavy.live, heavy.loads) == (True, "trailer")
    assert (own.live, own.loads, own.judge) == (True, "own", ())
    assert (starts.starts_of, starts.live) == ("rated", False)


def test_a_procedure_needs_a_run() -> None:
    step = {"kind": "cool", "name": "c", "title": "t", "seconds": 1}
    content: Mapping[str, Any] = {"format": 1, "name": "n", "title": "t", "steps": [step]}
    with pytest.raises(TableError, match="at least one is needed"):
        parse_procedure(content, "procedure n")


@pytest.mark.parametrize("name", shipped("procedures"))
def test_shipped_procedures_keep_the_rules_of_the_trade(name: str) -> None:
    """Low volts before high, overload last and short for closed units, lamps cold at every start: common practice, no source."""
    found = procedure(name)
    assert found.name == name
    runs = found.runs
    volts = [run.supply_v for run in runs if run.supply_v is not None]
    assert volts == sorted(volts)
    # After a heavy load nothing is judged, or what is has been left to cool before.
    heavy = [n for n, run in enumerate(runs) if run.loads == "trailer"]
    assert len(heavy) <= 1
    assert all(not run.judge and (run.live or run.cool_s >= 300.0) for n in heavy for run in runs[n + 1 :])
    assert all(runs[n].closed_at_most_s is not None and (runs[n].closed_at_most_s or 0) <= 10.0 for n in heavy)
    assert all(run.live or run.cool_s >= 10.0 for run in runs)
    assert all(run.electronic_cool_s is None or run.electronic_cool_s >= 10.0 for run in runs), "the lamps must cool for every kind"
    assert all(run.cool_s >= 300.0 for run in runs if run.starts_of)
    assert set(ORDINARY) <= judged_quantities(found)


def test_the_full_procedure_starts_as_the_standard_asks() -> None:
    """SAE J2068-1999 and J945, after public summaries: three starts, at least 5 minutes of cooling before each."""
    (starts,) = [run for run in procedure("full").runs if "start_s" in run.judge]
    assert starts.starts == 3
    assert starts.cool_s >= 300.0
    assert isinstance(procedure("full").steps[0], ZeroStep)
    assert isinstance(procedure("quick").steps[0], RunStep)
