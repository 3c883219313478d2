"""Check, standard and calibration broken off at any moment: all open, the simulated unit in its socket again, the board's scales as they
were, and one line that says what the board has where that can't be."""

from __future__ import annotations

import signal
from collections.abc import Callable

import pytest
from bench_port import BenchPort, setup

from bench.calibration import MeterAccuracy
from bench.cli.person import figure
from bench.description import BoardDescription
from bench.errors import BoardFault, Cancelled, OtherBoardError, PortError, TableError
from bench.files import procedure
from bench.ports.address import parse_sim_address
from bench.ports.simulated import open_line
from bench.simboard.board import SimulatedBoard
from bench.stopping import held
from bench.upkeep import CheckFinding, Wanted, calibrate_board, self_check, store_calibration
from bench.upkeep.selfcheck import CheckState
from bench.upkeep.standard import measure_link, measure_unit
from bench.wire import TripCause

METER = MeterAccuracy(5e-4, 2e-3)
DATE = 20261125


def bench_at(address: str = "sim://bench-el-plain?seed=7&supply=13.5") -> BenchPort:
    board = open_line(parse_sim_address(address)).board
    assert isinstance(board, SimulatedBoard)
    return BenchPort(board)


def calibrated_bench() -> BenchPort:
    """One that has stored a calibration, with a scale of its own."""
    port = bench_at()
    scales = port.board.scales
    r = scales.description.channels["v_in"].ranges[0]
    scales.use(scales.with_range("v_in", r.number, r.zero, 1.01 * r.scale, r.u_scale, r.u_zero, r.u_line))
    scales.use(scales.with_date(20260101))
    scales.store()
    return port


def interrupt(port: BenchPort) -> None:
    raise KeyboardInterrupt


def terminate(port: BenchPort) -> None:
    with held():
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)


def press_stop(port: BenchPort) -> None:
    port.board._open_for(TripCause.LATC)


def pull(port: BenchPort) -> None:
    port.unplugged = True


WORK: dict[str, Callable[[BenchPort], object]] = {
    "check": lambda port: self_check(port, link=True, lamps=True),
    "standard": lambda port: measure_link(port, setup(), None),
    "calibrate": lambda port: calibrate_board(port, Wanted({"V": METER, "A": METER}, clock_s=5.0, drop=True), None, DATE),
}
MISHAPS = {"Ctrl-C": (interrupt, KeyboardInterrupt), "SIGTERM": (terminate, Cancelled), "stop button": (press_stop, BoardFault)}


@pytest.mark.parametrize("mishap", MISHAPS)
@pytest.mark.parametrize("work", WORK)
def test_a_simulated_bench_is_left_as_it_was_found(work: str, mishap: str) -> None:
    """The mishap comes when link or resistor are in the socket, the supply is set, and everything is on."""
    act, kind = MISHAPS[mishap]
    port = calibrated_bench()
    said, supply_v = port.board.scales.lines, port.board.supply_v
    away: list[str] = []

    def now() -> None:
        if port.board.unit_name in ("LINK", "RESISTOR") and port.board.master and port.board.loads:
            away.append(port.board.unit_name)
            act(port)
        else:
            port.at[port.now_s() + 0.01] = now

    port.at[0.0] = now
    with held(), pytest.raises(kind):
        WORK[work](port)
    assert away
    assert port.all_open
    assert (port.board.unit_name, port.board.supply_v) == ("bench-el-plain", supply_v)
    assert [line.split(",")[:4] for line in port.board.scales.lines] == [line.split(",")[:4] for line in said]
    assert port.board.scales.description.calibrated == 20260101


def test_a_pulled_cable_leaves_other_scales_and_that_is_said() -> None:
    port = calibrated_bench()
    port.at[5.0] = lambda: pull(port)
    says = r"calibrating the board at sim://test: .*the cable is out; the board reads by other scales until"
    with pytest.raises(BoardFault, match=says) as caught:
        calibrate_board(port, Wanted({"V": METER}, clock_s=0.0), None, DATE)
    assert "\n" not in str(caught.value)
    assert port.board.scales.description.calibrated == 0 and port.board.scales._stored.calibrated == 20260101
    fresh = bench_at()
    fresh.at[5.0] = lambda: pull(fresh)
    with pytest.raises(PortError, match=r"the cable is out$"):
        calibrate_board(fresh, Wanted({"V": METER}, clock_s=0.0), None, DATE)


def test_what_was_checked_before_a_mishap_is_told() -> None:
    port, found = bench_at(), list[CheckFinding]()
    port.at[5.0] = lambda: pull(port)
    with pytest.raises(PortError):
        self_check(port, link=True, lamps=True, found=found.append)
    assert {"identity", "supply"} <= {one.what for one in found}


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("sim://LINK?system=24", "a voltage went out of the range that protects the board"),
        ("sim://LINK?system=24&supply=17", r"lamps of a 12 V system need 9\.6 to 16\.8 V; set the supply, or name the system"),
    ],
)
def test_no_lamp_is_lit_by_a_supply_of_another_system(address: str, says: str) -> None:
    port = bench_at(address)
    lit: list[frozenset[int]] = []
    switch = port.board._apply
    port.board._apply = lambda master, loads: lit.append(loads) or switch(master, loads)  # type: ignore[func-returns-value, method-assign]
    states = {finding.what: finding.state for finding in self_check(port, link=True, lamps=True, system_v=12.0)}
    assert (states["supply"], states["lamps"]) == (CheckState.BAD, CheckState.NOT_DONE)
    with pytest.raises(BoardFault, match=says):
        measure_link(port, setup(), None)
    assert not any(lit)


