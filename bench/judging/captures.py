"""A capture judged again: the bytes that a session received, cut into runs by its notes, as if they came now.

Strategy. A capture holds bytes with their times of arrival, and the notes that the session wrote between them. Bytes go through the same
decoder and analysis as at first; notes say which test, board and run they belong to, where a run was switched off (what came until then is
what it shows), which faults of the bench the session itself found, and how the test ended. Notes are outside text: each is checked against
its place (`CaptureReading.demand`), and what no session writes there is refused in one line. A capture without an end is a test that was
interrupted. Runs, faults and notes then go the way of a live test (`bench.assemble`), so that both end in the same record.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from bench import files
from bench.analysis import Analysis, Observer
from bench.assemble import TestContext, assemble
from bench.combine import StepRuns
from bench.description import BoardDescription, parse_description
from bench.errors import CaptureError, DescriptionError, ZeroError
from bench.judging.capture_notes import (
    BoardNote,
    ClosedNote,
    EndNote,
    InterruptedNote,
    LampsProvedNote,
    Note,
    OffNote,
    OlderBoard,
    OlderSession,
    RunNote,
    SessionNote,
    ShortedNote,
    StampNote,
    ZeroNote,
    note_of,
)
from bench.measure import BenchFault, BenchProof, FactName, Measured, ProofItem, UnitBehaviour, with_proof
from bench.measure.flash_table import FlashTable
from bench.ports.replay import NOTE, RECEIVED, CaptureEntry, format_of, read_capture
from bench.procedure import Procedure, RunStep
from bench.record import BoardRecord, Compared, JudgedAgain, StepRecord, TestRecord
from bench.record_older import board_of_texts
from bench.run_plan import LIVE_COUNTS, snapshot
from bench.setup import MOST_V, Setup, conditions_for, load_for
from bench.typed_json import printable
from bench.uncertainty import TypeA
from bench.wire import Decoder, Reply, SampleFrame
from bench.zero import LinkReadings, apply_zero

_NOT_SAID = "set-up, procedure and time of the test are not in the capture: they are as given when it was judged"


class Onlooker(Protocol):
    """What sees the runs of a capture as they are read."""

    def begin(self, description: BoardDescription) -> Observer:
        """Begin a run on a board of this description; return what is to be shown its samples."""

    def end(self, record: StepRecord, analysis: Analysis, range_number: int) -> None:
        """End the run. `range_number`: the voltage range that it was last sampled in."""


@dataclass
class _Open:
    """A run whose end has not come yet."""

    note: RunNote
    began_s: float
    analysis: Analysis
    lamps_w: tuple[float, ...] = ()
    range_number: int = 0
    shown: tuple[Measured, FlashTable] | None = None


@dataclass
class CaptureReading:
    """What reading the capture `name` has found so far."""

    setup: Setup
    procedure: Procedure
    name: str
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
    begun: bool = False
    closed: bool = False

    def refused(self, why: str) -> CaptureError:
        """Return the error of a capture whose notes can't be those of a session, in one line."""
        return CaptureError(printable(f"capture {self.name}: {why}"))

    def demand(self, holds: bool, otherwise: str) -> None:
        """Raise CaptureError that says `otherwise`, unless this `holds`."""
        if not holds:
            raise self.refused(otherwise)

    def running(self) -> _Open:
        """Return the run at hand."""
        if self.open is None:
            raise self.refused("a run ends that did not begin")
        return self.open

    def step(self, name: str) -> RunStep:
        """Return the step of this name, of which it holds a run."""
        for step in self.procedure.runs:
            if step.name == name:
                return step
        raise self.refused(f"it holds a run {name!r}, which procedure {self.procedure.name!r} has not")


def judge_capture(
    path: str | Path,
    setup: Setup,
    procedure: Procedure,
    *,
    when: str,
    software: str,
    before: tuple[Compared, ...] | None = None,
) -> TestRecord:
    """Return the record of the test that the capture was made of, judged by `setup`. CaptureError if it can't be read.

    `procedure` must be the one of the test; `setup` may name other limits, and must name the same load (`bench.judging.capture_setup` makes
    both of what the capture says). `when` and `software` are of the judging, `before` is what the test was first judged by, where that is
    known. A capture without an end is a test that was interrupted.
    """
    reading = read_runs(path, setup, procedure)
    otherwise = "not in the capture" if reading.interrupted is None else "the test was interrupted before"
    runs = []
    for step in procedure.runs:
        records = tuple(reading.records.get(step.name, ()))
        runs.append(StepRuns(step, records, reading.left_out.get(step.name, "" if records else otherwise)))
    damage = reading.decoder.damage
    name, session = Path(path).name, reading.session
    context = TestContext(
        when=when if session is None else session.when,
        software=software if session is None else session.software,
        board=reading.board,
        judged_again=JudgedAgain(name, when, software, before),
        link={**(reading.link or {kind: getattr(damage, kind) for kind in damage.__slots__}), **reading.losses},
        notes=reading.notes if session is not None else (_NOT_SAID,),
        bench_faults=tuple(reading.bench_faults),
        interrupted=reading.interrupted,
        zeroed=reading.zeroed,
    )
    return assemble(procedure, setup, runs, context)


