"""The simulated microcontroller against its data sheet, by small programs that try one thing each (tests/avr/*.c).

Data sheet: ATmega48A/PA/88A/PA/168A/PA/328/P, chapters named beside the checks.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from firmware.simulator.avr import RESET_PIN, RESET_POWER, Avr, BuildError, Outputs

PROBES = Path(__file__).parent / "avr"
RESULT = 0x500
OPEN = Outputs(False, 0, 0, False)

Start = Callable[[str], Avr]


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Start:
    """A microcontroller at the first instruction of a program of tests/avr."""
    folder = tmp_path_factory.mktemp("avr")

    def started(name: str) -> Avr:
        elf, flat = folder / f"{name}.elf", folder / f"{name}.bin"
        options = ("-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall", "-Wextra", "-Werror")
        for command in (
            ["avr-gcc", *options, str(PROBES / f"{name}.c"), "-o", str(elf)],
            ["avr-objcopy", "-O", "binary", str(elf), str(flat)],
        ):
            try:
                done = subprocess.run(command, capture_output=True, text=True, check=False)
            except OSError as error:
                raise BuildError(f"building {name}.c: {error}; install gcc-avr, binutils-avr and avr-libc") from error
            if done.returncode:
                raise BuildError(f"building {name}.c: {done.stderr.strip()}")
        return Avr(flat.read_bytes())

    return started


def run(avr: Avr, cycles: int) -> list[tuple[int, Outputs]]:
    """Run so many cycles more; the changes of the outputs with their moments."""
    changes = []
    end = avr.counts.cycle + cycles
    while avr.counts.cycle < end:
        if avr.run(end):
            changes.append((avr.counts.cycle, avr.outputs))
    return changes


def words(avr: Avr, count: int) -> list[int]:
    return [int(word) for word in np.frombuffer(avr.peek(RESULT, 2 * count), "<u2")]


def test_a_free_running_converter_holds_and_labels_as_the_data_sheet_says(start: Start) -> None:
    """Chapter "Analog-to-Digital Converter", timing diagrams of the first conversion and of free running."""
    avr = start("converter_free_running")
    # A ramp of one code in 8 cycles on every input, apart by 100 codes from one to the next: the code tells moment and input.
    cycles = np.arange(0, 12_000, 8)
    ramp = (cycles / 8 % 100)[:, None] + 100.0 * np.arange(8)
    avr.set_inputs(0, 8, ramp)
    while avr.next_hold() == (0, 0):
        avr.run(avr.counts.cycle + 1)
    first, period = avr.next_hold()
    assert period == 416
    run(avr, 11_000)
    taken = words(avr, 14)
    # The interrupt of conversion k selects k + 1 and is too late for the conversion that begins with it: that one still is of input k.
    inputs = [0, 0, 1, 2, 3, 4, 5, 6, 7, 0, 1, 2]
    for k, (code, channel) in enumerate(zip(taken, inputs, strict=False)):
        assert code // 100 == channel, k
        assert abs((code % 100 - round((first + 416 * k) / 8) + 50) % 100 - 50) <= 1, k
    # Off and on again: a first conversion once more, of the input selected before.
    assert [code // 100 for code in taken[12:14]] == [0, 0]
    assert (taken[13] - taken[12]) % 100 == 52


def test_the_first_conversion_takes_25_periods_and_holds_after_13_and_a_half(start: Start) -> None:
    avr = start("converter_free_running")
    avr.set_inputs(0, 1, np.zeros((2, 8)))
    while avr.next_hold() == (0, 0):
        avr.run(avr.counts.cycle + 1)
    began = avr.counts.cycle
    assert avr.next_hold()[0] - began in range(432 - 2, 432 + 1)
    while avr.counts.conversions == 0:
        avr.run(avr.counts.cycle + 1)
    assert avr.counts.cycle - began in range(800 - 2, 800 + 6)


def test_codes_are_rounded_and_clipped(start: Start) -> None:
    for code, count in ((-3.0, 0), (0.49, 0), (0.51, 1), (511.5001, 512), (1022.6, 1023), (4000.0, 1023)):
        avr = start("converter_free_running")
        avr.set_inputs(0, 416, np.full((2, 8), code))
        run(avr, 3_000)
        assert words(avr, 1) == [count]


def test_bytes_are_ten_bits_long(start: Start) -> None:
    """Chapter "USART": one start bit, eight, one stop bit, 16 clocks each at UBRR 0."""
    avr = start("line_sends")
    run(avr, 10_000)
    data, cycles = avr.take()
    assert data == bytes(range(50))
    assert set(np.diff(cycles.astype(np.int64))) == {160}


def test_the_receiver_keeps_two_bytes_and_one_on_its_way(start: Start) -> None:
    avr = start("line_overrun")
    run(avr, 200)
    avr.send(b"abcdef")
    run(avr, 20_000)
    status, count, *kept = avr.peek(RESULT, 9)
    assert status & 0x88 == 0x88  # RXC and DOR
    assert bytes(kept[:count]) == b"abf"
    assert kept[6] & 0x88 == 0
    assert avr.counts.bytes_lost == 3


def test_two_bytes_and_one_on_its_way_are_no_overrun(start: Start) -> None:
    avr = start("line_overrun")
    run(avr, 200)
    avr.send(b"abc")
    run(avr, 20_000)
    status, count, *kept = avr.peek(RESULT, 9)
    assert status & 0x88 == 0x80
    assert bytes(kept[:count]) == b"abc"
    assert avr.counts.bytes_lost == 0


def test_edges_are_captured_at_their_cycle_and_counted(start: Start) -> None:
    avr = start("edges")
    rises = [1_001, 2_234, 3_330, 64_999]
    avr.set_edges([t + part for t in rises for part in (0, 200)], True)
    run(avr, 70_000)
    captured = words(avr, 4)
    assert np.diff(captured).tolist() == np.diff(rises).tolist()
    assert list(avr.peek(RESULT + 16, 4)) == [1, 2, 3, 4]


def test_flags_and_masks(start: Start) -> None:
    """Chapters "16-bit Timer/Counter" (TIFR1: a one clears its flag) and "Reset and Interrupt Handling" (one instruction after SEI)."""
    avr = start("flags")
    run(avr, 2_000)
    both, left, mark, times = avr.peek(RESULT, 4)
    assert both & 6 == 6
    assert left & 6 == 2
    assert (mark, times) == (1, 1)


def test_an_interrupt_takes_4_clocks_to_answer_and_8_out_of_sleep(start: Start) -> None:
    """Then three for the jump of the vector. The flag is set with the clock after the match."""
    avr = start("response")
    run(avr, 2_000)
    awake, asleep = words(avr, 2)
    assert asleep - awake == 4
    assert awake == 8
    assert avr.counts.interrupts == 2
    assert avr.counts.asleep > 100


def test_a_millisecond_is_16000_clocks(start: Start) -> None:
    avr = start("milliseconds")
    run(avr, 32_000_000)
    ticks, overflows = words(avr, 2)
    assert ticks in (1999, 2000)
    assert overflows == 32_000_000 // 65536


def test_the_shift_register_and_what_enables_it(start: Start) -> None:
    avr = start("loads")
    changes = run(avr, 20_000)
    assert [outputs for _, outputs in changes] == [
        Outputs(False, 0xA5, 0, False),
        OPEN,
        Outputs(True, 0xA5, 0, False),
        OPEN,
    ]
    (shifted,) = words(avr, 1)
    assert 16 <= shifted <= 30  # eight bits of two clocks, and the waiting
    assert np.all(np.abs(np.diff([cycle for cycle, _ in changes]) - 1600) < 20)


def test_the_latch_opens_at_once_and_stays_until_it_is_cleared(start: Start) -> None:
    avr = start("loads")
    run(avr, 3_000)
    assert avr.outputs.loads == 0xA5
    avr.set_trip(True)
    assert avr.outputs == OPEN._replace(latched=True)
    avr.set_trip(False)
    assert avr.outputs == OPEN._replace(latched=True)
    assert run(avr, 10_000) == []


def test_a_reset_lets_go_of_every_pin(start: Start) -> None:
    avr = start("loads")
    run(avr, 3_000)
    assert avr.outputs.loads == 0xA5
    avr.reset(RESET_PIN)
    assert avr.outputs == OPEN


def test_a_byte_of_eeprom_takes_3400_us_and_a_cut_leaves_it_erased(start: Start) -> None:
    """Chapter "AVR Memories", programming time."""
    avr = start("memory")
    run(avr, 120_000)
    assert avr.eeprom[7:9] == b"\x12\x34"
    assert all(850 <= took <= 852 for took in words(avr, 2))
    avr = start("memory")
    run(avr, 80_000)
    avr.reset(RESET_POWER)
    assert avr.eeprom[7:9] == b"\x12\xff"
    avr = start("memory")
    run(avr, 80_000)
    avr.reset(RESET_PIN)
    assert avr.eeprom[7:9] == b"\x12\x34"


def test_the_watchdog_resets_and_says_so(start: Start) -> None:
    """Chapter "Watchdog Timer": 16 K periods of 128 kHz."""
    avr = start("watchdog")
    run(avr, 2_000_000)
    assert avr.counts.resets == 0
    assert avr.peek(RESULT, 1) == b"\x01"
    run(avr, 60_000)
    assert avr.counts.resets == 1
    assert avr.peek(RESULT, 2) == b"\x08\x01"


def test_a_program_that_hangs_stays_where_it_is_until_reset(start: Start) -> None:
    avr = start("line_sends")
    run(avr, 2_000)
    avr.hang()
    run(avr, 1_000)
    sent = avr.take()[0]
    run(avr, 20_000)
    assert avr.take()[0] == b""
    avr.reset(RESET_PIN)
    run(avr, 10_000)
    assert avr.take()[0] == bytes(range(50))
    assert 0 < len(sent) < 20


def test_a_program_off_its_rails_is_an_error() -> None:
    avr = Avr(b"\xff\xff" * 8)  # not an instruction
    with pytest.raises(RuntimeError, match="has crashed"):
        run(avr, 1_000_000)
