"""Files judged, whatever they are: recordings made elsewhere, or a capture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from bench import files
from bench.claims import Claims
from bench.errors import CaptureError, RecordingError
from bench.instrument import UNSTATED, Instrument
from bench.judging.capture_setup import Otherwise, read_session, setup_again
from bench.judging.captures import judge_capture
from bench.judging.judged_by import compared
from bench.judging.recordings import judge_recording
from bench.judging.sounds import judge_sound
from bench.ports.replay import is_capture
from bench.record import TestRecord
from bench.record_checks import contradiction_in
from bench.recording import EVERYTHING, is_sound
from bench.setup import Setup
from bench.typed_json import printable


def judge_files(
    paths: Sequence[str | Path],
    setup: Callable[[], Setup],
    otherwise: Callable[[Claims], Otherwise],
    *,
    procedure: str,
    names: Mapping[str, str],
    instrument: Instrument,
    fitted: tuple[float, ...] | None,
    window_s: tuple[float, float] = EVERYTHING,
    rate_hz: float | None = None,
    when: str,
    software: str,
) -> TestRecord:
    """Return the record of a capture, of a sound, or of recordings made elsewhere, each a start of the same unit. CaptureError or
    RecordingError, also where files that were changed, or settings beyond all measure, would make a record that contradicts itself.

    A recording is judged as `setup` says. A capture says itself how it was made, and what was claimed of the unit; `otherwise` makes of
    these claims what is asked otherwise. Only one of the first format is judged by `setup` and the name of a `procedure`. The other options
    are for recordings, and a capture is refused with them; so is a recording with what only a capture can have.
    """
    is_plain = not names and instrument is UNSTATED and window_s == EVERYTHING and rate_hz is None
    if (sound := next((Path(path) for path in paths if is_sound(path)), None)) is not None:
        if len(paths) > 1 or not is_plain:
            said = "judge it alone, without new names, an instrument, a window or a rate"
            raise RecordingError(f"recording {sound.name}: it is a sound recording; {said}")
        _refuse_of_boards(sound, otherwise(Claims()), fitted, is_sound=True)
        return judge_sound(sound, setup(), when=when, software=software)
    if (capture := next((Path(path) for path in paths if is_capture(path)), None)) is not None:
        if len(paths) > 1:
            raise CaptureError(f"capture {capture.name}: it holds a whole test; judge it alone, not with {len(paths) - 1} more")
        if not is_plain or fitted is not None:
            said = "new names, an instrument, fitted lamps, a window and a rate are for recordings made elsewhere; leave them out"
            raise CaptureError(f"capture {capture.name}: it knows its board; {said}")
        return _judge_whole_test(capture, setup, otherwise, procedure, when=when, software=software)
    _refuse_of_boards(Path(paths[0]) if paths else Path(), otherwise(Claims()), fitted)
    record = judge_recording(
        paths, setup(), names=names, instrument=instrument, window_s=window_s, rate_hz=rate_hz, when=when, software=software
    )
    if contradiction := contradiction_in(record):
        name = ", ".join(Path(path).name for path in paths)
        raise RecordingError(printable(f"recording {name}: judged so, its record would contradict itself: {contradiction}"))
    return record


def _judge_whole_test(
    capture: Path, setup: Callable[[], Setup], otherwise: Callable[[Claims], Otherwise], procedure: str, *, when: str, software: str
) -> TestRecord:
    """Return the record of a capture, judged as it says itself, or as `setup` and `procedure` say where it is of the first format."""
    note = read_session(capture)
    if note is None:
        record = judge_capture(capture, setup(), files.procedure(procedure), when=when, software=software)
    else:
        asked = otherwise(note.setup.claims)
        again = setup_again(note, capture.name, asked)
        before = compared(note, again, asked.part_now)
        record = judge_capture(capture, again, note.procedure, when=when, software=software, before=before)
    if contradiction := contradiction_in(record):
        raise CaptureError(printable(f"capture {capture.name}: what it says contradicts itself: {contradiction}"))
    return record


def _refuse_of_boards(path: Path, asked: Otherwise, fitted: tuple[float, ...] | None, is_sound: bool = False) -> None:
    """Raise RecordingError for what says nothing of a recording made elsewhere, and would be passed over."""
    wrong = ""
    if asked.procedure is not None:
        wrong = f"no board made it by a procedure; leave {asked.procedure.name} out"
    elif fitted is not None and (asked.lamps is not None or asked.bank is not None):
        wrong = "fitted lamps say what was connected; leave bank and loads by number out"
    elif asked.lamps is not None and asked.bank is None:
        wrong = "loads by number are places of a bank; name the bank too, or the watts of the lamps that were fitted"
    elif asked.bank is not None and asked.lamps is None and asked.rated_w is None and (asked.claims is None or asked.claims.rated is None):
        wrong = f"the bank {asked.bank.name} alone does not say which of its lamps were connected; name them by watts or by number too"
    elif is_sound and (asked.supply_v is not None or asked.led):
        wrong = "sound shows neither supply nor current; leave out what is said of them"
    if wrong:
        raise RecordingError(f"recording {path.name}: {wrong}")
