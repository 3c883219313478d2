"""How the program starts: the watchdog before anything else, and a boot loader that has eaten the cause of the reset."""

from __future__ import annotations

import pytest

from firmware.simulator.avr import RESET_PIN, find_variables
from firmware.simulator.trials import BareBoard

WDTCSR = 0x60
WATCHDOG_120_MS = 0b0000_1011  # WDE, WDP1, WDP0, by the data sheet's table
NOTHING_SAID = 0


def test_the_watchdog_is_on_before_the_memory_is_cleared() -> None:
    board = BareBoard()
    board.avr.reset(RESET_PIN)
    assert board.avr.peek(WDTCSR, 1) != bytes([WATCHDOG_120_MS])
    board.avr.run(board.avr.counts.cycle + 60)
    assert board.avr.peek(WDTCSR, 1) == bytes([WATCHDOG_120_MS])


@pytest.mark.parametrize(("is_lost", "word"), [(False, "EXT"), (True, "POW")])
def test_without_a_cause_the_memory_tells_power_up_from_the_rest(is_lost: bool, word: str) -> None:
    board = BareBoard()
    if is_lost:
        places = find_variables()
        for name in ("kept", "kept_check"):
            board.avr.poke(places[name], b"\x55")
    board.avr.reset(NOTHING_SAID)
    board.run(0.05)
    assert [board.ask("SYST:CAUS?") for _ in range(2)] == [f"NONE,{word}"] * 2