def read_runs(path: str | Path, setup: Setup, procedure: Procedure, onlooker: Onlooker | None = None) -> CaptureReading:
    """Return everything that the capture holds, run by run; a run that it breaks off counts as interrupted. CaptureError if it can't be
    read."""
    name = Path(path).name
    reading = CaptureReading(setup, procedure, name, onlooker)
    number = format_of(path)
    for entry in read_capture(path):
        reading.now_s = entry.t_s
        if reading.origin_s is None:
            reading.origin_s = entry.t_s
        if entry.kind == RECEIVED:
            _receive(reading, entry)
        elif entry.kind == NOTE:
            _follow(reading, note_of(entry, name, number))
    if reading.open is not None:
        _close_run(reading, EndNote("the capture ends in the middle of the run"))
    return reading


def _receive(reading: CaptureReading, entry: CaptureEntry) -> None:
    frames = [piece for piece in reading.decoder.feed(entry.payload) if not isinstance(piece, Reply)]
    if reading.open is None or reading.description is None or not frames:
        return
    samples = [frame for frame in frames if isinstance(frame, SampleFrame)]
    for mode in {frame.mode for frame in samples}:
        if mode not in reading.description.modes:
            raise reading.refused(f"it holds samples of the mode {mode}, which its board has not")
    reading.open.analysis.feed(frames, entry.t_s)
    if samples:
        reading.open.range_number = samples[-1].range_number


def _follow(reading: CaptureReading, note: Note) -> None:
    """Go on by a note. CaptureError for one that no session writes there, or that says what cannot be."""
    reading.demand(not reading.closed, "it goes on after its last note")
    is_first = isinstance(note, SessionNote | OlderSession)
    reading.demand(is_first is not reading.begun, "what test it is of is not said first, or twice")
    match note:
        case SessionNote() | OlderSession():
            _begin(reading, note)
        case BoardNote() | OlderBoard():
            _meet_board(reading, note)
        case ZeroNote():
            _zero(reading, note)
        case RunNote():
            _open_run(reading, note)
        case StampNote():
            reading.running().analysis.compare(note.stamp, note.ticks, note.sent_s, note.received_s)
        case OffNote():
            run = reading.running()
            reading.demand(run.shown is None, f"run {run.note.name!r} is switched off twice")
            run.shown = _shown(run, reading.setup)
        case EndNote():
            _close_run(reading, note)
        case ShortedNote():
            _keep_short(reading, note)
        case LampsProvedNote():
            records = reading.records.get(note.step, [])
            reading.demand(bool(records), f"it proves the lamps of {note.step!r}, and holds no run of that")
            proof = BenchProof(ProofItem.LAMPS, note.proved, note.text)
            records[-1] = replace(records[-1], measured=with_proof(records[-1].measured, proof))
        case BenchFault():
            reading.bench_faults.append(note)
        case InterruptedNote():
            reading.interrupted = note.text
        case ClosedNote():
            reading.left_out, reading.notes, reading.link, reading.closed = dict(note.left_out), note.notes, dict(note.link), True


def _begin(reading: CaptureReading, note: SessionNote | OlderSession) -> None:
    reading.begun = True
    if isinstance(note, SessionNote):
        reading.session = note
    asked = reading.setup.system_v
    made = note.setup.system_v if isinstance(note, SessionNote) else asked if note.system_v is None else note.system_v
    reading.demand(made == asked, f"it was made of a {made:g} V unit, not of one for {asked:g} V; say --system {made:g}")


def _meet_board(reading: CaptureReading, note: BoardNote | OlderBoard) -> None:
    reading.demand(reading.stated is None, "its board is said twice")
    try:
        reading.stated = reading.description = parse_description(note.lines)
    except DescriptionError as error:
        raise reading.refused(str(error)) from error
    reading.board = note.board if isinstance(note, BoardNote) else board_of_texts(dict(note.board))


