"""The self-description: the page's, its text form and back, and what is refused."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import vectors

from bench.description import (
    DescriptionError,
    NtcCurve,
    Share,
    description_crc,
    description_lines,
    parse_description,
    scan_plan,
)
from bench.simboard.rig import DESCRIPTION_TEXT, rig_description
from bench.wire import crc16

LINES = vectors.description_lines()


def test_page_vector_and_simulated_board_say_the_same() -> None:
    page = re.search(r"```\n(board,.*?)```", vectors.PAGE.read_text("utf-8"), re.DOTALL)
    assert page is not None
    assert page[1].splitlines() == LINES == DESCRIPTION_TEXT.splitlines()
    assert list(description_lines(rig_description(1))) == LINES
    assert rig_description(123456).serial == "SIM23456"


def test_values_and_text_are_the_same_both_ways() -> None:
    description = parse_description(LINES)
    assert list(description_lines(description)) == LINES
    assert parse_description(reversed(LINES)) == description
    assert description.sample_period_s("FAST") == pytest.approx(26e-6)
    assert description.sample_period_s("PREC") == pytest.approx(104e-6)
    assert description.slots == 5
    assert description.channels["v_drop"].common == (Share("v_in", 0.00105),)
    assert description.channels["v_in"].range(1).high == 18.8
    assert description.channels["v_drop"].range(1).number == 0
    assert description.limits["CURR"].default == 75.0
    assert all(len(line) <= 76 for line in LINES)


def test_unknown_first_words_are_ignored() -> None:
    assert parse_description(["colour,red", *LINES, ""]) == parse_description(LINES)


def test_the_check_is_the_crc_over_lines_and_their_ends() -> None:
    assert description_crc(LINES) == crc16(vectors.VECTORS.joinpath("description.txt").read_bytes())
    assert description_crc(["123456789"]) == crc16(b"123456789\n")


@pytest.mark.parametrize(
    ("line", "change", "message"),
    [
        ("board,1,rig-328,SIM00001", "board,2,rig-328,SIM00001", "protocol version 2"),
        ("board,1,rig-328,SIM00001", "", "it needs a line 'board'"),
        ("clock,16000000,0.005", "clock,0,0.005", "frequency above 0"),
        ("clock,16000000,0.005", "clock,16000000,nan", "not a decimal number: 'nan'"),
        ("clock,16000000,0.005", "clock,16000000", "2 fields are needed"),
        ("mode,FAST,416,5,10", "mode,FAST,416,6,10", "whole scans of 6"),
        ("mode,FAST,416,5,10", "mode,FAST,416,4,10", "differ in slots"),
        ("mode,FAST,416,5,10", "mode,FAST,,5,10", "an empty field"),
        ("mode,FAST,416,5,10", "mode,SLOW,416,5,10", "FAST or PREC"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,5,0,1,4.7E-5", "in slot 5 of 5"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,0,0,3,4.7E-5", "3 does not divide 64"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,0,1,1,4.7E-5", "not a whole number from 0 to 0"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,1,0,1,4.7E-5", "claim the same place"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_out,V,0,0,1,4.7E-5", "second channel of this name"),
        ("channel,v_pilot,V,4,1,2,4.7E-5", "", "for channel 'v_pilot', which has no line 'channel'"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "", "channel 'v_pilot' has no line 'range'"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "range,v_pilot,0,0,0,0,18.8,0,0,0,0", "a scale above 0"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "range,v_pilot,0,0,1,0,9,-1,0,0,0", "-1 is negative"),
        ("common,v_drop,v_in,0.00105", "common,v_drop,v_up,0.00105", "names 'v_up'"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,PT100,100,1,1", "'PT100' is not known"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,NTC,0,10000,3950", "must be above 0"),
        ("load,1,LAMP,21", "load,9,LAMP,21", "from 1 to 8"),
        ("load,1,LAMP,21", "load,2,LAMP,21", "once for each number"),
        ("load,1,LAMP,21", "load,1,BULB,21", "LAMP, PILOT, LEAK, FREE"),
        ("limit,CURR,0.5,75,75", "limit,CURR,0.5,75,76", "default does not lie"),
        ("limit,CURR,0.5,75,75", "limit,VOLT,0.5,75,75", "CURR, DELAY, TIME, SIL"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(line: str, change: str, message: str) -> None:
    assert line in LINES
    with pytest.raises(DescriptionError, match=re.escape(message)) as caught:
        parse_description([change if each == line else each for each in LINES])
    assert "\n" not in str(caught.value)


def test_scan_plan_of_the_reference_rig() -> None:
    """Worked out by hand from section 5 of the page."""
    plan = scan_plan(parse_description(LINES))
    assert plan["v_in"].tolist() == [5 * k for k in range(64)]
    assert plan["i_load"].tolist() == [5 * k + 3 for k in range(64)]
    assert plan["i_load_low"].tolist() == [5 * k + 4 for k in range(0, 64, 2)]
    assert plan["v_pilot"].tolist() == [5 * k + 4 for k in range(1, 64, 2) if k not in (31, 63)]
    assert plan["temperature"].tolist() == [5 * 31 + 4]
    assert plan["self_check"].tolist() == [5 * 63 + 4]
    assert sorted(index for indices in plan.values() for index in indices) == list(range(320))


def test_a_longer_plan_repeats_and_a_broken_period_is_refused() -> None:
    description = parse_description(LINES)
    once, twice = scan_plan(description), scan_plan(description, 128)
    assert twice["v_pilot"].tolist() == [*once["v_pilot"], *(once["v_pilot"] + 320)]
    with pytest.raises(ValueError, match="multiple of 64"):
        scan_plan(description, 32)


def test_ntc_curve() -> None:
    curve = NtcCurve(10000.0, 10000.0, 3950.0)
    assert curve.temperature_c(0.5) == pytest.approx(25.0)
    assert curve.ratio(25.0) == pytest.approx(0.5)
    # By hand: at 50 degC R = 10 k exp(3950 (1/323.15 - 1/298.15)) = 3588 ohm.
    assert curve.ratio(50.0) == pytest.approx(3588.0 / 13588.0, rel=1e-3)
    for celsius in (-20.0, 0.0, 24.0, 80.0):
        assert curve.temperature_c(curve.ratio(celsius)) == pytest.approx(celsius)


def test_a_description_is_a_value() -> None:
    description = parse_description(LINES)
    assert replace(description, serial="X") != description
