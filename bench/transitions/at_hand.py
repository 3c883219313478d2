"""The samples at hand, output and input side by side, from which transitions are read."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.description import ChannelName
from bench.samples import Array, Block, Tail, Trace


@dataclass(frozen=True, slots=True)
class VoltageChannels:
    """What is known of the channels that read the unit's input and output.

    `supply_floor_v`: below this input voltage there is no supply and the contact counts as open. `tau_s`: time constant of their filter;
    `noise_v`: its standard deviation. `v_in_v`: a fixed supply, for recordings that lack the input's voltage. `stamp_u_s`: standard
    uncertainty of the samples' stamps.
    """

    supply_floor_v: float
    tau_s: float = 0.0
    noise_v: float = 0.0
    v_in_v: float | None = None
    stamp_u_s: float = 0.0


def _current_at(t_s: Array, block: Block) -> Array:
    """Return the load current at these instants in A, as the wide range reads it; NaN without one."""
    trace = block.traces.get(ChannelName.I_LOAD)
    return np.interp(t_s, trace.t_s, trace.values) if trace is not None and len(trace.t_s) else np.full(len(t_s), math.nan)


class SamplesAtHand:
    """The last samples of a run, one row for each of the output's: instants `t_s` and `t_in_s` of output and input (s of the board's run),
    `v_out` and `v_in` (V), their `ratio` (0 without supply) and the load current `amps` (A, NaN without that channel).

    `interval_s`: from one sample to the next, known after two. `input_apart_s`: the same of an input that is not sampled beside the output.
    """

    interval_s: float

    def __init__(self, channels: VoltageChannels) -> None:
        self._channels = channels
        self.input_apart_s = 0.0
        self.clear()

    def clear(self) -> None:
        """Forget all samples: after a gap nothing may be joined to what was before it."""
        self._tail = Tail()
        self._show(*(np.empty(0) for _ in range(6)))

    def _show(self, t_s: Array, t_in_s: Array, v_out: Array, v_in: Array, ratio: Array, amps: Array) -> None:
        self.t_s, self.t_in_s, self.v_out, self.v_in, self.ratio, self.amps = t_s, t_in_s, v_out, v_in, ratio, amps

    def __len__(self) -> int:
        return len(self.t_s)

    def append(self, block: Block) -> None:
        """Add the samples of `block`, which follows without a gap."""
        was_known = len(self) > 1
        floor_v, fixed_v = self._channels.supply_floor_v, self._channels.v_in_v
        out = block.traces[ChannelName.V_OUT]
        t_in_s, v_in = out.t_s, np.full(len(out.t_s), fixed_v or 0.0)
        if ChannelName.V_IN in block.traces:
            t_in_s, v_in = self._input_at(out.t_s, block.traces[ChannelName.V_IN])
        ratio = np.where(v_in > floor_v, out.values / np.maximum(v_in, floor_v), 0.0)
        self._tail.append(out.t_s, t_in_s, out.values, v_in, ratio, _current_at(out.t_s, block))
        self._show(*self._tail.columns)
        if not was_known and len(self) > 1:
            self.interval_s = float(self.t_s[1] - self.t_s[0])

    def _input_at(self, t_s: Array, v_in: Trace) -> tuple[Array, Array]:
        """Return the input as it was sampled beside the output at `t_s`: instants and V. One that is sampled more seldom, or oftener, is
        read between its samples; where a block holds none of them, as it was last."""
        if len(v_in.t_s) == len(t_s):
            return v_in.t_s, v_in.values
        if len(v_in.t_s) > 1:
            self.input_apart_s = float(v_in.t_s[1] - v_in.t_s[0])
        known = np.concatenate((self.v_in[-1:], v_in.values)), np.concatenate((self.t_in_s[-1:], v_in.t_s))
        return t_s, np.interp(t_s, known[1], known[0]) if len(known[0]) else np.zeros(len(t_s))

    def drop(self, count: int) -> None:
        """Forget the first `count` samples."""
        if len(self):
            self._tail.forget(0, count)
            self._show(*self._tail.columns)
