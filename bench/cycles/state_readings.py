"""What a lit or dark state shows: levels at its end, inrush, lowest drop, dip; each read in the best range that holds it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from bench.cycles.flash import Dark, Lit
from bench.cycles.kept_samples import EMPTY, KeptSamples
from bench.description import ChannelName
from bench.inrush import current_at_make
from bench.readings import LINE_LEAST, Reading, end_reading, lowest_reading, mean_reading
from bench.samples import Accuracy, Array, Timing
from bench.transitions import Transition

SETTLE_S = 0.4e-3  # amplifier and input filters after a step: within 1 mV after 0.31 ms (circuit simulation of the reference rig)
TAIL_S = 50.0e-3
"""The end of a state at which its levels are read."""
REST_S = 1.0
"""The rest before the supply comes, in which the zeros are read."""
_REST_LEAST = 16  # samples of a rest whose mean is a zero: a quarter of their noise is left
_BEFORE_SUPPLY_S = 1e-3  # left out of the rest just before the supply comes: margin for the instant at which it came
_DIP_S = 2e-3  # after a make: the inrush is largest, and the input stands lowest
_AT_END = 0.05  # part of the samples at rest that stand at the input's lower end: fewer are noise
_STEP_MOST_S = 0.1e-3  # a make that takes longer (soft_s) is no step, and has no inrush to carry back
_AFTER_MAKE_S = 6e-3  # the decay is looked at for 2.6 ms (bench.inrush), after bounce and the filters' settling
_WITHOUT_GAP = 0.5  # of the output in the same milliseconds: it rises by less while a load heats
_VOLTS_LEAST = 8  # at the output meanwhile, for the conductance of the load
# Slow sampling misses the first short contacts of a bouncing make: what they let through is no dark current. Likewise the first short gaps
# of a bouncing break, where a channel read in between shows no current. Relays bounce for a millisecond or two (common practice, no
# source).
BEFORE_S = 5.0e-3


class StateReadings:
    """Reads states from the samples kept. `rest`: the channels' readings while there was no voltage at the unit."""

    def __init__(self, kept: KeptSamples, accuracies: Mapping[str, Accuracy], delays_s: Mapping[str, float], timing: Timing) -> None:
        self._kept = kept
        self._accuracies = accuracies
        self._delays = delays_s
        self._timing = timing
        self.rest: dict[str, Reading] = {}

    def read_rest(self, applied_s: float) -> None:
        """Take the readings from before `applied_s`, when voltage came, of the channels that show what they read then."""
        for name in self._accuracies:
            _, v = self._kept.between(name, applied_s - REST_S, applied_s - _BEFORE_SUPPLY_S)
            reading = mean_reading(v)
            if reading is not None and reading.n >= _REST_LEAST and not self._hides_zero(name, v):
                self.rest[name] = reading

    def _hides_zero(self, name: str, v: Array) -> bool:
        """Return whether these samples at rest stand at the lower end of the input, below which its zero may lie."""
        return bool(np.count_nonzero(v <= self._accuracies[name].low) > _AT_END * len(v))

    def _peak_after(self, make: Transition) -> Reading | None:
        if make.soft_s > _STEP_MOST_S:
            return None
        for name in (ChannelName.I_LOAD_LOW, ChannelName.I_LOAD):
            t, v = self._kept.between(name, make.t_s, make.t_s + make.bounce_s + _AFTER_MAKE_S)
            if not len(t) or self._clipped(name, v).any():
                continue
            reading = current_at_make(t, v - self._zero(name), make, self._delays.get(name, 0.0), self._timing)
            if reading is not None:
                return reading
        return None

    def _zero(self, name: str) -> float:
        """Return the zero of a current channel, which is its reading with no voltage applied; 0 for other channels."""
        rest = self.rest.get(name)
        return rest.value if rest is not None and name.startswith("i_") else 0.0

    def _clipped(self, name: str, v: Array) -> npt.NDArray[np.bool_]:
        accuracy = self._accuracies.get(name)
        return np.zeros(len(v), dtype=bool) if accuracy is None else accuracy.clips(v)

    def current(self, begin_s: float, end_s: float) -> tuple[str, Array, Array]:
        """Return the current in the best range that holds it: name of the channel, instants, values with the zero taken off."""
        t, v = self._kept.between(ChannelName.I_LOAD_LOW, begin_s, end_s)
        if len(t) >= 4 and not self._clipped(ChannelName.I_LOAD_LOW, v).any():
            return ChannelName.I_LOAD_LOW, t, v - self._zero(ChannelName.I_LOAD_LOW)
        t, v = self._unclipped(ChannelName.I_LOAD, begin_s, end_s)
        return ChannelName.I_LOAD, t, v - self._zero(ChannelName.I_LOAD)

    def _unclipped(self, name: str, begin_s: float, end_s: float) -> tuple[Array, Array]:
        """Return instants and values of a channel; none if some of them stand at the upper end of its input."""
        t, v = self._kept.between(name, begin_s, end_s)
        return (EMPTY, EMPTY) if self._clipped(name, v).any() else (t, v)

    def lit(self, make: Transition, end_s: float, is_first: bool) -> Lit:
        """Return the lit state that `make` began, as it was until `end_s`; `is_first` if it was the first of the run."""
        # A reading that is a mean over the make is none of the lit state.
        settled = make.t_s + make.bounce_s + SETTLE_S + make.reach_s + self._timing.sampling_s
        tail = max(end_s - min(TAIL_S, 0.25 * (end_s - make.t_s)), settled)
        steady = end_reading(*self.current(tail, end_s)[1:], end_s)
        supply = end_reading(*self._unclipped(ChannelName.V_IN, tail, end_s), end_s)
        lamp = end_reading(*self._unclipped(ChannelName.V_OUT, tail, end_s), end_s)
        pilot = mean_reading(self._kept.between(ChannelName.V_PILOT, (make.t_s + end_s) / 2.0, end_s)[1])
        drop, drop_a, by_difference = self._lowest_drop(settled, end_s)
        peak = self._peak_after(make)
        conductance = self._conductance_at(make) if is_first else None
        # Few samples are read by their mean, not carried to the end of the flash.
        t_out = self._kept.between(ChannelName.V_OUT, tail, end_s)[0]
        read_s = end_s if len(t_out) >= LINE_LEAST else float(t_out[0]) if len(t_out) else tail
        settled_s = max(read_s - make.t_s - 2.0 * make.u_s - self._timing.sampling_s, 0.0)
        return Lit(supply, lamp, steady, drop, drop_a, by_difference, peak, pilot, self._dip(settled, end_s), conductance, settled_s)

    def _conductance_at(self, make: Transition) -> Reading | None:
        """Return the conductance of the load at the make, in S: it falls as the current does, and does not depend on what is in series."""
        until_s = make.t_s + make.bounce_s + _AFTER_MAKE_S
        t, i = self._kept.between(ChannelName.I_LOAD, make.t_s, until_s)
        t_out, v_out = self._kept.between(ChannelName.V_OUT, make.t_s, until_s)
        if len(t_out) < _VOLTS_LEAST or self._clipped(ChannelName.I_LOAD, i).any():
            return None
        # A gap between a sample of the output and one of the current shows in one of them only: no volts where the current flows.
        volts = np.maximum(np.interp(t, t_out, v_out), _WITHOUT_GAP * float(v_out.max()))
        conductance = (i - self._zero(ChannelName.I_LOAD)) / np.maximum(volts, 1e-3)
        return current_at_make(t, conductance, make, self._delays.get(ChannelName.I_LOAD, 0.0), self._timing)

    def _dip(self, settled_s: float, end_s: float) -> tuple[float, float] | None:
        until = min(settled_s + _DIP_S, end_s)
        v = self._kept.between(ChannelName.V_IN, settled_s, until)[1]
        i = self.current(settled_s, until)[2]
        return (float(v.mean()), float(i.mean())) if len(v) and len(i) else None

    def _lowest_drop(self, begin_s: float, end_s: float) -> tuple[Reading | None, Reading | None, bool]:
        by_difference = False
        if any(self._clipped(name, self._kept.between(name, begin_s, end_s)[1]).any() for name in (ChannelName.V_IN, ChannelName.V_OUT)):
            return None, None, by_difference  # two inputs at their ends differ by nothing
        t, v = self._kept.between(ChannelName.V_DROP, begin_s, end_s)
        if len(t):
            # Out of range in the inrush, and perhaps in a gap too short for a crossing: what lies between, the longest such stretch.
            bounds = np.concatenate(([-1], np.flatnonzero(self._clipped(ChannelName.V_DROP, v)), [len(v)]))
            longest = int(np.diff(bounds).argmax())
            inside = slice(int(bounds[longest]) + 1, int(bounds[longest + 1]))
            t, v = t[inside], v[inside]
        found = lowest_reading(t, v)
        if found is None:
            t, v_in = self._kept.between(ChannelName.V_IN, begin_s, end_s)
            t_out, v_out = self._kept.between(ChannelName.V_OUT, begin_s, end_s)
            if len(t) and abs(len(t) - len(t_out)) > 1:
                t, v_in = t_out, np.interp(t_out, t, v_in)  # sampled more seldom, or oftener, than the output
            n = min(len(t), len(t_out))
            t, v = t[:n], v_in[:n] - v_out[:n]
            found = lowest_reading(t, v)
            by_difference = True
        if found is None:
            return None, None, by_difference
        reading, i, j = found
        current = mean_reading(self.current(float(t[i]), float(t[j - 1]) + 1e-9)[2])
        return reading, current, by_difference

    def dark(self, begin_s: float, end_s: float) -> Dark:
        """Return the dark state from `begin_s` to `end_s`, where the next transition may be near."""
        middle = max((begin_s + end_s) / 2.0, end_s - 0.5)
        last = end_s - min(max(BEFORE_S, self._timing.sampling_s), 0.25 * (end_s - begin_s))
        tail = max(middle, end_s - 2.0 * TAIL_S)
        return Dark(
            end_reading(*self.current(tail, last)[1:], end_s),
            mean_reading(self._kept.between(ChannelName.V_IN, middle, last)[1]),
            mean_reading(self._kept.between(ChannelName.V_OUT, middle, last)[1]),
            mean_reading(self._kept.between(ChannelName.V_PILOT, middle, last)[1]),
        )
