"""The port of a simulated board: virtual time, real pace, a pulled cable, errors in the physics."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bench_port import bench_port, run_on
from plain_world import PlainWorld
from port_asked import ADDRESS, Wall, ask
from pytest_mock import MockerFixture

from bench.errors import PortError
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.ports.simulated import AHEAD_S, SimulatedLine
from bench.simboard.board import SimulatedBoard
from bench.simboard.link import faulty_link
from bench.simboard.waveform import Waveform
from bench.simboard.world import World
from bench.wire import Decoder, EventFrame, EventKind, SampleFrame


def test_a_simulated_board_has_a_port_of_its_own() -> None:
    port = open_port(ADDRESS)
    assert ask(port, "*IDN?") == "makebreak,rig-328,SIM00003,1.0-sim"
    port.close()
    port.close()
    for action in (lambda: port.write(b"*OPC?\n"), lambda: port.read(0.1)):
        with pytest.raises(PortError, match="sim://LINK\\?seed=3: the port is closed"):
            action()


def test_a_pulled_cable_names_the_board_and_what_was_being_done() -> None:
    port = open_port("sim://LINK?fault=unplug")
    with pytest.raises(PortError, match=r"^reading from sim://LINK\?fault=unplug: the simulated board's cable was pulled; plug it in"):
        while True:
            port.read(1.0)
    with pytest.raises(PortError, match=r"^sending to sim://LINK\?fault=unplug: the simulated board's cable was pulled"):
        port.write(b"\n")


@pytest.mark.parametrize("error", [ValueError("math domain error"), TypeError("NoneType"), OSError(5, "no such file"), ZeroDivisionError()])
def test_an_error_in_the_physics_comes_out_as_what_it_is(mocker: MockerFixture, error: Exception) -> None:
    """No cable is blamed for it."""
    port = open_port(ADDRESS)
    mocker.patch.object(World, "advance", side_effect=error)
    with pytest.raises(type(error)) as caught:
        port.read(0.5)
    assert caught.value is error


def test_a_test_on_broken_physics_says_that_the_program_is_wrong(mocker: MockerFixture) -> None:
    port, sound, errors = bench_port("EL"), World.advance, [ValueError("math domain error")]

    def advance(world: World, until_s: float) -> Waveform:
        if errors and world.t_s > 3.0:
            raise errors.pop()
        return sound(world, until_s)

    mocker.patch.object(World, "advance", advance)
    record = run_on(port)
    assert record.interrupted == "an error in the program: ValueError: math domain error"
    assert record.outcome is Outcome.BENCH_FAULT


def test_virtual_time_passes_only_in_reads_and_never_too_far() -> None:
    port = open_port(ADDRESS)
    begin = port.now_s()
    assert ask(port, "*OPC?") == "1"
    assert port.now_s() - begin < 0.1
    begin = port.now_s()
    while port.read(0.01):
        pass
    before = port.now_s()
    assert port.read(0.25) == b""
    assert port.now_s() - before == pytest.approx(0.25)
    port.close()
    port.close()


def test_bytes_are_read_as_soon_as_they_are_there() -> None:
    port = open_port(ADDRESS)
    port.write(b"INIT\n")
    moments: list[float] = []
    decoder = Decoder()
    while len(moments) < 300:
        data = port.read(0.5)
        moments += [port.now_s()] * sum(isinstance(p, SampleFrame) for p in decoder.feed(data))
    steps = [b - a for a, b in pairwise(moments[10:])]
    # A frame every 4.16 ms, each up to 2 ms late.
    assert max(steps) < 0.0075
    assert (moments[-1] - moments[10]) / (len(moments) - 11) == pytest.approx(0.00416, rel=0.01)


def test_a_command_takes_effect_no_later_than_the_board_is_ahead() -> None:
    line = SimulatedLine(SimulatedBoard(PlainWorld(), ideal=True))
    for _ in range(50):
        line.read(0.005)
        line.write(b"*OPC?\n")
        assert 0.0 <= line.board.now_s - line.now_s <= AHEAD_S + 1e-9


def test_real_pace_sleeps_when_ahead_and_skips_nothing_when_behind() -> None:
    wall = Wall()
    line = SimulatedLine(SimulatedBoard(PlainWorld()), clock=lambda: wall.now_s, sleep=wall.sleep)
    line.write(b"INIT\n")
    decoder = Decoder()
    frames: list[SampleFrame] = []

    def read(seconds: float) -> None:
        frames.extend(p for p in decoder.feed(line.read(seconds)) if isinstance(p, SampleFrame))

    while line.now_s < 1.0:
        read(0.05)
    assert wall.slept_s == pytest.approx(1.0, abs=0.06)
    assert wall.now_s - 100.0 == pytest.approx(line.now_s)
    # The host is busy for two seconds: the board went on meanwhile, and nothing of it is missing.
    wall.now_s += 2.0
    slept = wall.slept_s
    read(0.0)
    assert wall.slept_s == slept
    assert line.now_s == pytest.approx(wall.now_s - 100.0)
    assert [f.stamp for f in frames] == [160 * k for k in range(len(frames))]
    assert len(frames) == pytest.approx(3.0 / 0.00416, abs=20)


def test_a_silent_host_in_real_pace_loses_its_loads() -> None:
    wall = Wall()
    line = SimulatedLine(SimulatedBoard(PlainWorld()), clock=lambda: wall.now_s, sleep=wall.sleep)
    line.write(b"ROUT:CLOS (@1)\nOUTP ON\n")
    wall.now_s += 1.5
    pieces = Decoder().feed(line.poll())
    assert any(isinstance(p, EventFrame) and p.kind == EventKind.TRIP for p in pieces)


def test_an_unplugged_cable_is_a_port_error() -> None:
    port = open_port("sim://LINK?fault=unplug&seed=2")
    gone = faulty_link(["unplug"], 2).unplugged_at_s
    with pytest.raises(PortError, match=r"reading from sim://LINK.*cable was pulled"):
        while True:
            port.read(0.5)
    assert port.now_s() == pytest.approx(gone, abs=0.5)
    with pytest.raises(PortError, match="sending to"):
        port.write(b"\n")
    port.close()
