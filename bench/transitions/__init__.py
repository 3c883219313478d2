"""Samples to transitions: when the contact made and broke, told from bounce, inrush, sag, dark current and leakage.

Terms of IEEE Std 181 / IEC 60469: state level, reference instant (50 %), transition.

Strategy. The signal is the ratio r = output voltage over input voltage: 0 with the contact open, nearly 1 with it closed, whatever the
supply does, however large the inrush, 6 V or 24 V (`at_hand`). The two state levels start as 0 and 1; only a unit that leaves a lasting
level in between (a leaking unit on an LED lamp, a burnt contact) moves them (`levels`). Which of the two such a level is, the current says:
what lies between input and output is some ohms in a bad contact and tens or thousands in an open unit. Without a current channel decisions
wait until the other level is met. A comparator with hysteresis gives crossings (`finder`). Runs of one state shorter than 3 ms are bounce,
or a drop-out if the state before and after is the same. The instant of a crossing is where the unfiltered voltage stepped: a first-order
input filter of known time constant leaves one sample part-way, and that sample says when (`contact_instant`, `supply_edges`).

Everything depends only on the samples, in fixed groups, so the cut of the stream can't matter.
"""

from bench.transitions.changes import CLOSE_S, UNSEEN_S, Change, Gap, Interruption, SupplyEdge, Transition
from bench.transitions.finder import TransitionFinder

__all__ = [
    "CLOSE_S",
    "UNSEEN_S",
    "Change",
    "Gap",
    "Interruption",
    "SupplyEdge",
    "Transition",
    "TransitionFinder",
]
