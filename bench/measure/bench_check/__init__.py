"""The bench as the evidence shows it: what is wrong with it, and what of it was proved, so that nothing of it is counted against the unit.

Strategy. A unit can only be spoken of on a load, a supply and leads that were proved in the same test.

- Lamps. At the first make from cold the load's conductance is that of cold filaments, whatever is in series (a filmed or burnt contact
  shows in the drop, not here). At the end of a flash of any length the lamps draw at least what they draw when hot, at the voltage that
  they get; after a flash of a quarter of a second also at most that. Thus a dead lamp shows in a flash of a twentieth of a second.
- Supply. From every sample (bench.supply): how far the input falls for each ampere; and its level at the end of flashes.
- Leads. From every sample: an output above its input, a current with no voltage behind it.
- Board. What two of its channels, its comparator, its standards, its clock and its zeros say against each other.

What could not be checked is not proved, and says why.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from bench.measure.bench_check.board_faults import board_faults, link_faults
from bench.measure.bench_check.lamp_faults import INRUSH, INRUSH_TAU_S, lamp_died_at, lamp_faults, lamps_proof
from bench.measure.bench_check.wiring_faults import lead_faults, supply_faults
from bench.measure.evidence import Evidence
from bench.measure.quantity import QUANTITIES
from bench.measure.vocabulary import BenchFault, BenchProof, FaultCode, ProofItem
from bench.uncertainty import Estimate, Measurement, NotMeasured

__all__ = ["INRUSH", "INRUSH_TAU_S", "check_bench", "lamp_died_at", "without_spoilt"]

_TIMED = ("s", "1/min")  # units of what a wrong clock makes worthless
_SUPPLY_WRONG = frozenset({FaultCode.SUPPLY_LIMITED, FaultCode.SUPPLY_OUT_OF_RANGE, FaultCode.SUPPLY_GONE})
_LEADS_WRONG = frozenset({FaultCode.SENSE_IN_OFF, FaultCode.SENSE_OUT_OFF, FaultCode.SENSE_LEADS_SWAPPED})
_START = (*(name for name, quantity in QUANTITIES.items() if quantity.of_start), "inrush_ratio")


def check_bench(e: Evidence, died: int | None) -> tuple[tuple[BenchFault, ...], tuple[BenchProof, ...]]:
    """Return all bench faults that show, none if nothing is wrong; and what was proved of it."""
    faults = tuple(_found(e, died))
    return faults, tuple(_proofs(e, died, {fault.code for fault in faults}))


def _found(e: Evidence, died: int | None) -> Iterator[BenchFault]:
    yield from board_faults(e)
    yield from lead_faults(e)
    yield from link_faults(e)
    yield from supply_faults(e)
    yield from lamp_faults(e, died)


def _proofs(e: Evidence, died: int | None, wrong: set[str]) -> Iterator[BenchProof]:
    yield lamps_proof(e, died, wrong)
    loaded = e.supply.loaded
    if loaded is None:
        yield BenchProof(ProofItem.SUPPLY, False, "nothing drew more than 2 A")
    else:
        kept = not wrong & _SUPPLY_WRONG
        yield BenchProof(ProofItem.SUPPLY, kept, f"{loaded[0]:.2f} V at {loaded[1]:.1f} A at the lowest")
    seen = loaded is not None and not wrong & _LEADS_WRONG
    shown = "both followed the contact; where they are clipped, only the link shows"
    yield BenchProof(ProofItem.SENSE_LEADS, seen, shown if seen else "no current by which to tell them")


def without_spoilt(values: Mapping[str, Measurement], faults: tuple[BenchFault, ...]) -> dict[str, Measurement]:
    """Return the values less those that a fault of the bench makes worthless; the reason goes with them."""
    found = dict(values)
    for fault in faults:
        if fault.code in (FaultCode.SUPPLY_LIMITED, FaultCode.LAMPS_NOT_COLD):
            for name in _START:
                if isinstance(found.get(name), Estimate):
                    found[name] = NotMeasured(fault.text, "bench")
        if fault.code == FaultCode.BOARD_CLOCK:
            for name, value in found.items():
                if QUANTITIES[name].unit in _TIMED and isinstance(value, Estimate):
                    found[name] = NotMeasured(fault.text, "bench")
        if fault.code == FaultCode.LAMP_DIED:
            for name, value in found.items():
                if isinstance(value, NotMeasured):
                    found[name] = replace(value, fault="bench")
    return found
