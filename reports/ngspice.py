"""Runs a netlist in ngspice, which nobody here wrote, and reads what came out."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Waves:
    """What a netlist saved, by ngspice's names in small letters, such as v(in) or i(vamp), over time in s."""

    t_s: Array
    saved: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        return self.saved[name]

    def at(self, name: str, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.saved[name]))

    def samples(self, name: str, t_s: Array) -> Array:
        return np.interp(t_s, self.t_s, self.saved[name])

    def between(self, name: str, from_s: float, to_s: float) -> Array:
        return self.saved[name][(self.t_s >= from_s) & (self.t_s <= to_s)]

    def first(self, name: str, level: float, *, after_s: float = 0.0, rising: bool = True) -> float | None:
        """When it first crosses the level, by linear interpolation; None if it does not."""
        x = self.saved[name] - level if rising else level - self.saved[name]
        over = np.flatnonzero((x[1:] >= 0.0) & (x[:-1] < 0.0) & (self.t_s[1:] > after_s))
        if not len(over):
            return None
        k = int(over[0])
        return float(self.t_s[k] - x[k] * (self.t_s[k + 1] - self.t_s[k]) / (x[k + 1] - x[k]))


def run(netlist: Path, folder: Path, **parameters: float) -> Waves:
    """What this netlist saves with these of its parameters changed. AssertionError if it lacks one, or if ngspice fails or stops early."""
    program = shutil.which("ngspice")
    assert program is not None, "this check needs the program ngspice on the PATH (Debian: apt-get install ngspice); it isn't there"
    text = netlist.read_text(encoding="utf-8")
    for name, value in parameters.items():
        text, found = re.subn(rf"(?m)^(\.param\b.*?\b{name}=)[^ \n]+", rf"\g<1>{value!r}", text)
        assert found == 1, f"running {netlist.name}: it has {found} parameters {name}, not one"
    source, raw = folder / netlist.name, folder / "out.raw"
    # Includes are found from the netlist's own folder.
    source.write_text(re.sub(r"(?m)^\.include (\S+)", lambda m: f".include {netlist.parent / m[1]}", text), encoding="utf-8")
    raw.unlink(missing_ok=True)
    done = subprocess.run([program, "-b", "-r", str(raw), str(source)], capture_output=True, text=True, timeout=120, check=False)
    said = f"{done.stdout[-1500:]} {done.stderr[-1500:]}"
    assert done.returncode == 0 and raw.exists(), f"ngspice failed on {netlist.name}: {said}"
    waves = _read(raw)
    stop = re.search(r"(?m)^\.tran \S+ (\S+)", text)
    assert stop is not None and abs(waves.t_s[-1] / _seconds(stop[1]) - 1.0) < 1e-6, (
        f"ngspice stopped {netlist.name} at {waves.t_s[-1]} s: {said}"
    )
    return waves


def _read(raw: Path) -> Waves:
    header, data = raw.read_bytes().split(b"Binary:\n", 1)
    lines = header.decode("ascii", "replace").splitlines()
    names = [line.split()[1] for line in lines[lines.index("Variables:") + 1 :]]
    table = np.frombuffer(data, "<f8").reshape(-1, len(names))
    return Waves(table[:, 0], {name: table[:, k] for k, name in enumerate(names)})


def _seconds(text: str) -> float:
    """A time as SPICE writes it: 12, 6m, 200u, 30n."""
    scale = {"m": 1e-3, "u": 1e-6, "n": 1e-9}.get(text[-1])
    return float(text) if scale is None else float(text[:-1]) * scale
