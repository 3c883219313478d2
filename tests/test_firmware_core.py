"""The firmware's core, run on this computer with sanitizers: the vectors, the Python encoder's answers, and the rules of the page."""

from __future__ import annotations

import math
import struct
import subprocess
from collections.abc import Iterator
from fractions import Fraction
from functools import cache

import numpy as np
import pytest
import vectors
from firmware_host import CLOCK_HZ, Channel, Driver, HostBoard, Memory, built
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_world import PlainWorld

from bench.description import description_crc, parse_description, scan_plan
from bench.simboard.board import SimulatedBoard
from bench.simboard.commands import CommandError, execute
from bench.wire import (
    SAMPLES_PER_FRAME,
    STAMP_MODULUS,
    EventFrame,
    EventKind,
    ResetCause,
    SampleFrame,
    TripCause,
    crc16,
    encode_event,
    encode_reply,
    encode_sample_frame,
    pack_samples,
    parse_error,
    parse_number,
    unpack_samples,
)

SAMPLE_S = 416 / CLOCK_HZ
FRAME_S = SAMPLES_PER_FRAME * SAMPLE_S
SCAN_S = 5 * SAMPLE_S
LONGEST_STUFFED = 253


@pytest.fixture(scope="module")
def driver() -> Iterator[Driver]:
    """For what needs no board."""
    made = Driver()
    yield made
    made.close()


@pytest.fixture
def board() -> Iterator[HostBoard]:
    with HostBoard() as made:
        made.run(0.01)
        yield made


# --- vectors ---


def hexadecimal(data: bytes) -> str:
    return data.hex() or "-"


def test_crc(driver: Driver) -> None:
    for _, data, expected in vectors.rows("crc.txt"):
        assert int(driver.fields("crc", data)[0]) == int(expected, 16)


def test_stuffing(driver: Driver) -> None:
    """No frame has more than 252 bytes before it is stuffed."""
    held = 0
    for name, data, encoded in vectors.rows("cobs.txt"):
        if len(vectors.data(data)) <= LONGEST_STUFFED:
            assert driver.fields("stuff", data) == [encoded + "00"], name
            held += 1
    assert held >= 8


def test_packing(driver: Driver) -> None:
    """Through the converter's own interrupt, which fills whole frames."""
    for name, samples, packed in vectors.rows("packing.txt"):
        assert driver.fields("pack", samples.ljust(3 * SAMPLES_PER_FRAME, "0"))[0][: len(packed)] == packed, name


def test_event_frames(driver: Driver) -> None:
    for name, fields, wire in vectors.rows("events.txt"):
        *header, kind, reason, ticks, value = vectors.numbers(fields)
        body = struct.pack("<BBHH", kind, reason, ticks, value)
        assert driver.fields("frame", 2, *header, body.hex()) == [wire], name


def test_sample_frames(driver: Driver) -> None:
    for name, fields, samples, wire in vectors.rows("samples.txt"):
        (body,) = driver.fields("pack", samples)
        assert driver.fields("frame", 1, *vectors.numbers(fields), body) == [wire], name


def test_replies(board: HostBoard) -> None:
    wire = {name: vectors.data(data) for name, _, data in vectors.rows("replies.txt")}
    for line, name in (("*OPC?", "page-2"), ("SYST:ERR?", "page-3"), ("ROUT:CLOS?", "empty-list")):
        board.raw = b""
        board.ask(line)
        assert board.raw == wire[name]
    board.do(f"CAL:SER {'SIM00001'}")
    board.raw = b""
    board.ask("*IDN?")
    assert board.raw == wire["identity"]


@pytest.mark.parametrize(("number", "line"), vectors.command_lines())
def test_each_command_line_leaves_its_error(number: int, line: bytes) -> None:
    with HostBoard() as board:
        board.send("*ESE 0", "CAL:DATE 0")
        board.run(0.005)
        board.send(line, "*OPC?")
        board.run(0.1)
        is_query = line.strip(b" ").split(b" ")[0].endswith(b"?") and number == 0
        assert len(board.replies) == 1 + is_query
        assert board.replies[-1] == "1"
        assert board.error() == number


