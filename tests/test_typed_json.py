"""The one codec: files of every kind are written as they always were, and what does not fit is refused in one line."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from bench.calibration import Calibrated, MeterAccuracy, Point
from bench.description import Range
from bench.errors import ContentError
from bench.tui.choices import Choices, load, save
from bench.typed_json import decode_file, encode_file, loads
from bench.upkeep import Calibration, Wanted
from bench.upkeep.calibration_files import keep_calibration
from bench.upkeep.standard_files import KeptReading, append_standard, read_standard

LINE = (
    '{"format": 1, "when": "2026-11-25T10:15:00+01:00", "board": "makebreak,rig-328,SIM00007,1.0-sim", "calibrated": 20261101, '
    '"values": {"drop_v": [0.0653, 0.00041, "V"], "steady_a": [3.5, 0.011, "A"]}}'
)
ENTRY = KeptReading(
    "2026-11-25T10:15:00+01:00", "makebreak,rig-328,SIM00007,1.0-sim", 20261101,
    {"drop_v": (0.0653, 0.00041, "V"), "steady_a": (3.5, 0.011, "A")},
)  # fmt: skip


def test_the_line_of_a_kept_standard_is_as_it_always_was(tmp_path: Path) -> None:
    path = tmp_path / "lamp.jsonl"
    append_standard(path, ENTRY)
    assert path.read_text() == f"{LINE}\n"
    assert read_standard(path) == (ENTRY,)


CHOICES = """\
{
 "format": 1,
 "system_v": 24.0,
 "lamps": [
  2,
  0,
  1
 ],
 "signal_w": 21.0,
 "led": false,
 "bank": "",
 "claims": {
  "part": "",
  "system_v": null,
  "rated": null,
  "load": null,
  "terminals": 3,
  "pilot": "in step",
  "pilot_lamp_out": null,
  "outage": null,
  "led": null,
  "trailer": true
 },
 "procedure": "quick",
 "limits": [
  "un-r48"
 ],
 "grade_rule": "none",
 "precise": false,
 "zero": true,
 "stop_early": false
}
"""


def test_the_file_of_choices_is_as_it_always_was(tmp_path: Path) -> None:
    path = tmp_path / "choices.json"
    path.write_text(CHOICES)
    kept, note = load(path)
    choices = kept.choices
    assert (choices.system_v, choices.lamps, choices.claims.pilot, choices.claims.trailer, note) == (24.0, (2, 0, 1), "in step", True, "")
    path.unlink()
    save(path, kept)
    assert path.read_text() == CHOICES


def test_a_range_that_could_not_be_calibrated_has_no_uncertainty_in_its_file(tmp_path: Path) -> None:
    """No uncertainty is infinite there, for no JSON has that; every other number stands as it is."""
    built_in = Range(0, 16.0, 3.5e-4, -1.0, 18.0, 1e-3, 2e-3, 1e-4, 5e-4)
    refused = Calibrated("v_in", built_in, built_in, 12.8, 0.014, math.inf, "too few points")
    found = Calibration(
        "makebreak,rig-328,SIM00007,1.0-sim", 20261125, Wanted({"V": MeterAccuracy(5e-4, 2e-3)}),
        {"v_in": (Point(12.799, 1e-4, 12.8, True),)}, (refused,), None, ("a remark",), ("CAL:CLE",),
    )  # fmt: skip
    content = json.loads(keep_calibration(tmp_path, found, "2026-11-25T10:15:00+01:00", "test").read_text())
    (channel,) = content["channels"]
    assert (channel["u_before"], channel["u_after"], channel["refused"]) == (0.014, None, "too few points")
    assert (content["points"]["v_in"][0]["should"], content["wanted"]["meters"]["V"], content["clock"]) == (
        12.8, {"part": 5e-4, "rest": 2e-3}, None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "it is no JSON (Expecting value in line 1)"),
        (b"\xff", "it is no JSON ('utf-8' codec can't decode byte 0xff in position 0: invalid start byte)"),
        ("[" * 100_000, "it is nested too deep"),
        ('{"a": NaN}', "NaN is not a number that a record may hold"),
        ('{"a": 1, "a": 2}', "a is there twice"),
        ("9" * 5000, "it is no JSON (Exceeds the limit"),
    ],
)
def test_text_that_is_no_json_is_refused_in_one_line(text: str | bytes, says: str) -> None:
    with pytest.raises(ContentError) as refused:
        loads(text)
    assert str(refused.value).startswith(says) and "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ([], "got []; it must be an object"),
        ({"format": 2}, "format: got 2; it must be 1, the one that this version reads"),
        ({"format": True}, "format: got True; it must be 1, the one that this version reads"),
        ({"format": 1, "colour": "red"}, "colour is not part of this format"),
        ({"format": 1, "led": 1}, "led: got 1; it must be true or false"),
        ({"format": 1, "lamps": [2, 0]}, "lamps: got [2, 0]; it must be a list of 3"),
    ],
)
def test_the_content_of_a_file_is_refused_with_the_place_in_it(content: Any, says: str) -> None:
    with pytest.raises(ContentError) as refused:
        decode_file(Choices, content, 1)
    assert str(refused.value) == says
    assert decode_file(Choices, encode_file(Choices(led=True), 1), 1) == Choices(led=True)
