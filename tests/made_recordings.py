"""Recordings made of a schedule of closings, whose truth is known by hand: what an instrument with stated errors would have written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from bench.files import named_limits
from bench.instrument import UNSTATED, Instrument
from bench.judging import judge_recording
from bench.record import TestRecord
from bench.samples import Array
from bench.setup import Setup
from bench.uncertainty import Component, Estimate

SUPPLY_V, LIT_A = 12.8, 3.5
APPLIED_S = 1.0


def even(count: int, *, first_s: float = APPLIED_S, on_s: float = 0.35, off_s: float = 0.33) -> list[tuple[float, float]]:
    """So many flashes of equal length."""
    return [(first_s + k * (on_s + off_s), first_s + k * (on_s + off_s) + on_s) for k in range(count)]


def closed(t_s: Array, flashes: Sequence[tuple[float, float]], ramp_s: float = 0.0) -> Array:
    """How far the output is on, 0 to 1; it rises and falls within ramp_s about each instant."""
    total = np.zeros(len(t_s))
    for make_s, break_s in flashes:
        if ramp_s:
            corners = [make_s - ramp_s / 2, make_s + ramp_s / 2, break_s - ramp_s / 2, break_s + ramp_s / 2]
            total += np.interp(t_s, corners, [0.0, 1.0, 1.0, 0.0])
        else:
            total += (t_s >= make_s) & (t_s < break_s)
    return total


def columns(t_s: Array, on: Array, *, drop_v: float = 0.2, leak_v: float = 0.0, noise: float = 0.0, seed: int = 1) -> dict[str, Array]:
    """Input, output and current without inrush; `leak_v` stands at the input before voltage comes."""
    powered = t_s >= APPLIED_S
    v_in = np.where(powered, SUPPLY_V, leak_v)
    found = {"v_in_V": v_in, "v_out_V": on * np.where(powered, v_in - drop_v, 0.0), "i_load_A": on * LIT_A * powered}
    rng = np.random.default_rng(seed)
    return {name: values + rng.normal(0.0, noise, len(t_s)) for name, values in found.items()} if noise else found


def written(path: Path, t_s: Array, named: Mapping[str, Array], digits: int = 6) -> Path:
    """The file of these columns."""
    table = np.column_stack([t_s, *named.values()])
    np.savetxt(path, table, fmt=["%.6f", *[f"%.{digits}f"] * len(named)], delimiter=",", header=",".join(["time_s", *named]), comments="")
    return path


def judged(path: Path, instrument: Instrument = UNSTATED, *limits: str, **setup: object) -> TestRecord:
    wanted = Setup("r", limits=tuple(named_limits(name) for name in limits or ("un-r48",)), **setup)  # type: ignore[arg-type]
    return judge_recording(path, wanted, instrument=instrument, when="", software="")


def estimate(record: TestRecord, name: str) -> Estimate:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found


def line(record: TestRecord, name: str, source: str) -> Component:
    """The line of this source in the budget of a value."""
    found = [one for one in estimate(record, name).budget if one.source == source]
    assert len(found) == 1, (source, estimate(record, name).budget)
    return found[0]
