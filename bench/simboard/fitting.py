"""Which faults a simulated unit or bench can have: those whose change of the model changes something."""

from __future__ import annotations

from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.simboard.units import Unit


def all_faults() -> tuple[str, ...]:
    """Return the names of all faults: of units, bench, board and link."""
    return (*FAULTS, *RIG_FAULTS, *LINK_FAULTS)


def faults_for(unit: Unit) -> tuple[str, ...]:
    """Return the names of all faults that a bench with this unit in the socket can have."""
    return tuple(name for name in all_faults() if name not in FAULTS or FAULTS[name].side == "bench" or FAULTS[name].changes(unit))


def units_with(fault: str) -> tuple[str, ...]:
    """Return the names of the catalogue's units that can have this fault of units, and do not have it already."""
    return tuple(name for name in catalogue.names() if FAULTS[fault].changes(catalogue.unit(name)))
