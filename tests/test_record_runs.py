"""A record whose figures cannot all be of one test is refused, although its sum is right and each figure by itself is possible."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from bench_port import bench_port, run_on, setup
from sample_records import estimate, good_values, record

from bench.errors import RecordError
from bench.files import named_limits
from bench.measure import QUANTITIES, BenchFault
from bench.outcome import Outcome
from bench.record_json import from_json, to_json
from bench.record_sum import KEY, sum_of
from bench.verdict import conformance_probability, specific_risk

Content = dict[str, Any]


@cache
def good() -> str:
    """A unit that flashes well on its lamps, with one less and with one more: the record as text."""
    tested = run_on(bench_port("EL"), "decide", setup=setup(limits=(named_limits("un-r48"),), rating_known=True))
    assert tested.outcome is Outcome.GOOD and [step.name for step in tested.steps] == ["rated", "one-out", "trailer"]
    return to_json(tested)


def sealed(change: Callable[[Content], object]) -> str:
    """The record with a change, and the sum that it should have then."""
    content: Content = json.loads(good())
    change(content)
    del content[KEY]
    return json.dumps({**content, KEY: sum_of(json.dumps(content))})


def scaled(estimate: Content, factor: float) -> None:
    estimate["value"] *= factor


def slower(content: Content, everywhere: bool) -> None:
    """A rate of 62 instead of 88 with the verdict that belongs to it, in what is judged alone or in its run too."""
    of_run, judged = (place["values"]["rate_per_min"] for place in (content["steps"][0]["measured"], content["measured"]))
    for found in (of_run, judged) if everywhere else (judged,):
        found["value"] = 62.0
    verdict = next(v for v in content["verdicts"] if v["limit"].get("quantity") == "rate_per_min")
    verdict["found"]["value"] = 62.0
    u, dof, low, high = judged["u"], judged["dof"] or float("inf"), verdict["limit"]["low"], verdict["limit"]["high"]
    verdict["p_conform"] = conformance_probability(62.0, u, dof, low, high)
    verdict["p_wrong"] = specific_risk(62.0, u, dof, low, high)


def flash(column: str, value: float, number: int = 3) -> Callable[[Content], None]:
    def change(content: Content) -> None:
        content["steps"][0]["flashes"][column][number] = value

    return change


def of_run(name: str, factor: float) -> Callable[[Content], None]:
    def change(content: Content) -> None:
        for place in (content["steps"][0]["measured"], content["measured"]):
            if place["values"].get(name, {}).get("kind") == "estimate":
                scaled(place["values"][name], factor)

    return change


def judged(name: str, factor: float) -> Callable[[Content], None]:
    return lambda content: scaled(content["measured"]["values"][name], factor)


def put(value: object, *path: str | int) -> Callable[[Content], None]:
    def change(content: Content) -> None:
        place: Any = content
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = value

    return change


def test_what_was_not_changed_is_read() -> None:
    assert from_json(sealed(lambda content: None)) == from_json(good())


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda content: slower(content, everywhere=False), r"flash rate of 62 1/min is judged, which no run"),
        (lambda content: slower(content, everywhere=True), r"of 62 1/min in run rated, but the flashes show 8\d"),
        (of_run("on_ratio", 1.2), r"on-time of .* in run rated, but the flashes show"),
        (of_run("on_s", 0.8), r"on duration of .* in run rated, but the flashes show"),
        (of_run("off_s", 1.3), r"off duration of .* in run rated, but the flashes show"),
        (of_run("drop_v", 3.0), r"contact drop of .* in run rated, but the flashes show"),
        (of_run("inrush_later_a", 0.5), r"later inrush of .* in run rated, but the flashes show"),
        (judged("start_s", 1.01), "starting time of .* is judged, which no run of the record shows"),
        (judged("steady_a", 0.9), "steady current of .* is judged, which no run of the record shows"),
        (judged("outage_rate_per_min", 1.01), "is judged, which no run of the record shows"),
        (judged("outage_ratio", 1.01), "is judged, which no run of the record shows"),
        (judged("trailer_on_ratio", 1.01), "is judged, which no run of the record shows"),
        (put([], "steps"), "is judged, which no run of the record shows"),
        (flash("on_s", 1e308), r"flashes of run rated have 1e\+308 as on_s"),
        (flash("drop_v", -1e10), r"flashes of run rated have -1e\+10 as drop_v"),
        (flash("bounce_make_s", -0.001), "flashes of run rated have -0.001 as bounce_make_s"),
        (flash("on_s", 0.3), "0.3 s on and .* s off, in a period of"),
        (put(3, "steps", 0, "cycles"), r"flashes of run rated: \d+ of them, of 3 cycles"),
        (put(24.0, "supply_v"), "tested at 24 V, but its runs were made at 12.8 V"),
        (put(4.0, "setup", "supply_v"), "a supply of 4 V in a 12 V system"),
        (put(18.0, "steps", 0, "supply_v"), "a supply of 18 V in a 12 V system"),
        (put(13.5, "steps", 0, "supply_v"), "run rated at 13.5 V, which was to be made at 12.8 V"),
        (put(13.5, "setup", "supply_v"), "run rated at 12.8 V, which was to be made at 13.5 V"),
        (put([], "setup", "limits"), "the limit set 'un-r48' was used, but none was asked for"),
        (put(1e13, "setup", "rated_w", 0), r"1e\+13 in the set-up"),
        (put(-1, "setup", "skip"), "-1 in the set-up"),
        (put(-5.0, "procedure", "steps", 0, "seconds"), "-5 in the procedure"),
        (put(1e308, "verdicts", 0, "limit", "high"), r"a limit of 1e\+308 on"),
        (put("2026-11-25", "board", "calibrated"), "a board with its built-in scales, calibrated 2026-11-25"),
    ],
)
def test_figures_of_two_tests_are_refused(change: Callable[[Content], None], says: str) -> None:
    with pytest.raises(RecordError, match=says) as caught:
        from_json(sealed(change))
    assert "it can't be right, and is not shown" in str(caught.value) and "\n" not in str(caught.value)


def test_a_flash_begins_after_the_one_before_it_has_ended() -> None:
    def nearer(content: Content) -> None:
        makes = content["steps"][0]["flashes"]["make_s"]
        makes[3] = makes[2] + 0.001

    with pytest.raises(RecordError, match=r"one begins at .* s, the next 0\.001 s later, in a period of"):
        from_json(sealed(nearer))


@pytest.mark.parametrize(
    ("name", "factor"),
    [("on_ratio", 3.0), ("inrush_first_a", -1.0), ("steady_a", -1.0), ("supply_v", -1.0), ("period_spread", -1e4)],
)
def test_values_that_nothing_has_are_refused(name: str, factor: float) -> None:
    """Also where run and judgement agree on them."""
    with pytest.raises(RecordError, match=rf"is not shown: {re.escape(QUANTITIES[name].title)} of \S+ \S+$"):
        from_json(sealed(of_run(name, factor)))


def test_a_sick_bench_that_read_less_than_nothing_leaves_a_record_that_is_shown() -> None:
    """A board whose counts are upside down, a shunt the wrong way round: the record is what shows it."""
    odd = {**good_values(), "steady_a": estimate(-3.55, "A", 0.02), "supply_v": estimate(-12.8, "V", 0.02)}
    sick = record(odd, bench_faults=(BenchFault("lamp-current", "the lamps take -3.55 A: look at the leads"),))
    assert sick.outcome is Outcome.BENCH_FAULT
    assert from_json(to_json(sick)).measured.values["steady_a"] == odd["steady_a"]