def _zero(reading: CaptureReading, note: ZeroNote) -> None:
    if reading.stated is None:
        raise reading.refused("zeros are read before a board is known")
    phases = (note.rest, note.off, note.on)
    unknown = [channel for phase in phases for channel in phase if channel not in reading.stated.channels]
    reading.demand(not unknown, f"its zeros are of {', '.join(map(repr, unknown))}, which the board has not")
    reading.demand(all(phases), "its zeros are of no channel")
    reading.demand(all(n > 1 and s >= 0.0 for phase in phases for _, s, n in phase.values()), "its zeros are of fewer than two readings")
    readings = LinkReadings(*({channel: TypeA(*one) for channel, one in phase.items()} for phase in phases))
    try:
        reading.description, reading.zeroed = apply_zero(reading.stated, readings), True
    except (ZeroError, KeyError) as error:
        raise reading.refused(f"its zeros are not those of a shorting link: {error}") from error


def _shown(run: _Open, setup: Setup) -> tuple[Measured, FlashTable]:
    """Return what the run shows by now."""
    return snapshot(run.analysis, LIVE_COUNTS if run.note.live else setup.counts), run.analysis.flashes()


def _open_run(reading: CaptureReading, note: RunNote) -> None:
    step, description = reading.step(note.step), reading.description
    if description is None:
        raise reading.refused(f"it holds a run {note.name!r} before a board is known")
    missing = " and no ".join(description.missing)
    reading.demand(not missing, f"its board has no channel {missing}: no run can be judged")
    reading.demand(reading.open is None, f"run {note.name!r} begins before the run before it is over")
    reading.demand(not note.live or reading.before is not None, f"run {note.name!r} carries on another, and there is none before it")
    load = load_for(step.loads, reading.setup, description, files.banks)
    made, wanted = list(note.loads), list(load.numbers)
    reading.demand(made == wanted, f"run {note.name!r} was made on loads {made}, not on {wanted}")
    reading.demand(0.0 < note.volts <= MOST_V, f"run {note.name!r} was made at {note.volts:g} V; allowed is up to {MOST_V:g} V")
    rated = load_for("rated", reading.setup, description, files.banks)
    conditions = conditions_for(reading.setup, rated, load, note.volts, description)
    observer = reading.onlooker.begin(description) if reading.onlooker is not None else None
    if note.live and reading.before is not None:
        analysis = reading.before.carry_on(conditions, frozenset(load.numbers), observer)
    else:
        analysis = Analysis(description, conditions, observer=observer)
    reading.open = _Open(note, reading.now_s, analysis, load.watts)


def _keep_short(reading: CaptureReading, note: ShortedNote) -> None:
    """Keep that the session found the unit shorted: a trip, and lamps that are right without it."""
    reading.step(note.step)
    proof = BenchProof(ProofItem.LAMPS, True, note.proof)
    measured = Measured({}, {FactName.BEHAVIOUR: UnitBehaviour.SHORTED}, (), (proof,))
    began_s = reading.now_s - (reading.origin_s or 0.0)
    record = StepRecord(note.step, note.title, note.loads, note.text, began_s, 0.0, measured, 0, 0, note.volts)
    whole = [r for r in reading.records.get(note.step, ()) if r.interrupted is None]
    reading.records[note.step] = [*whole, record]
    reading.interrupted = None


def _close_run(reading: CaptureReading, end: EndNote) -> None:
    run, reading.open = reading.running(), None
    note, analysis = run.note, run.analysis
    reading.before = analysis
    measured, flashes = run.shown or _shown(run, reading.setup)
    reading.interrupted = end.interrupted or reading.interrupted
    record = StepRecord(
        name=note.name,
        title=note.title,
        loads=note.loads,
        load_text=note.text,
        began_s=run.began_s - (reading.origin_s or 0.0),
        lasted_s=reading.now_s - run.began_s,
        measured=measured,
        cycles=analysis.cycles_complete,
        cycles_excluded=analysis.cycles_excluded,
        supply_v=note.volts,
        stopped_early=end.stopped_early,
        interrupted=end.interrupted,
        lamps_w=run.lamps_w,
        flashes=flashes,
    )
    reading.records.setdefault(note.step, []).append(record)
    for kind, count in analysis.losses.items():
        reading.losses[kind] = reading.losses.get(kind, 0) + count
    if reading.onlooker is not None:
        reading.onlooker.end(record, analysis, run.range_number)