def test_description(board: HostBoard) -> None:
    """That of the vectors, but for the serial number."""
    expected = [line.replace("SIM00001", "UNSET") for line in vectors.description_lines()]
    assert board.description() == expected
    assert int(board.ask("SYST:BOAR:CHEC?")) == description_crc(expected)
    assert board.ask("*IDN?") == "makebreak,rig-328,UNSET,1.0"


# --- against the Python encoder ---

byte = st.integers(0, 255)
header = st.tuples(byte, st.integers(0, STAMP_MODULUS - 1), byte, byte, byte, byte)


@given(header, byte, byte, st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
@settings(max_examples=100, deadline=None)
def test_events_are_encoded_as_in_python(
    driver: Driver, fields: tuple[int, ...], kind: int, reason: int, ticks: int, value: int
) -> None:
    (wire,) = driver.fields("frame", 2, *fields, struct.pack("<BBHH", kind, reason, ticks, value).hex())
    assert bytes.fromhex(wire) == encode_event(EventFrame(*fields, kind, reason, ticks, value))


@given(header, st.lists(st.sampled_from((0, 0, 1, 255, 256, 1023, 4095)), min_size=160, max_size=160))
@settings(max_examples=100, deadline=None)
def test_sample_frames_are_encoded_as_in_python(driver: Driver, fields: tuple[int, ...], counts: list[int]) -> None:
    (body,) = driver.fields("pack", "".join(f"{count:03X}" for count in counts))
    assert bytes.fromhex(body) == pack_samples(counts)
    (wire,) = driver.fields("frame", 1, *fields, body)
    assert bytes.fromhex(wire) == encode_sample_frame(SampleFrame(*fields, pack_samples(counts)))


@given(st.binary(max_size=LONGEST_STUFFED))
@settings(max_examples=100, deadline=None)
def test_crc_and_stuffing_are_those_of_python(driver: Driver, data: bytes) -> None:
    from cobs import cobs

    assert int(driver.fields("crc", hexadecimal(data))[0]) == crc16(data)
    assert bytes.fromhex(driver.fields("stuff", hexadecimal(data))[0]) == cobs.encode(data) + b"\0"


# --- numbers ---

number_text = st.one_of(
    st.from_regex(r"[+-]?([0-9]{1,12}\.?[0-9]{0,12}|\.[0-9]{1,12})([Ee][+-]?[0-9]{1,4})?", fullmatch=True),
    st.text("0123456789.+-eE AVx", min_size=1, max_size=14).map(str.strip).filter(bool),
    st.floats(allow_nan=False, allow_infinity=False, width=32).map(repr),
    st.integers(-(10**9), 10**9).map(str),
)


def read_number(driver: Driver, text: str) -> tuple[int, float, int, bool]:
    error, value, size, whole, negative = driver.fields("number", text.encode().hex())
    return int(error), float(value), -int(size) if int(negative) else int(size), whole == "1"


@given(number_text)
@settings(max_examples=1000, deadline=None)
def test_numbers_are_read_as_in_python(driver: Driver, text: str) -> None:
    error, value, size, whole = read_number(driver, text)
    try:
        expected = parse_number(text)
    except ValueError:
        # Not a number, or one too large for Python, which is one here.
        assert error in (-104, -120, -138) or math.isinf(value)
        return
    assert error == 0
    if abs(expected) > 3.3e38:
        assert abs(value) > 3.2e38
    else:
        assert value == pytest.approx(expected, rel=3e-7, abs=1e-37)
    exact = Fraction(text)
    assert whole == (exact.denominator == 1)
    if whole:
        assert size == exact if abs(exact) < 10**9 else abs(size) >= 10**9


@given(st.integers(1, 999_999), st.integers(-34, 24), st.sampled_from((-1, 1)))
@settings(max_examples=1000, deadline=None)
def test_six_digits_come_back_as_they_were_sent(driver: Driver, digits: int, exponent: int, sign: int) -> None:
    text = f"{sign * digits}E{exponent}"
    error, value, _, _ = read_number(driver, text)
    assert error == 0
    (written,) = driver.fields("write", repr(value))
    assert len(written) <= 14
    expected = float(text)
    if 1e-30 <= abs(expected) <= 1e30:
        assert float(written) == expected


@pytest.mark.parametrize(
    ("value", "text"),
    [("0", "0"), ("-0.0", "0"), ("75", "75"), ("0.05", "0.05"), ("4.7E-5", "4.7E-5"), ("172800", "172800"), ("-0.064", "-0.064"),
     ("999999.9", "1000000"), ("0.0001", "0.0001"), ("1.5E9", "1.5E9"), ("123456789", "123457000"), ("1E-10", "1E-10"),
     ("3.402823466E38", "3.40282E38"), ("9.9999995", "10")],
)  # fmt: skip
def test_numbers_are_written_plainly(driver: Driver, value: str, text: str) -> None:
    assert driver.fields("write", value) == [text]


# --- lines ---


def test_the_page_holds_where_the_simulated_board_does(board: HostBoard) -> None:
    """The same error for the same line, for lines put together at random from the page's own words."""
    rng = np.random.default_rng(3)
    headers = [line.split(b" ")[0].decode("latin-1") for number, line in vectors.command_lines() if number != -101]
    headers = sorted({h for h in headers if h and "SIM" not in h.upper() and "TST" not in h.upper() and "STOR" not in h.upper()})
    values = ["", "1", "0", "ON", "off", "MAYBE", "4.5", "-1", "1E400", "1V2", "10 A", "1E", ".5", "+", "(@1)", "(@1,2)", "(@1", "(@9)",
              "(@12:3)", "( @ 1 )", "(1)", "(@1000)", "(", ")", "1)", "FAST", "PREC", "v_in", "x-y", "a.b", "0.036", "16E6", "12 ", "(@)", "(@,)", "(@1:2:3)",
              "(@4:2)", "(@1 2)", "'a'"]  # fmt: skip
    lines = []
    for _ in range(1500):
        parameters = ",".join(values[k] for k in rng.integers(len(values), size=rng.choice([0, 1, 1, 1, 2, 7])))
        line = headers[rng.integers(len(headers))] + " " * int(rng.integers(1, 3)) * bool(parameters) + parameters
        if rng.random() < 0.2:
            at = int(rng.integers(len(line)))
            line = line[:at] + "?:*;,( x1"[rng.integers(9)] + line[at:]
        lines.append(line)
    simulated = SimulatedBoard(PlainWorld(), ideal=True)
    simulated.advance(0.01)
    for line in lines:
        simulated.restore()
        try:
            execute(simulated, line.encode())
            expected = 0
        except CommandError as error:
            expected = error.number
        board.send("*RST", "*CLS", line)
        board.run(0.02)
        board.send("*RST")
        board.run(0.003)
        errors = [parse_error(board.ask("SYST:ERR?"))[0]]
        query = expected == 0 and line.split(" ")[0].rstrip().endswith("?")
        assert errors == [expected] or (query and expected == 0), line


def test_an_overlong_line_is_dropped_to_its_end_and_flagged(board: HostBoard) -> None:
    board.send(b"OUTP ON" + b" " * 200 + b"X")
    board.run(0.01)
    assert board.error() == -363
    board.events.clear()
    board.do("ROUT:CLOS (@1)")
    assert board.events[0].line_lost
    board.events.clear()
    board.do("ROUT:OPEN (@1)")
    assert not board.events[0].line_lost
    board.send(b"*OPC?" + b" " * 74 + b"\r")
    board.run(0.01)
    assert board.replies[-1] == "1"
    assert board.error() == 0


def test_a_line_that_lost_a_byte_is_not_obeyed(board: HostBoard) -> None:
    board.feed(b"ROUT:CLOS (@1")
    board.lose_byte()
    board.feed(b",3)\nROUT:CLOS (@2)\n")
    board.run(0.01)
    assert board.ask("ROUT:CLOS?") == "(@2)"
    assert board.error() == -363
    assert board.events[-1].line_lost


def test_a_flood_of_bytes_is_no_command(board: HostBoard) -> None:
    """More than the receiver holds while a query takes its time: whole lines are obeyed, cut ones are not."""
    board.send("SYST:BOAR:CHEC?", *["ROUT:CLOS (@3)"] * 30, "ROUT:OPEN:ALL")
    board.run(0.3)
    board.send("*CLS", "*OPC?")
    board.run(0.05)
    assert set().union(*(s.loads for s in board.switched)) <= {3}
    assert board.replies[-1] == "1"


def test_errors_queue_in_order_and_overflow_at_the_end(board: HostBoard) -> None:
    board.ask("*ESR?")
    board.send(*["FOO"] * 9)
    board.run(0.01)
    assert board.ask("SYST:ERR:COUN?") == "8"
    assert [board.error() for _ in range(9)] == [-113] * 7 + [-350, 0]
    assert board.ask("*ESR?") == "40"


def test_status_registers(board: HostBoard) -> None:
    assert board.ask("*ESR?") == "128"
    board.send("FOO", "CURR:PROT 1000", b"x" * 100, "*OPC")
    board.run(0.01)
    assert board.ask("*STB?") == "4"
    board.send("*ESE 32", "*SRE 32")
    assert board.ask("*STB?") == str(4 + 32 + 64)
    assert board.ask("*ESR?") == str(1 + 8 + 16 + 32)
    assert board.ask("*STB?") == "4"
    board.do("*CLS")
    assert (board.ask("*ESE?"), board.ask("*SRE?"), board.ask("*STB?")) == ("32", "32", "0")


# --- switches, samples, time ---


def test_it_starts_open_and_says_why(board: HostBoard) -> None:
    (started,) = board.events
    assert started == EventFrame(0, 0, 0, 0, 0, 0, EventKind.STARTED, ResetCause.POW, 0, 0)
    assert board.raw[0] == 0 and board.raw[1:] == encode_event(started)
    assert board.switched == []
    assert board.ask("SYST:CAUS?") == "NONE,POW"


def test_switching_is_one_event_with_what_was_before(board: HostBoard) -> None:
    board.events.clear()
    board.do("ROUT:CLOS (@1,2)", "ROUT:CLOS (@1,2)", "OUTP OFF", "OUTP ON", "*RST")
    assert [(e.kind, e.closed_loads, e.master, e.value) for e in board.events] == [
        (EventKind.SWITCHED, frozenset({1, 2}), False, 0),
        (EventKind.SWITCHED, frozenset({1, 2}), True, 3),
        (EventKind.SWITCHED, frozenset(), False, 0x103),
    ]
    assert [(s.master, s.loads) for s in board.switched] == [(False, {1, 2}), (True, {1, 2}), (False, set())]


def test_zero_bytes_stand_where_the_page_says(board: HostBoard) -> None:
    board.raw = b""
    board.do("ROUT:CLOS (@1)")
    first, second = encode_event(board.events[-1]), encode_reply('0,"No error"')
    assert board.raw == first + second
    board.raw = b""
    board.do("ROUT:OPEN (@1)")
    assert board.raw == b"\0" + encode_event(board.events[-1]) + second


def test_every_channel_stands_where_the_plan_says(board: HostBoard) -> None:
    """Each input has its own count, and the converter takes it as the data sheet says: two conversions after it was selected."""
    for channel in Channel:
        board.set(channel, 100 + channel)
    board.do("INIT")
    board.run(0.05)
    counts = unpack_samples([frame.body for frame in board.frames]).ravel()
    plan = scan_plan(parse_description(vectors.description_lines()))
    assert len(counts) > 1600
    for name, positions in plan.items():
        wanted = 100 + Channel[name.upper()]
        assert set(counts[: len(counts) // 320 * 320].reshape(-1, 320)[:, positions].ravel().tolist()) == {wanted}, name


@pytest.mark.parametrize("turn", [400, 8_000, 16_000])
def test_a_run_is_whole_and_in_order(turn: int) -> None:
    """Also with a main loop that comes round only once a millisecond."""
    with HostBoard(turn=turn) as board:
        board.run(0.01)
        board.do("INIT")
        board.hold(1.0)
        board.do("ABOR")
        board.run(0.02)
        (stopped,) = board.of_kind(EventKind.STOPPED)
        stamps = [frame.stamp for frame in board.frames]
        assert stamps == [SAMPLES_PER_FRAME * k for k in range(len(stamps))]
        assert len(stamps) > 230
        assert stamps[-1] + SAMPLES_PER_FRAME <= stopped.stamp < stamps[-1] + 2 * SAMPLES_PER_FRAME
        assert not stopped.sampling and stopped.ticks == 0
        assert board.order.index(stopped) > board.order.index(board.frames[-1])
        assert all(frame.flags == 0 and frame.sampling and frame.run == 1 for frame in board.frames)
        received = len(board.frames)
        board.run(0.1)
        assert len(board.frames) == received
        assert board.sequencer.count.frames_missing == 0


def test_precise_mode_and_runs_in_a_row(board: HostBoard) -> None:
    board.do("SENS:MODE PREC", "SENS:VOLT:RANG 12")
    assert board.voltage_range() == 1
    for run in (1, 2, 3, 0, 1):
        board.frames.clear()
        board.send("INIT")
        board.run(0.1)
        assert [frame.stamp for frame in board.frames] == [160 * k for k in range(len(board.frames))]
        assert len(board.frames) == 5
        assert all(frame.precise and frame.run == run and frame.range_number == 1 for frame in board.frames)
        board.send("ABOR", "INIT", "ABOR")
        board.run(0.03)
        board.send("INIT", "ABOR", "INIT", "ABOR", "INIT", "ABOR")
        board.run(0.05)
        assert board.order[-1] == board.events[-1]
    assert board.error() == 0


def test_a_host_that_takes_nothing_loses_whole_frames() -> None:
    """Here the main loop is too slow: 160 samples go at a time, and the next frame says so."""
    with HostBoard(turn=160_000) as board:
        board.run(0.05)
        board.send("INIT")
        board.run(0.3)
        lost = [later.stamp - frame.stamp > 160 for frame, later in zip(board.frames, board.frames[1:], strict=False)]
        assert any(lost)
        assert all((later.stamp - frame.stamp) % 160 == 0 for frame, later in zip(board.frames, board.frames[1:], strict=False))
        assert [frame.samples_lost for frame in board.frames[1:]] == lost


@pytest.mark.parametrize("seed", range(3))
def test_frames_and_events_agree_about_the_switches(seed: int) -> None:
    """Every frame shows the switches as the events before its stamp have left them, whatever the moment."""
    rng = np.random.default_rng(seed)
    with HostBoard(turn=int(rng.integers(200, 4000))) as board:
        board.run(0.01)
        board.send("INIT")
        board.run(0.005)
        for _ in range(120):
            board.send(f"OUTP {rng.integers(2)}", f"ROUT:{'CLOS' if rng.random() < 0.5 else 'OPEN'} (@{rng.integers(1, 9)})")
            board.run(float(rng.uniform(0.001, 0.006)))
        board.run(0.02)
        events = [(e.stamp, e.closed_loads, e.master) for e in board.of_kind(EventKind.SWITCHED)]
        assert len(events) > 100
        for frame in board.frames:
            before = [(loads, master) for stamp, loads, master in events if stamp < frame.stamp]
            loads, master = before[-1] if before else (frozenset(), False)
            assert (frame.closed_loads, frame.master) == (loads, master), frame.stamp
        assert board.error() == 0


def test_stamps_go_on_over_the_wrap() -> None:
    first = STAMP_MODULUS - 320
    with HostBoard(first_stamp=first) as board:
        board.run(0.01)
        board.do("INIT")
        board.hold(0.1)
        assert [frame.stamp for frame in board.frames] == [(first + 160 * k) % STAMP_MODULUS for k in range(len(board.frames))]
        assert int(board.ask("SYST:STAM?").split(",")[0]) < 10_000
        board.events.clear()
        board.do("ROUT:CLOS (@1)")
        assert 0 < board.events[0].stamp < 10_000


def test_time_goes_on_for_long(board: HostBoard) -> None:
    """Stamps asked for agree with the clock to a sample, over more than a wrap of the hardware's 32-bit count of clocks (268 s)."""
    board.driver.command("turn", 4_000_000)
    board.do("SENS:MODE PREC")
    board.send("INIT")
    board.run(0.3)
    begin = None
    for _ in range(4):
        stamp, ticks = map(int, board.ask("SYST:STAM?", 5.0).split(","))
        (asked,) = [int(line.split(" ")[1]) for line in board.driver.command("run", 0)]
        assert 0 <= ticks < 1664
        offset = asked - stamp * 1664
        assert begin is None or abs(offset - begin) < 12_000_000
        begin = offset if begin is None else begin
        board.run(100.0)


# --- comparator ---


def test_a_burst_is_one_event_at_its_first_change(board: HostBoard) -> None:
    board.do("INIT")
    board.run(0.03)
    board.events.clear()
    stamp, ticks = map(int, board.ask("SYST:STAM?").split(","))
    begin = board.clock / CLOCK_HZ
    board.run(0.002)
    asked = board.clock / CLOCK_HZ - begin
    for k, t in enumerate((0.010, 0.0101, 0.0102, 0.0150, 0.0151)):
        board.set_comparator(k % 2 == 0, t)
    board.set_comparator(False, 0.080)
    board.run(0.15)
    high, low = board.of_kind(EventKind.BURST)
    assert (high.reason, high.value, high.comparator) == (1, 5, True)
    assert (low.reason, low.value, low.comparator) == (0, 1, False)
    apart = (low.stamp - high.stamp) * 416 + low.ticks - high.ticks
    assert apart == round(0.070 * CLOCK_HZ)
    assert (high.stamp - stamp) * SAMPLE_S == pytest.approx(0.010 + asked, abs=0.003)
    assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == 6
    assert 0 <= ticks < 416


def test_bursts_count_only_while_sampling(board: HostBoard) -> None:
    board.set_comparator(True, 0.001)
    board.run(0.05)
    board.set_comparator(False, 0.001)
    board.run(0.003)
    board.do("INIT")
    board.run(0.05)
    assert board.of_kind(EventKind.BURST) == []
    assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == 2
    board.set_comparator(True, 0.001)
    board.run(0.005)
    board.do("ABOR")
    board.run(0.05)
    assert board.of_kind(EventKind.BURST) == []


@given(st.lists(st.floats(0.00002, 0.04), min_size=1, max_size=40))
@settings(max_examples=25, deadline=None)
def test_every_change_is_counted_once(gaps: list[float]) -> None:
    """In frames and in bursts; a burst ends with the first gap of 20 ms, give or take the main loop's turn."""
    with HostBoard() as board:
        board.run(0.01)
        board.send("INIT")
        board.run(0.01)
        t = 0.0
        for k, gap in enumerate(gaps):
            t += gap
            board.set_comparator(k % 2 == 0, t)
        board.run(t + 0.05)
        assert sum(f.edges for f in board.frames) + sum(e.edges for e in board.events) == len(gaps)
        bursts = board.of_kind(EventKind.BURST)
        assert sum(burst.value for burst in bursts) == len(gaps)
        sure, perhaps = (1 + sum(gap >= limit for gap in gaps[1:]) for limit in (0.0205, 0.0195))
        assert sure <= len(bursts) <= perhaps


# --- what it does by itself ---


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
    board.driver.command("turn", 160_000)
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


# --- self-test ---


@pytest.mark.parametrize(
    ("channel", "count", "result"),
    [(Channel.SELF_CHECK, 960, 0), (Channel.SELF_CHECK, 950, 1), (Channel.V_DROP, 512, 2), (Channel.I_LOAD, 0, 2), (Channel.TEMPERATURE, 0, 2),
     (Channel.V_IN, 300, 2), (Channel.I_LOAD, 66, 0)],
)  # fmt: skip
def test_self_test(board: HostBoard, channel: Channel, count: int, result: int) -> None:
    board.set(channel, count)
    assert board.ask("*TST?", 2.0) == str(result)
    assert board.error() == (-330 if result else 0)


def test_self_test_of_the_program(board: HostBoard) -> None:
    board.driver.command("flip", 1234)
    assert board.ask("*TST?", 2.0) == "4"
    assert board.error() == -330


# --- calibration ---

# Layout, counter, record and CRC of one copy.
STORED_BYTES = 2 + 228 + 2
CALIBRATION = ("CAL:RANG v_in,0,1.25,0.0363196,1.5E-4,0.0025,0.011", "CAL:CLOC 16003421,4.5E-5", "CAL:DATE 20261125", "CAL:SER A47")


def test_calibration_is_said_kept_and_cleared(board: HostBoard) -> None:
    built_in = board.description()
    board.do(*CALIBRATION)
    lines = board.description()
    assert int(board.ask("SYST:BOAR:CHEC?")) == description_crc(lines)
    assert lines[:3] == ["board,1,rig-328,A47", "calibrated,20261125", "clock,16003421,4.5E-5"]
    said = parse_description(lines).channels["v_in"].range(0)
    assert (said.zero, said.scale, said.u_scale, said.u_zero, said.u_line, said.noise) == (1.25, 0.0363196, 1.5e-4, 0.0025, 0.011, 0.018)
    assert said.low == pytest.approx((0.5 - 1.25) * 0.0363196, rel=1e-5)
    assert said.high == pytest.approx((1022.5 - 1.25) * 0.0363196, rel=1e-5)
    board.do(f"SENS:VOLT:RANG {said.high:g}", "*RST")
    assert board.description() == lines
    with HostBoard(ResetCause.EXT, board.memory()) as again:
        again.run(0.01)
        assert again.description() == built_in
    board.do("CAL:STOR")
    with HostBoard(ResetCause.POW, board.memory()) as again:
        again.run(0.01)
        assert again.description() == lines
        assert again.ask("*TST?", 2.0) == "0"
        again.do("CAL:CLE")
        cleared_lines = [line.replace("UNSET", "A47") for line in built_in]
        assert again.description() == cleared_lines
        with HostBoard(ResetCause.WATC, again.memory()) as third:
            third.run(0.01)
            assert third.description() == lines


def after_power_up(memory: Memory) -> tuple[str, str]:
    """The second line of the description, and what the self-test finds."""
    with HostBoard(ResetCause.POW, memory) as board:
        board.run(0.01)
        return board.ask("SYST:BOAR:LINE? 2"), board.ask("*TST?", 2.0)


BUILT_IN = "clock,16000000,0.005"


def store_with_a_cut(memory: Memory, cut_after: int, date: int) -> Memory:
    """What memory holds when the power fails in the middle of this byte of a store, or after it."""
    with HostBoard(ResetCause.POW, memory, cut_after=cut_after) as board:
        board.run(0.01)
        board.send(f"CAL:DATE {date}", "CAL:STOR")
        board.run(0.01)
        for _ in range(20):
            if board.off is None:
                board.run(0.1)
        return board.memory() if board.off is None else board.off


@cache
def stored_once() -> Memory:
    return store_with_a_cut(Memory(), 10_000, 20260101)


def test_power_may_fail_at_any_byte_of_a_store() -> None:
    """What was stored before, or what was to be stored: nothing else comes back."""
    before = store_with_a_cut(stored_once(), 10_000, 20260202)
    assert after_power_up(before) == ("calibrated,20260202", "0")
    for cut in range(STORED_BYTES):
        assert after_power_up(store_with_a_cut(before, cut, 20260303)) == ("calibrated,20260202", "0"), cut
    assert after_power_up(store_with_a_cut(before, STORED_BYTES, 20260303)) == ("calibrated,20260303", "0")


def test_a_first_store_cut_short_is_told() -> None:
    assert after_power_up(Memory()) == (BUILT_IN, "0")
    for cut in (1, 100, STORED_BYTES - 1):
        assert after_power_up(store_with_a_cut(Memory(), cut, 20260101)) == (BUILT_IN, "8")


@given(st.integers(0, STORED_BYTES - 1), st.integers(0, 7))
@settings(max_examples=30, deadline=None)
def test_a_rotten_bit_never_changes_a_scale(position: int, bit: int) -> None:
    store = bytearray(stored_once().store)
    store[position] ^= 1 << bit
    assert after_power_up(Memory(bytes(store))) == (BUILT_IN, "8")


# --- fuzzing ---


def test_fuzzed_lines_break_nothing() -> None:
    done = subprocess.run([built("board_fuzz"), "20000", "1"], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "lines 20000" in done.stdout
