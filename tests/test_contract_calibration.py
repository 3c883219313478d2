"""The contract, section 8: what calibration changes in what the board says about itself, and what of it lasts."""

from __future__ import annotations

import re

import pytest
from contract_bench import LONG_REPLY_S, Bench, Hands
from contract_description import Loads, one

from bench.description import BoardDescription, Range, parse_description
from bench.wire import ResetCause, format_number
from bench.wire.answers import DONE

DIGITS = 1e-5


def told(r: Range, channel: str, zero: float, part: float, u: tuple[float, float, float]) -> str:
    """The command for a range whose zero is moved by counts and whose scale by a part of itself."""
    numbers = (r.zero + zero, r.scale * (1.0 + part), *u)
    return f"CAL:RANG {channel},{r.number},{','.join(f'{x:.6G}' for x in numbers)}"


def test_the_description_says_what_calibration_has_set(bench: Bench, description: BoardDescription) -> None:
    before = bench.lines()
    built_in = parse_description(before)
    assert built_in == description
    r = built_in.channels["v_in"].ranges[0]
    hz = round(1.0002138 * built_in.clock_hz)
    bench.do(told(r, "v_in", 1.25, 0.01, (1.5e-4, 0.0025, 0.011)))
    bench.do(f"CAL:CLOC {hz + 0.4},4.5E-5", "CAL:DATE 20261125")
    said = parse_description(bench.lines())
    changed = said.channels["v_in"].range(r.number)
    assert changed.zero == pytest.approx(r.zero + 1.25, rel=DIGITS)
    assert changed.scale == pytest.approx(1.01 * r.scale, rel=DIGITS)
    assert (changed.u_scale, changed.u_zero, changed.u_line) == pytest.approx((1.5e-4, 0.0025, 0.011), rel=DIGITS)
    assert changed.noise == r.noise
    # Counts at either end of the converter must read as clipped, their neighbours not.
    top = (1 << built_in.modes["FAST"].bits) - 1
    assert (0 - changed.zero) * changed.scale < changed.low < (1 - changed.zero) * changed.scale
    assert (top - 1 - changed.zero) * changed.scale < changed.high < (top - changed.zero) * changed.scale
    assert said.clock_hz == pytest.approx(hz, abs=0.5)
    assert said.clock_half_width == pytest.approx(4.5e-5, rel=DIGITS)
    assert said.calibrated == 20261125 == bench.number("CAL:DATE?")
    assert said.channels["v_out"] == built_in.channels["v_out"]
    bench.do("*RST")
    assert parse_description(bench.lines()) == said
    bench.do("CAL:CLE")
    assert bench.lines() == before
    assert bench.number("CAL:DATE?") == 0


def test_every_range_can_be_set_with_all_digits_that_a_board_keeps(bench: Bench, description: BoardDescription) -> None:
    """The lines are at their longest then."""
    wanted = {}
    for channel in description.channels.values():
        for k, r in enumerate(channel.ranges):
            bench.do(told(r, channel.name, 0.491834 - k, -0.00123457, (1.23456e-4, 0.00296123, 0.00412345)))
            wanted[channel.name, r.number] = r.zero + 0.491834 - k, r.scale * (1.0 - 0.00123457)
    lines = bench.lines()
    assert all(len(line) <= 120 for line in lines)
    said = parse_description(lines)
    for (name, number), (zero, scale) in wanted.items():
        r, built_in = said.channels[name].range(number), description.channels[name].range(number)
        assert (r.zero, r.scale) == pytest.approx((zero, scale), rel=DIGITS, abs=1e-6)
        assert (r.u_scale, r.u_zero, r.u_line) == pytest.approx((1.23456e-4, 0.00296123, 0.00412345), rel=DIGITS)
        if said.channels[name].curve is not None:
            assert (r.low, r.high) == (built_in.low, built_in.high)


def test_a_refused_change_changes_nothing(bench: Bench, description: BoardDescription) -> None:
    before = bench.lines()
    r = description.channels["v_in"].ranges[0]
    exact = (0.0, 0.0, 0.0)
    ranges = [told(r, "v_in", 0.0, 0.2, exact), told(r, "v_in", 40.0, 0.0, exact), told(r, "v_in", 0.0, 0.0, (0.0, 0.0, 2000.0))]
    for line in (*ranges, f"CAL:CLOC {1.05 * description.clock_hz:.0f},0", "CAL:DATE -1"):
        bench.refused(line, -222)
    assert bench.lines() == before


