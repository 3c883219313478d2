"""What a capture says of the test that it was made of, and the setup to judge it by again.

Only what is said of the unit and what it is held to may be asked otherwise. What was done with it is done: asking for other lamps, another
supply, system or procedure is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from bench import files
from bench.bank import Bank
from bench.claims import Claims
from bench.errors import CaptureError, TableError
from bench.grade import Rule
from bench.judging.capture_notes import SessionNote, note_of
from bench.limits import LimitSet
from bench.plain import escaped
from bench.ports.replay import NOTE, format_of, read_capture
from bench.procedure import Procedure
from bench.setup import Setup, watts_text


@dataclass(frozen=True)
class Otherwise:
    """What is asked otherwise than the capture says; None and empty: as it says.

    `unit`, `limits`, `grade_rule` (a name or path, or `none`), `claims` and `entered` are taken, the last beside what was entered then. The
    rest must be what was done; that lamps are named makes the rating known. `part_now`: what is kept now of the part that the test was of,
    which changes nothing.
    """

    unit: str | None = None
    limits: tuple[str, ...] | None = None
    grade_rule: str | None = None
    claims: Claims | None = None
    entered: Mapping[str, str] = field(default_factory=dict)
    system_v: float | None = None
    supply_v: float | None = None
    rated_w: tuple[float, ...] | None = None
    lamps: tuple[int, ...] | None = None
    led: bool = False
    bank: Bank | None = None
    procedure: Procedure | None = None
    part_now: Claims | None = None


def read_session(path: str | Path) -> SessionNote | None:
    """Return what the capture says of its test; None if it does not, because it is of format 1 or has no beginning."""
    number = format_of(path)
    for entry in read_capture(path):
        if entry.kind == NOTE:
            note = note_of(entry, Path(path).name, number)
            return note if isinstance(note, SessionNote) else None
    return None


def setup_again(note: SessionNote, name: str, otherwise: Otherwise) -> Setup:
    """Return the setup of the test, to be judged by, with what may be asked otherwise. CaptureError if what was done is asked otherwise.

    `name`: of the capture, for people.
    """
    made = note.setup
    contradicted = _contradicted(note, otherwise)
    if contradicted:
        raise CaptureError(escaped(f"capture {name}: {contradicted}; leave that option out"))
    claims = made.claims if otherwise.claims is None else otherwise.claims
    rated = otherwise.rated_w or claims.rated
    if rated is not None and made.lamps is None and sorted(rated) != sorted(made.rated_w):
        raise CaptureError(f"capture {name}: it was made on {watts_text(made.rated_w)}, not on {watts_text(rated)}; leave that option out")
    try:
        limits, rule = _limits(note, otherwise)
    except TableError as error:
        raise CaptureError(escaped(f"capture {name}: what it is to be judged by is not here: {error}")) from error
    return Setup(
        unit=made.unit if otherwise.unit is None else otherwise.unit,
        system_v=made.system_v,
        rated=made.rated_w if rated is None or made.lamps is None else rated,
        lamps=made.lamps,
        filament=made.filament is not False,
        bank=made.bank or otherwise.bank,
        supply_v=made.supply_v,
        limits=limits,
        grade_rule=rule,
        stop_early=made.stop_early,
        precise=made.sample_mode == "precise",
        zero=bool(made.zero),
        rested_s=made.rested_s or 0.0,
        rating_known=made.rating_known or rated is not None,
        claims=claims,
        entered={**made.entered, **otherwise.entered},
    )


def _limits(note: SessionNote, otherwise: Otherwise) -> tuple[tuple[tuple[str, tuple[LimitSet, ...]], ...], Rule | None]:
    names = note.setup.limits if otherwise.limits is None else otherwise.limits
    rule = (note.setup.grade_rule or "none") if otherwise.grade_rule is None else otherwise.grade_rule
    return tuple(files.named_limits(one) for one in names), None if rule == "none" else files.grade_rule(rule)


def _contradicted(note: SessionNote, otherwise: Otherwise) -> str:
    """Return what is asked against what was done, in words; empty if nothing."""
    made = note.setup
    if otherwise.system_v not in (None, made.system_v):
        return f"it was made of a {made.system_v:g} V unit, not of one for {otherwise.system_v:g} V"
    if otherwise.supply_v not in (None, made.supply_v):
        return f"it was made at {made.supply_v:g} V, not at {otherwise.supply_v:g} V"
    if otherwise.lamps not in (None, made.lamps):
        chosen = "loads chosen by watts" if made.lamps is None else f"loads {', '.join(map(str, made.lamps))}"
        return f"it was made on {chosen}, not on loads {', '.join(map(str, otherwise.lamps or ()))}"
    if otherwise.led and made.filament is not False:
        return "its loads counted as filament lamps"
    if otherwise.bank is not None and made.bank not in (None, otherwise.bank):
        return f"it was made on the bank {made.bank.name if made.bank else ''}, not on {otherwise.bank.name}"
    if otherwise.procedure not in (None, note.procedure):
        asked = otherwise.procedure.name if otherwise.procedure is not None else ""
        changed = ", which has changed since" if asked == note.procedure.name else ""
        return f"it was made by the procedure {note.procedure.name}, not by {asked}{changed}"
    return ""
