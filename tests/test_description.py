"""The self-description: the page's, its text form and back, and what is refused."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import vectors

import bench
from bench.description import (
    BS_K,
    CHANNEL_UNITS,
    LINES_MOST,
    OHMS,
    ChannelName,
    CommonModeError,
    NtcCurve,
    description_crc,
    description_lines,
    parse_description,
    scan_plan,
)
from bench.errors import DescriptionError
from bench.simboard.rig import DESCRIPTION_TEXT, rig_description
from bench.wire import crc16

LINES = vectors.description_lines()
V_PILOT = "range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009"


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
    assert description.channels["v_drop"].common == (CommonModeError("v_in", 0.00105),)
    assert description.channels["v_in"].range(1).high == 18.8
    assert description.channels["v_drop"].range(1).number == 0
    assert description.limits["CURR"].default == 75.0
    assert all(len(line) <= 76 for line in LINES)


def changed(line: str, *instead: str) -> list[str]:
    """The page's description with other lines in the place of one."""
    assert line in LINES
    return [new for each in LINES for new in (instead if each == line else (each,))]


@pytest.mark.parametrize(
    "line",
    ["colour,red", "Colour,red", "X2-foo,1", "reserved", "v_2", "Board,2,x,y", "mode,BURST,4", "load,9,RELAY", "limit,VOLT,0.5,75,75",
     "range,v_new,0,whatever", "common,v_new,v_in,1", "curve,v_new,PT100,100", "check,v_new,1,1", ""],
)  # fmt: skip
def test_lines_with_unknown_words_are_passed_over(line: str) -> None:
    assert parse_description([line, *LINES]) == parse_description([*LINES, line]) == parse_description(LINES)


def test_further_fields_are_passed_over() -> None:
    assert parse_description([f"{line},7,new" for line in LINES]) == parse_description(LINES)


def test_numbers_are_taken_in_any_form() -> None:
    other_forms = {
        "board,1,rig-328,SIM00001": "board,1.0,rig-328,SIM00001",
        "clock,16000000,0.005": "clock,1.6e7,+.005",
        "mode,FAST,416,5,10": "mode,FAST,416.0,+5,1E1",
        "load,1,LAMP,21": "load,+1.0,LAMP,2.1E1",
        "channel,v_in,V,0,0,1,4.7E-5": "channel,v_in,V,0.0,0,1.,0.000047",
    }
    assert set(other_forms) < set(LINES)
    assert parse_description([other_forms.get(line, line) for line in LINES]) == parse_description(LINES)


@pytest.mark.parametrize("line", [line for line in LINES if line.split(",")[0] in ("board", "clock", "mode", "range", "load", "check")])
def test_a_line_said_twice_counts_once_and_one_that_says_otherwise_is_refused(line: str) -> None:
    assert parse_description(changed(line, line, line)) == parse_description(LINES)
    otherwise = line[:-1] + ("2" if line[-1] != "2" else "3")
    with pytest.raises(DescriptionError, match=re.escape(f"another line says otherwise: {line!r}")):
        parse_description(changed(line, line, otherwise))


def test_a_load_named_in_another_form_of_its_number_is_the_same_load() -> None:
    with pytest.raises(DescriptionError, match="another line says otherwise: 'load,1,LAMP,21'"):
        parse_description([*LINES, "load,1.0,LAMP,5"])


def test_a_channel_of_an_unknown_name_keeps_its_place() -> None:
    """It comes in scan 15 of every 64 in the slot of i_load_low and v_pilot, of which v_pilot would have had that scan."""
    with_new = parse_description([*LINES, "channel,v_new,V,4,15,64,0", "range,v_new,0,0,1,0,1,0,0,0,0"])
    assert with_new.channels == parse_description(LINES).channels
    assert 5 * 15 + 4 in scan_plan(parse_description(LINES))["v_pilot"]
    assert 5 * 15 + 4 not in scan_plan(with_new)["v_pilot"]
    assert set(scan_plan(with_new)) == set(with_new.channels)


