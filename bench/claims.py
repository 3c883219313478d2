"""What a unit is said to be, once for a part number, and what that makes of it: functions that it must show.

A file of claims is TOML, format 1; whatever it leaves out is not known, and what is not known is not judged. `claims_set` turns claims
into a limit set, so that a function is judged, graded and shown like any limit; its basis is `own`: what the shop says of the part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from bench.limits import Averaging, FactLimit, Limit, LimitSet, Source
from bench.measure import FactName, LampOutSign, PilotState, UnitBehaviour
from bench.table import Table, top_table

FORMAT = 1
CLAIMS = "claims"
"""Name of the limit set that claims make."""
SYSTEMS_V = (6, 12, 24)
PILOTS = ("in step", "antiphase", "none")
RATE_PER_MIN = (60.0, 120.0)
"""Flashes a minute, with whatever lamps a unit is said to be for."""
R48 = Source("read", "UN R48, direction indicators, in a public copy", note="90 +- 30 per minute")
LED_DARK_A = 0.010
"""A: an LED lamp in place of a filament lamp should stay dark below this (rules for such lamps, after a public summary)."""


@dataclass(frozen=True, slots=True)
class Claims:
    """What a part is said to be; None where nothing is known.

    `rated`: watts of each lamp that it is for, on one side of the car. `load`: `fixed` (its rate shows a lamp out, and a trailer upsets
    it) or `variable` (it flashes with a lamp out and with a trailer's). `terminals`: 2, 3 or 4 (the third may be a pilot or an earth);
    `pilot`: what the pilot terminal does, `none` if there is no such terminal; `pilot_lamp_out`: what it does with a lamp out. `outage`: it
    signals a lamp out. `led`: it is for LED lamps. `trailer`: it is for a trailer's lamp too.
    """

    part: str = ""
    system_v: float | None = None
    rated: tuple[float, ...] | None = None
    load: Literal["fixed", "variable"] | None = None
    terminals: int | None = None
    pilot: Literal["in step", "antiphase", "none"] | None = None
    pilot_lamp_out: Literal["in step", "dead"] | None = None
    outage: bool | None = None
    led: bool | None = None
    trailer: bool | None = None

    @property
    def facts(self) -> Mapping[str, str]:
        """Facts that no rig sees: a unit without a pilot terminal has none to look at."""
        return {FactName.PILOT: PilotState.ABSENT} if self.pilot == "none" or (self.pilot is None and self.terminals == 2) else {}


def parse_claims(content: Mapping[str, Any], origin: str) -> Claims:
    """Return the claims from the parsed TOML of one file, TableError in one line otherwise; `origin` names the file for people."""
    top = top_table(content, origin, FORMAT)
    claims = Claims(
        part=top.text("part", ""),
        system_v=top.number("system_v"),
        rated=top.numbers("rated") if "rated" in top else None,
        load=_word(top, "load", ("fixed", "variable")),  # type: ignore[arg-type]
        terminals=top.whole("terminals", 2) if "terminals" in top else None,
        pilot=_word(top, "pilot", PILOTS),  # type: ignore[arg-type]
        pilot_lamp_out=_word(top, "pilot_lamp_out", ("in step", "dead")),  # type: ignore[arg-type]
        outage=_yes(top, "outage"),
        led=_yes(top, "led"),
        trailer=_yes(top, "trailer"),
    )
    top.done()
    if wrong := impossible_in(claims):
        key, _, what = wrong.partition(": ")
        raise top.error(key, what)
    if wrong := contradiction_in(claims):
        raise top.error("pilot", wrong)
    return claims


def impossible_in(claims: Claims) -> str:
    """Return the name of a claim whose number no unit can have, what came and what is allowed; empty if there is none."""
    if claims.system_v is not None and claims.system_v not in SYSTEMS_V:
        return f"system_v: got {claims.system_v:g}; it must be one of {', '.join(map(str, SYSTEMS_V))}"
    if claims.rated is not None and (not claims.rated or not all(0.0 < w <= 100.0 for w in claims.rated)):
        return f"rated: got {list(claims.rated)}; it must be the watts of each lamp, such as [21, 21]"
    if claims.terminals not in (None, 2, 3, 4):
        return f"terminals: got {claims.terminals}; it must be 2, 3 or 4"
    return ""


def contradiction_in(claims: Claims) -> str:
    """Return what two claims say against each other, in words; empty if nothing."""
    if claims.terminals == 2 and claims.pilot in (PilotState.IN_STEP, PilotState.ANTIPHASE):
        return f"got {claims.pilot!r} for two terminals; a pilot is a third one"
    if claims.facts and claims.pilot_lamp_out is not None:
        return f"no pilot terminal, and {claims.pilot_lamp_out!r} with a lamp out; one of the two is wrong"
    return ""


def claims_text(claims: Claims) -> str:
    """Return the claims as TOML text, in which only what is known stands."""
    lines = [f"format = {FORMAT}"]
    for key, value in (
        ("part", claims.part or None), ("system_v", claims.system_v), ("rated", claims.rated), ("load", claims.load),
        ("terminals", claims.terminals), ("pilot", claims.pilot),
        ("pilot_lamp_out", claims.pilot_lamp_out), ("outage", claims.outage), ("led", claims.led),
        ("trailer", claims.trailer),
    ):  # fmt: skip
        if value is not None:
            lines.append(f"{key} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return f"[{', '.join(f'{item:g}' for item in value)}]"
    if isinstance(value, float | int):
        return f"{value:g}"
    plain = (c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in str(value))
    return f'"{"".join(plain)}"'


def _word(table: Table, key: str, allowed: tuple[str, ...]) -> str | None:
    return table.choice(key, allowed) if key in table else None


def _yes(table: Table, key: str) -> bool | None:
    return table.flag(key) if key in table else None


def facts_asked(claims: Claims) -> Mapping[str, tuple[str, ...]]:
    """Return the words that these claims allow of each fact they ask for."""
    return {limit.fact: limit.allowed for limit in _asked(claims) if isinstance(limit, FactLimit)}


def _asked(claims: Claims) -> list[Limit | FactLimit]:
    said = Source("own", f"what part {claims.part} is said to be" if claims.part else "what the unit is said to be")
    asked: list[Limit | FactLimit] = []
    if claims.pilot in (PilotState.IN_STEP, PilotState.ANTIPHASE):
        asked.append(FactLimit(FactName.PILOT, (claims.pilot,), f"tell-tale {claims.pilot} with the lamps", said))
    elif claims.facts:
        asked.append(FactLimit(FactName.PILOT, (PilotState.ABSENT,), "no pilot terminal", said))
    if claims.pilot_lamp_out is not None:
        title = f"tell-tale {claims.pilot_lamp_out} with a lamp out"
        asked.append(FactLimit(FactName.PILOT_LAMP_OUT, (claims.pilot_lamp_out,), title, said))
    # A unit for a fixed load shows a lamp out by its rate, whether or not it was made to.
    if claims.outage or (claims.outage is False and claims.load != "fixed"):
        word = LampOutSign.SHOWN if claims.outage else LampOutSign.NOT_SHOWN
        asked.append(FactLimit(FactName.LAMP_OUT, (word,), f"a lamp out is {word}", said))
    if claims.load == "variable":
        asked.append(FactLimit(FactName.OUTAGE, (UnitBehaviour.FLASHING,), "flashes with one lamp out", said))
    if claims.load == "variable" or claims.trailer:
        asked.append(FactLimit(FactName.TRAILER, (UnitBehaviour.FLASHING,), "flashes with a further lamp", said))
        asked.append(Limit("trailer_rate_per_min", *RATE_PER_MIN, "1/min", R48))
    if claims.led:
        asked.append(Limit("dark_a", None, LED_DARK_A, "mA", said))
    return asked


def claims_set(claims: Claims, averaging: Averaging) -> LimitSet | None:
    """Return the limit set of the functions that these claims ask for; None if they ask for none. `averaging`: as the other sets do it."""
    asked = _asked(claims)
    if not asked:
        return None
    return LimitSet(
        name=CLAIMS, title="what the unit is said to be", family=CLAIMS, edition="as entered", body="the shop", rest="any",
        load=claims.load or "any", lamps=None, averaging=averaging, requirements=tuple(asked),
    )  # fmt: skip
