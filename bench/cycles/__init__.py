"""Transitions to cycles: each flash with its levels, its inrush, its lowest drop; what lies in a gap is marked and left out.

A cycle is a waveform period (IEEE Std 181): from one make to the next. Values here carry only their random uncertainty;
scales, zeros and clock come in `bench.measure`.

Strategy. Samples are kept from the last change on (`kept_samples`), and a state is read when the change that ends it is told
(`cutter`), because only then its end is known: levels belong to the last 50 ms of a state, when lamp and contact are warm and
every filter has settled. Each reading is taken in the finest range that was clipped nowhere meanwhile (`state_readings`); the
inrush is carried back to the make (`bench.inrush`), and the lowest drop is chosen and valued by different samples
(`bench.readings`).

Three things have no level of their own. What samples are missing from is not read: the cycle around a gap is dropped, not joined. A
bounce that slow samples may have missed is kept away from: the last 5 ms before a break, and 3 standard uncertainties of its instant.
The opening that comes with the supply's end is not the unit's. A state of more than 4 s is kept as its first half second, which holds
the inrush and the lowest drop, and its last 2 s, so that memory is bounded however long a unit stays as it is.

Zeros are what the currents read in the last second before voltage came to the unit. A column that stands at the lower end of its
input then shows no zero, since the true one may lie below.
"""

from bench.cycles.cutter import CycleCutter
from bench.cycles.flash import Cycle, Dark, Lit
from bench.cycles.state_readings import SETTLE_S

__all__ = ["SETTLE_S", "Cycle", "CycleCutter", "Dark", "Lit"]
