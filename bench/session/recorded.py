"""A recording made elsewhere analysed and judged, by the same line as a board's samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from bench.analysis import Line
from bench.clock import ClockComparison
from bench.measure import Conditions, Measured, measure
from bench.measure.flashes import COLUMNS, FlashTable
from bench.procedure import ORDINARY, Procedure, RunStep
from bench.record import RecordingSource, StepRecord, TestRecord
from bench.recording import Recording, read_recording
from bench.session.assemble import Story, assemble
from bench.session.combine import Runs
from bench.session.setup import Setup, recorded_load
from bench.uncertainty import Measurement, NotMeasured

# Half-width of the relative error of an instrument's time base about which nothing was said: common practice, no source.
CLOCK_HALF_WIDTH = 1e-4
# Without the output's voltage in the file, a stand-in made of the current shows when the contact made, but not these.
_OF_OUTPUT = ("lamp_v", "drop_v", "drop_largest_v", "drop_carried_v", "contact_ohm", "drop_trend_v_per_min")
# Contact bounce is 1-3 ms of shorter gaps (common practice, no source).
_BOUNCE_INTERVAL_S = 0.5e-3
_STEP = RunStep("recording", "Recording made elsewhere", judge=ORDINARY)
PROCEDURE = Procedure("recording", "A recording made elsewhere", "", (_STEP,))


def judge_recording(
    path: str | Path,
    setup: Setup,
    *,
    u_scale: Mapping[str, float] | None = None,
    u_zero: Mapping[str, float] | None = None,
    names: Mapping[str, str] | None = None,
    when: str,
    software: str,
) -> TestRecord:
    """The record of a recording, judged as `setup` says. Options as for `read_recording`; RecordingError if it can't be read.

    The supply is held to a band only if `setup.supply_v` names it.
    """
    recording = read_recording(path, u_scale=u_scale, u_zero=u_zero, names=names)
    measured, cycles, excluded, lasted_s, flashes = analysed(recording, setup)
    record = StepRecord(
        _STEP.name, _STEP.title, (), setup.load_text, 0.0, lasted_s, measured, cycles, excluded, setup.supply_v, flashes=flashes
    )
    source = RecordingSource(recording.path.name, tuple(recording.columns))
    return assemble(PROCEDURE, setup, (Runs(_STEP, (record,)),), Story(when, software, recording=source, notes=recording.notes))


def analysed(recording: Recording, setup: Setup) -> tuple[Measured, int, int, float, FlashTable]:
    """What the recording shows, its complete cycles, those left out because samples are missing, its length in s, and its flashes."""
    supply = setup.supply_v
    load = recorded_load(setup)
    conditions = Conditions(
        system_v=setup.system_v,
        lamps_w=load.watts,
        filament=setup.filament and load.filament,
        supply_low_v=None if supply is None else 0.95 * supply,
        supply_high_v=None if supply is None else 1.05 * supply,
    )
    clock = ClockComparison(CLOCK_HALF_WIDTH)
    fixed_v = None if "v_in" in recording.columns else setup.nominal_v
    line = Line(recording.accuracies, {}, conditions, clock, CLOCK_HALF_WIDTH, fixed_v)
    end_s = 0.0
    for block in recording.blocks_with_output(setup.nominal_v):
        line.feed(block)
        end_s = block.end_s
    line.finish()
    found = measure(line.evidence(), setup.counts)
    unread: dict[str, Measurement] = {"clock_error": NotMeasured("no board: a recording")}
    if recording.interval_s > _BOUNCE_INTERVAL_S:
        too_few = NotMeasured(f"{1.0 / recording.interval_s:.0f} rows a second are too few")
        unread |= {"bounce_make_s": too_few, "bounce_break_s": too_few}
    if recording.output_stands_in:
        unread |= dict.fromkeys(_OF_OUTPUT, NotMeasured("the recording has no column v_out"))
    flashes = line.flashes().without(unread.keys() & set(COLUMNS))
    return replace(found, values={**found.values, **unread}), line.complete, line.cutter.broken, end_s, flashes
