"""The board's real program in its simulated microcontroller: samples, time, resets, memory, and that everything opens in time."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from bench.errors import AddressError
from bench.ports.serial_port import open_serial
from bench.wire import Decoder, EventFrame, EventKind, Reply, SampleFrame, unpack_samples
from firmware.simulator.avr import RESET_BROWNOUT, RESET_PIN, RESET_POWER, find_variables, parse_hex
from firmware.simulator.port import FirmwarePort
from firmware.simulator.trials import (
    CLOCK_HZ,
    MISHAPS,
    STATES,
    BareBoard,
    measure_hang,
    measure_over_current,
    measure_silent_host,
    try_mishaps,
)

FAST_CYCLES, PRECISE_CYCLES, FRAME_SAMPLES = 416, 1664, 160
CODES = (111.0, 222.0, 333.0, 444.0, 555.0, 666.0, 777.0, 888.0)
MODULUS = 1 << 32


def frames_of(board: BareBoard) -> list[SampleFrame]:
    return [p for p in Decoder().feed(bytes(board.received)) if isinstance(p, SampleFrame)]


def events_of(board: BareBoard) -> list[EventFrame]:
    return [p for p in Decoder().feed(bytes(board.received)) if isinstance(p, EventFrame)]


# --- the converter, and time ---


def test_the_converter_watches_from_the_start_and_in_the_mode_that_is_set() -> None:
    """Without a run, too: current and supply are watched at all times, and the self-test reads in the mode of the run to come."""
    board = BareBoard()
    periods = [board.avr.next_hold()[1]]
    for mode in ("PREC", "FAST"):
        board.send(f"SENS:MODE {mode}")
        board.run(0.02)
        periods.append(board.avr.next_hold()[1])
    assert periods == [FAST_CYCLES, PRECISE_CYCLES, FAST_CYCLES]


@pytest.mark.parametrize(("mode", "cycles"), [("FAST", FAST_CYCLES), ("PREC", PRECISE_CYCLES)])
def test_every_channel_is_read_at_its_own_input(mode: str, cycles: int) -> None:
    """With the pipeline of the data sheet: a label one off would show another channel's code."""
    board = BareBoard()
    for channel, code in enumerate(CODES):
        board.set_code(channel, code)
    board.run(0.001)
    board.send(f"SENS:MODE {mode}", "INIT")
    board.run(400 * cycles / CLOCK_HZ * 2)
    frames = frames_of(board)
    counts = [int(c) for c in unpack_samples([f.body for f in frames]).ravel()]
    assert len(counts) >= 2 * FRAME_SAMPLES
    for n, count in enumerate(counts):
        scan, slot = divmod(n, 5)
        shared = 4 if scan % 2 == 0 else {31: 6, 63: 7}.get(scan % 64, 5)
        assert count == CODES[slot if slot < 4 else shared], n


@pytest.mark.parametrize(("mode", "cycles"), [("FAST", FAST_CYCLES), ("PREC", PRECISE_CYCLES)])
def test_no_conversion_is_missed_while_commands_come_as_fast_as_they_can(mode: str, cycles: int) -> None:
    board = BareBoard()
    board.send(f"SENS:MODE {mode}", "INIT")
    board.run(0.02)
    before = board.avr.counts
    began, taken, missed = before.cycle, before.conversions, before.conversions_missed
    for _ in range(60):
        board.send("CURR:PROT:DEL 0.05" + " " * 60)
        board.run(0.0008)
    after = board.avr.counts
    assert after.conversions_missed == missed
    assert abs((after.conversions - taken) - (after.cycle - began) / cycles) <= 1
    assert after.bytes_lost == 0
    assert after.inputs_chosen_early == 0


def test_lines_and_edges_at_any_moment_neither_lose_a_byte_nor_spoil_a_sample() -> None:
    """All that interrupts, at moments that have no common measure: lines, the comparator's edges, milliseconds."""
    rng = random.Random(7)
    board = BareBoard()
    for channel, code in enumerate(CODES):
        board.set_code(channel, code)
    board.run(0.001)
    board.send("CURR:PROT 75", "INIT")
    board.run(0.02)
    for number in range(2_000):
        board.send(("SYST:BEAT", "CURR:PROT:DEL 0.05" + " " * 60, "SYST:BOAR:LINE? 12")[number % 3])
        now = board.avr.counts.cycle
        board.avr.set_edges(sorted(now + rng.randrange(60_000) for _ in range(2 * rng.randrange(6))), True)
        board.run(0.006 + 1e-4 * rng.random())
    counts = board.avr.counts
    assert (counts.bytes_lost, counts.conversions_missed, counts.inputs_chosen_early) == (0, 0, 0)
    assert counts.longest_receiver_wait <= 320
    samples = unpack_samples([f.body for f in frames_of(board)]).reshape(-1, 5)
    assert len(samples) > 10_000
    assert (samples[:, :4] == CODES[:4]).all()
    board.run(0.1)
    assert board.ask("SYST:ERR?") == '0,"No error"'


