"""The firmware's core on this computer: the self-test, calibration, and the memory that keeps it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import pytest
from firmware_host import Channel, HostBoard, Memory
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.description import description_crc, parse_description
from bench.wire import ResetCause


@pytest.fixture
def board() -> Iterator[HostBoard]:
    with HostBoard() as made:
        made.run(0.01)
        yield made


# --- self-test ---


@pytest.mark.parametrize(
    ("channel", "count", "result"),
    [(Channel.SELF_CHECK, 960, 0), (Channel.SELF_CHECK, 950, 1), (Channel.V_DROP, 512, 2), (Channel.I_LOAD, 0, 2),
     (Channel.TEMPERATURE, 0, 2), (Channel.V_IN, 300, 2), (Channel.I_LOAD, 66, 0)],
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
@settings(max_examples=30)
def test_a_rotten_bit_never_changes_a_scale(position: int, bit: int) -> None:
    store = bytearray(stored_once().store)
    store[position] ^= 1 << bit
    assert after_power_up(Memory(bytes(store))) == (BUILT_IN, "8")
