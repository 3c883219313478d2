"""Transitions to cycles: each flash with its levels, its inrush, its lowest drop; what lies in a gap is marked and left out.

A cycle is a waveform period (IEEE Std 181): from one make to the next. Values here carry only their random uncertainty;
scales, zeros and clock come in `bench.measure`.
"""

from bench.cycles.cutter import CycleCutter
from bench.cycles.flash import Cycle, Dark, Lit
from bench.cycles.state_readings import SETTLE_S

__all__ = ["SETTLE_S", "Cycle", "CycleCutter", "Dark", "Lit"]
