"""A rig and its meter as a seed draws them, for a board of any kind to sit in."""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce
from typing import NamedTuple

import numpy as np

from bench.description import BoardDescription
from bench.simboard.hidden import RIG_FAULTS, draw_hidden
from bench.simboard.meter import Meter
from bench.simboard.rig import Rig, rig_description


class SeededRig(NamedTuple):
    """A rig, a meter, and generators for the delays of the serial bridge and for whatever else happens by chance."""

    rig: Rig
    meter: Meter
    delays: np.random.Generator
    chance: np.random.Generator


def draw_rig(
    seed: int,
    *,
    ideal: bool = False,
    faults: Iterable[str] = (),
    ambient_c: float = 24.0,
    description: BoardDescription | None = None,
) -> SeededRig:
    """Return the rig of this seed. `ideal` leaves errors and noise out. `faults`: names of RIG_FAULTS (KeyError for others). `description`:
    what it states about itself; None: that of the reference rig of this seed with the bank `standard`."""
    errors, noise, delays, chance = np.random.default_rng([seed, 0xB0A2D]).spawn(4)
    description = rig_description(seed) if description is None else description
    meter = Meter(errors.spawn(1)[0])
    hidden = reduce(lambda h, name: RIG_FAULTS[name].change(h), faults, draw_hidden(description, errors, ideal=ideal))
    return SeededRig(Rig(description, hidden, noise, ambient_c), meter, delays, chance)
