"""A stretch of the true voltages and currents around the unit: what physics hands to the rig, its protection and its meter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.samples import Array


@dataclass(frozen=True)
class Waveform:
    """Values at nodes, straight lines between them, as the sense leads see them; shapes (k,).

    t_s ascends; two nodes at one time are a jump. V against the supply's return; i_load in A: all that passes the shunt.
    """

    t_s: Array
    v_in: Array
    v_out: Array
    i_load: Array
    v_pilot: Array

    def earlier_by(self, seconds: float) -> Waveform:
        """Return the same voltages and currents with their instants moved `seconds` back."""
        return Waveform(self.t_s - seconds, self.v_in, self.v_out, self.i_load, self.v_pilot)

    def until(self, t_s: float) -> Waveform:
        """Return the part up to t_s, which lies within the stretch."""
        k = int(np.searchsorted(self.t_s, t_s, side="right"))
        ends = [np.append(x[:k], np.interp(t_s, self.t_s, x)) for x in (self.v_in, self.v_out, self.i_load, self.v_pilot)]
        return Waveform(np.append(self.t_s[:k], t_s), *ends)
