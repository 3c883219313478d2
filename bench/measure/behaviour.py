"""What the unit does, as words of the vocabulary: flashing or not, closed or open at rest, what its pilot terminal does."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from bench.cycles import Cycle
from bench.measure.evidence import Counts, Evidence
from bench.measure.vocabulary import PilotState, RestState, UnitBehaviour
from bench.transitions import Transition
from bench.uncertainty import rectangular

CLOSED_AT_REST_S = 0.10  # SAE J2068-1999, after a public summary: closed for less counts as open at rest
_AT_ONCE_S = 5e-3  # a plain contact is closed already, an electronic unit closes after some 1.5 ms (trade handbook)
_AT_ONCE_MOST_S = 50e-3  # units open at rest close after 0.1 s or more, electronic ones within milliseconds (common practice, no source)
# A shorter closing gives no light: a cold 21 W filament has 0.1 % of its light after some 25 ms, 1 % after 39, 10 % after 63 (computed from
# the handbook's filament); the blip of a two-coil relay is of 7 to 12 ms.
_GIVES_LIGHT_S, _LED_GIVES_LIGHT_S = 20e-3, 10e-3
_STAYS_S = 5.0  # a state that lasts this long, and three usual periods, is taken to last
_PILOT: Mapping[tuple[bool, bool], PilotState] = {
    (True, False): PilotState.IN_STEP,
    (False, True): PilotState.ANTIPHASE,
    (True, True): PilotState.STEADY,
    (False, False): PilotState.DEAD,
}
"""Whether the terminal is live while the lamps are lit, and while they are dark."""


@dataclass(frozen=True, slots=True)
class Start:
    """How a unit starts: `light`, `extinction` and `done` are (instant, u) in s of the board's clock, or None if they did not come."""

    rest: RestState
    light: tuple[float, float] | None = None
    extinction: tuple[float, float] | None = None
    done: tuple[float, float] | None = None


def start_of(e: Evidence) -> Start:
    """Return the start as the standards count it (SAE J2068-1999, after a public summary; light and extinction as in UN R48).

    A unit that is closed when voltage comes and stays so for 0.10 s is closed at rest: its start ends at the first opening. Any other
    is open at rest: its start ends with its first full cycle, at the opening after the first light. (A closing of some
    milliseconds at once, as a two-coil relay shows, gives no light.)
    """
    if e.applied is None or not e.starts:
        is_early = e.applied is None or e.end_s - e.applied.t_s < CLOSED_AT_REST_S
        return Start(RestState.UNKNOWN if is_early else RestState.OPEN)
    events = list(e.starts)
    if not events[0].closed:
        return Start(RestState.UNKNOWN)  # its first make was not seen
    after_s = events[0].t_s - e.applied.t_s
    expanded_s = 2.0 * math.hypot(events[0].u_s, events[0].soft_s, e.applied.u_s, rectangular(e.timing.skew_s))
    at_once, unknown = _at_once(after_s, expanded_s)
    blip = at_once and len(events) > 1 and events[1].t_s - events[0].t_s < CLOSED_AT_REST_S
    if at_once and len(events) == 1 and e.end_s - events[0].t_s < CLOSED_AT_REST_S:
        return Start(RestState.UNKNOWN)
    # Beyond doubt long enough for light: a reading that is a mean makes a blip longer.
    light_s = (_GIVES_LIGHT_S if e.conditions.filament else _LED_GIVES_LIGHT_S) + expanded_s + e.timing.sampling_s
    seen = events[2:] if blip and events[1].t_s - events[0].t_s < light_s else events
    done = events[2:] if blip else events
    rest = RestState.OPEN if blip else RestState.UNKNOWN if unknown else RestState.CLOSED if at_once else RestState.OPEN
    return Start(rest, _instant(seen, 0), _instant(seen, 1), _instant(done, 1))


def _at_once(after_s: float, expanded_s: float) -> tuple[bool, bool]:
    """Return whether a unit that closed so long after voltage came, known within expanded_s, closed at once; and whether that can't be
    told."""
    if after_s + expanded_s < _AT_ONCE_S or after_s - expanded_s > _AT_ONCE_S:
        return after_s < _AT_ONCE_S, False
    # Of what a slow instrument sees in one sample the plain reading stands, as long as it excludes every unit that opens late.
    at_once = after_s <= expanded_s <= _AT_ONCE_MOST_S
    return at_once, not at_once


def _instant(events: Sequence[Transition], k: int) -> tuple[float, float] | None:
    return (events[k].t_s, math.hypot(events[k].u_s, events[k].soft_s)) if len(events) > k else None


def behaviour(e: Evidence, counts: Counts) -> UnitBehaviour:
    """Return what the unit does: anything but `IRREGULAR`, which its values decide, and `SHORTED`, which the board's trips show."""
    if e.applied is None and not e.supplied and not e.cycles and e.begun is None and not e.closed_now:
        return UnitBehaviour.NO_SUPPLY if e.has_input else UnitBehaviour.TOO_FEW  # an input that was not recorded may have had its voltage
    usual = median(c.period_s for c in e.cycles) if e.cycles else 0.0
    stays = max(_STAYS_S, 3.0 * usual)
    if e.begun is not None and e.broke is None:
        if e.end_s - e.begun.t_s >= stays:
            return UnitBehaviour.STEADY_ON
    elif e.closed_now:
        # Found closed after a gap: on, for as long as it has been seen.
        if e.end_s - e.state_since_s >= stays:
            return UnitBehaviour.STEADY_ON
    elif e.end_s - e.state_since_s >= stays:
        return UnitBehaviour.ONE_FLASH if not e.cycles and _lit_long(e) else UnitBehaviour.DARK
    if len(e.cycles) + e.cycles_before < counts.skip + counts.average:
        return UnitBehaviour.TOO_FEW
    return UnitBehaviour.FLASHING


def _lit_long(e: Evidence) -> bool:
    return e.begun is not None and e.broke is not None and e.broke.t_s - e.begun.t_s >= CLOSED_AT_REST_S


def pilot_fact(e: Evidence, cycles: Sequence[Cycle], doing: UnitBehaviour) -> PilotState:
    """Return what the pilot terminal does against the lamps; unknown without flashes, unless what the unit is `doing` is to stay lit."""
    on = [c.lit.pilot.value for c in cycles if c.lit.pilot is not None]
    off = [c.dark.pilot.value for c in cycles if c.dark.pilot is not None]
    if not on and doing is UnitBehaviour.STEADY_ON and e.lit_now is not None and e.lit_now.pilot is not None:
        return PilotState.STEADY if e.lit_now.pilot.value > 0.5 * e.conditions.system_v else PilotState.DEAD
    if not on or not off:
        return PilotState.UNKNOWN
    live = 0.4 * e.conditions.system_v
    return _PILOT[median(on) > live, median(off) > live]
