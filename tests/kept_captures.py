"""A capture of a quick test, kept once for all tests that look back at one."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

from bench_port import bench_port, run_on, setup

from bench.files import procedure
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session.traces import RunTrace, run_traces

SHORT = Procedure("quick", "", "", procedure("quick").steps)


@cache
def captured() -> tuple[TestRecord, bytes]:
    buffer = io.BytesIO()
    return run_on(bench_port("EL"), SHORT, capture=buffer), buffer.getvalue()


def the_run(path: Path) -> RunTrace:
    (run,) = run_traces(path, setup(), SHORT)
    return run
