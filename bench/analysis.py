"""The stream from frames to `Measured`: one object that is fed and asked, in bounded memory.

The result does not depend on how the stream was cut.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import islice
from typing import TypeAlias

from bench.clock import ClockComparison
from bench.comparator import ComparatorWatch
from bench.cycles import Cycle, CycleCutter
from bench.description import BoardDescription, ChannelName
from bench.lamps import cold_conductance
from bench.measure import Conditions, Counts, Evidence, Measured, measure
from bench.measure.flash_table import FlashTable, flash_table
from bench.readings import Reading
from bench.samples import EXACT, Accuracy, Block, Sampler, SwitchEvent, Timing, accuracies
from bench.stillness import Stillness
from bench.supply import SupplyWatch
from bench.transitions import Change, TransitionFinder
from bench.uncertainty import combine, rectangular
from bench.wire import SAMPLES_PER_FRAME, STAMP_MODULUS, EventFrame, Placed, SampleFrame, Sequencer

_CYCLES_KEPT = 5000  # an hour's flashes; memory is bounded
_FRAMES_TOGETHER = 240  # a second's; they are looked at sooner when a result is asked for
STANDARD_COUNTS = Counts()
_FLOOR = 0.3  # of the system voltage: below it there is no supply
_STANDARD_LEAST = 32  # readings of a built-in standard
# With the master switch open nothing flows. A zero may drift by 0.2 A (as far as a drift is not charged to anything) and is off by its u.
_AT_REST: Mapping[str, float] = {ChannelName.I_LOAD: 0.3, ChannelName.I_LOAD_LOW: 0.3, ChannelName.V_DROP: 0.03}  # A, A, V
_ZERO_K = 5.0  # standard uncertainties of the zero

Observer: TypeAlias = Callable[[Block, Sequence[Change]], None]
"""Shown each block as it was sampled, and the changes that it settled (they may lie in blocks before)."""


class Pipeline:
    """Blocks to evidence: transitions found, cycles cut, kept. Both frames and recordings end up here.

    `v_in_v`: a fixed supply, for recordings that lack the input's voltage. `zero_a`: what the zero of the current may be off by beyond
    what a board's fine range shows. `clock_half_width`: relative, of the clock as stated.
    """

    def __init__(
        self,
        channel_accuracies: Mapping[str, Accuracy],
        delays_s: Mapping[str, float],
        conditions: Conditions,
        clock: ClockComparison,
        clock_half_width: float,
        v_in_v: float | None = None,
        timing: Timing = EXACT,
        zero_a: float = 0.0,
    ) -> None:
        self._conditions = conditions
        self._timing = timing
        self._clock = clock
        self._half_width = clock_half_width
        self.finder = TransitionFinder(
            supply_floor_v=_FLOOR * conditions.system_v,
            tau_s=delays_s.get(ChannelName.V_OUT, 0.0),
            noise_v=channel_accuracies[ChannelName.V_OUT].noise if ChannelName.V_OUT in channel_accuracies else 0.0,
            v_in_v=v_in_v,
            stamp_u_s=timing.stamp_u_s,
        )
        self.cutter = CycleCutter(channel_accuracies, delays_s, timing)
        self.supply = SupplyWatch(
            conditions.system_v,
            _cold_ohm(conditions),
            _highest(channel_accuracies, ChannelName.I_LOAD),
            zero_a,
            {n: most + _ZERO_K * channel_accuracies[n].u_zero for n, most in _AT_REST.items() if n in channel_accuracies},
            _highest(channel_accuracies, ChannelName.V_DROP),
            _highest(channel_accuracies, ChannelName.I_LOAD_LOW),
        )
        self.comparator = ComparatorWatch()
        self.cycles: deque[Cycle] = deque(maxlen=_CYCLES_KEPT)
        self.complete = 0
        self.lost_at_start = False
        self.latest: dict[str, float] = {}
        self._temperature: Reading | None = None
        self._interval_s = 0.0
        self._begin_s: float | None = None

    def feed(self, block: Block) -> list[Change]:
        """Take the next block; return the changes that it settles."""
        self._begin_s = block.begin_s if self._begin_s is None else self._begin_s
        changes = self.finder.feed(block)
        self.supply.feed(block)
        self.comparator.feed(block)
        output = block.traces[ChannelName.V_OUT].t_s
        if len(output) > 1:
            self._interval_s = float(output[1] - output[0])
        starting = not self.complete
        self._keep(self.cutter.feed(block, changes, self.finder.settled_s))
        applied = self.cutter.applied
        if block.gap_before and starting and applied is not None and applied.t_s < block.begin_s:
            self.lost_at_start = True
        for name, trace in block.traces.items():
            if len(trace.values):
                self.latest[name] = float(trace.values[-32:].mean())
        if ChannelName.TEMPERATURE in block.traces and len(block.traces[ChannelName.TEMPERATURE].values):
            noise = self.cutter.accuracies[ChannelName.TEMPERATURE].noise
            self._temperature = Reading(float(block.traces[ChannelName.TEMPERATURE].values[-1]), noise, 1)
        return changes

    def finish(self) -> None:
        """Settle what waits for more samples, at the end of a run."""
        empty = Block(self.cutter.now_s, self.cutter.now_s, {})
        self._keep(self.cutter.feed(empty, self.finder.flush()))

    def _keep(self, cycles: Sequence[Cycle]) -> None:
        self.cycles.extend(cycles)
        self.complete += len(cycles)

    def flashes(self) -> FlashTable:
        """Return the complete flashes one by one, as many as are kept."""
        return flash_table(self.evidence(), self._begin_s or 0.0)

    def evidence(
        self, lost_part: float = 0.0, still_s: float = 0.0, standards: Mapping[str, tuple[float, float, float]] | None = None
    ) -> Evidence:
        """Return what the run shows so far, as measuring takes it."""
        cutter = self.cutter
        return Evidence(
            cycles=list(self.cycles),
            cycles_before=self.complete - len(self.cycles),
            cycles_broken=cutter.broken,
            applied=cutter.applied,
            removed=cutter.removed,
            starts=cutter.first,
            first_lit=cutter.first_lit,
            begun=cutter.begun,
            broke=cutter.broke,
            lit_now=cutter.lit_now() or cutter.lit_since(bool(self.finder.closed)),
            dark_now=cutter.dark_now(),
            flow_now_a=cutter.flow_now(),
            closed_now=bool(self.finder.closed),
            state_since_s=cutter.state_since_s,
            now_s=cutter.now_s,
            settled_s=cutter.settled_s,
            rest=cutter.rest,
            accuracies=cutter.accuracies,
            clock=self._clock.estimate(),
            conditions=self._conditions,
            clock_half_width=self._half_width,
            interval_s=self._interval_s,
            lost_at_start=self.lost_at_start,
            temperature=self._temperature,
            dropouts=cutter.dropouts,
            came_again=cutter.came_again,
            supplied=self.finder.supplied,
            supply=self.supply.evidence,
            lost_part=lost_part,
            still_s=still_s,
            comparator_against_s=self.comparator.against_s,
            standards=standards or {},
            timing=self._timing,
        )


def _highest(channel_accuracies: Mapping[str, Accuracy], name: str) -> float:
    """Return the highest reading of a channel, infinite for one that is not there."""
    return channel_accuracies[name].high if name in channel_accuracies else math.inf


def _cold_ohm(conditions: Conditions) -> float | None:
    """Return the resistance of the load's cold filaments in ohm; None if the load is not known or is no filament lamps."""
    if not conditions.lamps_w or not conditions.filament:
        return None
    return 1.0 / cold_conductance(conditions.lamps_w, conditions.system_v)


