"""A capture judged again: the bytes that a session received, cut into runs by its notes, as if they came now."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from bench.analysis import Analysis, Observer
from bench.description import BoardDescription, DescriptionError, parse_description
from bench.measure import BenchFault, BenchProof, Measured, with_proof
from bench.measure.flashes import FlashTable
from bench.ports.replay import NOTE, RECEIVED, CaptureError, Entry, read_capture
from bench.procedure import Procedure
from bench.record import BoardRecord, JudgedAgain, StepRecord, TestRecord
from bench.record_older import board_of_texts
from bench.session.assemble import Story, assemble
from bench.session.captured import SessionNote, session_note
from bench.session.combine import Runs
from bench.session.run import LIVE_COUNTS, snapshot
from bench.session.setup import Setup, SetupError, conditions_for, load_for
from bench.typed_json import decode
from bench.uncertainty import TypeA
from bench.wire import Decoder, Reply, SampleFrame
from bench.zero import LinkReadings, zeroed

_NOT_SAID = "set-up, procedure and time of the test are not in the capture: they are as given when it was judged"


class Onlooker(Protocol):
    """Somebody who sees the runs of a capture as they are read."""

    def begin(self, description: BoardDescription) -> Observer:
        """A run begins on a board of this description; what is to be shown its samples."""

    def end(self, record: StepRecord, analysis: Analysis, range_number: int) -> None:
        """The run is over. `range_number`: the voltage range that it was last sampled in."""


@dataclass
class _Open:
    """A run whose end has not come yet."""

    note: dict[str, Any]
    began_s: float
    analysis: Analysis
    lamps_w: tuple[float, ...] = ()
    range_number: int = 0
    shown: tuple[Measured, FlashTable] | None = None


@dataclass
class Reading:
    """What reading a capture has found so far."""

    setup: Setup
    onlooker: Onlooker | None = None
    decoder: Decoder = field(default_factory=Decoder)
    stated: BoardDescription | None = None
    description: BoardDescription | None = None
    session: SessionNote | None = None
    board: BoardRecord | None = None
    origin_s: float | None = None
    open: _Open | None = None
    before: Analysis | None = None
    records: dict[str, list[StepRecord]] = field(default_factory=dict)
    losses: dict[str, int] = field(default_factory=dict)
    bench_faults: list[BenchFault] = field(default_factory=list)
    interrupted: str | None = None
    left_out: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    link: dict[str, int] = field(default_factory=dict)
    zeroed: bool = False
    now_s: float = 0.0


def judge_capture(path: str | Path, setup: Setup, procedure: Procedure, *, when: str, software: str) -> TestRecord:
    """The record of the test that the capture was made of, judged by `setup`. CaptureError if it can't be read.

    `procedure` must be the one of the test; `setup` may name other limits, and must name the same load (`bench.session.captured` makes
    both of what the capture says). `when` and `software` are of the judging. A capture without an end is a test that was interrupted.
    """
    reading = read_runs(path, setup, procedure)
    otherwise = "not in the capture" if reading.interrupted is None else "the test was interrupted before"
    runs = []
    for step in procedure.runs:
        records = tuple(reading.records.get(step.name, ()))
        runs.append(Runs(step, records, reading.left_out.get(step.name, "" if records else otherwise)))
    damage = reading.decoder.damage
    name, session = Path(path).name, reading.session
    story = Story(
        when=when if session is None else session.when,
        software=software if session is None else session.software,
        board=reading.board,
        judged_again=JudgedAgain(name, when, software),
        link={**(reading.link or {kind: getattr(damage, kind) for kind in damage.__slots__}), **reading.losses},
        notes=reading.notes if session is not None else (_NOT_SAID,),
        bench_faults=tuple(reading.bench_faults),
        interrupted=reading.interrupted,
        zeroed=reading.zeroed,
    )
    return assemble(procedure, setup, runs, story)


def read_runs(path: str | Path, setup: Setup, procedure: Procedure, onlooker: Onlooker | None = None) -> Reading:
    """Everything that the capture holds, run by run; a run that it breaks off counts as interrupted. CaptureError if it can't be read."""
    reading, name = Reading(setup, onlooker), Path(path).name
    for entry in read_capture(path):
        _take(reading, entry, procedure, name)
    if reading.open is not None:
        _close_run(reading, {"interrupted": "the capture ends in the middle of the run"})
    return reading


def _take(reading: Reading, entry: Entry, procedure: Procedure, name: str) -> None:
    reading.now_s = entry.t_s
    if reading.origin_s is None:
        reading.origin_s = entry.t_s
    if entry.kind == RECEIVED:
        frames = [piece for piece in reading.decoder.feed(entry.payload) if not isinstance(piece, Reply)]
        if reading.open is not None and frames:
            reading.open.analysis.feed(frames, entry.t_s)
            last = next((frame for frame in reversed(frames) if isinstance(frame, SampleFrame)), None)
            if last is not None:
                reading.open.range_number = last.range_number
    elif entry.kind == NOTE:
        try:
            _follow(reading, dict(entry.note), procedure, name)
        except SetupError:
            raise
        except (DescriptionError, KeyError, ValueError, TypeError) as error:
            raise CaptureError(f"capture {name}: its notes can't be understood: {type(error).__name__}: {error}") from error


