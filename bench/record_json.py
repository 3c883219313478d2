"""The record as JSON and back: format 4, published as `bench/data/schema/record-4.json`. Formats 1 to 3 are still read.

Text in, text out. How the content is written: `bench.typed_json`; its check sum: `bench.record_sum`. A record that was changed after it
was kept, or that contradicts itself (`bench.record_checks`), is refused whole: nothing that it says is passed on.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from bench.errors import RecordError
from bench.outcome import uphold
from bench.record import RECORD_FORMAT, TestRecord
from bench.record_checks import contradiction_in
from bench.record_older import conclude_anew, in_format_4
from bench.record_sum import KEY, sum_of
from bench.record_words import unknown_words
from bench.typed_json import decode, dumps, encode, loads, printable

SCHEMA = "makebreak-record-4"
_OLDER = (1, 2, 3)
_LONGEST = 40


def to_json(record: TestRecord) -> str:
    """Return the record as JSON text with its check sum, in ASCII, so that no terminal or mail can be hurt by what a label said."""
    head, content = {"schema": SCHEMA, "format": record.format}, encode(record)
    return dumps({**head, KEY: sum_of(json.dumps({**head, **content}, allow_nan=False)), **content})


def from_json(text: str, origin: str = "record") -> TestRecord:
    """Return the record that `to_json` wrote, now or in an older format; `origin` names the text for people. RecordError for anything
    else."""
    try:
        content = loads(text)
        if not isinstance(content, dict) or "format" not in content:
            raise RecordError("not a record: it must be an object with a format number")
        number = _known_format(content.pop("format"), content.pop("schema", None))
        if number == RECORD_FORMAT:
            _check_sum(content.pop(KEY, None), text)
        record: TestRecord = decode(TestRecord, content if number == RECORD_FORMAT else _in_format_4(content, number))
        unknown = next(unknown_words(record), "") if number < RECORD_FORMAT else ""
        if number < RECORD_FORMAT and not unknown:
            # Files of earlier versions keep verdicts that their own outcome does not uphold.
            record = conclude_anew(record) if number == 1 else replace(record, verdicts=uphold(record.verdicts, record.outcome))
        if contradiction := unknown or contradiction_in(record):
            raise RecordError(f"it can't be right, and is not shown: {contradiction}")
    except (ValueError, OverflowError) as error:
        raise RecordError(printable(f"{origin}: {error}")) from None
    return record


def _check_sum(stated: object, text: str) -> None:
    if not isinstance(stated, str):
        raise RecordError(f"changed after it was kept: format {RECORD_FORMAT} has its check sum under {KEY!r}, and here it is missing")
    found = sum_of(text)
    if found != stated:
        sums = f"its check sum is {stated[:8]!r}..., its content gives {found[:8]!r}..."
        raise RecordError(f"changed after it was kept ({sums}); nothing of it is shown: use the file as it was kept, or test again")


def _in_format_4(content: Mapping[str, Any], number: int) -> dict[str, Any]:
    try:
        return in_format_4(content, number)
    except (KeyError, TypeError, AttributeError) as error:
        raise RecordError(f"not a record of format {number}: {error}") from None


def _known_format(number: object, schema: object) -> int:
    shown = repr(number)[:_LONGEST]
    if isinstance(number, bool) or not isinstance(number, int | float) or not float(number).is_integer():
        number = None
    elif number > RECORD_FORMAT:
        raise RecordError(f"format {number} is newer than this version reads ({RECORD_FORMAT}): a newer makebreak is needed")
    elif number in (*_OLDER, RECORD_FORMAT) and schema == f"makebreak-record-{number:g}":
        return int(number)
    came = f"got format {shown} and schema {repr(schema)[:_LONGEST]}"
    raise RecordError(f"{came}; this version reads {RECORD_FORMAT} and {SCHEMA!r}, or older ones")
