"""What a test is judged by, as its capture keeps it; and how that compares with what the same names stand for when it is judged again."""

from __future__ import annotations

from collections.abc import Iterable

from bench import files
from bench.claims import Claims
from bench.editions import Edition, edition_of, moved_between
from bench.judging.capture_notes import SessionNote
from bench.record import Compared
from bench.setup import Setup

_MOST_KEPT = 500_000
"""Characters: a note has 1 MB at the most, and the shipped sets have 15,000 each."""


def judged_by(setup: Setup) -> tuple[Edition, ...]:
    """Return the editions of all limit sets that a test of this setup may be judged by, and of its grade rule."""
    sets = {one.name: edition_of("limit set", one.name, one, one.edition) for _, some in setup.limits for one in some}
    rule = setup.grade_rule
    return (*sets.values(), *(() if rule is None else (edition_of("grade rule", rule.name, rule),)))


def kept_in_note(setup: Setup) -> tuple[Edition, ...] | None:
    """Return what the first note of a capture keeps of them; None if they say more than it can hold."""
    kept = judged_by(setup)
    return kept if sum(len(place) + len(text) for one in kept for place, text in one.says.items()) <= _MOST_KEPT else None


def compared(note: SessionNote, setup: Setup, part: Claims | None = None) -> tuple[Compared, ...] | None:
    """Return what the test was first judged by, against what its names stand for now: in `setup`, by which it is judged again, else in what
    is shipped. None if the capture does not keep that.

    Procedure and claims of the test hold in any case: they are named only where they differ from the shipped one, and from what is kept of
    the `part` now.
    """
    if note.judged_by is None:
        return None
    asked = {(now.kind, now.name): now for now in judged_by(setup)}
    found = [_against(then, asked.get((then.kind, then.name)) or _shipped(then)) for then in note.judged_by]
    return (*found, *(one for one in _done_otherwise(note, part) if one.moved))


def _done_otherwise(note: SessionNote, part: Claims | None) -> Iterable[Compared]:
    name, claims = note.procedure.name, note.setup.claims
    if name in files.shipped("procedures"):
        then = edition_of("procedure", name, note.procedure)
        yield _against(then, edition_of("procedure", name, files.procedure(name)))
    if part is not None:
        yield _against(edition_of("claims", claims.part, claims), edition_of("claims", claims.part, part))


def _against(then: Edition, now: Edition | None) -> Compared:
    if now is None:
        return Compared(then.kind, then.name, then.edition, then.sha256, None, None)
    return Compared(then.kind, then.name, then.edition, then.sha256, now.edition, now.sha256, moved_between(then, now))


def _shipped(then: Edition) -> Edition | None:
    """Return what is shipped under the name; None if nothing is."""
    if then.kind == "limit set" and then.name in files.shipped("limits"):
        (one,) = files.named_limits(then.name)[1]
        return edition_of("limit set", one.name, one, one.edition)
    if then.kind == "grade rule" and then.name in files.shipped("grades"):
        return edition_of("grade rule", then.name, files.grade_rule(then.name))
    return None