@pytest.mark.parametrize(
    ("line", "instead", "unread"),
    [
        ("curve,temperature,NTC,10000,10000,3950", ["curve,temperature,PT100,100"], "temperature"),
        ("common,v_drop,v_in,0.00105", ["common,v_drop,v_new,0.1", "channel,v_new,V,4,15,64,0"], "v_drop"),
        ("common,v_drop,v_in,0.00105", ["common,v_drop,temperature,0.1", "curve,temperature,PT100,100"], "v_drop"),
    ],
)
def test_a_channel_by_an_unknown_law_is_not_read(line: str, instead: list[str], unread: str) -> None:
    lines = [each for each in changed(line, *instead) if each != "curve,temperature,NTC,10000,10000,3950"]
    description = parse_description(lines)
    assert unread not in description.channels
    plan = scan_plan(parse_description(LINES))
    assert all(np.isin(at, plan[name]).all() for name, at in scan_plan(description).items())
    assert all(check.channel in description.channels for check in description.checks)


SHADOWED = {
    "channel,i_load_low,A,4,0,2,4.7E-5": "channel,i_load_low,A,1,0,2,4.7E-5",
    "channel,v_pilot,V,4,1,2,4.7E-5": "channel,v_pilot,V,1,1,2,4.7E-5",
}


def test_a_channel_that_rarer_ones_leave_no_sample_is_not_read() -> None:
    described = parse_description([SHADOWED.get(line, line) for line in LINES])
    assert described.missing == ("v_out",)
    assert "v_out" in described.unread
    assert "v_out" not in scan_plan(described)
    no_input = parse_description([SHADOWED.get(line, line).replace("A,1,0,2", "A,0,0,2").replace("V,1,1,2", "V,0,1,2") for line in LINES])
    assert no_input.missing == ("v_in",)
    assert "v_drop" in no_input.unread, "of whose reading v_in is a part"


def test_of_a_board_with_one_mode_all_frames_are_of_that() -> None:
    lines = [line for line in LINES if not line.startswith("mode,PREC")]
    assert parse_description(lines).mode_of("PREC").name == "FAST"
    assert parse_description(LINES).mode_of("PREC").name == "PREC"


def test_a_description_without_end_is_refused() -> None:
    with pytest.raises(DescriptionError, match=f"more than {LINES_MOST} lines"):
        parse_description([*LINES, *(f"reserved{n}" for n in range(LINES_MOST))])


def test_the_check_is_the_crc_over_lines_and_their_ends() -> None:
    assert description_crc(LINES) == crc16(vectors.VECTORS.joinpath("description.txt").read_bytes())
    assert description_crc(["123456789"]) == crc16(b"123456789\n")


