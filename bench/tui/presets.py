"""Kinds of unit: a whole set-up for each, as a shop meets them (common practice, no source; what is marked on the unit decides)."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench import defaults
from bench.claims import Claims
from bench.tui.choices import AS_DESCRIBED, Choices


@dataclass(frozen=True, slots=True)
class Preset:
    """`title`: the kind; `means`: how it is known, and what it sets; `choices`: system, lamps, load, bank, claims, procedure and limits."""

    title: str
    means: str
    choices: Choices

    def applied(self, now: Choices) -> Choices:
        """The choices of now with this kind of unit: how it is sampled, zeroed and graded stays."""
        kind = self.choices
        return replace(
            now, system_v=kind.system_v, lamps=kind.lamps, signal_w=kind.signal_w, led=kind.led, bank=kind.bank, claims=kind.claims,
            procedure=kind.procedure, limits=kind.limits,
        )  # fmt: skip


def _kind(
    title: str, means: str, claims: Claims, *, lamps: tuple[int, int, int] = (2, 0, 0), limits: tuple[str, ...] = ("un-r48",),
    system_v: float = 12.0, signal_w: float = 21.0, bank: str = AS_DESCRIBED, led: bool = False,
) -> Preset:  # fmt: skip
    choices = Choices(system_v, lamps, signal_w, led, bank, claims, defaults.PROCEDURE, limits)
    return Preset(title, means, choices)


_FIXED = Claims(terminals=2, load="fixed")
_ANY_LOAD = Claims(terminals=2, load="variable")
PRESETS = (
    _kind("12 V turn, thermal, 2 x 21 W", "two terminals, for its rated lamps alone", _FIXED),
    _kind(
        "12 V turn, electronic, 2 x 21 W + 5 W", "supply, lamps and earth; its rate shows a lamp out",
        Claims(terminals=3, pilot="none", load="fixed", outage=True), lamps=(2, 0, 1),
    ),
    _kind(
        "12 V turn, electronic, tell-tale", "four terminals; its tell-tale is in step, its rate shows a lamp out",
        Claims(terminals=4, pilot="in step", load="fixed", outage=True),
    ),
    _kind("12 V turn and hazard, any load", "two terminals, made for any number of lamps", _ANY_LOAD),
    _kind(
        "12 V hazard, 4 x 21 W", "all lamps of the car at once; fit a bank of four 21 W lamps", _ANY_LOAD,
        lamps=(4, 0, 0), limits=("sae-j945",),
    ),
    _kind("12 V US turn, 2 x 27 W", "for 27 W lamps: fit the bank 2x27", _FIXED, signal_w=27.0, bank="2x27", limits=("us-turn",)),
    _kind(
        "12 V US hazard, 4 x 21 W", "made for any number of lamps; fit a bank of four 21 W lamps", _ANY_LOAD,
        lamps=(4, 0, 0), limits=("us-hazard",),
    ),
    _kind("12 V motorcycle, 2 x 21 W", "two terminals, for its rated lamps alone", _FIXED, limits=("un-r53",)),
    _kind("12 V for LED lamps", "must flash on LED lamps and leave them dark; fit the bank led", Claims(led=True), bank="led", led=True),
    _kind(
        "24 V lorry turn with trailer", "supply, lamps and earth; flashes on with the lamp of a trailer",
        Claims(terminals=3, pilot="none", trailer=True), system_v=24.0,
    ),
    _kind("6 V turn, thermal, 2 x 18 W", "old cars and motorcycles; fit the bank 2x18", _FIXED, system_v=6.0, signal_w=18.0, bank="2x18"),
)  # fmt: skip
