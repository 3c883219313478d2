"""A different board is a different description: tests on one that is unlike the reference rig in all that may differ."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from bench_port import run_on, setup
from contract_bench import OTHER
from vectors import description_lines

from bench.description import BoardDescription, CommonModeError, Loop, parse_description
from bench.errors import SetupError
from bench.files import grade_rule
from bench.lamp_check import lamp_takes
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.simboard.rig import DESCRIPTION_TEXT
from bench.simboard.units import nominal
from bench.uncertainty import Estimate, TypeA
from reports.described_board import BoardPort, described_board

ASSUMED = "the board does not state its loop: 0.10 ohm from supply to lamps is assumed (SAE J823)"


def tried(description: BoardDescription, kind: str) -> TestRecord:
    return run_on(BoardPort("sim://other", described_board(description, unit=nominal(kind))), "quick")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["NC", "EL", "TC"])
def test_a_good_unit_is_good_on_another_board(kind: str) -> None:
    record = tried(OTHER, kind)
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion
    assert ASSUMED not in record.notes


def test_of_a_board_that_does_not_state_its_loop_one_is_assumed_and_that_is_said() -> None:
    record = tried(replace(OTHER, loop=None), "EL")
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion
    assert record.notes.count(ASSUMED) == 1


def test_the_loop_is_read_as_the_board_states_it() -> None:
    lines = description_lines()
    assert parse_description(lines).loop == Loop(0.1, 0.006)
    assert parse_description([line for line in lines if not line.startswith("loop")]).loop is None
    assert parse_description([line.replace("loop,0.1,0.006", "loop,2.5E-2,0") for line in lines]).loop == Loop(0.025, 0.0)


SHARES = DESCRIPTION_TEXT + "common,i_load,v_in,0.004\ncommon,i_load_low,v_in,0.004\n"


@pytest.mark.parametrize("zeroed", [False, True])
def test_a_current_in_which_the_supply_shows_is_known_as_well_as_the_board_says(zeroed: bool) -> None:
    """As of an amplifier on the supply's side, whose common mode is not wholly rejected."""
    board = described_board(parse_description(SHARES.splitlines()), unit=nominal("EL"))
    shares = {("i_load", "v_in"): 0.006, ("i_load_low", "v_in"): 0.006}
    board.rig.hidden = replace(board.rig.hidden, common={**board.rig.hidden.common, **shares})
    honest = tried(parse_description(DESCRIPTION_TEXT.splitlines()), "EL")
    record = run_on(BoardPort("sim://shares", board), "decide", setup=setup(zero=zeroed))  # type: ignore[arg-type]
    for name in ("dark_a", "steady_a", "inrush_first_a"):
        found, truth = record.measured.values[name], honest.measured.values[name]
        assert isinstance(found, Estimate) and isinstance(truth, Estimate)
        assert abs(found.value - truth.value) <= math.hypot(found.expanded(), truth.expanded()) + 0.02 * truth.value + 2e-3, name
        if name == "dark_a":
            assert (found.expanded() < 0.01) is zeroed
    table = next(step.flashes for step in record.steps if step.name == "rated")
    steady = record.measured.values["steady_a"]
    assert isinstance(steady, Estimate)
    assert [a for a in table.steady_a if a is not None][-1] == pytest.approx(steady.value, rel=0.01)


def sampled(slots: int, interval_s: float) -> BoardDescription:
    """The reference rig with other modes."""
    ticks = round(interval_s * 16e6)
    slower = [line for line in DESCRIPTION_TEXT.splitlines() if not line.startswith("mode")]
    return parse_description([*slower, f"mode,FAST,{ticks},{slots},10", f"mode,PREC,{min(4 * ticks, 16000)},{slots},10"])


@pytest.mark.parametrize("kind", ["NC", "EL"])
def test_a_board_whose_frames_take_a_sixth_of_a_second_reads_the_supply_as_it_is(kind: str) -> None:
    record = tried(sampled(5, 1e-3), kind)
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion


@pytest.mark.parametrize("kind", ["ELo", "EL"])
def test_the_flash_at_hand_is_not_long_because_slow_samples_tell_its_end_late(kind: str) -> None:
    description = sampled(160, 0.25e-3)
    board = described_board(description, unit=nominal(kind))
    wanted = setup(rating_known=True, grade_rule=grade_rule())
    record = run_on(BoardPort("sim://slow", board), "quick", setup=wanted)  # type: ignore[arg-type]
    stuck = record.measured.values["stuck"]
    assert isinstance(stuck, Estimate) and stuck.value == 0.0
    assert record.conclusion.outcome is Outcome.GOOD, record.conclusion


@pytest.mark.parametrize("supply_v", [31.0, 33.0])
def test_a_supply_beyond_what_the_board_reads_is_refused_before_anything_is_switched(supply_v: float) -> None:
    port = open_port("sim://bench-nc-24v")
    wanted = setup(system_v=24.0, supply_v=supply_v)
    if supply_v < 32.0:
        assert run_on(port, setup=wanted).interrupted is None  # type: ignore[arg-type]
        return
    with pytest.raises(SetupError, match=r"a supply of 33\.22 V, with some to spare 38\.7 V: this board reads 36\.78 V at the most"):
        run_on(port, setup=wanted)  # type: ignore[arg-type]


def test_a_current_beyond_the_narrow_range_is_read_in_the_wide_one() -> None:
    description = parse_description(DESCRIPTION_TEXT.splitlines())
    rest = TypeA(0.0, 0.01, 100)
    lit = {"i_load": TypeA(8.8, 0.04, 100), "i_load_low": TypeA(7.67, 0.0, 100), "v_out": TypeA(6.3, 0.01, 100)}
    taken = lamp_takes(description, 50.0, 6.0, {"i_load": rest, "i_load_low": rest}, lit)
    assert taken is not None
    assert (taken.amps, taken.is_right) == (8.8, True)
    seen = {"i_load_low": replace(description.channels["i_load_low"], common=(CommonModeError("v_in", 1e-4, 0.004),))}
    shown = replace(description, channels={**description.channels, **seen})
    part = lit | {"i_load_low": TypeA(1.85, 0.01, 100), "v_in": TypeA(12.5, 0.01, 100)}
    parted = lamp_takes(shown, 21.0, 12.0, {"i_load_low": rest}, part)
    assert parted is not None and parted.amps == pytest.approx(1.8)
    small = lit | {"i_load": TypeA(1.9, 0.04, 100), "i_load_low": TypeA(1.8, 0.01, 100)}
    low = lamp_takes(description, 21.0, 12.0, {"i_load": rest, "i_load_low": rest}, small)
    assert low is not None and low.amps == 1.8
