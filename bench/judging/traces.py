"""What a kept capture shows of each run, to look back at: the samples, the changes found in them, the flashes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.analysis import Analysis, Observer
from bench.cycles import Cycle
from bench.description import BoardDescription
from bench.errors import CaptureError, SetupError
from bench.judging.captures import read_runs
from bench.procedure import Procedure
from bench.record import StepRecord
from bench.samples import Accuracy, Array, Block, Trace, accuracies
from bench.setup import Setup
from bench.transitions import Change, SupplyEdge

MOST_SAMPLES = 12_000_000
"""Of all runs together: 190 MB, and five minutes of the fastest stream. Changes and flashes are held of everything."""


@dataclass(frozen=True)
class RunTrace:
    """One run of a capture. Times are s of the board since the run's start; `end_s` is where its samples end.

    `on_s`: when the supply came, None if it was not seen to; before
    `begin_s` in a run that carries on another. `units` and `accuracies` by channel, the latter of a single sample;
    `clock_half_width`: how far the board's clock may be off, relative.
    `note` says what is not as it should be: the run was interrupted, or not all of its samples are held.
    """

    name: str
    title: str
    load: str
    traces: Mapping[str, Trace]
    changes: tuple[Change, ...]
    cycles: tuple[Cycle, ...]
    on_s: float | None
    begin_s: float
    end_s: float
    units: Mapping[str, str]
    accuracies: Mapping[str, Accuracy]
    clock_half_width: float
    note: str = ""


def run_traces(path: str | Path, setup: Setup, procedure: Procedure, most_samples: int = MOST_SAMPLES) -> tuple[RunTrace, ...]:
    """Return the runs of the capture, in order. `setup` and `procedure` are those of the test. CaptureError, one line, if it can't be read.

    A capture that breaks off gives what is there.
    """
    gathering = _Gathering(most_samples)
    try:
        read_runs(path, setup, procedure, gathering)
    except SetupError as error:
        raise CaptureError(f"capture {Path(path).name}: {error}") from error
    return tuple(gathering.runs)


class _Gathering:
    """Takes the runs as they are read."""

    def __init__(self, most_samples: int) -> None:
        self.runs: list[RunTrace] = []
        self._left = most_samples
        self._blocks: list[Block] = []
        self._changes: list[Change] = []
        self._left_out = False
        self._description: BoardDescription | None = None
        self._before: tuple[float | None, float] = None, math.inf

    def begin(self, description: BoardDescription) -> Observer:
        self._blocks, self._changes, self._left_out, self._description = [], [], False, description
        return self._observe

    def _observe(self, block: Block, changes: Sequence[Change]) -> None:
        self._changes += changes
        if self._left <= 0:
            self._left_out = True
            return
        self._left -= sum(len(trace.values) for trace in block.traces.values())
        self._blocks.append(block)

    def end(self, record: StepRecord, analysis: Analysis, range_number: int) -> None:
        assert self._description is not None
        cycles = tuple(analysis.cycles())  # the last samples are looked at here, and may add to what was observed
        notes = [f"interrupted: {record.interrupted}" if record.interrupted else ""]
        notes.append("the test is too long for all of its samples to be shown" if self._left_out else "")
        on_s = self._on_s()
        self.runs.append(
            RunTrace(
                name=record.name,
                title=record.title,
                load=record.load_text,
                traces=_together(self._blocks),
                changes=tuple(self._changes),
                cycles=cycles,
                on_s=on_s,
                begin_s=self._blocks[0].begin_s if self._blocks else 0.0,
                end_s=self._blocks[-1].end_s if self._blocks else 0.0,
                units={name: channel.unit for name, channel in self._description.channels.items()},
                accuracies=accuracies(self._description, range_number),
                clock_half_width=self._description.clock_half_width,
                note="; ".join(note for note in notes if note),
            )
        )
        self._before = on_s, self._blocks[-1].end_s if self._blocks else math.inf
        self._blocks = []

    def _on_s(self) -> float | None:
        """Return when the supply of the run at hand came, in s; None if it was not seen to come."""
        on_s = next((change.t_s for change in self._changes if isinstance(change, SupplyEdge) and change.on), None)
        if on_s is None and self._blocks and self._blocks[0].begin_s >= self._before[1]:
            return self._before[0]  # the run before was carried on: the supply came in it
        return on_s


def _together(blocks: Sequence[Block]) -> dict[str, Trace]:
    """Return all samples of each channel, one after another."""
    names = dict.fromkeys(name for block in blocks for name in block.traces)
    parts = {name: [block.traces[name] for block in blocks if name in block.traces] for name in names}
    return {name: Trace(_joined([p.t_s for p in some]), _joined([p.values for p in some])) for name, some in parts.items()}


def _joined(parts: Sequence[Array]) -> Array:
    return np.concatenate(parts)
