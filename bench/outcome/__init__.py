"""The one outcome of a test: what is said of the unit, why, and what to do next. Screen, report, record and exit code all take it from
here.

Strategy. The bench comes first: a fault of it, or a test that it broke off, leaves nothing to be said of the unit. Then comes what speaks
against the unit (`charges`), each thing once: limits failed, and what the shop's rule rejects. Its contact, its insulation and its film
are its own. What depends on the load (rate, on-time, starting, behaviour) counts only if the lamps were proved, if it is the load that
the unit is for, and at a voltage at which such units are used; else the outcome is "not decided", and the advice says what would decide
it. A unit that stands still on this load but flashes right on another of the same test is good for that one. Sound alone rejects no unit.

Only a unit against which nothing speaks, and of which nothing asked is open, is good. What is open because of the bench is a fault of the
bench; what is open for another reason leaves the outcome open. Grade, sentence and exit code follow from the outcome, and verdicts that
it does not uphold are kept as open (`uphold`), so that none contradicts another.
"""

from bench.outcome.case import Case, OtherLoad
from bench.outcome.conclusion import OPENINGS, Conclusion, Outcome
from bench.outcome.reasoning import conclude, uphold

__all__ = ["OPENINGS", "Case", "Conclusion", "OtherLoad", "Outcome", "conclude", "uphold"]
