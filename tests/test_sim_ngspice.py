"""The simulated bench against ngspice, which nobody here wrote, on netlists of the same circuits (`tests/spice`).

Periods are compared, not edges: ngspice's switch acts on step boundaries (0.2 ms at most), so its edges wander.
"""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from bench.simboard.units import nominal
from bench.simboard.world import Stretch, World

SPICE = Path(__file__).parent / "spice"
SECONDS = 12.0

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spice:
    t_s: Array
    amps: Array

    def makes(self) -> Array:
        lit = self.amps > 1.0
        return self.t_s[1:][lit[1:] & ~lit[:-1]]


def spice(netlist: str, folder: Path) -> Spice:
    program = shutil.which("ngspice")
    assert program is not None, (
        "this check needs the program ngspice on the PATH (Debian: apt-get install ngspice); it isn't there"
    )
    raw = folder / "out.raw"
    done = subprocess.run(
        [program, "-b", "-r", str(raw), str(SPICE / netlist)], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0 and raw.exists(), f"ngspice failed on {netlist}: {done.stdout[-500:]} {done.stderr[-500:]}"
    header, data = raw.read_bytes().split(b"Binary:\n", 1)
    lines = header.decode("ascii", "replace").splitlines()
    columns = next(int(line.split(":")[1]) for line in lines if line.startswith("No. Variables"))
    names = [line.split()[1] for line in lines[lines.index("Variables:") + 1 :]]
    table = np.frombuffer(data, "<f8").reshape(-1, columns)
    assert table[-1, 0] == pytest.approx(SECONDS), f"ngspice stopped at {table[-1, 0]} s"
    return Spice(table[:, 0], table[:, names.index("i(vamp)")])


def ours(kind: str) -> tuple[World, Stretch]:
    world = World(nominal(kind), scatter=False)
    world.switch(loads=frozenset({1, 2}), master=True)
    return world, world.advance(SECONDS)


def test_thermal_closed_and_inrush(tmp_path: Path) -> None:
    theirs = spice("thermal_closed.cir", tmp_path)
    world, stretch = ours("NC")
    # Inrush: the peak at the make, then its decay, within 0.5 %.
    assert world.pulses[0].peak_a == pytest.approx(float(theirs.amps.max()), rel=5e-3)
    for t in (0.001, 0.003, 0.01, 0.03, 0.1, 0.3):
        assert np.interp(t, stretch.t_s, stretch.i_load) == pytest.approx(np.interp(t, theirs.t_s, theirs.amps), rel=5e-3)
    _same_mean_period(world, theirs)


def test_hot_wire(tmp_path: Path) -> None:
    theirs = spice("hot_wire.cir", tmp_path)
    world, stretch = ours("HWh")
    # The dark current that heats the wire, in the first gap.
    assert np.interp(0.4, stretch.t_s, stretch.i_load) == pytest.approx(np.interp(0.4, theirs.t_s, theirs.amps), rel=5e-3)
    _same_mean_period(world, theirs)


def _same_mean_period(world: World, theirs: Spice) -> None:
    makes = [p.make_s for p in world.pulses][1:]
    edges = theirs.makes()
    edges = edges[np.abs(edges - makes[0]).argmin() :][: len(makes)]
    assert len(edges) == len(makes) >= 14 and np.max(np.abs(edges - makes)) < 0.02
    assert np.diff(makes).mean() == pytest.approx(np.diff(edges).mean(), rel=1e-3)