@pytest.mark.parametrize(
    ("line", "change", "message"),
    [
        ("board,1,rig-328,SIM00001", "board,2,rig-328,SIM00001", "protocol version 2"),
        ("board,1,rig-328,SIM00001", "", "it needs a line 'board'"),
        ("clock,16000000,0.005", "clock,0,0.005", "0 is not from 10000 to 1e+09"),
        ("clock,16000000,0.005", "clock,16000000,nan", "not a decimal number: 'nan'"),
        ("clock,16000000,0.005", "clock,16000000", "2 fields are needed"),
        ("mode,FAST,416,5,10", "mode,FAST,416,6,10", "whole scans of 6"),
        ("mode,FAST,416,5,10", "mode,FAST,416,4,10", "differ in slots"),
        ("mode,FAST,416,5,10", "mode,FAST,,5,10", "an empty field"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,5,0,1,4.7E-5", "in slot 5 of 5"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,0,0,3,4.7E-5", "3 does not divide 64"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,0,1,1,4.7E-5", "not a whole number from 0 to 0"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,1,0,1,4.7E-5", "claim the same place"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_out,V,0,0,1,4.7E-5", "another line says otherwise"),
        ("channel,v_pilot,V,4,1,2,4.7E-5", "", "for channel 'v_pilot', which has no line 'channel'"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "", "channel 'v_pilot' has no line 'range'"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "range,v_pilot,0,0,0,0,18.8,0,0,0,0", "0 is not from 1e-09 to 1000"),
        ("range,v_pilot,0,0,0.0184,0,18.8,0.0013,0.018,0.009,0.009", "range,v_pilot,0,0,1,0,9,-1,0,0,0", "-1 is not from 0 to 1"),
        ("common,v_drop,v_in,0.00105", "common,v_drop,v_up,0.00105", "names 'v_up'"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,NTC,10000", "an NTC has resistance"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,NTC,0,10000,3950", "0 is not from 10 to 1e+07"),
        ("load,1,LAMP,21", "load,9,LAMP,21", "from 1 to 8"),
        ("load,1,LAMP,21", "load,2,LAMP,5", "another line says otherwise"),
        ("limit,CURR,0.5,75,75", "limit,CURR,0.5,75,76", "default does not lie"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(line: str, change: str, message: str) -> None:
    assert line in LINES
    with pytest.raises(DescriptionError, match=re.escape(message)) as caught:
        parse_description([change if each == line else each for each in LINES])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("line", "change"),
    [
        ("clock,16000000,0.005", "clock,1,0.005"),
        ("clock,16000000,0.005", "clock,1E308,0.005"),
        ("clock,16000000,0.005", "clock,1E-308,0.005"),
        ("clock,16000000,0.005", "clock,16000000,1E308"),
        ("clock,16000000,0.005", "clock,20000,0.005"),
        ("mode,FAST,416,5,10", "mode,FAST,65535,5,10"),
        ("mode,FAST,416,5,10", "mode,FAST,1,5,10"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,V,0,0,1,1E308"),
        ("channel,v_in,V,0,0,1,4.7E-5", "channel,v_in,mV,0,0,1,4.7E-5"),
        *(
            (V_PILOT, f"range,v_pilot,0,{numbers}")
            for numbers in (
                "1E308,0.0184,0,18.8,0,0,0,0",
                "0,1E308,0,18.8,0,0,0,0",
                "0,1E-308,0,18.8,0,0,0,0",
                "0,0.0184,-1E308,18.8,0,0,0,0",
                "0,0.0184,0,1E308,0,0,0,0",
                "0,0.0184,0,1E-400,0,0,0,0",
                "0,0.0184,0,18.8,1E308,0,0,0",
                "0,0.0184,0,18.8,0,1E308,0,0",
                "0,0.0184,0,18.8,0,0,1E308,0",
                "0,0.0184,0,18.8,0,0,0,1E308",
            )
        ),
        ("common,v_drop,v_in,0.00105", "common,v_drop,v_in,2"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,NTC,10000,10000,1E-308"),
        ("curve,temperature,NTC,10000,10000,3950", "curve,temperature,NTC,1E308,10000,3950"),
        ("check,self_check,3.84,0.0002", "check,self_check,1E308,0.0002"),
        ("load,1,LAMP,21", "load,1,LAMP,0"),
        ("load,1,LAMP,21", "load,1,LAMP,1E308"),
        ("limit,TIME,1,172800,120", "limit,TIME,1,1E308,120"),
        ("limit,TIME,1,172800,120", "limit,TIME,-1,172800,120"),
    ],
)
def test_numbers_beyond_any_rig_are_refused_in_one_line(line: str, change: str) -> None:
    with pytest.raises(DescriptionError, match=r" not from | would be taken every | must be in V|lowest reading") as caught:
        parse_description(changed(line, change))
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 250


def test_any_thermistor_that_is_allowed_has_a_temperature_at_any_count() -> None:
    for r, n, b in product(OHMS, OHMS, BS_K):
        for count in range(1, 4096):
            assert -273.15 < NtcCurve(r, n, b).temperature_c(count / 4096) <= 727.0


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


def test_the_words_of_a_description_are_written_in_one_place() -> None:
    """Channel names in the line's rooms up to the cycles are ChannelName's; a word that none of these is would be an error of types."""
    words = {str(name) for name in ChannelName}
    assert words == set(CHANNEL_UNITS)
    root = Path(bench.__file__).parent
    rooms = (
        "wire", "description", "zero.py", "samples.py", "calibration.py", "transitions", "supply.py", "comparator.py", "cycles",
        "analysis.py",
    )  # fmt: skip
    for path in (found for room in rooms for found in [*(root / room).rglob("*.py"), root / room] if found.suffix == ".py"):
        spelt = {node.value for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Constant)}
        assert path.name == "channels.py" or not spelt & words, path
