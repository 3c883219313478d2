"""The firmware's core on this computer: what opens everything, when, and how it is cleared."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import vectors
from firmware_host import CLOCK_HZ, Channel, HostBoard

from bench.description import parse_description
from bench.wire import EventFrame, EventKind, ResetCause, TripCause


@pytest.fixture
def board() -> Iterator[HostBoard]:
    with HostBoard() as made:
        made.run(0.01)
        yield made


def tripped(board: HostBoard, cause: TripCause) -> EventFrame:
    (event,) = board.of_kind(EventKind.TRIP)
    assert event.reason == cause
    assert event.tripped and not event.master and event.closed_loads == frozenset()
    assert (board.switched[-1].master, board.switched[-1].loads) == (False, frozenset())
    assert board.ask("SYST:CAUS?").split(",")[0] == cause.name
    assert board.ask("CURR:PROT:TRIP?") == "1"
    for line in ("OUTP ON", "ROUT:CLOS (@1)", "ROUT:CLOS (@)"):
        board.send(line)
        assert board.error() == -221
    board.do("OUTP OFF", "ROUT:OPEN (@1)", "ROUT:OPEN:ALL")
    return event


def cleared(board: HostBoard) -> None:
    board.do("OUTP:PROT:CLE")
    assert board.ask("CURR:PROT:TRIP?") == "0"
    assert (board.ask("OUTP?"), board.ask("ROUT:CLOS?")) == ("0", "(@)")
    board.do("ROUT:CLOS (@1)", "OUTP ON")


@pytest.mark.parametrize("silence", [0.2, 0.6, 1.0])
@pytest.mark.parametrize("line", ["ROUT:CLOS (@8)", "OUTP ON"])
def test_a_silent_host_opens_everything(board: HostBoard, silence: float, line: str) -> None:
    board.do(f"OUTP:PROT:SIL {silence}")
    board.run(1.5)
    board.do(line)
    board.send("FOO", "", "  ")
    board.run(1.2)
    closed, opened = board.switched
    assert (opened.clock - closed.clock) / CLOCK_HZ == pytest.approx(silence + 0.0015, abs=0.006)
    assert board.error() == -113
    tripped(board, TripCause.SIL)
    cleared(board)


def test_the_master_switch_has_a_longest_time(board: HostBoard) -> None:
    board.do("OUTP:PROT:TIME 100", "OUTP ON")
    board.hold(0.9)
    board.do("OUTP:PROT:TIME 1")
    board.hold(0.3)
    on, off = board.switched
    assert (off.clock - on.clock) / CLOCK_HZ == pytest.approx(1.0, abs=0.003)
    tripped(board, TripCause.TIME)
    cleared(board)


def amperes(current: float, low: bool) -> int:
    return min(max(64 + round(current / (0.008 if low else 0.08)), 0), 1023)


def flow(board: HostBoard, current: float, in_s: float = 0.0) -> None:
    """This current, in both current channels."""
    board.set(Channel.I_LOAD, amperes(current, False), in_s)
    board.set(Channel.I_LOAD_LOW, amperes(current, True), in_s)


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
@pytest.mark.parametrize(
    ("level", "current", "trips"),
    [(2.0, 1.9, False), (2.0, 2.1, True), (0.5, 0.45, False), (0.5, 0.55, True), (7.0, 7.2, True), (7.0, 6.8, False), (10.0, 9.7, False),
     (10.0, 10.2, True), (75.0, 74.0, False), (75.0, 75.3, True), (3.0, -3.2, True), (3.0, -2.8, False), (5.0, -5.1, True),
     (75.0, -5.12, False)],
)  # fmt: skip
def test_too_much_current_opens_everything_after_the_delay(mode: str, level: float, current: float, trips: bool) -> None:
    with HostBoard() as board:
        board.run(0.02)
        board.do(f"SENS:MODE {mode}", f"CURR:PROT {level}", "CURR:PROT:DEL 0.1", "ROUT:CLOS (@1,2)", "OUTP ON")
        begin = board.clock
        flow(board, current, 0.01)
        board.run(0.2)
        assert bool(board.of_kind(EventKind.TRIP)) == trips
        if trips:
            flow(board, 0.0)
            assert (board.switched[-1].clock - begin) / CLOCK_HZ == pytest.approx(0.11, abs=0.003)
            board.run(0.01)
            tripped(board, TripCause.CURR)
            cleared(board)


@pytest.mark.parametrize("delay", [0.001, 0.05, 5.0])
def test_the_delay_is_kept(board: HostBoard, delay: float) -> None:
    board.do("CURR:PROT 20", f"CURR:PROT:DEL {delay}", "OUTP ON")
    begin = board.clock
    flow(board, 30.0, 0.001)
    board.hold(delay + 0.1)
    assert (board.switched[-1].clock - begin) / CLOCK_HZ == pytest.approx(delay + 0.001, abs=0.003)
    assert board.of_kind(EventKind.TRIP)[0].reason == TripCause.CURR


def test_the_current_must_stay(board: HostBoard) -> None:
    """A gap of a scan begins the delay anew; one that comes after the delay, before anybody looked, does not save."""
    board.do("CURR:PROT 20", "CURR:PROT:DEL 0.02", "OUTP ON")
    for k in range(10):
        flow(board, 30.0, 0.001 + 0.019 * k)
        flow(board, 1.0, 0.0187 + 0.019 * k)
    board.run(0.25)
    assert board.of_kind(EventKind.TRIP) == []
    board.send("SYST:BEAT")
    board.set_turn(160_000)
    flow(board, 30.0, 0.001)
    flow(board, 1.0, 0.0225)
    board.run(0.06)
    assert board.of_kind(EventKind.TRIP)[0].reason == TripCause.CURR


def test_a_trip_stays_while_its_cause_does(board: HostBoard) -> None:
    board.do("CURR:PROT 20", "OUTP ON")
    flow(board, 30.0)
    board.run(0.1)
    tripped(board, TripCause.CURR)
    for line in ("OUTP:PROT:CLE", "*RST"):
        board.do(line)
        assert board.ask("CURR:PROT:TRIP?") == ("1" if line[0] == "O" else "0")
        if line == "OUTP:PROT:CLE":
            flow(board, 0.0)
            board.run(0.001)
    assert board.ask("SYST:CAUS?") == "CURR,POW"


def test_the_current_goes_by_the_scales_in_force(board: HostBoard) -> None:
    board.do("CAL:RANG i_load,0,70,0.085,0,0,0", "CURR:PROT 30", "OUTP ON")
    board.set(Channel.I_LOAD, 70 + 352)
    board.run(0.2)
    assert board.of_kind(EventKind.TRIP) == []
    board.send("SYST:BEAT")
    board.set(Channel.I_LOAD, 70 + 353)
    board.run(0.1)
    assert board.of_kind(EventKind.TRIP)[0].reason == TripCause.CURR


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
def test_a_supply_beyond_its_range_opens_everything(board: HostBoard, mode: str) -> None:
    board.do(f"SENS:MODE {mode}", "OUTP ON")
    board.set(Channel.V_IN, 1023, 0.001)
    board.set(Channel.V_IN, 1022, 0.010)
    board.run(0.05)
    assert board.of_kind(EventKind.TRIP) == []
    begin = board.clock
    board.set(Channel.V_IN, 1023, 0.001)
    board.run(0.05)
    assert 0.0105 <= (board.switched[-1].clock - begin) / CLOCK_HZ <= 0.016
    tripped(board, TripCause.SUPP)
    board.do("OUTP:PROT:CLE")
    assert board.ask("CURR:PROT:TRIP?") == "1"
    board.set(Channel.V_IN, 0)
    board.run(0.001)
    cleared(board)


def test_the_latch_opens_at_once_and_holds(board: HostBoard) -> None:
    board.do("INIT", "ROUT:CLOS (@1)", "OUTP ON")
    board.run(0.01)
    begin = board.clock
    board.set_latch(True, 0.001)
    board.run(0.01)
    assert (board.switched[-1].clock - begin) / CLOCK_HZ == pytest.approx(0.001, abs=0.001)
    assert tripped(board, TripCause.LATC).value == 0x101
    frames = len(board.frames)
    board.do("OUTP:PROT:CLE")
    assert board.ask("CURR:PROT:TRIP?") == "1"
    assert len(board.frames) > frames and board.frames[-1].tripped
    board.set_latch(False)
    cleared(board)
    assert len(board.of_kind(EventKind.TRIP)) == 1


def test_causes_outlive_a_reset_but_not_power_up(board: HostBoard) -> None:
    board.do("OUTP:PROT:SIL 0.2", "OUTP ON")
    board.run(0.3)
    tripped(board, TripCause.SIL)
    memory = board.memory()
    for cause in (ResetCause.WATC, ResetCause.EXT, ResetCause.BROW, ResetCause.POW):
        with HostBoard(cause, memory) as again:
            again.run(0.01)
            assert again.events[0].reason == cause
            assert again.ask("SYST:CAUS?") == f"{'NONE' if cause is ResetCause.POW else 'SIL'},{cause.name}"
            assert again.ask("CURR:PROT:TRIP?") == "0"


@pytest.mark.parametrize(("cause", "tells"), [(ResetCause.BROW, True), (ResetCause.WATC, True), (ResetCause.POW, False)])
def test_a_latch_found_set_after_a_reset_is_told(cause: ResetCause, tells: bool) -> None:
    """What it holds at power-up is chance; a cause that is still there is told in any case."""
    with HostBoard(cause, latch="set") as board:
        board.run(0.01)
        assert [event.reason for event in board.of_kind(EventKind.TRIP)] == [TripCause.LATC] * tells
    with HostBoard(cause, latch="held") as board:
        board.run(0.01)
        assert [event.reason for event in board.of_kind(EventKind.TRIP)] == [TripCause.LATC]


def test_settings_are_kept_and_reset(board: HostBoard) -> None:
    limits = parse_description(vectors.description_lines()).limits
    names = {"CURR:PROT": "CURR", "CURR:PROT:DEL": "DELAY", "OUTP:PROT:TIME": "TIME", "OUTP:PROT:SIL": "SIL"}
    for header_text, name in names.items():
        for value in (limits[name].low, limits[name].high, limits[name].default, 0.9 * limits[name].high):
            board.do(f"{header_text} {value:g}")
            assert float(board.ask(f"{header_text}?")) == float(f"{value:g}")
        board.do(f"{header_text} {limits[name].low:g}")
    board.do("SENS:MODE PREC", "SENS:VOLT:RANG 10", "*RST")
    for header_text, name in names.items():
        assert float(board.ask(f"{header_text}?")) == limits[name].default
    assert (board.ask("SENS:MODE?"), board.ask("SENS:VOLT:RANG?"), board.voltage_range()) == ("FAST", "0", 0)


def test_nothing_takes_long_while_something_is_closed(board: HostBoard) -> None:
    """The longest query, the self-test and the description's check, do not keep an over-current waiting."""
    board.do("CURR:PROT 20", "CURR:PROT:DEL 0.001", "OUTP ON")
    for line in ("SYST:BOAR:CHEC?", "SYST:BOAR:LINE? 20", "*TST?"):
        board.send("OUTP ON", line)
        begin = board.clock
        flow(board, 30.0, 0.002)
        flow(board, 0.0, 0.006)
        board.run(0.2)
        assert (board.switched[-1].clock - begin) / CLOCK_HZ == pytest.approx(0.0032, abs=0.0012), line
        board.do("OUTP:PROT:CLE")
    assert board.longest_unfed_s() < 0.002
