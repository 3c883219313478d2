"""What a run has shown so far, and how a channel's reading gets its uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bench.clock import ClockEstimate
from bench.cycles import Cycle, Dark, Lit
from bench.readings import Reading
from bench.samples import EXACT, Accuracy, Timing
from bench.supply import SupplyEvidence
from bench.transitions import SupplyEdge, Transition
from bench.uncertainty import Component, Estimate, type_a


@dataclass(frozen=True, slots=True)
class Conditions:
    """How a run was set up, as far as measuring must know it.

    `lamps_w`: rated watts of each lamp closed, empty if not known. `filament`: all of them are filament lamps (else their current
    says nothing). `supply_low_v` .. `supply_high_v`: where the voltage at the unit's input should be while it is on; `open_v`: what it
    was set to without load. `pilot_w`: rated watts of a tell-tale at the pilot terminal, 0 without one. `other_a`: current in A
    that a load with other things than filament lamps should take, lit; None if that is not known. `wiring_known`: whether leads and
    switches are those of a rig, not anybody's. `loop_ohm`: the most that lies in series from the supply's terminals to the lamps, in
    ohm; where it is not stated, 0.10 (SAE J823) and twice the 0.03 that it may be off by.
    """

    system_v: float = 12.0
    lamps_w: tuple[float, ...] = ()
    filament: bool = True
    supply_low_v: float | None = None
    supply_high_v: float | None = None
    open_v: float | None = None
    pilot_w: float = 0.0
    other_a: float | None = None
    wiring_known: bool = True
    loop_ohm: float = 0.16


@dataclass(frozen=True, slots=True)
class Counts:
    """Which cycles count: after `skip` complete ones, the next `average` or more, up to `at_most`.

    The defaults are those of SAE J945 Feb 1966 para 3, as quoted by NHTSA: after at least five cycles, at least three.
    """

    skip: int = 5
    average: int = 3
    at_most: int | None = None


@dataclass(frozen=True)
class Evidence:
    """All that measuring looks at. Times are of the board's nominal clock; `clock` says how to correct them.

    `clock_half_width`: relative, as the board states it.
    """

    cycles: Sequence[Cycle]
    cycles_before: int  # complete cycles that came before the first of `cycles` and are no longer kept
    cycles_broken: int
    applied: SupplyEdge | None
    removed: SupplyEdge | None
    starts: Sequence[Transition]
    first_lit: Lit | None
    begun: Transition | None
    broke: Transition | None
    lit_now: Lit | None
    dark_now: Dark | None
    flow_now_a: float | None  # mean current while the contact seems open
    closed_now: bool
    state_since_s: float
    now_s: float
    rest: Mapping[str, Reading]
    accuracies: Mapping[str, Accuracy]
    clock: ClockEstimate
    conditions: Conditions
    clock_half_width: float = 0.0
    interval_s: float = 0.0  # from one sample of a channel to its next
    lost_at_start: bool = False
    temperature: Reading | None = None
    dropouts: int = 0  # gaps while lit, too short to be a dark state
    came_again: bool = False  # voltage came to the unit once more after it had gone; of that nothing is read
    supplied: bool = False  # whether there is voltage at the input, seen to come or not
    supply: SupplyEvidence = field(default_factory=SupplyEvidence)
    lost_part: float = 0.0  # of the samples of this run
    standards: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)  # mean reading, what it should be, its u
    still_s: float = 0.0  # for how long in all samples that were there before came again instead of new ones
    settled_s: float = math.inf  # until when changes are known; of slow samples some time before now_s
    comparator_against_s: float = 0.0  # for how long the board's comparator stood against its samples
    timing: Timing = EXACT

    @property
    def is_start_missed(self) -> bool:
        """Whether samples are missing in the start; so its first make, if the first change that was seen is an opening."""
        return self.lost_at_start or (bool(self.starts) and not self.starts[0].closed)

    @property
    def has_input(self) -> bool:
        """Whether the voltage at the unit's input was sampled."""
        return "v_in" in self.accuracies

    @property
    def end_s(self) -> float:
        """The last instant at which the unit was supplied."""
        return self.removed.t_s if self.removed is not None else self.now_s


def systematic_parts(e: Evidence, channel: str, value: float, others: Mapping[str, float] | None = None) -> tuple[Component, ...]:
    """Return what a channel's reading may be off by in the same way every time, with the zero that was taken at rest; nothing if it is
    missing.

    `others`: what other channels read meanwhile, of which this one may show a part; where it lacks one, it is that of a closed contact.
    `value` in the channel's unit.
    """
    if channel not in e.accuracies:
        return ()
    rest = e.rest.get(channel)
    u_at_zero = rest.u if rest is not None and rest_is_zero(e, channel) else None
    return e.accuracies[channel].parts(channel, value, _all_others(e, others), u_at_zero)


def _all_others(e: Evidence, others: Mapping[str, float] | None) -> Mapping[str, float]:
    """Return what channels read meanwhile; those that `others` does not name as with the contact closed."""
    on_v = e.conditions.open_v or e.supply.idle_v or e.conditions.system_v
    return {"v_in": on_v, "v_out": on_v, **(others or {})}


def rest_is_zero(e: Evidence, channel: str) -> bool:
    """Return whether the channel reads 0 with no supply on the unit: currents and the drop do, a voltage may be anything."""
    return channel in ("i_load", "i_load_low", "v_drop") and e.accuracies[channel].zero_at_rest


def correct(e: Evidence, channel: str, value: float, others: Mapping[str, float] | None = None) -> float:
    """Return a reading less the zero taken at rest and the known shares of other channels, `others` as above. (Currents have had their zero
    taken off.) `value` in the channel's unit."""
    if channel not in e.accuracies:
        return value
    read = _all_others(e, others)
    rest = e.rest.get(channel)
    zero = rest.value if rest is not None and channel == "v_drop" and rest_is_zero(e, channel) else 0.0
    return value - zero - sum(share.part * read.get(share.other, 0.0) for share in e.accuracies[channel].common)


def current_channel(e: Evidence, value_a: float) -> str:
    """Return which current range a reading of value_a was taken on."""
    low = e.accuracies.get("i_load_low")
    return "i_load_low" if low is not None and value_a < low.top else "i_load"


def mean_of(readings: Sequence[Reading], unit: str, systematics: tuple[Component, ...], source: str) -> Estimate:
    """Return the mean of the same reading in several cycles: type A from the cycles (or a single one's noise), type B as given."""
    a = type_a([r.value for r in readings])
    random = a.component(f"{source}: scatter of {a.n} cycles") if a.n > 1 else Component(f"{source}: noise", readings[0].u)
    return Estimate(a.mean, unit, (random, *systematics), a.n)


def duration(e: Evidence, seconds: float, parts: Sequence[Component], n: int = 1) -> Estimate:
    """Return a duration of the board's clock, corrected; `parts` are its random components in s."""
    value = seconds * (1.0 + e.clock.rel_error)
    return Estimate(value, "s", (*parts, *clock_components(e, value)), n)


def clock_components(e: Evidence, value: float) -> tuple[Component, ...]:
    """Return what the clock adds to a duration or rate: relative parts of it. `value`: the duration or rate in its unit."""
    return tuple(Component(c.source, abs(value) * c.u, c.dof, c.kind, c.shape) for c in e.clock.parts)
