"""The scan plan: which sample is whose (firmware/PROTOCOL.md section 5)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from bench.description.contents import BoardDescription, ScanPlace

PERIOD_SCANS = 64


def scan_plan(description: BoardDescription, period_scans: int = PERIOD_SCANS) -> Mapping[str, npt.NDArray[np.int64]]:
    """Return for each readable channel the indices of its samples within `period_scans` scans, ascending; the plan repeats after those.

    Where two channels claim a place, the rarer one has it (PROTOCOL.md section 5). `period_scans` must be a multiple of 64.
    """
    if period_scans < 1 or period_scans % PERIOD_SCANS:
        raise ValueError(f"period_scans must be a multiple of {PERIOD_SCANS}, got {period_scans}")
    slots = description.slots
    owner = np.full(period_scans * slots, -1, dtype=np.int64)
    places = {c.name: ScanPlace(c.slot, c.first, c.every) for c in description.channels.values()}
    claims = sorted([*places.items(), *description.unread.items()], key=lambda claim: claim[1].every)
    for number, (_, place) in enumerate(claims):
        owner[place.first * slots + place.slot :: place.every * slots] = number
    return {name: np.flatnonzero(owner == number) for number, (name, _) in enumerate(claims) if name in places}