def test_frames_follow_each_other_and_none_is_lost_under_queries() -> None:
    board = BareBoard()
    board.send("INIT")
    for _ in range(20):
        board.send("SYST:BOAR:LINE? 20")
        board.run(0.05)
    stamps = [f.stamp for f in frames_of(board)]
    assert stamps == [FRAME_SAMPLES * k for k in range(len(stamps))]
    assert len(stamps) > 230
    replies = [p for p in Decoder().feed(bytes(board.received)) if isinstance(p, Reply)]
    assert len(replies) == 20


def test_stamps_cross_their_wrap() -> None:
    """After 31 hours in the fast mode. The run is told that almost all of them have passed, in the two places where the program counts."""
    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1)")
    board.run(0.05)
    board.received.clear()
    ahead = MODULUS - 65536
    for name in ("anchor_stamp", "last_stamp"):
        at = find_variables()[name]
        board.avr.poke(at, (int.from_bytes(board.avr.peek(at, 4), "little") + ahead).to_bytes(4, "little"))
    for number in range(24):
        board.send(f"ROUT:{'OPEN' if number % 2 else 'CLOS'} (@2)")
        board.run(0.1)
    stamps = [f.stamp for f in frames_of(board)][2:]
    assert stamps[0] > ahead and stamps[-1] < 65536
    assert all((b - a) % MODULUS == FRAME_SAMPLES for a, b in pairwise(stamps))
    switched = [e.stamp for e in events_of(board) if e.kind == EventKind.SWITCHED]
    steps = [(b - a) % MODULUS * FAST_CYCLES / CLOCK_HZ for a, b in pairwise(switched)]
    assert min(switched) < 65536 < max(switched)
    assert len(steps) == 23 and all(abs(step - 0.1) < 0.005 for step in steps)


def test_the_same_bytes_come_every_time() -> None:
    def bytes_of_a_run() -> bytes:
        port = FirmwarePort("firmware://bench-nc-2x21?seed=4")
        port.read(0.05)
        port.write(b"INIT\nROUT:CLOS (@1,2)\nOUTP ON\n")
        heard = b""
        for _ in range(4):
            port.write(b"SYST:BEAT\n")
            heard += port.read(0.2)
            end = port.now_s() + 0.2
            while port.now_s() < end:
                heard += port.read(end - port.now_s())
        return heard

    first = bytes_of_a_run()
    assert len(first) > 30_000
    assert bytes_of_a_run() == first


# --- resets, memory, trips ---


@pytest.mark.parametrize(("cause", "word"), [(RESET_POWER, "POW"), (RESET_BROWNOUT, "BROW"), (RESET_PIN, "EXT")])
def test_a_reset_opens_everything_and_says_why(cause: int, word: str) -> None:
    board = BareBoard()
    board.send("OUTP:PROT:SIL 0.2", "ROUT:CLOS (@1:8)", "OUTP ON")
    board.run(0.4)
    assert board.ask("SYST:CAUS?") == "SIL,POW"
    board.send("*RST", "INIT", "ROUT:CLOS (@1:8)", "OUTP ON")
    board.hold(0.05)
    assert board.outputs.master and board.outputs.loads == 0xFF
    board.received.clear()
    board.reset(cause)
    assert board.is_open
    board.run(0.05)
    (started,) = events_of(board)
    assert (started.kind, started.sequence, started.stamp) == (EventKind.STARTED, 0, 0)
    # The last trip is remembered by every start but power-up.
    assert board.ask("SYST:CAUS?") == f"{'NONE' if cause == RESET_POWER else 'SIL'},{word}"
    assert board.is_open


def test_a_hang_opens_everything_within_300_ms_and_says_so() -> None:
    for seed in range(6):
        took, causes = measure_hang(seed)
        assert 0.0 < took < 0.3
        assert causes == "NONE,WATC"


