"""What notebooks give and cannot be meant is refused in one line, before any file is read or any board opened."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import bench
from bench import arguments
from bench.errors import AddressError, RecordingError, SetupError, TableError

PLAIN = Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv"
TYPED = (SetupError, TableError, RecordingError, AddressError)
NOTHING_OF_ANY: list[Any] = [5j, object(), b"x", {1, "a"}, np.zeros((2, 2)), pd.DataFrame({"a": [1]}), lambda: 1, "\x1b[31m", 10**400]
OF_JUDGE: dict[str, list[Any]] = {
    "recording": [None, 5, {}, b"scope.csv", [None], True, ""],
    "unit": [5, True, [], "x" * 101, "\u202eabc"],
    "procedure": [5, [], "", "a\nb"],
    "rated": ["2x21", 21, [], ["21"], [None], [math.nan], [-21.0], [0], [True], [[21]], {21: 21}, [21] * 17, [1e308]],
    "lamps": ["1,2", 1, [], [0], [9], [1.5], [True], [None]],
    "fitted": ["2x21", 21, [0], [math.nan], [-21.0]],
    "filament": [None, 1, "yes", []],
    "bank": [5, [], ""],
    "system_v": ["12", 0, 13, math.nan, True],
    "supply_v": ["12.8", math.inf, -1, []],
    "limits": [5, [5], [None], ["a\nb"], {"x": 1}, ""],
    "grade_rule": [5, [], "a\nb"],
    "facts": ["pilot=absent", ["pilot"], {"pilot": 5}, {5: "absent"}],
    "part": [5, [], ""],
    "claims": [
        "pilot=in-step", ["pilot"], {"mood": "good"}, {5: 1}, {"rated": "2x21"}, {"rated": []}, {"terminals": "3"}, {"terminals": 7},
        {"terminals": 2.5}, {"outage": "yes"}, {"load": "x"}, {"part": 5}, {"system_v": "12"}, {"terminals": 2, "pilot": "in step"},
    ],
    "parts_folder": [None, 5, ""],
    "names": ["CH1=v_in_V", {"CH1": 5}, [("CH1", "v_in_V")]],
    "window_s": [None, 5, "1:2", (1,), (1, 2, 3), ("a", "b"), (math.nan, 1), (2, 1)],
    "rate_hz": ["1000", 0, -5, math.nan, 1e300],
    "instrument": [None, 5, [], ""],
}  # fmt: skip
OF_TEST: dict[str, list[Any]] = {
    "address": [None, 5, "", b"auto"],
    "procedure": [None, 5],
    "limits": [None, 5, "u n"],
    "stop_early": [1, "yes"],
    "rested_s": [None, "5", -1, math.nan, 1e300],
    "operator": [5, "me"],
    "progress": [5, "print"],
    "cancelled": [False, 5],
    "rated": ["2x21"],
    "claims": [{"mood": "good"}],
}


@pytest.mark.parametrize("name", OF_JUDGE)
def test_judge_refuses_what_cannot_be_meant(name: str) -> None:
    for wrong in [*OF_JUDGE[name], *NOTHING_OF_ANY]:
        with pytest.raises(TYPED) as refused:
            bench.judge(**({"recording": PLAIN} | {name: wrong}))
        said = str(refused.value)
        assert said.isprintable() and len(said) < 600, (wrong, refused.value)


@pytest.mark.parametrize("name", OF_TEST)
def test_test_refuses_what_cannot_be_meant(name: str) -> None:
    for wrong in [*OF_TEST[name], 5j, object()]:
        with pytest.raises(TYPED) as refused:
            bench.test(**({"address": "sim://NONE"} | {name: wrong}))
        assert str(refused.value).isprintable(), (wrong, refused.value)


def test_the_line_says_what_came_and_what_is_allowed() -> None:
    with pytest.raises(SetupError) as refused:
        bench.judge(PLAIN, rated="2x21")  # type: ignore[arg-type]
    assert str(refused.value) == "rated: got '2x21' (str); it must be the watts of 1 to 16 lamps, such as [21, 21]"


def test_what_is_meant_is_taken() -> None:
    """Numbers of numpy, paths, a limit set by itself."""
    assert arguments.watts("rated", np.array([21.0, 5])) == (21.0, 5.0)
    assert arguments.loads("lamps", np.array([2, 1, 2])) == (1, 2)
    assert arguments.number("system_v", np.float32(12.0)) == 12.0
    assert arguments.window("window_s", [2, None]) == (2.0, math.inf)
    assert arguments.texts("limits", "un-r48") == ("un-r48",)
    assert arguments.texts("limits", [Path("my.toml"), "un-r48"]) == ("my.toml", "un-r48")
    assert arguments.claimed({"rated": [21, 21], "terminals": 3, "pilot": "in step", "outage": None})["rated"] == (21.0, 21.0)
    assert arguments.unit_number("unit", " 47\t11\n") == "47 11"
    result = bench.judge(str(PLAIN), unit="", grade_rule=None, rated=iter([21, 21]), limits="un-r48")
    assert (result.record.unit, result.record.rated_load, result.record.grade) == ("unnamed", "2 x 21 W", None)
