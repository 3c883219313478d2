"""The simulated bench against ngspice, which nobody here wrote, on netlists of the same circuits (`tests/spice`).

Periods are compared, not edges: ngspice's switch acts on step boundaries (0.2 ms at most), so its edges wander.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.simboard.units import nominal
from bench.simboard.waveform import Waveform
from bench.simboard.world import World
from reports import ngspice

NETLISTS = Path(__file__).parent / "spice"
SECONDS = 12.0
AMPS = "i(vamp)"


def ours(kind: str) -> tuple[World, Waveform]:
    world = World(nominal(kind), scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    return world, world.advance(SECONDS)


def test_thermal_closed_and_inrush(tmp_path: Path) -> None:
    theirs = ngspice.run(NETLISTS / "thermal_closed.cir", tmp_path)
    world, stretch = ours("NC")
    # Inrush: the peak at the make, then its decay, within 0.5 %.
    assert world.pulses[0].peak_a == pytest.approx(float(theirs[AMPS].max()), rel=5e-3)
    for t in (0.001, 0.003, 0.01, 0.03, 0.1, 0.3):
        assert np.interp(t, stretch.t_s, stretch.i_load) == pytest.approx(theirs.at(AMPS, t), rel=5e-3)
    _same_mean_period(world, theirs)


def test_hot_wire(tmp_path: Path) -> None:
    theirs = ngspice.run(NETLISTS / "hot_wire.cir", tmp_path)
    world, stretch = ours("HWh")
    # The dark current that heats the wire, in the first gap.
    assert np.interp(0.4, stretch.t_s, stretch.i_load) == pytest.approx(theirs.at(AMPS, 0.4), rel=5e-3)
    _same_mean_period(world, theirs)


def _same_mean_period(world: World, theirs: ngspice.Waves) -> None:
    makes = [p.make_s for p in world.pulses][1:]
    lit = theirs[AMPS] > 1.0
    edges = theirs.t_s[1:][lit[1:] & ~lit[:-1]]
    edges = edges[np.abs(edges - makes[0]).argmin() :][: len(makes)]
    assert len(edges) == len(makes) >= 14 and np.max(np.abs(edges - makes)) < 0.02
    assert np.diff(makes).mean() == pytest.approx(np.diff(edges).mean(), rel=1e-3)