def _follow(reading: Reading, note: dict[str, Any], procedure: Procedure, name: str) -> None:
    match note.get("note"):
        case "session":
            reading.session = session_note(note, name)
            asked = reading.setup.system_v
            made = note.get("system_v", asked) if reading.session is None else reading.session.setup.system_v
            if made != asked:
                raise CaptureError(f"capture {name}: it was made of a {made:g} V unit, not of one for {asked:g} V; say --system {made:g}")
        case "board":
            reading.stated = reading.description = parse_description(note["lines"])
            board = note["board"]
            reading.board = board_of_texts(dict(board)) if reading.session is None else decode(BoardRecord, board, "board")
        case "zero" if reading.stated is not None:
            phases = ({name: TypeA(*r) for name, r in note[phase].items()} for phase in ("rest", "off", "on"))
            reading.description, reading.zeroed = zeroed(reading.stated, LinkReadings(*phases)), True
        case "run":
            _open_run(reading, note, procedure, name)
        case "stamp" if reading.open is not None:
            reading.open.analysis.compare(note["stamp"], note["ticks"], note["sent_s"], note["received_s"])
        case "off" if reading.open is not None:
            reading.open.shown = _shown(reading.open, reading.setup)
        case "shorted":
            _keep_short(reading, note)
        case "end" if reading.open is not None:
            _close_run(reading, note)
        case "lamps proved" if reading.records.get(note["step"]):
            records = reading.records[note["step"]]
            proof = BenchProof("lamps", note["proved"], note["text"])
            records[-1] = replace(records[-1], measured=with_proof(records[-1].measured, proof))
        case "bench fault":
            reading.bench_faults.append(BenchFault(note["code"], note["text"], note["spoils"]))
        case "interrupted":
            reading.interrupted = note["text"]
        case "closed":
            reading.left_out, reading.notes, reading.link = dict(note["left_out"]), tuple(note["notes"]), dict(note["link"])


def _shown(run: _Open, setup: Setup) -> tuple[Measured, FlashTable]:
    """What the run shows by now."""
    return snapshot(run.analysis, LIVE_COUNTS if run.note.get("live") else setup.counts), run.analysis.flashes()


def _open_run(reading: Reading, note: dict[str, Any], procedure: Procedure, name: str) -> None:
    step = next((s for s in procedure.runs if s.name == note["step"]), None)
    if step is None or reading.description is None:
        raise CaptureError(f"capture {name}: it holds a run {note['step']!r}, which procedure {procedure.name} has not")
    if reading.description.missing:
        raise CaptureError(f"capture {name}: its board has no channel {' and no '.join(reading.description.missing)}: no run can be judged")
    load = load_for(step.loads, reading.setup, reading.description)
    if list(load.numbers) != note["loads"]:
        made = note["loads"]
        raise CaptureError(f"capture {name}: run {note['name']} was made on loads {made}, not on {list(load.numbers)}")
    rated = load_for("rated", reading.setup, reading.description)
    conditions = conditions_for(reading.setup, rated, load, note["volts"], reading.description)
    observer = reading.onlooker.begin(reading.description) if reading.onlooker is not None else None
    if note.get("live") and reading.before is not None:
        analysis = reading.before.carried_on(conditions, frozenset(load.numbers), observer)
    else:
        analysis = Analysis(reading.description, conditions, observer=observer)
    reading.open = _Open(note, reading.now_s, analysis, load.watts)


def _keep_short(reading: Reading, note: dict[str, Any]) -> None:
    """The session found the unit shorted: a trip, and lamps that are right without it."""
    proof = BenchProof("lamps", True, note["proof"])
    measured = Measured({}, {"behaviour": "shorted"}, (), (proof,))
    began_s = reading.now_s - (reading.origin_s or 0.0)
    record = StepRecord(note["step"], note["title"], tuple(note["loads"]), note["text"], began_s, 0.0, measured, 0, 0, note["volts"])
    whole = [r for r in reading.records.get(note["step"], ()) if r.interrupted is None]
    reading.records[note["step"]] = [*whole, record]
    reading.interrupted = None


def _close_run(reading: Reading, end: dict[str, Any]) -> None:
    assert reading.open is not None
    run, reading.open = reading.open, None
    note, analysis = run.note, run.analysis
    reading.before = analysis
    measured, flashes = run.shown or _shown(run, reading.setup)
    reading.interrupted = end["interrupted"] or reading.interrupted
    record = StepRecord(
        name=note["name"],
        title=note["title"],
        loads=tuple(note["loads"]),
        load_text=note["text"],
        began_s=run.began_s - (reading.origin_s or 0.0),
        lasted_s=reading.now_s - run.began_s,
        measured=measured,
        cycles=analysis.cycles_complete,
        cycles_excluded=analysis.cycles_excluded,
        supply_v=note["volts"],
        stopped_early=bool(end.get("stopped_early", False)),
        interrupted=end["interrupted"],
        lamps_w=run.lamps_w,
        flashes=flashes,
    )
    reading.records.setdefault(note["step"], []).append(record)
    for kind, count in analysis.losses.items():
        reading.losses[kind] = reading.losses.get(kind, 0) + count
    if reading.onlooker is not None:
        reading.onlooker.end(record, analysis, run.range_number)