def test_what_is_stored_outlives_power_and_a_cut_loses_at_most_the_new() -> None:
    rng = random.Random(5)
    board = BareBoard()
    board.send("CAL:DATE 20260101", "CAL:SER A1", "CAL:STOR")
    board.run(1.5)
    board.reset(RESET_POWER)
    board.run(0.02)
    assert board.ask("CAL:DATE?") == "20260101"
    day = 20260101
    for _ in range(8):
        board.send(f"CAL:DATE {day + 1}", "CAL:STOR")
        board.run(rng.uniform(0.0, 1.2))
        board.reset(RESET_POWER)
        board.run(0.02)
        found = int(board.ask("CAL:DATE?"))
        assert found in (day, day + 1)
        assert board.ask("*IDN?").split(",")[2] == "A1"
        assert board.ask("*TST?") == "0"
        day = found


def test_the_hardware_latch_opens_at_once_and_holds() -> None:
    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    board.hold(0.05)
    board.avr.set_trip(True)
    assert not board.avr.outputs.master and board.avr.outputs.loads == 0
    board.hold(0.01)
    assert board.ask("SYST:CAUS?") == "LATC,POW"
    board.send("OUTP:PROT:CLE", "OUTP ON")
    board.hold(0.02)
    assert board.ask("CURR:PROT:TRIP?") == "1"
    assert board.is_open
    board.avr.set_trip(False)
    board.send("OUTP:PROT:CLE")
    board.hold(0.02)
    assert board.ask("CURR:PROT:TRIP?") == "0"
    assert board.is_open


def test_a_supply_beyond_its_range_trips_after_ten_milliseconds() -> None:
    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1)", "OUTP ON")
    board.hold(0.05)
    board.set_code(0, 1023.0)
    board.hold(0.008)
    assert not board.is_open
    board.set_code(0, 500.0)
    board.hold(0.01)
    board.set_code(0, 1023.0)
    began = board.now_s
    board.hold(0.03)
    assert board.is_open
    assert 0.010 <= board.changes[-1][0] - began <= 0.015
    assert board.ask("SYST:CAUS?") == "SUPP,POW"


@pytest.mark.parametrize("state", STATES)
def test_a_silent_host_opens_everything_within_1100_ms(state: str) -> None:
    assert 0.8 < measure_silent_host(state) < 1.1


@pytest.mark.parametrize(("level_a", "delay_s", "amperes"), [(0.5, 0.001, 0.9), (2.0, 0.05, 4.0), (10.0, 0.3, 20.0), (75.0, 0.02, 76.0)])
def test_too_much_current_opens_everything_within_its_delay_and_5_ms(level_a: float, delay_s: float, amperes: float) -> None:
    assert -0.001 <= measure_over_current(level_a, delay_s, amperes) <= 0.005


def test_mishaps_never_leave_a_load_closed_nor_close_another() -> None:
    """A small part of what reports/firmware_figures.py does a thousand times."""
    seen = list(try_mishaps(20))
    assert {s.mishap for s in seen} == set(MISHAPS)
    assert max(s.closed_s for s in seen) < 1.1
    assert not any(s.wrong for s in seen)
    assert all(s.answers for s in seen)


# --- the tool itself ---


def test_a_damaged_program_file_is_refused() -> None:
    assert parse_hex(":0400000001020304F2\n:00000001FF\n") == b"\x01\x02\x03\x04"
    with pytest.raises(ValueError, match="the check of line"):
        parse_hex(":0400000001020305F2\n")


def test_a_program_cannot_be_given_a_fault_that_it_has_not() -> None:
    with pytest.raises(AddressError, match="can't be put into the real program"):
        FirmwarePort("firmware://LINK?fault=board-overrun")


def test_the_program_is_served_in_real_time_on_a_pseudo_terminal() -> None:
    command = [sys.executable, "-m", "firmware.simulator", "firmware://LINK?seed=5"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent)
    try:
        assert server.stdout is not None
        port = open_serial(server.stdout.readline().strip())
        port.write(b"*IDN?\n")
        heard = b""
        end = port.now_s() + 10.0
        while b"\n" not in heard and port.now_s() < end:
            heard += port.read(0.2)
        port.close()
        assert b"makebreak,rig-328,SIM00005," in heard
    finally:
        server.send_signal(signal.SIGTERM)
        assert server.wait(120) == 0
        assert server.stdout is not None
        server.stdout.close()
