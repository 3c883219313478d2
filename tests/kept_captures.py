"""A capture of a quick test, kept once for all tests that look back at one."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from bench_port import bench_port, run_on, setup

from bench.files import procedure
from bench.judging.traces import RunTrace, run_traces
from bench.ports.replay import NOTE, RECEIVED, CaptureWriter, read_capture
from bench.procedure import Procedure
from bench.record import TestRecord

SHORT = Procedure("quick", "", "", procedure("quick").steps)


@cache
def captured() -> tuple[TestRecord, bytes]:
    buffer = io.BytesIO()
    return run_on(bench_port("EL"), SHORT, capture=buffer), buffer.getvalue()


def rewritten(path: Path, target: Path, change: Callable[[dict[str, Any]], object]) -> Path:
    """The capture at `path` with each of its notes changed, as `target`, with right sums."""
    with target.open("wb") as file:
        writer = CaptureWriter(file)
        for entry in read_capture(path):
            if entry.kind == NOTE:
                note = json.loads(entry.payload)
                change(note)
                writer.note(note, entry.t_s)
            elif entry.kind == RECEIVED:
                writer.received(entry.payload, entry.t_s)
    return target


def the_run(path: Path) -> RunTrace:
    (run,) = run_traces(path, setup(), SHORT)
    return run
