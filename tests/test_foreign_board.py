"""Boards of other builders that keep to the protocol's page: other forms of numbers and lists, more words, fewer channels, odd frames."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from bench_port import run_on, setup
from foreign_board import foreign, in_other_words

from bench.board import BoardClient
from bench.calibration import MeterAccuracy
from bench.description import CHANNEL_UNITS, NEEDED
from bench.errors import BoardFault, BoardLacks, BoardMisspoken, BoardRefused, BoardSilent
from bench.outcome import Outcome
from bench.ports.replay import NOTE, read_capture
from bench.record import TestRecord
from bench.uncertainty import Estimate
from bench.upkeep import Wanted, calibrate_board, self_check
from bench.upkeep.selfcheck import CheckState
from bench.upkeep.standard import measure_link
from bench.wire import EventFrame, EventKind, Frame, SampleFrame

FORMS: dict[str, Callable[[float], str]] = {
    "exponent": lambda value: f"{value:.6E}",
    "lower case, six digits": lambda value: f"{value:.5e}",
    "sign": lambda value: f"{value:+.10g}".upper(),
    "point": lambda value: f"{value:.7f}" if value % 1.0 else f"{value:.1f}",
    "bare point": lambda value: f"{value:.8f}".lstrip("0").rstrip("0") if 0.0 < value < 1.0 else f"{value:.6G}",
}


@pytest.mark.parametrize("form", FORMS)
def test_a_board_may_write_numbers_and_lists_in_any_form(form: str) -> None:
    """The whole test goes as with the board that writes them shortest."""
    answer, describe = in_other_words(FORMS[form])
    port = foreign("EL", number=FORMS[form], answer=answer, describe=describe)
    record, plain = run_on(port), run_on(foreign("EL"))
    assert (record.outcome, record.reason, record.bench_faults) == (plain.outcome, plain.reason, plain.bench_faults)
    assert record.outcome is Outcome.GOOD


def estimate(record: TestRecord, name: str) -> Estimate:
    found = record.measured.values[name]
    assert isinstance(found, Estimate)
    return found


def lacking(*names: str) -> Callable[[list[str]], list[str]]:
    """`describe` of a board without these channels. Their places in the scan plan stay taken, by something that nobody knows."""

    def describe(lines: list[str]) -> list[str]:
        kept = [line for line in lines if line.startswith("load") or not set(line.split(",")[1:3]) & set(names)]
        return kept + [line.replace("channel,", "channel,x_") for line in lines if line.startswith("channel") and line not in kept]

    return describe


@pytest.mark.parametrize("names", [("v_out",), ("v_in",), ("i_load",), ("v_in", "v_out", "i_load", "i_load_low", "v_drop")])
def test_a_board_without_a_channel_that_everything_needs_is_the_benchs_fault(names: tuple[str, ...]) -> None:
    port = foreign(describe=lacking(*names))
    record = run_on(port)
    assert record.outcome is Outcome.BENCH_FAULT
    assert [fault.code for fault in record.bench_faults] == ["board-lacks"]
    assert f"has no channel {' and no '.join(n for n in names if n in NEEDED)}, which every test of a unit needs" in record.reason
    assert not any(line.startswith((b"OUTP ON", b"ROUT:CLOS (")) for line in port.sent)


@pytest.mark.parametrize("name", [*CHANNEL_UNITS, "i_load,i_load_low", "v_in,v_out,v_drop,i_load"])
def test_a_board_without_a_channel_can_be_looked_at(name: str) -> None:
    """What it has is checked, zeroed and kept as a standard; what it lacks is left out."""
    names = name.split(",")
    findings = self_check(foreign(describe=lacking(*names)), link=True, lamps=True)
    assert not [finding for finding in findings if finding.state is CheckState.BAD]
    assert not {finding.what.removesuffix(" at rest") for finding in findings} & set(names)
    found = measure_link(foreign(describe=lacking(*names)), setup(), None).values
    needs = {
        "current_zero_a": {"i_load"}, "out_over_in": {"v_in", "v_out"}, "drop_share": {"v_in", "v_drop"}, "self_check_v": {"self_check"},
    }  # fmt: skip
    assert needs.keys() & found.keys() == {quantity for quantity, needed in needs.items() if not needed & set(names)}
    assert ("lamp_a" in found) == ("v_out" not in names and not {"i_load", "i_load_low"} <= set(names))


@pytest.mark.parametrize("name", ["v_out", "v_in", "i_load", "i_load_low", "v_drop"])
def test_a_board_without_a_channel_is_calibrated_in_the_others_or_not_at_all(name: str) -> None:
    names = [name]
    wanted = Wanted({"V": MeterAccuracy(5e-4, 2e-3), "A": MeterAccuracy(5e-3, 1e-2)}, clock_s=0.0, drop=True)
    if set(names) & set(NEEDED):
        with pytest.raises(BoardLacks, match="which every test of a unit needs"):
            calibrate_board(foreign(describe=lacking(*names)), wanted, None, 20260101)
    else:
        calibrated = calibrate_board(foreign(describe=lacking(*names)), wanted, None, 20260101)
        assert {channel.channel for channel in calibrated.channels} == {"v_in", "v_out", "v_drop", "i_load", "i_load_low"} - set(names)


@pytest.mark.parametrize("name", ["v_drop", "i_load_low", "v_pilot", "temperature", "self_check"])
def test_a_board_without_another_channel_measures_the_rest(name: str) -> None:
    record, plain = run_on(foreign(describe=lacking(name))), run_on(foreign())
    assert record.outcome is plain.outcome is Outcome.GOOD
    assert estimate(record, "rate_per_min").value == pytest.approx(estimate(plain, "rate_per_min").value, rel=1e-3)


@pytest.mark.parametrize(
    "lines",
    [
        {"channel,v_out,V,1,0,1,4.7E-5": "channel,v_out,V,1,0,2,4.7E-5"},
        {"channel,v_in,V,0,0,1,4.7E-5": "channel,v_in,V,0,3,16,4.7E-5"},
        {"channel,temperature,degC,4,31,64,0": "channel,temperature,degC,1,31,64,0"},
    ],
)
@pytest.mark.parametrize("without", [(), ("v_drop",)])
def test_input_and_output_may_be_sampled_at_different_rates(lines: dict[str, str], without: tuple[str, ...]) -> None:
    """As on a board that takes one of them more seldom."""

    def describe(said: list[str]) -> list[str]:
        return lacking(*without)([lines.get(line, line) for line in said])

    record, plain = run_on(foreign(describe=describe)), run_on(foreign())
    assert (record.outcome, record.bench_faults) == (Outcome.GOOD, ())
    for name in ("rate_per_min", "drop_v", "first_light_s", "start_s"):
        value, usual = estimate(record, name), estimate(plain, name)
        assert abs(value.value - usual.value) <= 2.0 * (value.u + usual.u)


def instead(asked: str, said: str | None) -> Callable[[str, str], str | None]:
    """`answer` of a board that says something else to one query."""
    return lambda query, text: said if query == asked else text


@pytest.mark.parametrize(
    ("asked", "said", "expected"),
    [
        ("*OPC?", "ready", "1"),
        ("SYST:ERR?", "none", 'an error such as 0,"No error"'),
        ("OUTP?", "OFF", "1 or 0"),
        ("ROUT:CLOS?", "none", "a channel list such as (@1,2)"),
        ("SENS:MODE?", "QUICK", "FAST or PREC"),
        ("CURR:PROT?", "75 A", "a number"),
        ("*IDN?", "makebreak", "maker, model, serial number and version"),
        ("*TST?", "0.5", "a whole number from 0 to 65535"),
        ("SYST:BOAR?", "999", "a whole number from 1 to 200"),
        ("SYST:BOAR?", "0", "a whole number from 1 to 200"),
        ("SYST:BOAR:CHEC?", "65536", "a whole number from 0 to 65535"),
        ("SYST:BOAR:LINE? 3", "16000000", "a line of the description"),
    ],
)
def test_an_answer_of_another_kind_is_named_and_no_cable_is_blamed(asked: str, said: str, expected: str) -> None:
    record = run_on(foreign(answer=instead(asked, said)))
    assert record.outcome is Outcome.BENCH_FAULT
    assert record.interrupted is not None
    assert f"asking {asked} of the board at sim://test: it answers '{said}', expected {expected}" in record.interrupted
    assert "cable" not in record.interrupted


def test_a_long_answer_is_not_quoted_whole() -> None:
    board = BoardClient(foreign(answer=instead("*OPC?", "x" * 250)))
    with pytest.raises(BoardMisspoken) as caught:
        board.open()
    assert "xxx...'" in str(caught.value) and len(str(caught.value)) < 220


def test_no_answer_at_all_still_sends_one_to_the_cable() -> None:
    board = BoardClient(foreign(answer=instead("*OPC?", None)))
    with pytest.raises(BoardSilent, match="look at cable and power"):
        board.open()


@pytest.mark.parametrize(
    ("said", "taken"), [("4.880000E+01", True), ("+48.8", True), ("48.8004", True), ("48.801", False), ("-48.8", False)]
)
def test_settings_are_compared_to_six_significant_digits(said: str, taken: bool) -> None:
    board = BoardClient(foreign(answer=instead("CURR:PROT?", said)))
    board.open()
    if taken:
        board.set_number("CURR:PROT", 48.8)
    else:
        with pytest.raises(BoardRefused, match=f"CURR:PROT\\? answers {said}, not 48.8"):
            board.set_number("CURR:PROT", 48.8)


def test_what_a_newer_self_test_finds_is_said_beside_the_rest() -> None:
    board = BoardClient(foreign(answer=instead("*TST?", "18.0")))
    board.open()
    assert board.self_test() == "a channel is stuck; it says 16, which this program does not know"


def test_a_description_that_drips_ends_after_half_a_minute() -> None:
    """Each answer comes just before the host would ask again."""
    port = foreign(describe=lambda lines: lines + [f"reserved{n}" for n in range(150)])
    at_once, held = port.read, bytearray()
    due_s = 0.0

    def read(timeout_s: float) -> bytes:
        nonlocal due_s
        held.extend(at_once(timeout_s))
        if due_s <= port.now_s():
            data = bytes(held)
            held.clear()
            due_s = port.now_s() + 0.4
            return data
        return b""

    port.read = read  # type: ignore[method-assign]
    began_s = port.now_s()
    with pytest.raises(BoardFault, match=r"only \d+ of its \d+ lines came in 30 s; the board or the line to it is too slow"):
        BoardClient(port).open()
    assert port.now_s() - began_s < 40.0


# --- frames that a newer board may send


def events_among(frame: Frame, *others: tuple[int, int]) -> Iterable[Frame]:
    """The frame, and once in a second these events (kind and reason) before it."""
    if isinstance(frame, SampleFrame) and frame.stamp % 38400 < 160:
        for kind, reason in others:
            yield EventFrame(frame.sequence, frame.stamp, frame.loads, frame.state, frame.flags, frame.edges, kind, reason, 0, 0xFFFF)
    yield frame


def test_events_of_unknown_kinds_are_passed_over() -> None:
    port = foreign(change=lambda frame: events_among(frame, (0, 0), (6, 1), (255, 255)))
    record, plain = run_on(port), run_on(foreign())
    assert (record.outcome, record.bench_faults, record.reason) == (plain.outcome, plain.bench_faults, plain.reason)


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (EventKind.TRIP, "opened everything: for its cause 9, which this program does not know"),
        (EventKind.STARTED, "restarted by itself (cause code 9)"),
    ],
)
def test_unknown_causes_of_trips_and_restarts_are_named_by_their_code(kind: EventKind, text: str) -> None:
    def change(frame: Frame) -> Iterable[Frame]:
        return events_among(frame, (kind, 9)) if frame.stamp > 200_000 else (frame,)

    port = foreign(change=change)
    record = run_on(port)
    assert record.outcome is Outcome.BENCH_FAULT and text in (record.interrupted or "")
    assert port.all_open


def test_unknown_flags_change_nothing() -> None:
    record = run_on(foreign(change=lambda frame: (frame._replace(flags=frame.flags | 0xF8),)))
    assert (record.outcome, record.bench_faults) == (Outcome.GOOD, ())


def test_an_unknown_error_is_shown_as_it_came() -> None:
    board = BoardClient(foreign(answer=lambda asked, text: '-999 , "no; ""such"" thing"' if asked == "SYST:ERR?" else text))
    with pytest.raises(BoardMisspoken, match="it answers"):
        board.open()
    board = BoardClient(foreign(answer=lambda asked, text: '-999,"no such thing"' if asked == "SYST:ERR?" else text))
    with pytest.raises(BoardRefused, match="error -999 no such thing"):
        board.open()


def test_an_identity_may_have_more_fields() -> None:
    record = run_on(foreign(answer=instead("*IDN?", "makebreak,x-1,7,2.0,new")))
    assert record.board is not None
    assert (record.outcome, record.board.model, record.board.firmware) == (Outcome.GOOD, "x-1", "2.0")


def test_a_frame_of_a_mode_that_the_description_lacks_does_no_harm() -> None:
    """What is said of it is the business of the checks against what was commanded."""
    describe = lambda lines: [line for line in lines if not line.startswith("mode,PREC")]  # noqa: E731
    record = run_on(foreign(describe=describe, change=lambda frame: (frame._replace(state=frame.state | 16),)))
    assert record.interrupted is None or "an error in the program" not in record.interrupted


def test_a_board_of_a_newer_version_is_refused_with_both_versions() -> None:
    port = foreign(describe=lambda lines: [line.replace("board,1,", "board,2,") for line in lines])
    record = run_on(port)
    assert record.outcome is Outcome.BENCH_FAULT
    assert "protocol version 2 is not the 1 that this program speaks" in (record.interrupted or "")


def test_words_that_a_newer_board_adds_change_nothing() -> None:
    more = ["Reserved", "x-2,1", "load,9,RELAY,5", "mode,BURST,100", "limit,VOLT,1,2,3", "channel,v_new,V,4,15,64,0", "range,v_new,0,a,b"]
    record = run_on(foreign(describe=lambda lines: [*more, *(f"{line},new" for line in lines)]))
    assert (record.outcome, record.bench_faults) == (Outcome.GOOD, ())


def test_a_capture_holds_the_description_as_it_came(tmp_path: Path) -> None:
    """Also what this version can't read: a channel has its place in the scan plan whoever reads it, and a later version may."""
    port, path = foreign(describe=lambda lines: [*lines, "channel,v_new,V,4,15,64,0", "Reserved"]), tmp_path / "new.capture"
    with path.open("wb", buffering=0) as capture:
        run_on(port, "quick", capture=capture)
    notes = (json.loads(entry.payload) for entry in read_capture(path) if entry.kind == NOTE)
    (lines,) = (note["lines"] for note in notes if note["note"] == "board")
    assert lines == port.describe(list(port.board.scales.lines))
