"""Records of formats 1, 2 and 3 read as records of format 4.

Format 1 kept the worst verdict of a test as its outcome, and beside it a grade and a sentence that could say something else. So only
what was measured and judged is taken over; what is said of the unit is concluded anew, by the rule that all records follow now.

Formats 1 and 2 kept set-up and board as text for people. What those texts say becomes typed; a text that is not known becomes a note.

Format 3 differs from this one in that it carries no check sum, as those before it; the record then says so (`older_format`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal

from bench.grade import NO_GRADE
from bench.measure import FactName, RatingState
from bench.outcome import Case, Outcome, conclude, uphold
from bench.record import BoardRecord, RecordingSource, SimulationRecord, TestRecord
from bench.typed_json import encode

_OF_LETTER = {"A": "good", "B": "good", "C": "good", "R": "not good", NO_GRADE: "not decided"}
_OF_WORST = {"pass": "good", "fail": "not good"}
_TYPED = ("unit", "system_v", "claims", "settings", "board", "procedure")
"""Keys of format 2 whose content is written otherwise now."""
_ENTERED = "entered by hand: "
_IDENTITY = ("maker's word", "model", "serial number", "firmware")
_NEVER = "never; its scales are the built-in ones"


def in_format_4(content: Mapping[str, Any], number: int) -> dict[str, Any]:
    """Return the content of a record of format `number`, 1 to 3, under the keys of format 4. KeyError, TypeError or AttributeError if it
    is no such record. The conclusion of format 1 says nothing but the grade."""
    return {**(dict(content) if number == 3 else _in_format_3(content, number)), "older_format": number}


def _in_format_3(content: Mapping[str, Any], number: int) -> dict[str, Any]:
    content = _in_format_2(content) if number == 1 else content
    kept = {key: value for key, value in content.items() if key not in _TYPED}
    settings, board = dict(content.get("settings", {})), dict(content.get("board", {}))
    recording = RecordingSource(board.pop("recording"), tuple(board.pop("columns").split(", "))) if "recording" in board else None
    made_on = None if recording is not None or not board else board_of_texts(board)
    setup = _setup(content, settings)
    notes = [settings.pop(key) for key in list(settings) if key.startswith("note")]
    left = [f"{key}: {text}" for key, text in (*settings.items(), *board.items())]
    return {
        **kept,
        "setup": setup,
        "procedure": {"name": content["procedure"], "title": "", "text": "", "steps": []},
        "board": encode(made_on),
        "recording": encode(recording),
        "judged_again": None,
        "notes": [*notes, *left],
    }


def board_of_texts(board: dict[str, str]) -> BoardRecord:
    """Return the board that these texts name; those that are understood are taken out of `board`."""
    address = board.pop("address", "")
    simulation = SimulationRecord.of_address(address)
    if "simulated unit" in board:
        simulation = replace(simulation or SimulationRecord(""), unit=board.pop("simulated unit"))
    maker, model, serial, firmware = (board.pop(key, "") for key in _IDENTITY)
    day = board.pop("calibrated", None)
    kind: Literal["built-in", "by meter"] | None = None if day is None else "built-in" if day == _NEVER else "by meter"
    return BoardRecord(address, maker, model, serial, firmware, kind, day if kind == "by meter" else None, simulation)


def _setup(content: Mapping[str, Any], settings: dict[str, str]) -> dict[str, Any]:
    """Return the set-up; the texts that it is read from are taken out of `settings`."""
    facts = content["measured"]["facts"]
    setup = {
        "unit": content["unit"],
        "system_v": content["system_v"],
        "rated_w": _watts(content["rated_load"]),
        "rating_known": RatingState.KNOWN in (settings.pop("rating", None), facts.get(FactName.RATING)),
        "stop_early": settings.pop("stop early", "no") == "yes",
        "claims": content.get("claims", {}),
        "entered": {key.removeprefix(_ENTERED): settings.pop(key) for key in list(settings) if key.startswith(_ENTERED)},
    }
    if volts := _taken(settings, "supply", r"([\d.]+) V"):
        setup["supply_v"] = float(volts[1])
    if mode := _taken(settings, "sample mode", "fast|precise"):
        setup["sample_mode"] = mode[0]
    if counts := _taken(settings, "cycles", r"skip (\d+), average at least (\d+)"):
        setup["skip"], setup["average"] = int(counts[1]), int(counts[2])
    if names := _taken(settings, "limits asked for", ".+"):
        setup["limits"] = [] if names[0] == "none" else names[0].split(", ")
    if bank := _taken(settings, "bank", r"([^:]*): (.*)"):
        setup["bank"] = {"name": bank[1], "title": bank[2], "sockets": [], "system_v": content["system_v"]}
    grade = content["conclusion"]["grade"]
    return setup if grade is None else {**setup, "grade_rule": grade["rule"]}


def _taken(settings: dict[str, str], key: str, pattern: str) -> re.Match[str] | None:
    """Return what the text says, which is then taken out; None for a text of another form."""
    found = re.fullmatch(pattern, settings.get(key, ""), re.DOTALL)
    if found is not None:
        del settings[key]
    return found


def _watts(load: str) -> list[float]:
    """Return `2 x 21 W + 5 W` as watts of each lamp; none if it is not filament lamps alone."""
    watts: list[float] = []
    for part in load.split(" + "):
        found = re.fullmatch(r"(?:(\d{1,2}) x )?(\d+(?:\.\d+)?) W", part)
        if found is None:
            return []
        watts += [float(found[2])] * int(found[1] or 1)
    return watts


def _in_format_2(content: Mapping[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in content.items() if key not in ("outcome", "grade", "reason")}
    said = {"outcome": Outcome.NOT_DECIDED.value, "reason": "", "advice": "", "grade": _grade(content), "basis": ""}
    return {**kept, "verdicts": _verdicts(content["verdicts"]), "conclusion": said, "load": content["rated_load"]}


def conclude_anew(record: TestRecord) -> TestRecord:
    """Return the record with its conclusion. Format 1 tested on the rated load alone, and proved nothing of the bench."""
    known = record.measured.facts.get(FactName.RATING) == RatingState.KNOWN or None
    by_bench = any(fault.text == record.interrupted for fault in record.bench_faults)
    case = Case(record.measured, record.verdicts, record.grade, record.bench_faults, record.interrupted, by_bench, record.load, known)
    conclusion = conclude(case)
    return replace(record, conclusion=conclusion, verdicts=uphold(record.verdicts, conclusion.outcome))


def _verdicts(verdicts: Any) -> list[dict[str, Any]]:
    """Return verdicts, and those inside alternatives, under the new key."""
    renamed = ({"conformity" if key == "outcome" else key: value for key, value in verdict.items()} for verdict in verdicts)
    return [{**verdict, "parts": _verdicts(verdict["parts"])} for verdict in renamed]


def _grade(content: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the grade with what it says of the unit: by its letter, and where a shop had its own, by the worst verdict that it was given
    on."""
    grade = content["grade"]
    if grade is None:
        return None
    says = _OF_LETTER.get(grade["name"]) or _OF_WORST.get(content["outcome"], "not decided")
    # Where a limit is not kept the verdict says so itself; else the grade is the only one to speak.
    charges = grade["because"] if says == "not good" and content["outcome"] != "fail" else []
    return {**grade, "outcome": says, "charges": charges}
