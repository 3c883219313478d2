"""Recordings made elsewhere analysed and judged, by the same line as a board's samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median

from bench import files
from bench.analysis import Pipeline
from bench.assemble import TestContext, assemble
from bench.clock import ClockComparison
from bench.combine import StepRuns
from bench.errors import RecordingError
from bench.instrument import UNSTATED, Instrument
from bench.measure import QUANTITIES, UNKNOWN, Conditions, Evidence, FactName, Measured, measure
from bench.measure.flash_table import COLUMNS, FlashTable
from bench.procedure import ORDINARY, Procedure, RunStep
from bench.record import RecordingSource, StepRecord, TestRecord
from bench.recording import EVERYTHING, Recording, read_recording
from bench.setup import Setup, recorded_load, with_load_of_recording
from bench.transitions import SupplyEdge
from bench.uncertainty import Measurement, NotMeasured

# Without the output's voltage in the file, a stand-in made of the current shows when the contact made, but not these.
_OF_OUTPUT = tuple(name for name, quantity in QUANTITIES.items() if quantity.of_output)
# Contact bounce is 1-3 ms of shorter gaps (common practice, no source).
_BOUNCE_INTERVAL_S = 0.5e-3
_SURER = "Record more flashes, or with a better instrument."
_STOPPED = 0.6  # of a period, by which a dark end is longer than the dark between flashes: one did not come
_CLAMP_ZERO_A = 1.0  # what a current clamp's zero may have moved by (common practice, no source)
_STEP = RunStep("recording", "Recording made elsewhere", judge=ORDINARY)
PROCEDURE = Procedure("recording", "A recording made elsewhere", "", (_STEP,))


def judge_recording(
    paths: str | Path | Sequence[str | Path],
    setup: Setup,
    *,
    instrument: Instrument = UNSTATED,
    names: Mapping[str, str] | None = None,
    window_s: tuple[float, float] = EVERYTHING,
    rate_hz: float | None = None,
    when: str,
    software: str,
) -> TestRecord:
    """Return the record of a recording, or of several starts of the same unit in a recording each, judged as `setup` says.

    Starting times are averaged over the recordings, all else is the last one's. Options as for `read_recording`, for each of them;
    RecordingError if one can't be read. The supply is held to a band only if `setup.supply_v` names it.
    """
    setup = with_load_of_recording(setup)
    several = _each_once([paths] if isinstance(paths, str | Path) else paths)
    records: list[StepRecord] = []
    notes: list[str] = []
    columns: list[str] = []
    doubts: list[str] = []
    for number, path in enumerate(several, 1):
        recording = read_recording(path, instrument=instrument, names=names, window_s=window_s, rate_hz=rate_hz)
        measured, cycles, excluded, lasted_s, flashes, doubt = analysed(recording, setup, instrument)
        measured = replace(measured, values=_as_recorded(measured.values, recording))
        name, title, of_file = _STEP.name, _STEP.title, ""
        if len(several) > 1:
            name, title, of_file = f"{name}-{number}", f"{title} (start {number} of {len(several)})", f"{path.name}: "
        records.append(
            StepRecord(name, title, (), setup.load_text, 0.0, lasted_s, measured, cycles, excluded, setup.supply_v, flashes=flashes)
        )
        notes += [f"{of_file}{note}" for note in recording.notes]
        doubts += [f"{of_file}{doubt}"] if doubt else []
        columns += recording.columns
    unstated = instrument.unstated(tuple(dict.fromkeys(columns)))
    file_names = ", ".join(path.name for path in several)
    source = RecordingSource(file_names, tuple(dict.fromkeys(columns)), instrument.title, unstated)
    surer = "State the instrument's errors (--instrument) for narrower values." if unstated else _SURER
    context = TestContext(when, software, recording=source, notes=tuple(notes), to_be_surer=surer, doubt="; ".join(doubts))
    return assemble(PROCEDURE, setup, (StepRuns(_STEP, tuple(records)),), context)


def _each_once(paths: Sequence[str | Path]) -> list[Path]:
    """Return the files, none of them twice: a start that counts twice would seem to scatter less."""
    found: dict[Path, Path] = {}
    for path in map(Path, paths):
        if path.resolve() in found:
            raise RecordingError(f"recording {path.name}: given twice; give the recordings of different starts, each once")
        found[path.resolve()] = path
    if not found:
        raise RecordingError("judging recordings: none was given, wanted at least one file")
    return list(found.values())


def _as_recorded(values: Mapping[str, Measurement], recording: Recording) -> Mapping[str, Measurement]:
    """Return the values less those of which the readings went beyond the instrument's range."""
    if "i_load" not in recording.layout.ends:
        return values
    return {**values, **dict.fromkeys(("inrush_first_a", "inrush_later_a", "inrush_ratio"), NotMeasured("i_load went beyond its range"))}


