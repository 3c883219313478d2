"""The contract, sections 1 and 2: the stream, lines and replies, errors and status, settings."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest
import vectors
from contract_bench import ADDRESSES, LONG_REPLY_S, REPLY_S, Bench, Hands
from contract_description import Loads, one

from bench.description import BoardDescription, parse_description
from bench.ports.opening import open_port
from bench.wire import SCPI_ERRORS, EventKind, Reply, SampleFrame, format_number
from bench.wire.answers import DONE, ERROR, IDENTITY, MODE

SETTINGS = {"CURR:PROT": "CURR", "CURR:PROT:DEL": "DELAY", "OUTP:PROT:TIME": "TIME", "OUTP:PROT:SIL": "SIL"}


def leaves(bench: Bench, line: bytes) -> int:
    """The error that a line leaves, with what must be true of its replies, however late they come."""
    bench.replies.clear()
    for each in (line, "SYST:ERR?", "*IDN?"):
        bench.send(each)
    # Two questions behind the line: no reply to the line can be taken for those to both.
    bench.wait_for(lambda: len(bench.replies) > 1 and is_identity(bench.replies[-1]), 2 * LONG_REPLY_S)
    *own, error, _ = bench.replies
    # A query of the queue itself has taken the error it is to show.
    number, _ = ERROR.read(error)
    query = line.strip(b" ").split(b" ")[0].endswith(b"?") and number == 0
    assert len(own) == query, line
    return number


def is_identity(reply: str) -> bool:
    try:
        return bool(IDENTITY.read(reply))
    except ValueError:
        return False


@pytest.mark.parametrize(("number", "line"), vectors.command_lines("commands.txt"))
def test_each_command_line_leaves_its_error(bench: Bench, number: int, line: bytes) -> None:
    assert leaves(bench, line) == number


@pytest.mark.parametrize("address", ADDRESSES[:2])
def test_each_line_of_the_rig_leaves_its_error(address: str) -> None:
    """On the two boards that have its description; each after a reset."""
    bench = Bench(open_port(address))
    bench.listen(0.1)
    for number, line in vectors.command_lines("commands_rig.txt"):
        bench.do("*RST", "CAL:CLE", "*CLS")
        assert leaves(bench, line) == number, line


def described_lines(d: BoardDescription, loads: Loads) -> Iterator[tuple[int, str]]:
    """Lines whose error is a matter of the description, with that error."""
    for n in range(1, 9):
        for word in ("ROUT:CLOS", "ROUTE:OPEN"):
            yield 0 if n in loads.numbers else -222, f"{word} (@{n})"
    for first in loads.numbers:
        whole = all(n in loads.numbers for n in range(min(first, 8), 9))
        yield 0 if whole else -222, f"ROUT:CLOS (@8:{first})"
    yield 0, "ROUT:CLOS (@" + " , ".join(str(n) for n in loads.numbers) + ")"
    for header, name in SETTINGS.items():
        limit = d.limits[name]
        for value in (limit.low, limit.high, limit.default):
            yield 0, f"{header} {format_number(value)}"
            yield 0, f"{header} +{value:.6E}"
        for value in (0.99 * limit.low, 1.01 * limit.high, -limit.low):
            yield -222, f"{header} {format_number(value)}"
    ranges = d.channels["v_in"].ranges
    for one_range in ranges:
        yield 0, f"SENS:VOLT:RANG {format_number(one_range.high)}"
    yield -222, f"SENS:VOLT:RANG {format_number(1.001 * max(r.high for r in ranges))}"
    for channel in d.channels.values():
        for number in range(4):
            r = next((r for r in channel.ranges if r.number == number), None)
            if r is None:
                yield -222, f"CAL:RANG {channel.name},{number},0,1,0,0,0"
                continue
            zero, scale = Decimal(format_number(r.zero)), Decimal(format_number(r.scale))

            def line(zero: Decimal, scale: Decimal, u: str = "0", place: str = f"{channel.name},{number}") -> str:
                return f"CAL:RANG {place},{zero},{scale},{u},{u},{u}"

            for part in ("1.1", "0.9"):
                yield 0, line(zero, scale * Decimal(part))
                yield -222, line(zero, scale * (Decimal(part) + (Decimal(part) - 1) * Decimal("1E-4")))
            for counts in (32, -32):
                yield 0, line(zero + counts, scale)
                yield -222, line(zero + counts * Decimal("1.0001"), scale)
            yield 0, line(zero, scale, "1000")
            yield -222, line(zero, scale, "1000.1")
    hz = Decimal(format_number(d.clock_hz))
    for part in ("1.02", "0.98"):
        yield 0, f"CAL:CLOC {hz * Decimal(part)},0.02"
        yield -222, f"CAL:CLOC {hz * (Decimal(part) + (Decimal(part) - 1) * Decimal('1E-3'))},0"
    yield -222, f"CAL:CLOC {hz},0.02001"
    yield -222, f"CAL:CLOC {hz},-1E-9"


def test_each_line_that_is_a_matter_of_the_description_leaves_its_error(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """At every limit exactly, and a little beyond it."""
    for number, line in described_lines(description, loads):
        # Shortened to what a line holds: no board keeps so many digits.
        assert len(line) < 80
        assert leaves(bench, line.encode()) == number, line
        bench.do("*RST")
    count = round(bench.number("SYST:BOAR?"))
    assert leaves(bench, f"SYST:BOAR:LINE? {count}".encode()) == 0
    assert leaves(bench, f"SYST:BOAR:LINE? {count + 1}".encode()) == -222


def test_identity(bench: Bench) -> None:
    word, model, serial, firmware = bench.identity()
    assert word == "makebreak"
    assert model and serial and firmware


def test_the_description_is_the_boards_own(bench: Bench, description: BoardDescription) -> None:
    _, model, serial, _ = bench.identity()
    assert (model, serial) == (description.model, description.serial)
    assert {"CURR", "DELAY", "TIME", "SIL"} <= description.limits.keys()
    assert description.modes.keys() == {"FAST", "PREC"}
    assert len({(mode.slots, mode.bits) for mode in description.modes.values()}) == 1
    assert any(r.number == 0 for r in description.channels["v_in"].ranges)
    silence = description.limits["SIL"]
    assert silence.low <= 0.5 <= silence.high <= 1.0


def test_replies_to_queries_have_their_form(bench: Bench) -> None:
    assert bench.number("SYST:VERS?") == 1999.0
    assert bench.answer("*OPC?", DONE)
    assert bench.closed() == frozenset()
    assert not bench.is_on("OUTP?")
    assert bench.numbers("SYST:STAM?") == [0, 0]
    assert bench.answer("SYST:ERR?", ERROR) == (0, SCPI_ERRORS[0])
    assert bench.number("*TST?", LONG_REPLY_S) == 0


def test_every_reply_comes_in_time_one_behind_the_other(bench: Bench) -> None:
    """While sampling too; the time of each counts from the reply before it."""
    bench.do("INIT")
    queries = ("*IDN?", "SYST:BOAR:LINE? 1", "SYST:BOAR:CHEC?", "SYST:STAM?", "CURR:PROT?", "ROUT:CLOS?", "SYST:ERR?")
    bench.replies.clear()
    bench.send("\n".join(queries))
    for n in range(len(queries)):
        bench.wait_for(lambda n=n: len(bench.replies) > n, REPLY_S)  # type: ignore[misc]
    assert len(bench.replies) == len(queries)
    bench.do("ABOR")
    bench.ask("*TST?", LONG_REPLY_S)


def test_zero_bytes_stand_where_the_page_says(bench: Bench) -> None:
    """One behind every frame and every reply, and one more before the first frame behind a reply, or INITiate."""
    bench.fresh()
    bench.do("INIT")
    for _ in range(10):
        bench.ask("*OPC?")
        bench.listen(0.03)
    bench.listen(0.1)
    before: object = Reply("")
    pieces = iter(bench.order)
    raw = bench.raw[: bench.raw.rindex(b"\0") + 1]
    empty = 0
    for part in raw.split(b"\0")[:-1]:
        if not part:
            empty += 1
            continue
        piece = next(pieces)
        if isinstance(piece, Reply):
            assert part.endswith(b"\n")
            while part.count(b"\n") > 1:
                part, piece = part[part.index(b"\n") + 1 :], next(pieces)
        else:
            assert len(part) <= 253
            assert not isinstance(before, Reply) or empty >= 1, "no further zero byte behind a reply"
        before, empty = piece, 0
    assert sum(isinstance(piece, SampleFrame) for piece in bench.order) > 20


def test_errors_queue_in_order_and_overflow_at_the_end(bench: Bench) -> None:
    for line in ("FOO", "OUTP", "OUTP ON,OFF"):
        bench.send(line)
    assert bench.number("SYST:ERR:COUN?") == 3
    for number in (-113, -109, -108):
        assert bench.answer("SYST:ERR?", ERROR) == (number, SCPI_ERRORS[number])
    bench.send("OUTP")
    for _ in range(8):
        bench.send("FOO")
    assert bench.number("SYST:ERR:COUN?") == 8
    assert [bench.error() for _ in range(9)] == [-109] + [-113] * 6 + [-350, 0]
    for _ in range(3):
        bench.send("FOO")
    bench.do("*CLS")


def test_at_an_overflow_the_status_has_the_bit_of_350_and_not_the_ninths_own(bench: Bench) -> None:
    for _ in range(8):
        bench.send("*ESE 256")
    assert bench.number("*ESR?") == 16
    bench.send("FOO")
    assert bench.number("*ESR?") == 8


def test_status_registers(bench: Bench) -> None:
    assert bench.number("*ESR?") == 0
    bench.send("FOO")
    bench.send("CURR:PROT 1E6")
    bench.send(b"x" * 100)
    bench.send("*OPC")
    assert bench.number("*STB?") == 4
    bench.send("*ESE 32")
    bench.send("*SRE 32")
    assert bench.number("*STB?") == 4 + 32 + 64
    assert bench.number("*ESR?") == 1 + 8 + 16 + 32
    assert bench.number("*ESR?") == 0
    assert bench.number("*STB?") == 4
    bench.do("*CLS")
    assert (bench.number("*ESE?"), bench.number("*SRE?"), bench.number("*STB?")) == (32, 32, 0)


def test_cls_leaves_the_switches_and_rst_leaves_queue_and_status(bench: Bench, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {loads.both}", "*CLS")
    assert bench.closed() == {loads.a, loads.b}
    bench.send("*ESE 48")
    bench.send("*SRE 4")
    for line in ("FOO", "OUTP", "*OPC"):
        bench.send(line)
    bench.send("*RST")
    assert bench.number("SYST:ERR:COUN?") == 2
    assert (bench.number("*ESE?"), bench.number("*SRE?"), bench.number("*STB?")) == (48, 4, 4 + 32 + 64)
    assert bench.number("*ESR?") == 1 + 32
    assert [bench.error() for _ in range(3)] == [-113, -109, 0]


def test_an_overlong_line_is_dropped_to_its_end(bench: Bench) -> None:
    bench.send(b"OUTP ON" + b" " * 200 + b"X")
    assert bench.error() == -363
    assert not bench.is_on("OUTP?")
    # 79 characters and a line feed are still a line, and carriage returns do not count.
    bench.replies.clear()
    bench.send(b"*OPC?" + b" " * 74 + b"\r")
    bench.wait_for(lambda: bool(bench.replies), REPLY_S)
    assert DONE.read(bench.replies[0]) and bench.error() == 0


def test_a_lost_line_is_flagged_in_the_next_frame(bench: Bench, loads: Loads) -> None:
    bench.send(b"x" * 100)
    bench.send(f"ROUT:CLOS {one(loads.a)}")
    assert bench.event(EventKind.SWITCHED).line_lost
    bench.fresh()
    bench.send(f"ROUT:OPEN {one(loads.a)}")
    assert not bench.event(EventKind.SWITCHED).line_lost


def test_settings_are_kept_and_reset(bench: Bench, description: BoardDescription) -> None:
    top_v = max(description.channels["v_in"].ranges, key=lambda r: r.high)
    for header, name in SETTINGS.items():
        limit = description.limits[name]
        assert bench.number(f"{header}?") == limit.default
        for value in (limit.low, limit.high, float(f"{0.3 * limit.low + 0.7 * limit.high:.6g}"), limit.low):
            bench.do(f"{header} {format_number(value)}")
            assert bench.number(f"{header}?") == pytest.approx(value, rel=1e-6)
        bench.refused(f"{header} {format_number(1.01 * limit.high)}", -222)
        assert bench.number(f"{header}?") == limit.low
    bench.do("SENS:MODE PREC", f"SENS:VOLT:RANG {format_number(top_v.high)}")
    assert (bench.answer("SENS:MODE?", MODE), bench.number("SENS:VOLT:RANG?")) == ("PREC", top_v.number)
    bench.do("*RST")
    for header, name in SETTINGS.items():
        assert bench.number(f"{header}?") == description.limits[name].default
    assert bench.answer("SENS:MODE?", MODE) == "FAST"
    assert bench.number("SENS:VOLT:RANG?") == 0


def test_the_range_is_the_smallest_that_reaches(bench: Bench, description: BoardDescription) -> None:
    ranges = sorted(description.channels["v_in"].ranges, key=lambda r: r.high)
    for k, r in enumerate(ranges):
        bench.do(f"SENS:VOLT:RANG {format_number(r.high)}")
        assert bench.number("SENS:VOLT:RANG?") == r.number
        if k + 1 < len(ranges):
            bench.do(f"SENS:VOLT:RANG {format_number(1.001 * r.high)}")
            assert bench.number("SENS:VOLT:RANG?") == ranges[k + 1].number
    bench.refused(f"SENS:VOLT:RANG {format_number(1.001 * ranges[-1].high)}", -222)
    assert bench.number("SENS:VOLT:RANG?") == ranges[-1].number
    bench.do("SENS:VOLT:RANG 0")
    assert bench.number("SENS:VOLT:RANG?") == ranges[0].number


def test_what_is_refused_while_sampling(bench: Bench, description: BoardDescription) -> None:
    top_v = max(r.high for r in description.channels["v_in"].ranges)
    same = format_number(description.channels["v_in"].range(0).high)
    bench.do("INIT")
    for line, number in (
        ("INIT", -213), ("SENS:MODE PREC", -221), ("SENS:MODE FAST", -221), (f"SENS:VOLT:RANG {format_number(top_v)}", -221),
        (f"SENS:VOLT:RANG {same}", -221), ("*TST?", -221), ("SENS:MODE SLOW", -224), ("SENS:VOLT:RANG -1", -222),
    ):  # fmt: skip
        bench.refused(line, number)
    assert bench.answer("SENS:MODE?", MODE) == "FAST"
    bench.do("ABOR", "ABOR", "SENS:MODE PREC")


def test_words_for_hands_are_known_where_a_board_is_simulated_only(bench: Bench, hands: Hands | None) -> None:
    known = hands is not None and type(hands) is Hands
    bench.send("SIM:SUPP -1")
    assert bench.error() == (-222 if known else -113)


def test_the_description_can_be_read_in_any_order_and_its_check_is_over_all_lines(bench: Bench) -> None:
    lines = bench.lines()
    assert [bench.ask(f"SYST:BOAR:LINE? {n}") for n in range(len(lines), 0, -1)] == lines[::-1]
    assert parse_description(lines[::-1]) == parse_description(lines)