class Analysis:
    """Frames of one run in, `measured()` out at any time.

    `feed` takes frames as they were decoded, with the host's time of their arrival; frames of a second run are ignored (a run has more than
    one frame of samples). Runs of one board may share a `clock`: each then knows it better. `observer` sees the samples too, for a trace.
    """

    def __init__(
        self,
        description: BoardDescription,
        conditions: Conditions,
        clock: ClockComparison | None = None,
        observer: Observer | None = None,
    ) -> None:
        self._observer = observer
        self._description = description
        self._conditions = conditions
        self._clock = clock if clock is not None else ClockComparison(description.clock_half_width)
        self._clock.begin_run()
        self._sequencer = Sequencer()
        self._sampler = Sampler(description)
        self._stillness = Stillness(description)
        self._pipeline: Pipeline | None = None
        self._waiting: list[Placed] = []
        self._run: int | None = None
        self._last: tuple[int, float] | None = None
        self._samples = 0
        self._checked: dict[str, tuple[float, int]] = {}
        self._before: Mapping[str, int] = {}
        self._rest: dict[str, Reading] = {}
        self._awaited: frozenset[int] | None = None
        self._mixed = False
        self.switches: deque[SwitchEvent] = deque(maxlen=64)

    def feed(self, pieces: Iterable[SampleFrame | EventFrame], arrival_s: float) -> None:
        """Take frames as they were decoded, which arrived together at arrival_s, s of the host's clock."""
        last: Placed | None = None
        for frame in pieces:
            placed = self._sequencer.place(frame)
            if placed is None or not placed.timed:
                continue
            if self._run is None and isinstance(frame, SampleFrame):
                self._run = placed.run
            if self._run is not None and placed.run != self._run:
                if not isinstance(frame, SampleFrame) or self._samples > SAMPLES_PER_FRAME:
                    continue
                self._begin_anew(placed.run)
            if isinstance(frame, SampleFrame):
                last = placed
                self._samples += SAMPLES_PER_FRAME
                self._stillness.add(frame)
                if self._awaited is not None and not self._begins(frame):
                    continue
            self._waiting.append(placed)
        if last is not None:
            # Of the frames that came together the last is the least late.
            period_s = self._description.sample_period_s(self._description.mode_of(last.frame.mode).name)
            self._last = last.stamp + SAMPLES_PER_FRAME - 1, period_s
            self._clock.add(self._last[0] * period_s, arrival_s)
        if len(self._waiting) >= _FRAMES_TOGETHER:
            self.catch_up()

    def _begin_anew(self, run: int) -> None:
        """Begin with another run: the first frame named one that no other names, so it was damaged."""
        self._run, self._samples, self._pipeline = run, 0, None
        self._waiting.clear()

    def compare(self, stamp: int, ticks: int, sent_s: float, received_s: float) -> None:
        """Compare clocks by a stamp with which the board answered a question, sent and answered at these times of the host's clock."""
        if self._last is None:
            return  # nothing of this run has come yet that tells where in it the stamp stands
        last, period_s = self._last
        ahead = (stamp - last + STAMP_MODULUS // 2) % STAMP_MODULUS - STAMP_MODULUS // 2
        self._clock.bracket((last + ahead) * period_s + ticks / self._description.clock_hz, sent_s, received_s)

    def _begins(self, frame: SampleFrame) -> bool:
        """Return whether this frame lies wholly after the switching that was waited for: the first to show it may be mixed."""
        if frame.closed_loads == self._awaited and self._mixed:
            self._awaited = None
            return True
        self._mixed = frame.closed_loads == self._awaited
        return False

    def carry_on(self, conditions: Conditions, loads: frozenset[int], observer: Observer | None = None) -> Analysis:
        """Return the analysis of the same run after `loads` were switched live: it begins with the first frame taken wholly on them.

        It knows the zeros that were read at rest and the board's clock; feed it, and this one no more.
        """
        self.catch_up()
        after = Analysis(self._description, conditions, observer=observer)
        after._sequencer, after._run, after._sampler, after._clock = self._sequencer, self._run, self._sampler, self._clock
        after._last, after._stillness, after._before, after._awaited = self._last, self._stillness, self.totals, loads
        after._rest = self._pipeline_for_range().cutter.rest
        return after

    def catch_up(self) -> None:
        """Look at the frames that wait. Many together cost little more than one."""
        waiting, self._waiting = self._waiting, []
        for item in self._sampler.feed(waiting):
            if isinstance(item, Block):
                for check in self._description.checks:
                    values, (total, n) = item.traces[check.channel].values, self._checked.get(check.channel, (0.0, 0))
                    self._checked[check.channel] = total + float(values.sum()), n + len(values)
                changes = self._pipeline_for_range().feed(item)
                if self._observer is not None:
                    self._observer(item, changes)
            elif isinstance(item, SwitchEvent):
                self.switches.append(item)

    def _pipeline_for_range(self) -> Pipeline:
        if self._pipeline is None:
            self._pipeline = Pipeline(
                accuracies(self._description, self._sampler.range_number),
                {name: channel.delay_s for name, channel in self._description.channels.items()},
                self._conditions,
                self._clock,
                self._description.clock_half_width,
            )
            self._pipeline.cutter.rest |= self._rest
        return self._pipeline

    def measured(self, counts: Counts = STANDARD_COUNTS) -> Measured:
        """Return a snapshot of what the run shows so far."""
        self.catch_up()
        return measure(self._pipeline_for_range().evidence(self._lost_part(), self._stillness.still_s, self._standards()), counts)

    def _standards(self) -> Mapping[str, tuple[float, float, float]]:
        """Return what the built-in standards read in this run, what they should, and how well that is known."""
        found = {}
        for check in self._description.checks:
            total, n = self._checked.get(check.channel, (0.0, 0))
            r = self._description.channels[check.channel].range(self._sampler.range_number)
            if n >= _STANDARD_LEAST:
                u = combine(check.u, r.u_at(check.expected), rectangular(0.5 * r.scale), r.noise / math.sqrt(n))
                found[check.channel] = total / n, check.expected, u
        return found

    def _lost_part(self) -> float:
        """Return the part of the samples of this run that never came, as counted."""
        lost = self.losses["samples_lost"]
        return lost / (lost + self._samples) if lost else 0.0

    def cycles(self) -> Sequence[Cycle]:
        """Return the complete cycles, the newest 5000 at most."""
        self.catch_up()
        return tuple(islice(self._pipeline_for_range().cycles, None))

    def flashes(self) -> FlashTable:
        """Return the same as a table of what was read of each; empty before the first sample."""
        self.catch_up()
        return self._pipeline.flashes() if self._pipeline is not None else FlashTable()

    @property
    def cycles_complete(self) -> int:
        """Number of complete cycles so far."""
        self.catch_up()
        return self._pipeline.complete if self._pipeline is not None else 0

    @property
    def cycles_excluded(self) -> int:
        """Number of cycles left out because samples of them are missing."""
        self.catch_up()
        return self._pipeline.cutter.broken if self._pipeline is not None else 0

    @property
    def contact_closed(self) -> bool | None:
        """Whether the contact is closed; None before that is known."""
        self.catch_up()
        return self._pipeline.finder.closed if self._pipeline is not None else None

    @property
    def highest_a(self) -> float:
        """The highest reading of the current while the unit was on, in A."""
        self.catch_up()
        return self._pipeline.supply.evidence.most_a if self._pipeline is not None else 0.0

    @property
    def stillness(self) -> Stillness:
        """Whether what comes is new."""
        return self._stillness

    @property
    def latest(self) -> Mapping[str, float]:
        """The newest mean value of each channel."""
        self.catch_up()
        return self._pipeline.latest if self._pipeline is not None else {}

    @property
    def losses(self) -> Mapping[str, int]:
        """Duplicates, backwards stamps, missing frames and lost samples, as counted since this analysis began."""
        return {name: count - self._before.get(name, 0) for name, count in self.totals.items()}

    @property
    def totals(self) -> Mapping[str, int]:
        """The same since the board's run began."""
        count = self._sequencer.count
        return {
            "duplicates": count.duplicates,
            "backwards": count.backwards,
            "frames_missing": count.frames_missing,
            "samples_lost": count.samples_lost,
            "frames_out_of_run": count.frames_out_of_run,
        }
