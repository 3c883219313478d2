"""The one outcome of a test: what is said of the unit, why, and what to do next. Everything that speaks of a test speaks from here.

Strategy. The bench speaks first: a fault of it, or a test that it broke off, leaves nothing to be said of the unit. Then what speaks
against the unit, each thing once: limits failed, and what the shop's rule rejects. What depends on the load counts only if the lamps were
proved, and a unit that stands still on this load but flashes right on another is good for that one. Only a unit against which nothing
speaks, and of which nothing asked is open, is good. Grade, sentence and exit code follow from the outcome, so none can contradict another.
"""

from bench.outcome.case import Case, OtherLoad
from bench.outcome.conclusion import OPENINGS, Conclusion, Outcome
from bench.outcome.reasoning import conclude, upheld

__all__ = ["OPENINGS", "Case", "Conclusion", "OtherLoad", "Outcome", "conclude", "upheld"]
