"""An edge: finds and reads the data files, shipped ones by name and a shop's own by path.

A text that ends in `.toml` or has a separator in it is a path; any other is the name of a shipped file.
Whatever is wrong is a `TableError`, one line for the person who named the file.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.bank import Bank, parse_bank
from bench.errors import IntakeError, RecordError, TableError
from bench.grade import Rule, parse_rule
from bench.instrument import Instrument, parse_instrument
from bench.intake import RECORD_MB, SETTINGS_MB, read_json_text, read_text
from bench.limits import LimitSet, parse_limit_set
from bench.procedure import Procedure, parse_procedure

if TYPE_CHECKING:
    from bench.record import TestRecord

KINDS: Mapping[str, str] = {
    "limits": "limit set",
    "grades": "grade rule",
    "procedures": "procedure",
    "banks": "lamp bank",
    "instruments": "instrument",
}
"""Folders of `bench/data`, and what one file of each is called."""
_DEEPEST = 20  # tables in tables: no settings file has more than four
_MOST_POINTS = 100  # tomllib takes 80 s and 9 GB for one key of 50,000 parts: the square of their number


def shipped(kind: str) -> tuple[str, ...]:
    """Return the names of the shipped files of one of KINDS, sorted."""
    entries = (files("bench") / "data" / kind).iterdir()
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in entries if entry.name.endswith(".toml")))


def is_path(name: str) -> bool:
    """Return whether a name is the path of a file, not a shipped file's name."""
    return name.endswith(".toml") or "/" in name or os.sep in name


def read(kind: str, name: str) -> tuple[Mapping[str, Any], str]:
    """Return the parsed file called `name` (or at that path), and what to call it in messages."""
    origin = f"{KINDS[kind]} {name}"
    source: Path | Traversable
    if is_path(name):
        source = Path(name)
    elif name in shipped(kind):
        source = files("bench") / "data" / kind / f"{name}.toml"
    else:
        raise TableError(f"{origin}: no such name; there are {', '.join(shipped(kind))}, or give the path of a .toml file")
    return toml(source, origin), origin


def toml(source: Path | Traversable, origin: str) -> Mapping[str, Any]:
    """Return the tables of a TOML file. TableError in one line, beginning with `origin`, if it can't be read or is not TOML."""
    try:
        text = read_text(source, SETTINGS_MB) if isinstance(source, Path) else source.read_text(encoding="utf-8")
    except IntakeError as error:
        raise TableError(f"{origin}: cannot be read: {error}") from error
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MOST_POINTS:
            raise TableError(f"{origin}: not TOML of settings: more than {_MOST_POINTS} points in line {number}")
    try:
        content = tomllib.loads(text)
    except RecursionError as error:
        raise TableError(f"{origin}: not TOML: nested too deep") from error
    except ValueError as error:  # also a whole number of more digits than Python reads
        raise TableError(f"{origin}: not TOML: {error}") from error
    if _is_deeper(content, _DEEPEST):
        raise TableError(f"{origin}: nested too deep; no settings file has tables more than {_DEEPEST} deep")
    return content


def _is_deeper(content: Any, most: int) -> bool:
    """Return whether tables and lists lie more than `most` deep."""
    level = [content]
    for _ in range(most):
        items = [item for holder in level for item in (holder.values() if isinstance(holder, dict) else holder)]
        level = [item for item in items if isinstance(item, dict | list)]
        if not level:
            return False
    return True


def limit_sets() -> tuple[LimitSet, ...]:
    """Return every shipped limit set."""
    return tuple(parse_limit_set(*read("limits", name)) for name in shipped("limits"))


def named_limits(name: str) -> tuple[str, tuple[LimitSet, ...]]:
    """Return what `limits.choose` needs for a set, a family or a path: the name to choose by, and the sets to choose from."""
    if is_path(name) or name in shipped("limits"):
        one = parse_limit_set(*read("limits", name))
        if is_path(name) and one.name in shipped("limits") and one != parse_limit_set(*read("limits", one.name)):
            raise _takes_shipped_name("limits", name, one.name)
        return one.name, (one,)
    family = tuple(limit_set for limit_set in limit_sets() if limit_set.family == name)
    if not family:
        families = dict.fromkeys(limit_set.family for limit_set in limit_sets())
        raise TableError(
            f"limit set {name}: no such set or family; there are {', '.join(families)} "
            "(`makebreak limits` shows what each is for), or give the path of a .toml file"
        )
    return name, family


def grade_rule(name: str = "default") -> Rule:
    """Return the grade rule of that name or path. TableError if it can't be used."""
    rule = parse_rule(*read("grades", name))
    if is_path(name) and rule.name in shipped("grades") and rule != parse_rule(*read("grades", rule.name)):
        raise _takes_shipped_name("grades", name, rule.name)
    return rule


def _takes_shipped_name(kind: str, path: str, name: str) -> TableError:
    """Return the error of a file that calls itself as a shipped one and says something else: records and captures hold the name alone, and
    who judges again would take the shipped one for it."""
    what = KINDS[kind]
    return TableError(f"{what} {path}: name: {name!r} is that of a shipped {what}, which differs; give yours a name of its own")


def procedure(name: str) -> Procedure:
    """Return the procedure of that name or path. TableError if it can't be used."""
    return parse_procedure(*read("procedures", name))


def bank(name: str) -> Bank:
    """Return the lamp bank of that name or path. TableError if it can't be used."""
    return parse_bank(*read("banks", name))


def instrument(name: str) -> Instrument:
    """Return the instrument of that name or path. TableError if it can't be used."""
    return parse_instrument(*read("instruments", name))


def banks() -> tuple[Bank, ...]:
    """Return every shipped bank."""
    return tuple(bank(name) for name in shipped("banks"))


def record(path: Path) -> TestRecord:
    """Return the record kept in this file. RecordError, one line that names it, if it can't be read."""
    from bench.record_json import from_json

    try:
        text = read_json_text(path, RECORD_MB)
    except IntakeError as error:
        raise RecordError(f"reading {path}: {error}") from error
    return from_json(text, str(path))
