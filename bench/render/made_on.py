"""How a test was set up and what it was made on, in words: the typed values of a record, as reports say them."""

from __future__ import annotations

from collections.abc import Iterator

from bench.record import BoardRecord, Compared, JudgedAgain, RecordingSource, SetupRecord, TestRecord

_DIGITS = 8  # of a check sum, for people
_MOST_PLACES = 5


def board_text(board: BoardRecord) -> str:
    """Return `address sim://x, maker m, model n, serial number 1, firmware 2, never calibrated (built-in scales), simulated unit x`."""
    return ", ".join(_of_board(board))


def _of_board(board: BoardRecord) -> Iterator[str]:
    for title, text in (
        ("address", board.address), ("maker", board.maker), ("model", board.model), ("serial number", board.serial),
        ("firmware", board.firmware),
    ):  # fmt: skip
        if text:
            yield f"{title} {text}"
    if board.calibration == "built-in":
        yield "never calibrated (built-in scales)"
    elif board.calibrated is not None:
        yield f"calibrated {board.calibrated}"
    if board.simulation is not None:
        faults = f" with {', '.join(board.simulation.faults)}" if board.simulation.faults else ""
        yield f"simulated unit {board.simulation.unit}{faults}"


def recording_text(source: RecordingSource) -> str:
    """Return `scope.csv, columns v_in, i_load, instrument x`."""
    instrument = instrument_text(source)
    return f"{source.file}, columns {', '.join(source.columns)}{f', instrument {instrument}' if instrument else ''}"


def instrument_text(source: RecordingSource) -> str:
    """Return what made the recording, and what of its errors was not stated; empty if nothing is known of either."""
    unstated = f"not stated: {source.not_stated}" if source.not_stated else ""
    return "; ".join(part for part in (source.instrument, unstated) if part)


def setup_text(setup: SetupRecord) -> str:
    """Return what was chosen for the test beside load and limits; empty if the record does not say."""
    return "; ".join(_of_setup(setup))


def _of_setup(setup: SetupRecord) -> Iterator[str]:
    if setup.supply_v is not None:
        yield f"supply {setup.supply_v:g} V"
    if setup.bank is not None:
        yield f"bank {setup.bank.name}: {setup.bank.title}"
    if setup.lamps is not None:
        yield f"loads {', '.join(map(str, setup.lamps))}"
    if setup.fitted_w is not None:
        yield f"lamps connected: {' + '.join(f'{watts:g} W' for watts in setup.fitted_w) or 'not stated'}"
    if setup.filament is False:
        yield "not filament lamps"
    if setup.sample_mode is not None:
        yield f"{setup.sample_mode} sampling"
    if setup.skip is not None and setup.average is not None:
        yield f"skip {setup.skip} cycles, average at least {setup.average}"
    if setup.stop_early:
        yield "stop as soon as all limits are decided"
    if setup.rested_s:
        yield f"off for {setup.rested_s:g} s before"
    for fact, word in setup.entered.items():
        yield f"entered by hand: {fact} {word}"


def older_text(record: TestRecord) -> str:
    """Return what is to be said of a record that was kept without a check sum; empty of one that carried one."""
    if record.older_format is None:
        return ""
    return f"Kept in format {record.older_format}, which carries no check sum: whether it was changed does not show."


def compared_texts(again: JudgedAgain) -> Iterator[str]:
    """Yield what the test was first judged by, a text each: which edition, and what it says otherwise now."""
    if again.compared is None:
        yield "not in the capture: whether limits or grade rule were changed since the test does not show"
    for one in again.compared or ():
        yield f"{_named(one)} {one.sha256[:_DIGITS]}: {changes_text(one)}"


def _named(one: Compared) -> str:
    return f"{one.kind} {one.name}{f' ({one.edition})' if one.edition else ''}"


def changes_text(one: Compared) -> str:
    """Return `the same now`, or what differs: `changed since, now 2a4b6c8d: averaging skip 5 -> 3`."""
    if one.sha256_now is None:
        return "nothing of that name is here now"
    if not one.moved:
        return "the same now"
    places = [f"{moved.place} {moved.then} -> {moved.now}" for moved in one.moved]
    more = f", and {len(places) - _MOST_PLACES} more" if len(places) > _MOST_PLACES else ""
    edition = f"{one.edition_now}, " if one.edition_now != one.edition else ""
    held = "; this judgement is by what it was then" if one.kind in ("procedure", "claims") else ""
    return f"changed since, now {edition}{one.sha256_now[:_DIGITS]}: {', '.join(places[:_MOST_PLACES])}{more}{held}"


def first_change_text(one: Compared) -> str:
    """Return what differs, in so few words that it fits a line: `limit set own: rate_per_min high 120 -> 115 since, and 2 more`."""
    if one.sha256_now is None or not one.moved:
        return f"{one.kind} {one.name}: {changes_text(one)}"
    first, *others = one.moved
    place = " ".join(first.place.split()[-2:])
    more = f", and {len(others)} more" if others else ""
    return f"{one.kind} {one.name}: {place} {first.then} -> {first.now} since{more}"


def made_on(record: TestRecord) -> Iterator[tuple[str, str]]:
    """Yield rows of a report, title and text: the capture that it was judged from, set-up, board or recording."""
    if record.judged_again is not None:
        again = record.judged_again
        yield "Judged again", f"from the capture {again.capture}, {again.when}, by {again.software}"
        for number, text in enumerate(compared_texts(again)):
            yield "" if number else "First judged by", text
    if text := setup_text(record.setup):
        yield "Set-up", text
    if record.recording is not None:
        yield "Recording", recording_text(record.recording)
    if record.board is not None:
        yield "Board", board_text(record.board)
    if text := older_text(record):
        yield "Record", text
