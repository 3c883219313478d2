"""An edge: what parts are said to be, entered once for a part number and kept in a file each, in a folder beside the records.

The file is TOML as `bench.claims` reads it, so it may be written by hand too. Whatever is wrong is a `TableError`, one line for people.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

from bench.claims import Claims, claims_text, contradiction_in, impossible_in, parse_claims
from bench.errors import TableError
from bench.files import toml
from bench.keeping import make_folder, write_whole

FOLDER = Path("parts")
"""Beside `records`."""
LONGEST = 60
"""Characters of a part number."""
_LONGEST_NAME = 100
# Names that Windows keeps for its devices, whatever comes after the point.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)


def part_number(text: str) -> str:
    """Return the number without blanks around it, and none doubled inside. TableError if it can be no part number."""
    number = " ".join(text.split())
    if not number or len(number) > LONGEST or not number.isprintable():
        raise TableError(f"part {number[:LONGEST]!r}: a part number has 1 to {LONGEST} characters, all of them printable")
    return number


def part_path(folder: Path, number: str) -> Path:
    """Return the file of this part: letters, digits, - and _ of its number stay, everything else is written as %XX."""
    name = quote(number, safe="").replace(".", "%2E").replace("~", "%7E")
    if _DEVICES.fullmatch(name):
        name = f"%{ord(name[0]):02X}{name[1:]}"
    if len(name) > _LONGEST_NAME:
        name = f"{name[:_LONGEST_NAME]}~{hashlib.sha256(number.encode()).hexdigest()[:16]}"
    return folder / f"{name}.toml"


def keep_part(folder: Path, claims: Claims) -> Path:
    """Write the file of the part `claims.part` over the one before, whole or not at all, and return its path."""
    path = part_path(folder, part_number(claims.part))
    _refuse_contradiction(claims, f"keeping part {claims.part!r}")
    make_folder(folder)
    if path.exists() and (before := _read(path).part) != claims.part:
        raise TableError(f"keeping part {claims.part!r}: {path} is the file of part {before!r} already; remove or rename that file")
    try:
        write_whole(path, claims_text(claims))
    except OSError as error:
        raise TableError(f"keeping part {claims.part!r} in {path}: {error.strerror or error}; name a folder that can be written") from error
    return path


def read_part(folder: Path, text: str) -> Claims:
    """Return what is kept of the part. TableError if nothing is, which says how to enter it, or if its file cannot be used."""
    number = part_number(text)
    path = part_path(folder, number)
    if not path.is_file():
        how = f"makebreak part {_argument(number)} --rated 2x21 --terminals 3 ..."
        raise TableError(f"part {number!r}: nothing is kept of it in the folder {folder}; enter what it is said to be: {how}")
    claims = _read(path)
    if claims.part != number:
        raise TableError(f"part {number!r}: {path} says that it is of part {claims.part!r}; correct or remove that file")
    return claims


def claims_for(folder: Path, part: str | None, said: Mapping[str, Any], known: Claims | None = None) -> Claims:
    """Return what is kept of the part, or `known` if none is named, with what is `said` beside it: fields of `Claims` by name."""
    claims = replace(known or Claims() if part is None else read_part(folder, part), **said)
    _refuse_contradiction(claims, "taking what the unit is said to be")
    return claims


def _refuse_contradiction(claims: Claims, doing: str) -> None:
    if wrong := impossible_in(claims):
        raise TableError(f"{doing}: {wrong}")
    if wrong := contradiction_in(claims):
        raise TableError(f"{doing}: pilot: {wrong}")


def has_part(folder: Path, text: str) -> bool:
    """Return whether anything is kept of the part."""
    return part_path(folder, part_number(text)).is_file()


def all_parts(folder: Path) -> tuple[Claims, ...]:
    """Return what is kept of every part, by number; nothing if there is no such folder."""
    try:
        paths = sorted(folder.glob("*.toml"))
    except OSError as error:
        raise TableError(f"reading parts in {folder}: {error.strerror or error}") from error
    return tuple(sorted((_read(path) for path in paths), key=lambda claims: claims.part))


def _read(path: Path) -> Claims:
    origin = f"part file {path}"
    return parse_claims(toml(path, origin), origin)


def _argument(number: str) -> str:
    """Return the number as one argument of a command line."""
    return number if re.fullmatch(r"[\w.+/-]+", number) and not number.startswith("-") else '"' + number.replace('"', '\\"') + '"'
