"""What a calibration will ask for: voltages from the board's ranges, lamps within the ammeter's range, said before anything is asked."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_port import BenchPort

from bench.calibration import MeterAccuracy, supply_points
from bench.description import BoardDescription, Range
from bench.errors import SetupError
from bench.manual_actions import FitUnit, SetSupply
from bench.ports.address import parse_sim_address
from bench.ports.simulated import open_line
from bench.session import Asked, Planned
from bench.session.progress import Event
from bench.simboard.board import SimulatedBoard
from bench.simboard.rig import rig_description
from bench.upkeep import Wanted, calibrate_board
from bench.upkeep.calibration_plan import MOST_A, plan_for, plan_lines

METER = MeterAccuracy(5e-4, 2e-3)
RIG = rig_description(1)


def reaching(*highs: float) -> tuple[Range, ...]:
    """Voltage ranges from 0 to these volts, numbered as they come."""
    return tuple(replace(RIG.channels["v_in"].ranges[0], number=n, low=0.0, high=high) for n, high in enumerate(highs))


def with_ranges(*highs: float) -> BoardDescription:
    channels = {name: replace(RIG.channels[name], ranges=reaching(*highs)) for name in ("v_in", "v_out")}
    return replace(RIG, channels={**RIG.channels, **channels})


@pytest.mark.parametrize(
    ("highs", "highest_v", "points"),
    [
        ((35.0, 18.9), 17.5, (3.0, 5.0, 7.0, 9.0, 11.0, 13.5, 15.5, 17.5)),
        ((35.0, 18.9), 30.0, (3.0, 5.0, 7.0, 9.0, 11.0, 13.5, 15.5, 17.5, 20.5, 24.0, 27.0, 30.0)),
        ((8.0,), 17.5, (1.3, 2.2, 3.1, 4.0, 5.0, 5.8, 6.7, 7.6)),
        ((20.0, 21.0), 30.0, (3.0, 5.5, 7.5, 10.0, 12.0, 14.5, 16.5, 19.0)),
        ((40.0,), 30.0, (5.0, 8.5, 12.0, 15.5, 19.5, 23.0, 26.5, 30.0)),
    ],
)
def test_voltages_follow_the_ranges(highs: tuple[float, ...], highest_v: float, points: tuple[float, ...]) -> None:
    found = supply_points(reaching(*highs), highest_v)
    assert found == pytest.approx(points, abs=0.11)
    assert max(found) <= min(highest_v, 0.95 * max(highs))
    assert all(sum(v <= 0.95 * high for v in found) >= 4 for high in highs), "each range has points"


def test_a_system_that_the_board_can_t_read_is_refused() -> None:
    with pytest.raises(SetupError, match=r"lit at 25\.6 V, and this board reads 17\.9 V at the most; name the system with --system"):
        plan_for(with_ranges(18.8), Wanted({"V": METER}, 24.0))
    assert plan_for(with_ranges(18.8), Wanted({"V": METER}, 12.0)).nominal_v == 12.8


@pytest.mark.parametrize("system_v", [6.0, 12.0, 24.0])
def test_no_ammeter_is_given_more_than_its_range(system_v: float) -> None:
    """At 6 V the standard bank's five lamps would take 14 A."""
    plan = plan_for(RIG, Wanted({"A": METER}, system_v))
    assert 0.0 < plan.amps <= MOST_A
    assert len(plan.lamps) == (3 if system_v == 6.0 else 5)


def test_what_is_wanted_is_said_and_nothing_else() -> None:
    wanted = Wanted({"V": METER}, clock_s=120.0)
    plan = plan_for(RIG, wanted)
    voltages, clock = plan_lines(plan, RIG, wanted)
    assert voltages == "Voltages: the supply is set to 3, 5, 7, 9, 11, 13.5, 15.5, 17.5 V, the meter read at each."
    assert clock == "Clock: compared with this computer's for 2 min."
    drop = Wanted({"A": METER}, clock_s=0.0, drop=True, drop_meter=METER)
    assert [line.split(":")[0] for line in plan_lines(plan, RIG, drop)] == ["Currents", "Drop"]


def bench_at(address: str) -> BenchPort:
    board = open_line(parse_sim_address(address)).board
    assert isinstance(board, SimulatedBoard)
    return BenchPort(board)


@pytest.mark.parametrize("system_v", [6.0, 24.0])
def test_a_bench_of_another_system_is_calibrated_and_left_as_it_was_found(system_v: float) -> None:
    port = bench_at(f"sim://LINK?system={system_v:g}")
    supply_v = port.board.supply_v
    events: list[Event] = []
    highest_v = 30.0 if system_v == 24.0 else 17.5
    wanted = Wanted({"V": METER, "A": METER}, system_v, highest_v, clock_s=0.0)
    found = calibrate_board(port, wanted, None, 20261125, progress=events.append)
    better = {(one.channel, one.after.number) for one in found.channels if not one.refused}
    assert better >= {("v_in", 1), ("v_out", 1), ("i_load_low", 0)} | ({("v_in", 0)} if system_v == 24.0 else set())
    assert max(point.should for point in found.points["v_in 1"]) == pytest.approx(17.5, abs=0.05), "set without load"
    planned = next(n for n, event in enumerate(events) if isinstance(event, Planned))
    assert planned < next(n for n, event in enumerate(events) if isinstance(event, Asked))
    assert (port.board.unit_name, port.board.supply_v) == ("LINK", supply_v)


def test_the_unit_that_comes_next_does_not_meet_the_last_voltage() -> None:
    events: list[Event] = []
    calibrate_board(bench_at("sim://LINK?seed=2"), Wanted({"V": METER}, clock_s=0.0), None, 20261125, progress=events.append)
    asked = [event.action for event in events if isinstance(event, Asked)]
    assert asked[-2:] == [SetSupply(12.8, 12.8, ()), FitUnit("")]
    assert asked[-3] == SetSupply(17.5, 17.5, ())


def test_the_drop_of_a_simulated_board_is_read_over_a_resistor_by_its_own_meter() -> None:
    port = bench_at("sim://bench-el-plain?seed=7")
    drop_meter = MeterAccuracy(5e-4, 1e-4)
    wanted = Wanted({"V": METER}, clock_s=0.0, drop=True, drop_meter=drop_meter)
    found = calibrate_board(port, wanted, None, 20261125)
    drop = next(one for one in found.channels if one.channel == "v_drop")
    assert drop.refused is None
    assert drop.at == pytest.approx(0.7, abs=0.1), "0.15 ohm at the current of five lamps"
    assert b"SIM:RES 0.15\n" in port.sent
    meters = {line for line in port.sent if line.startswith(b"SIM:MET? v_drop")}
    assert meters == {b"SIM:MET? v_drop,0.0005,0.0001\n"}
    assert port.board.unit_name == "bench-el-plain"


def test_no_simulated_bench_has_a_lead_to_its_pilot_terminal() -> None:
    port = bench_at("sim://bench-nc-2x21")
    with pytest.raises(SetupError, match="leave out --pilot"):
        calibrate_board(port, Wanted({"V": METER}, clock_s=0.0, pilot=True), None, 20261125)
    assert port.all_open