def analysed(recording: Recording, setup: Setup, instrument: Instrument) -> tuple[Measured, int, int, float, FlashTable, str]:
    """Return what the recording shows, its complete cycles, those left out because samples are missing, its length in s, its flashes, and
    what of its end is open to doubt, in words."""
    supply = setup.supply_v
    load = recorded_load(setup, files.banks)
    conditions = Conditions(
        system_v=setup.system_v,
        lamps_w=load.watts,
        filament=setup.filament and load.filament,
        supply_low_v=None if supply is None else 0.95 * supply,
        supply_high_v=None if supply is None else 1.05 * supply,
        wiring_known=False,
    )
    clock_half_width = instrument.clock_half_width
    clock = ClockComparison(clock_half_width, name="instrument's clock")
    fixed_v = None if "v_in" in recording.columns else setup.nominal_v
    zero_a = 2.0 * recording.accuracies["i_load"].u_zero if "i_load" in recording.accuracies else 0.0
    if instrument.input("i_load") is None:
        zero_a = max(zero_a, _CLAMP_ZERO_A)
    pipeline = Pipeline(recording.accuracies, {}, conditions, clock, clock_half_width, fixed_v, recording.timing, zero_a)
    end_s = 0.0
    for block in recording.blocks_with_output(setup.nominal_v):
        pipeline.feed(block)
        end_s = block.end_s
    pipeline.finish()
    evidence, doubt = _without_end(pipeline.evidence(), pipeline.cutter.came_again)
    found = measure(evidence, setup.counts)
    facts = found.facts
    unread: dict[str, Measurement] = {"clock_error": NotMeasured("no board: a recording")}
    if recording.interval_s > _BOUNCE_INTERVAL_S:
        too_few = NotMeasured(f"{1.0 / recording.interval_s:.0f} rows a second are too few")
        unread |= {"bounce_make_s": too_few, "bounce_break_s": too_few}
    if recording.has_stand_in_output:
        unread |= dict.fromkeys(_OF_OUTPUT, NotMeasured("the recording has no column v_out"))
        facts = {**facts, FactName.FILM: UNKNOWN}
    flashes = pipeline.flashes().without(unread.keys() & set(COLUMNS))
    return replace(found, values={**found.values, **unread}, facts=facts), pipeline.complete, pipeline.cutter.broken, end_s, flashes, doubt


def _without_end(e: Evidence, came_again: bool) -> tuple[Evidence, str]:
    """Return the evidence of the flashes alone, where it goes dark after them; and what that leaves open, in words.

    On a bench only the unit can have stopped. A recording may go on after the switch was opened, on either side of the unit.
    """
    if came_again and e.removed is not None:
        return e, f"voltage went off at {e.removed.t_s:.1f} s of the recording and came again; what followed was not read"
    if not e.cycles or e.closed_now or e.broke is None or e.removed is not None:
        return e, ""
    dark_s, usual_s = e.end_s - e.state_since_s, median(c.off_s for c in e.cycles)
    if dark_s < usual_s + _STOPPED * median(c.period_s for c in e.cycles):
        return e, ""
    ended = SupplyEdge(e.state_since_s, False, 0.0)
    return replace(e, removed=ended), f"the lamps stayed dark for the last {dark_s:.1f} s: it stopped, or was switched off"
