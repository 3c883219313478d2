"""The firmware's core, run on this computer with sanitizers: the vectors, the Python encoder's answers, and the rules of the page."""

from __future__ import annotations

import math
import struct
import subprocess
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
import pytest
import vectors
from cobs import cobs
from firmware_host import Driver, HostBoard, built
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_world import PlainWorld

from bench.description import description_crc
from bench.simboard.board import SimulatedBoard
from bench.simboard.commands import execute
from bench.simboard.status import CommandError
from bench.wire import (
    SAMPLES_PER_FRAME,
    STAMP_MODULUS,
    EventFrame,
    SampleFrame,
    crc16,
    encode_event,
    encode_sample_frame,
    pack_samples,
    parse_number,
)

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
word = st.integers(0, 0xFFFF)
stamp = st.integers(0, STAMP_MODULUS - 1)


@given(st.builds(EventFrame, byte, stamp, byte, byte, byte, byte, byte, byte, word, word))
@settings(max_examples=100)
def test_events_are_encoded_as_in_python(driver: Driver, event: EventFrame) -> None:
    *header, kind, reason, ticks, value = event
    (wire,) = driver.fields("frame", 2, *header, struct.pack("<BBHH", kind, reason, ticks, value).hex())
    assert bytes.fromhex(wire) == encode_event(event)


count = st.sampled_from((0, 0, 1, 255, 256, 1023, 4095))


@given(st.tuples(byte, stamp, byte, byte, byte, byte), st.lists(count, min_size=SAMPLES_PER_FRAME, max_size=SAMPLES_PER_FRAME))
@settings(max_examples=100)
def test_sample_frames_are_encoded_as_in_python(driver: Driver, fields: tuple[int, int, int, int, int, int], counts: list[int]) -> None:
    (body,) = driver.fields("pack", "".join(f"{count:03X}" for count in counts))
    assert bytes.fromhex(body) == pack_samples(counts)
    (wire,) = driver.fields("frame", 1, *fields, body)
    assert bytes.fromhex(wire) == encode_sample_frame(SampleFrame(*fields, pack_samples(counts)))


@given(st.binary(max_size=LONGEST_STUFFED))
@settings(max_examples=100)
def test_crc_and_stuffing_are_those_of_python(driver: Driver, data: bytes) -> None:
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
@settings(max_examples=1000)
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
@settings(max_examples=1000)
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
    values = [
        "", "1", "0", "ON", "off", "MAYBE", "4.5", "-1", "1E400", "1V2", "10 A", "1E", ".5", "+", "(@1)", "(@1,2)", "(@1", "(@9)",
        "(@12:3)", "( @ 1 )", "(1)", "(@1000)", "(", ")", "1)", "FAST", "PREC", "v_in", "x-y", "a.b", "0.036", "16E6", "12 ", "(@)", "(@,)",
        "(@1:2:3)", "(@4:2)", "(@1 2)", "'a'",
    ]  # fmt: skip
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
        assert board.error() == expected, line


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


# --- fuzzing ---


def test_fuzzed_lines_break_nothing() -> None:
    done = subprocess.run([built("board_fuzz"), "20000", "1"], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "lines 20000" in done.stdout
