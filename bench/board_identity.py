"""Which board a test is made on, as its record tells it: first by the address alone, then by what the board says of itself."""

from __future__ import annotations

from dataclasses import replace

from bench.description import BoardDescription
from bench.record import BoardRecord, SimulationRecord


def addressed_board(address: str) -> BoardRecord:
    """Return a board that has not answered yet."""
    return BoardRecord(address, simulation=SimulationRecord.of_address(address))


def identified_board(address: str, identity: str, description: BoardDescription, simulated_unit: str | None) -> BoardRecord:
    """Return a board that has answered: its reply to *IDN?, its description, and the unit in its socket if it is a simulated one."""
    maker, model, serial, firmware = identity.split(",")[:4]
    known = addressed_board(address)
    simulation = known.simulation
    if simulated_unit is not None:
        simulation = replace(simulation or SimulationRecord(""), unit=simulated_unit)
    return replace(
        known,
        maker=maker,
        model=model,
        serial=serial,
        firmware=firmware,
        calibration="by meter" if description.calibrated else "built-in",
        calibrated=_date(description.calibrated),
        simulation=simulation,
    )


def model_and_serial(identity: str) -> tuple[str, str]:
    """Return what tells a board from others in its reply to *IDN?; the version of its program does not."""
    _, model, serial, *_ = identity.split(",")
    return model.strip(), serial.strip()


def _date(number: int) -> str | None:
    """Return 20261125 as 2026-11-25; None for 0, a board that was never calibrated."""
    text = f"{number:08d}"
    return f"{text[:4]}-{text[4:6]}-{text[6:]}" if number else None
