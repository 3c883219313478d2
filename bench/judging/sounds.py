"""A sound recording of a unit's clicks judged: rate, steadiness, missed flashes; for all else the record says why sound cannot show it."""

from __future__ import annotations

from pathlib import Path

from bench import files
from bench.assemble import TestContext, assemble
from bench.clicks import hear
from bench.combine import StepRuns
from bench.measure import measure_heard, notes_of
from bench.procedure import ORDINARY, Procedure, RunStep
from bench.record import RecordingSource, StepRecord, TestRecord
from bench.recording import read_sound
from bench.setup import Setup, recorded_load, with_load_of_recording

_STEP = RunStep("sound", "Sound of the clicks", judge=ORDINARY)
PROCEDURE = Procedure("sound", "A sound recording made elsewhere", "", (_STEP,))


def judge_sound(path: str | Path, setup: Setup, *, when: str, software: str) -> TestRecord:
    """Return the record of a WAV file, judged as `setup` says; RecordingError if it can't be read.

    Nothing heard speaks against the unit: neither lamps nor supply are proved by sound.
    """
    setup = with_load_of_recording(setup)
    load = recorded_load(setup, files.banks)
    sound = read_sound(path)
    heard = hear(sound.loudness)
    measured = measure_heard(heard, setup.counts)
    # A supply that is named is not in the record as that of the test: sound does not show it.
    record = StepRecord(_STEP.name, _STEP.title, (), load.text, 0.0, heard.lasted_s, measured, len(heard.flashes), heard.covered)
    source = RecordingSource(sound.path.name, ("sound",))
    context = TestContext(when, software, recording=source, notes=(*sound.notes, *notes_of(heard)), heard=True)
    return assemble(PROCEDURE, setup, (StepRuns(_STEP, (record,)),), context)
