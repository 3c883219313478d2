"""Blocks to what supply and sense leads show under load, from every sample of a run: whatever the unit does, the bench is looked at.

Strategy. Cycles say nothing of a bench so ill that no cycle can be cut. So the samples themselves are looked at: how far the input falls
for each ampere (a stiff supply falls by its lead's 0.1 ohm), and for how long the voltages contradict the circuit: an output above its
input, or a current with no voltage that could drive it. Before the master switch closes nothing can flow and nothing feeds the input; an
open contact has the drop beyond its range. Only times are kept, so memory is bounded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from bench.description import ChannelName
from bench.samples import Array, Block, Trace

Flags: TypeAlias = npt.NDArray[np.bool_]

_LOADED_A = 2.0  # below it a fall of some tens of mV is noise
# More than any sound unit's dark current: 0.33 A of a hot wire for 12 V, twice that for 6 V (trade handbook, computed).
_FLOWS_A, _IDLE_A = 0.6, 0.45
_FINE_A = 3.0  # below it the finer range is read
_MOVED_V, _MOVED_A = 0.05, 0.15  # from sample to sample, of the system voltage, and of 1 A and the current: more is an edge
# Both ranges of the current are compared where it stands still, by that part of 1 A and the current, within that part of the narrow range.
_STILL, _WITHIN = 0.03, 0.9
_ABOVE, _GONE = 0.3, 0.15  # of the system voltage: above it there is a supply, below it none
_SHOWS = 0.8  # of its highest reading: what the drop must show at least where it is far beyond that
_NOTHING = 1.0 / 3.0  # of what cold lamps would show: no load conducts better than that
_UNKNOWN_LOAD_A, _UNKNOWN_LOAD = 2.4, 0.05  # where the load is not known: the current asked for, and the part of the input voltage


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """What a board showed before its master switch was closed, for `span_s`: `read_s`, by channel, for how long it read something that
    can't be there; `input_v`: first and lowest reading of the unit's input, None without one."""

    span_s: float = 0.0
    read_s: Mapping[str, float] = field(default_factory=dict)
    input_v: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class SupplyEvidence:
    """What a run has shown of supply and leads so far.

    `loaded`: input voltage in V and current in A of the sample where the input stood lowest under more than 2 A, None if there was none.
    `idle_v`: highest input voltage without load. `most_a`: highest reading of the current while the master switch was closed. Then, in s:
    `swapped_s`: output above input while nothing flows; `input_lost_s`: output above input while the lamps draw; `output_lost_s`: the lamps
    draw while the output shows nothing; `drawing_s`: the lamps draw.
    Of a board: `parted_s`: input and output were further apart than twice what the drop's range holds; `not_shown_s`: the drop did not
    show it; `both_a`: mean of what the wide and the narrow range of the current read at the same times, in A, while it stood still well
    within the narrow one, and for how long; `gone_s`: the input had had its voltage, and it and the output showed nothing, with the master
    switch closed and no current; `on_s`: the master switch was closed; `jumping_s`: the output jumped from sample to sample meanwhile, and
    input and current did not; `off`: what was read before.
    """

    loaded: tuple[float, float] | None = None
    idle_v: float = 0.0
    swapped_s: float = 0.0
    input_lost_s: float = 0.0
    output_lost_s: float = 0.0
    drawing_s: float = 0.0
    parted_s: float = 0.0
    not_shown_s: float = 0.0
    both_a: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gone_s: float = 0.0
    on_s: float = 0.0
    jumping_s: float = 0.0
    most_a: float = 0.0
    off: SwitchedOff = SwitchedOff()

    def source_ohm(self, open_v: float | None) -> float | None:
        """Return how far the input fell for each ampere from `open_v` (what was set; None: what was seen without load), in ohm."""
        reference_v = open_v if open_v is not None else self.idle_v
        if self.loaded is None or reference_v <= 0.0:
            return None
        return (reference_v - self.loaded[0]) / self.loaded[1]


class SupplyWatch:
    """Blocks in by `feed`; `evidence` is what they have shown. Without the channels v_in, v_out and i_load it sees nothing;
    i_load_low, where there is one, is read for small currents.

    `cold_ohm`: resistance of the load's cold filaments in ohm, None if the load is not known. `most_a`: a current that reads as much is
    larger, by an amount that is not known. `zero_a`: what the zero of the current may be off by. `at_rest`: by channel, the largest
    reading that may be 0. `drop_most_v`, `fine_most_a`: highest readings of the drop and of the narrow range of the current.
    """

    def __init__(
        self,
        system_v: float,
        cold_ohm: float | None,
        most_a: float = math.inf,
        zero_a: float = 0.0,
        at_rest: Mapping[str, float] | None = None,
        drop_most_v: float = math.inf,
        fine_most_a: float = math.inf,
    ) -> None:
        self._at_rest, self._drop_most_v, self._fine_most_a = at_rest or {}, drop_most_v, fine_most_a
        self._was_on = False
        self._came = False  # voltage to the input, since the master switch was closed
        self._maybe_gone_s = 0.0  # in the block before, whose last frame may hold samples of after the switch was opened
        self._most_a = most_a
        self._system_v = system_v
        self._cold_ohm = cold_ohm
        scale = max(1.0, 12.0 / system_v)
        self._flows_a, self._idle_a = _FLOWS_A * scale + zero_a, _IDLE_A * scale + zero_a
        self._loaded_a, self._unknown_load_a = _LOADED_A + zero_a, _UNKNOWN_LOAD_A + zero_a
        self.evidence = SupplyEvidence()

    def feed(self, block: Block) -> None:
        """Look at the samples of a block, which follows the one before."""
        self._was_on = self._was_on or block.master is not False
        if not self._was_on:
            self._rest(block)
        if not {ChannelName.V_IN, ChannelName.V_OUT, ChannelName.I_LOAD} <= block.traces.keys():
            return
        t_s, v_in, v_out, amps = _side_by_side(block)
        if block.master and len(amps):
            self.evidence = replace(self.evidence, most_a=max(self.evidence.most_a, float(amps.max())))
        if ChannelName.I_LOAD_LOW in block.traces:
            # The zero of the wide range may be off by as much as a hot wire draws.
            fine = _at(t_s, block.traces[ChannelName.I_LOAD_LOW])
            self._compare(amps, fine, block.end_s - block.begin_s)
            amps = np.where(amps < _FINE_A, fine, amps)
        if len(t_s) < 2:
            return
        # Beside an edge the channels show what was before it and what after, and the current between two samples is not known: so
        # nothing counts but what holds from the sample before to the one after. Slow samples of a bounce change from each to the next.
        steady_in = (_most_beside(v_in) < _MOVED_V * self._system_v) & (_most_beside(amps) < _MOVED_A * (1.0 + np.abs(amps[1:-1])))
        steady_out = _most_beside(v_out) < _MOVED_V * self._system_v
        settled = np.zeros(len(t_s), dtype=bool)
        settled[1:-1] = steady_in & steady_out
        interval_s = float(t_s[1] - t_s[0])
        self._look_for_loss(block.master, settled, np.maximum(v_in, v_out), amps, interval_s)
        self._look_at_drop(block, t_s, settled & (v_in - v_out > 2.0 * self._drop_most_v), interval_s)
        self._look_at_load(settled, v_in, v_out, amps, interval_s)
        if block.master:
            on_s, jumping_s = interval_s * len(steady_in), interval_s * int((steady_in & ~steady_out).sum())
            self.evidence = replace(self.evidence, on_s=self.evidence.on_s + on_s, jumping_s=self.evidence.jumping_s + jumping_s)

    def _look_at_load(self, settled: Flags, v_in: Array, v_out: Array, amps: Array, interval_s: float) -> None:
        """Add up how the settled samples of input, output and current agree with the circuit, and find where the input stood lowest."""
        seen = self.evidence
        above = v_out > v_in + _ABOVE * self._system_v
        draws = settled & (amps > self._flows_a)
        dead_out = settled & (v_in > _ABOVE * self._system_v) & self._unheard(v_in, v_out, amps)
        idle = settled & (np.abs(amps) < self._idle_a)
        loaded, lowest = settled & (amps > self._loaded_a) & (amps < self._most_a) & (v_out <= v_in + _ABOVE * self._system_v), seen.loaded
        if loaded.any():
            i = int(np.flatnonzero(loaded)[v_in[loaded].argmin()])
            if lowest is None or v_in[i] < lowest[0]:
                lowest = float(v_in[i]), float(amps[i])
        self.evidence = replace(
            seen,
            loaded=lowest,
            idle_v=max(seen.idle_v, float(v_in[idle].max())) if idle.any() else seen.idle_v,
            swapped_s=seen.swapped_s + interval_s * int((above & idle).sum()),
            input_lost_s=seen.input_lost_s + interval_s * int((above & draws).sum()),
            output_lost_s=seen.output_lost_s + interval_s * int(dead_out.sum()),
            drawing_s=seen.drawing_s + interval_s * int(draws.sum()),
        )

    def _look_at_drop(self, block: Block, t_s: Array, parted: Flags, interval_s: float) -> None:
        """Add up for how long input and output of a board were further apart than the drop's range holds, and the drop did not show it."""
        drop = block.traces.get(ChannelName.V_DROP)
        if drop is not None and block.master is not None:
            unseen = parted & (_at(t_s, drop) < _SHOWS * self._drop_most_v)
            parted_s, not_shown_s = interval_s * int(parted.sum()), interval_s * int(unseen.sum())
            seen = self.evidence
            self.evidence = replace(seen, parted_s=seen.parted_s + parted_s, not_shown_s=seen.not_shown_s + not_shown_s)

    def _compare(self, wide: Array, fine: Array, span_s: float) -> None:
        """Compare both ranges of the current, where it stands still."""
        read = np.ones(len(fine), dtype=bool)
        for amps in (wide, fine):
            read &= np.abs(np.diff(amps, prepend=math.inf)) < _STILL * (1.0 + np.abs(amps))
        read &= (fine > self._flows_a) & (fine < _WITHIN * self._fine_most_a)
        if read.any():
            wide_a, fine_a, before_s = self.evidence.both_a
            seconds = span_s * float(read.mean())
            part = seconds / (before_s + seconds)
            both = wide_a + part * (float(wide[read].mean()) - wide_a), fine_a + part * (float(fine[read].mean()) - fine_a)
            self.evidence = replace(self.evidence, both_a=(*both, before_s + seconds))

    def _look_for_loss(self, master: bool | None, settled: Flags, volts: Array, amps: Array, interval_s: float) -> None:
        """Add up for how long neither input nor output (`volts`: the larger) had voltage behind a closed master switch, after they had had
        some."""
        if not master:
            self._came, self._maybe_gone_s = False, 0.0
            return
        # The master switch stood closed as this block began: so did it in all of the one before.
        self.evidence = replace(self.evidence, gone_s=self.evidence.gone_s + self._maybe_gone_s)
        live = settled & (volts > _ABOVE * self._system_v)
        begin = 0 if self._came else int(np.append(live, True).argmax())
        gone = settled & (volts < _GONE * self._system_v) & (np.abs(amps) < self._idle_a)
        self._maybe_gone_s = interval_s * int(gone[begin:].sum())
        self._came = self._came or bool(live.any())

    def _rest(self, block: Block) -> None:
        """Look at the samples of before the master switch was closed."""
        off, span_s = self.evidence.off, block.end_s - block.begin_s
        read_s = dict(off.read_s)
        for name, most in self._at_rest.items():
            if name in block.traces and len(values := block.traces[name].values):
                read_s[name] = read_s.get(name, 0.0) + span_s * float((np.abs(values) > most).mean())
        v_in = block.traces[ChannelName.V_IN].values if ChannelName.V_IN in block.traces else np.empty(0)
        input_v = off.input_v
        if len(v_in):
            first_v, lowest_v = input_v if input_v is not None else (float(v_in[0]), math.inf)
            input_v = first_v, min(lowest_v, float(v_in.min()))
        self.evidence = replace(self.evidence, off=SwitchedOff(off.span_s + span_s, read_s, input_v))

    def _unheard(self, v_in: Array, v_out: Array, amps: Array) -> Flags:
        """Return where the lamps draw more than any lamp could at the output voltage shown."""
        if self._cold_ohm is None:
            return np.asarray((amps > self._unknown_load_a) & (v_out < _UNKNOWN_LOAD * v_in))
        return np.asarray((amps > self._flows_a) & (v_out < _NOTHING * self._cold_ohm * amps))


def _most_beside(values: Array) -> Array:
    """Return by how much each value but the first and the last differs from its neighbours, at the most."""
    steps = np.abs(np.diff(values))
    return np.maximum(steps[:-1], steps[1:])


def _side_by_side(block: Block) -> tuple[Array, Array, Array, Array]:
    """Return instants of the input's samples (s of the board's run), and input and output (V) and current (A) at them."""
    v_in, current = block.traces[ChannelName.V_IN], block.traces[ChannelName.I_LOAD]
    # A recording whose current was read more slowly: what it was between its readings is not known.
    t_s = current.t_s if 2 * len(current.t_s) <= len(v_in.t_s) else v_in.t_s
    return t_s, _at(t_s, v_in), _at(t_s, block.traces[ChannelName.V_OUT]), _at(t_s, current)


def _at(t_s: Array, trace: Trace) -> Array:
    """Return the values of a channel at these instants."""
    if trace.t_s is t_s:
        return trace.values
    return np.interp(t_s, trace.t_s, trace.values) if len(trace.t_s) else np.zeros(len(t_s))