def test_a_kept_unit_that_was_stopped_is_no_fault_of_the_bench() -> None:
    port = bench_at()
    port.at[4.0] = lambda: terminate(port)
    with held(), pytest.raises(Cancelled, match=r"measuring the kept unit T1: told to end \(SIGTERM\); nothing of it is kept"):
        measure_unit(port, procedure("quick"), setup(), None, "2026-01-01", "test", lambda event: None)
    pulled = bench_at()
    pulled.at[4.0] = lambda: pull(pulled)
    with pytest.raises(BoardFault, match=r"measuring the kept unit T1: .*the cable is out"):
        measure_unit(pulled, procedure("quick"), setup(), None, "2026-01-01", "test", lambda event: None)


# --- storing


def lines_for(port: BenchPort) -> tuple[str, ...]:
    r = port.board.scales.description.channels["v_in"].range(1)
    return ("CAL:CLE", f"CAL:RANG v_in,1,{r.zero},{0.995 * r.scale:.6g},{r.u_scale},{r.u_zero},{r.u_line}", f"CAL:DATE {DATE}")


def identity(port: BenchPort) -> str:
    return f"makebreak,{port.board.description.model},{port.board.description.serial},1.0"


def stored(port: BenchPort) -> BoardDescription:
    return port.board.scales._stored


@pytest.mark.parametrize("mishap", ["Ctrl-C", "SIGTERM", "refused", "file"])
def test_a_store_that_fails_before_it_begins_leaves_the_board_as_it_was(mishap: str) -> None:
    port = calibrated_bench()
    said = port.board.scales.lines
    lines = lines_for(port)
    kind: type[Exception] = Cancelled

    def storing() -> None:
        assert port.board.scales.description.calibrated == DATE, "it has read back as told"
        if mishap == "file":
            raise TableError("no room")

    if mishap == "refused":
        lines, kind = (*lines, "CAL:RANG v_in,1,0,1E30,0,0,0"), BoardFault
    elif mishap == "file":
        kind = TableError
    else:

        def now() -> None:
            if port.board.scales.description.calibrated == DATE:
                MISHAPS[mishap][0](port)
            else:
                port.at[port.now_s() + 0.01] = now

        port.at[0.0] = now
    with held(), pytest.raises(kind) as caught:
        store_calibration(port, identity(port), lines, storing)
    if mishap != "file":
        assert str(caught.value).startswith("storing the calibration in the board at sim://test: ")
        assert str(caught.value).endswith("; the board is as it was")
    assert b"CAL:STOR\n" not in port.sent
    assert [line.split(",")[:4] for line in port.board.scales.lines] == [line.split(",")[:4] for line in said]
    assert stored(port).calibrated == port.board.scales.description.calibrated == 20260101


def test_a_store_once_begun_is_brought_to_its_end_or_left_in_doubt() -> None:
    port = bench_at()
    with held():
        said = store_calibration(port, identity(port), lines_for(port), lambda: terminate(port))
    assert said.calibrated == stored(port).calibrated == DATE
    port = bench_at()
    with pytest.raises(BoardFault, match=r"the cable is out; the board may have stored it or not: .* or store it again from the file$"):
        store_calibration(port, identity(port), lines_for(port), lambda: pull(port))


def test_a_board_that_says_otherwise_than_told_stores_nothing() -> None:
    port = bench_at()
    port.lose = lambda data: data.startswith(b"CAL:RANG")
    with pytest.raises(BoardFault, match=r"it was told CAL:RANG v_in,1,.* and says .*; the board is as it was$"):
        store_calibration(port, identity(port), lines_for(port))
    assert b"CAL:STOR\n" not in port.sent and stored(port).calibrated == 0


def test_the_calibration_of_another_board_is_refused() -> None:
    port = bench_at()
    other = "makebreak,rig-328,SIM00008,1.0-sim"
    with pytest.raises(OtherBoardError, match=r"is that of rig-328 SIM00008, and this board is rig-328 SIM00007; the board is as it was$"):
        store_calibration(port, other, lines_for(port))
    assert not any(line.startswith(b"CAL:") for line in port.sent)


# --- figures


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("12.803", "V", 12.803), ("13,5", "V", 13.5), ("-0,02 V", "V", -0.02), ("812.5 mV", "V", 0.8125), (".5A", "A", 0.5), ("7", "A", 7.0)],
)
def test_a_meter_s_figure(text: str, unit: str, value: float) -> None:
    assert figure(text, unit) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "twelve", "nan", "inf", "1e400", "1e2", "1_3", "1,234.5", "0x1f", "٣", "12 A", "12.8 V V", "1" * 400])
def test_what_is_no_figure_is_asked_again(text: str) -> None:
    assert figure(text, "V") is None
