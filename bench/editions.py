"""Editions of what a unit is judged by: everything that a limit set, grade rule or procedure says, so that a later change shows.

A name and a year do not tell whether a number was changed since. So a session keeps what it was judged by place by place, each as text, and
judging the capture again compares that with what the name stands for then.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Literal

from bench.typed_json import encode

Kind = Literal["limit set", "grade rule", "procedure", "claims"]
_NAMED_BY = ("name", "quantity", "fact", "title", "text")
"""What tells an entry of a list from the others, the first that it has; else its number does."""
_NOWHERE = "-"


@dataclass(frozen=True, slots=True)
class Edition:
    """What `name` said: `says` has a text for each place in it. `edition`: of the paper, for a limit set."""

    kind: Kind
    name: str
    edition: str
    says: Mapping[str, str]

    @property
    def sha256(self) -> str:
        """The check sum over all that it says, in hexadecimal digits."""
        return sha256(json.dumps(dict(self.says), sort_keys=True).encode("ascii")).hexdigest()


@dataclass(frozen=True, slots=True)
class Moved:
    """A place that says something else now: `then` and `now` are its texts, `-` where it is not there."""

    place: str
    then: str
    now: str


def edition_of(kind: Kind, name: str, content: Any, edition: str = "") -> Edition:
    """Return the edition of `content`, a dataclass."""
    return Edition(kind, name, edition, dict(_places(encode(content), "")))


def moved_between(then: Edition, now: Edition) -> tuple[Moved, ...]:
    """Return every place whose text differs, in the order of now, and then those that are gone."""
    places = dict.fromkeys((*now.says, *then.says))
    pairs = ((place, then.says.get(place, _NOWHERE), now.says.get(place, _NOWHERE)) for place in places)
    return tuple(Moved(place, was, is_now) for place, was, is_now in pairs if was != is_now)


def _places(content: Any, place: str) -> Iterator[tuple[str, str]]:
    """Yield each text of the content with its place, such as `requirements rate_per_min high`."""
    if isinstance(content, dict):
        for key, item in content.items():
            yield from _places(item, f"{place} {key}".lstrip())
    elif isinstance(content, list):
        taken: set[str] = set()
        for number, item in enumerate(content, 1):
            name = next((str(item[key]) for key in _NAMED_BY if item.get(key)), str(number)) if isinstance(item, dict) else str(number)
            name = name if name not in taken else f"{name} ({number})"
            taken.add(name)
            yield from _places(item, f"{place} {name}")
    elif content not in (None, ""):
        yield place, repr(content).removesuffix(".0") if isinstance(content, float) else str(content)