def test_ranges_are_chosen_and_supplies_watched_by_the_scales_in_force(bench: Bench, description: BoardDescription) -> None:
    ranges = sorted(description.channels["v_in"].ranges, key=lambda r: r.high)
    r = ranges[-1]
    bench.do(told(r, "v_in", 0.0, 0.08, (0.0, 0.0, 0.0)))
    bench.do(f"SENS:VOLT:RANG {format_number(1.05 * r.high)}")
    assert bench.number("SENS:VOLT:RANG?") == r.number
    bench.do("CAL:CLE")
    bench.refused(f"SENS:VOLT:RANG {format_number(1.05 * r.high)}", -222)


def test_the_serial_number_can_be_set(bench: Bench, description: BoardDescription) -> None:
    assert re.fullmatch("[A-Za-z0-9]{1,12}", description.serial) and re.fullmatch("[A-Za-z0-9_-]+", description.model)
    bench.do("CAL:SER A4711")
    assert bench.identity()[2] == "A4711"
    assert parse_description(bench.lines()).serial == "A4711"
    bench.do("CAL:CLE")
    assert bench.identity()[2] == "A4711"
    bench.do(f"CAL:SER {description.serial}")
    assert bench.identity()[2] == description.serial


@pytest.mark.parametrize("busy", ["INIT", "ROUT:CLOS", "OUTP ON"])
def test_calibration_is_refused_in_the_middle_of_things(bench: Bench, description: BoardDescription, loads: Loads, busy: str) -> None:
    before = bench.lines()
    same = told(description.channels["v_in"].ranges[0], "v_in", 0.0, 0.0, (0.0, 0.0, 0.0))
    clock = f"CAL:CLOC {format_number(description.clock_hz)},0"
    bench.do(f"{busy} {one(loads.other)}" if busy == "ROUT:CLOS" else busy)
    for line in (same, clock, "CAL:SER A1", "CAL:DATE 0", "CAL:STOR", "CAL:CLE"):
        bench.refused(line, -221)
    assert bench.number("CAL:DATE?") == 0
    # Values come before the state.
    bench.refused("CAL:DATE -1", -222)
    bench.do("*RST")
    assert bench.lines() == before


def test_what_is_stored_lasts_over_resets_and_nothing_else(bench: Bench, hands: Hands | None, description: BoardDescription) -> None:
    """Where hands can reset the board; what stood in its memory before stands there again afterwards."""
    if hands is None:
        return
    r = description.channels["v_out"].ranges[0]
    hz = round(0.9999 * description.clock_hz)

    def reset(cause: ResetCause) -> list[str]:
        bench.start_anew(hands, cause)
        return bench.lines()

    def store() -> None:
        bench.send("CAL:STOR")
        assert bench.answer("*OPC?", DONE, LONG_REPLY_S)
        assert bench.error() == 0

    first = reset(ResetCause.EXT)
    bench.do("CAL:CLE", told(r, "v_out", 0.5, 0.002, (1e-3, 0.01, 0.02)), f"CAL:CLOC {hz},1E-4", "CAL:DATE 20260102")
    unstored = bench.lines()
    assert unstored != first
    assert reset(ResetCause.EXT) == first, "not stored"
    bench.do("CAL:CLE", told(r, "v_out", 0.5, 0.002, (1e-3, 0.01, 0.02)), f"CAL:CLOC {hz},1E-4", "CAL:DATE 20260102", "CAL:SER B12")
    wanted = bench.lines()
    store()
    assert bench.lines() == wanted
    bench.do("CAL:DATE 20270101", "CAL:CLE")
    for cause in (ResetCause.EXT, ResetCause.POW):
        assert reset(cause) == wanted
        assert bench.identity()[2] == "B12"
        assert bench.number("*TST?", LONG_REPLY_S) == 0
    bench.do("CAL:CLE", f"CAL:SER {description.serial}")
    store()
    assert reset(ResetCause.POW) == first
    bench.do("*CLS")
