"""The record as JSON and back: format 3, published as `bench/data/schema/record-3.json`. Formats 1 and 2 are still read.

Text in, text out. How the content is written: `bench.typed_json`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from bench.outcome import upheld
from bench.record import RECORD_FORMAT, TestRecord
from bench.record_older import concluded, in_format_3
from bench.typed_json import decode, dumps, encode, loads

SCHEMA = "makebreak-record-3"
_OLDER = (1, 2)


class RecordError(ValueError):
    """Text that is no record this version can read. One line: what was read, where in it, what came, what is allowed."""


def to_json(record: TestRecord) -> str:
    """The record as JSON text, in ASCII, so that no terminal or mail can be hurt by what a label said."""
    return dumps({"schema": SCHEMA, "format": record.format, **encode(record)})


def from_json(text: str, origin: str = "record") -> TestRecord:
    """The record that `to_json` wrote, now or in an older format; `origin` names the text for people. RecordError for anything else."""
    try:
        content = loads(text)
        if not isinstance(content, dict) or "format" not in content:
            raise RecordError("not a record: it must be an object with a format number")
        number = _known_format(content.pop("format"), content.pop("schema", None))
        record: TestRecord = decode(TestRecord, content if number == RECORD_FORMAT else _in_format_3(content, number))
    except json.JSONDecodeError as error:
        raise RecordError(f"{origin}: no record: it is no JSON ({error.msg} in line {error.lineno})") from None
    except RecursionError:
        raise RecordError(f"{origin}: nested too deep to be a record") from None
    except (ValueError, OverflowError) as error:
        raise RecordError(f"{origin}: {error}") from None
    # Files of earlier versions keep verdicts that their own outcome does not uphold.
    return concluded(record) if number == 1 else replace(record, verdicts=upheld(record.verdicts, record.outcome))


def _in_format_3(content: Mapping[str, Any], number: int) -> dict[str, Any]:
    try:
        return in_format_3(content, number)
    except (KeyError, TypeError, AttributeError) as error:
        raise RecordError(f"not a record of format {number}: {error}") from None


def _known_format(number: object, schema: object) -> int:
    if isinstance(number, int) and number > RECORD_FORMAT:
        raise RecordError(f"format {number} is newer than this version reads ({RECORD_FORMAT}): a newer makebreak is needed")
    if isinstance(number, int) and number in (*_OLDER, RECORD_FORMAT) and schema == f"makebreak-record-{number}":
        return number
    raise RecordError(f"got format {number!r} and schema {schema!r}; this version reads {RECORD_FORMAT} and {SCHEMA!r}, or older ones")
