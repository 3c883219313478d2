"""Ports: addresses, the simulated board, both paces, real ports that vanish, servers for other processes."""

from __future__ import annotations

import contextlib
import os
import queue
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from bench_port import bench_port, run_on
from plain_world import PlainWorld
from pytest_mock import MockerFixture

from bench.cli import run
from bench.cli.exit_codes import GOOD
from bench.errors import AddressError, PortError, PortTaken
from bench.outcome import Outcome
from bench.ports.address import SimAddress, parse_sim_address
from bench.ports.opening import open_port, the_one_board
from bench.ports.serial_port import FoundPort, SerialPort, ask_identity, find_boards, open_serial
from bench.ports.server import serve_pty, serve_tcp
from bench.ports.setting import set_up
from bench.ports.simulated import AHEAD_S, SimulatedLine, open_line
from bench.simboard import catalogue
from bench.simboard.board import SimulatedBoard
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS, faulty_link
from bench.simboard.waveform import Waveform
from bench.simboard.world import World
from bench.tui.drawn_bench import possible_faults
from bench.wire import Decoder, EventFrame, EventKind, Reply, SampleFrame, encode_command

ADDRESS = "sim://LINK?seed=3"


def ask(port: Any, line: str) -> str:
    """Send a query and read its reply over any port; the last reply that comes."""
    decoder = Decoder()
    port.write(encode_command(line))
    end = port.now_s() + 2.0
    while port.now_s() < end:
        replies = [p.text for p in decoder.feed(port.read(0.2)) if isinstance(p, Reply)]
        if replies:
            return replies[-1]
    raise AssertionError(f"no reply to {line}")


# --- addresses ---


def test_an_address_in_full() -> None:
    address = "sim://bench-nc-2x21?seed=7&fault=welded,stall&system=24&supply=25.6&ambient=-10&pace=real&age=5000&ideal=1&bank=led"
    assert parse_sim_address(address) == (SimAddress("bench-nc-2x21", 7, ("welded", "stall"), 24.0, 25.6, -10.0, "real", 5000, True, "led"))
    assert parse_sim_address("sim://LINK") == SimAddress("LINK")
    assert parse_sim_address("sim://a%20b/") == SimAddress("a b")


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("sim://", "NAME being a unit"),
        (
            "sim://LINK?sed=1",
            "'sed' is no parameter of a simulated board; there are: seed, fault, system, supply, ambient, pace, age",
        ),
        ("sim://LINK?seed=1&seed=2", "seed is given twice"),
        ("sim://LINK?seed=x", "seed must be a whole number, got 'x'"),
        ("sim://LINK?age=-1", "age must be a whole number"),
        ("sim://LINK?supply=nan", "supply must be a number from 0 to 32"),
        ("sim://LINK?ambient=200", "ambient must be a number from -40 to 85"),
        ("sim://LINK?pace=fast", "pace must be one of virtual, real"),
        ("sim://LINK?ideal=yes", "ideal must be 0 or 1"),
        ("sim://LINK?system=9", "system must be 6, 12 or 24"),
        ("sim://LINK?fault=gremlins", "no fault is called 'gremlins'; there are: "),
        ("sim://LINK?fault=film,film", "fault must name faults, each once, got 'film,film'"),
        ("sim://LINK?fault=", "fault must name faults, each once, got ''"),
        (
            "sim://bench-el-plain?fault=capacitor-open",
            "a unit of this mechanism can't have the fault capacitor-open; these can: bench-tc-2x21, bench-tc-dry",
        ),
        ("sim://bench-nc-eroded?fault=contact-eroded", "this unit has the fault contact-eroded already"),
        ("sim://LINK?bank=led&fault=lamp-dies", "the fault lamp-dies needs a filament lamp in socket 2, and the bank led has none"),
        ("sim://LINK?bank=2x99", "lamp bank 2x99: no such name; there are 2x18, 2x23, 2x27, 4x21, led, led-resistor, standard, or"),
        ("sim://LINK?bank=", "lamp bank : no such name"),
        ("sim://LINK?bank=/no/such.toml", "lamp bank /no/such.toml: cannot be read: No such file"),
        ("sim://nobody", "'nobody'; there are: "),
        ("ftp://x", "ftp:// is not known; an address is one of: auto, a device name"),
        ("socket://nowhere", "host or port is missing"),
        ("socket://h:99999", "write socket://host:port"),
        ("/dev/no-such-port", "opening /dev/no-such-port"),
        ("socket://127.0.0.1:1", "opening socket://127.0.0.1:1: Connection refused; is the board's server running there?"),
        ("/dev/tty\0x", "an address has at most 1000 characters, all of them printable"),
    ],
)
def test_what_cannot_be_opened_says_why_in_one_line(address: str, message: str) -> None:
    with pytest.raises((AddressError, PortError)) as caught:
        open_port(address)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value) and "Errno" not in str(caught.value)


@pytest.mark.parametrize("bank", ["standard", "4x21"])
def test_every_fault_that_practice_offers_can_be_had(bank: str) -> None:
    for unit in catalogue.names():
        for one in possible_faults(unit):
            set_up(parse_sim_address(f"sim://{unit}?fault={one.name}&bank={bank}"))


def test_a_bank_of_ones_own_is_fitted_and_described(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    ten_watts = '[[socket]]\nkind = "filament"\nwatts = 10\n'
    path.write_text('format = 1\nname = "mine"\ntitle = "mine"\n' + ten_watts * 5 + '[[socket]]\nkind = "empty"\n', encoding="utf-8")
    port = open_port(f"sim://LINK?ideal=1&bank={path}")
    lines = [ask(port, f"SYST:BOAR:LINE? {n}") for n in range(1, int(ask(port, "SYST:BOAR?")) + 1)]
    assert [line for line in lines if line.startswith("load,")][:6] == [*(f"load,{n},LAMP,10" for n in range(1, 6)), "load,6,FREE,0"]
    with pytest.raises(AddressError, match="the fault lamp-wrong would change nothing with the bank mine"):
        open_port(f"sim://LINK?fault=lamp-wrong&bank={path}")


def test_a_board_that_is_served_lives_in_real_time() -> None:
    with pytest.raises(AddressError, match="a board that is served lives in real time; leave out pace=virtual"):
        open_line(parse_sim_address("sim://LINK?pace=virtual"), paced=True)


def test_every_fault_by_name_can_be_asked_for_and_names_are_unique() -> None:
    names = [*FAULTS, *RIG_FAULTS, *LINK_FAULTS]
    assert len(names) == len(set(names))
    for name in names:
        line = open_line(parse_sim_address(f"sim://LINK?fault={name}"))
        assert line.read(0.5)


# --- the simulated board ---


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


class Wall:
    """A clock on the wall that moves only when somebody sleeps, or works (`now_s` set by hand)."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept_s = 0.0

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.slept_s += seconds


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


# --- pyserial's exceptions, and finding boards ---


class BrokenDevice:
    """What pyserial shows of a port that vanished."""

    timeout = 0.1

    def __init__(self, error: Exception) -> None:
        self.error = error

    def _fail(self, *_: object) -> bytes:
        raise self.error

    write = read = close = _fail


@pytest.mark.parametrize("error", [serial.SerialException("gone"), OSError(5, "Input/output error"), serial.SerialTimeoutException("late")])
def test_foreign_exceptions_become_port_errors_and_are_kept(error: Exception) -> None:
    port = SerialPort("COM9", BrokenDevice(error))
    for action, doing in (
        (lambda: port.write(b"x"), "sending to"),
        (lambda: port.read(0.1), "reading from"),
        (port.close, "closing"),
    ):
        with pytest.raises(PortError, match=f"{doing} COM9") as caught:
            action()
        assert caught.value.__cause__ is error


def test_a_name_that_no_device_can_have_is_a_port_error() -> None:
    with pytest.raises(PortError, match="embedded null byte; serial ports here:"):
        open_serial("/dev/tty\0x")


def test_other_exceptions_are_errors_in_the_program() -> None:
    port = SerialPort("COM9", BrokenDevice(TypeError("NoneType")))
    for action in (lambda: port.write(b"x"), lambda: port.read(0.1), port.close):
        with pytest.raises(TypeError):
            action()


def test_a_real_port_that_vanishes_is_a_port_error_whatever_is_being_done() -> None:
    """A pseudo-terminal whose other end is gone, as the system shows it."""
    pty, tty = pytest.importorskip("pty"), pytest.importorskip("tty")
    doings: list[tuple[Callable[[SerialPort], object], str]] = [
        (lambda port: port.read(0.1), "reading from"),
        (lambda port: port.read(0.2), "reading from"),  # a new time-out is told to the system
        (lambda port: port.write(b"x"), "sending to"),
    ]
    for action, doing in doings:
        master, slave = pty.openpty()
        tty.setraw(slave)
        port = open_serial(os.ttyname(slave))
        os.close(slave)
        os.close(master)
        with pytest.raises(PortError, match=f"^{doing} /dev/.*; check the cable and that the board has power$"):
            action(port)
        port.close()


def fake_ports(mocker: MockerFixture, *ports: tuple[str, int | None]) -> None:
    listed = [SimpleNamespace(device=device, vid=vid, description=f"port {device}") for device, vid in ports]
    mocker.patch("bench.ports.serial_port.list_ports.comports", return_value=listed)


def test_only_likely_ports_are_asked_and_only_on_demand(mocker: MockerFixture) -> None:
    fake_ports(mocker, ("/dev/ttyUSB1", 0x1A86), ("/dev/ttyS0", None), ("/dev/ttyUSB0", 0x0403))
    asked: list[str] = []

    def answer(device: str) -> str | None:
        asked.append(device)
        return "makebreak,rig-328,1,1.0" if device == "/dev/ttyUSB1" else None

    assert [(p.device, p.likely, p.identity) for p in find_boards(ask=answer)] == [
        ("/dev/ttyS0", False, None),
        ("/dev/ttyUSB0", True, None),
        ("/dev/ttyUSB1", True, None),
    ]
    assert asked == []
    assert [p.identity for p in find_boards(probe=True, ask=answer)] == [None, None, "makebreak,rig-328,1,1.0"]
    assert asked == ["/dev/ttyUSB0", "/dev/ttyUSB1"]


@pytest.mark.parametrize(
    ("identities", "expected"),
    [((), "none answered"), (("a",), "0"), (("a", None, "b"), "2 answered (0, 2)")],
)
def test_auto_takes_the_only_board_or_says_what_there_is(mocker: MockerFixture, identities: tuple[str | None, ...], expected: str) -> None:
    found = tuple(FoundPort(str(k), "", True, identity) for k, identity in enumerate(identities))
    mocker.patch("bench.ports.serial_port.find_boards", return_value=found)
    if expected == "0":
        assert the_one_board() == "0"
    else:
        with pytest.raises(PortError) as caught:
            open_port("auto")
        assert expected in str(caught.value)


def test_a_port_that_another_program_uses_says_so(mocker: MockerFixture, capsys: pytest.CaptureFixture[str]) -> None:
    """And nothing is written to it: whoever came first is in the middle of a test."""
    master, slave = os.openpty()
    name = os.ttyname(slave)
    fake_ports(mocker, (name, 0x1A86))
    with contextlib.closing(open_serial(name)):
        for opener in (open_serial, open_port):
            with pytest.raises(PortTaken, match=f"^opening {name}: another program uses it; end that first"):
                opener(name)
        with pytest.raises(PortError, match=rf"none answered .* that is free \(other programs use {name}: end them\)"):
            open_port("auto")
        assert run(["boards"]) == GOOD
        assert re.search(rf"{name}.* in use by another program", " ".join(capsys.readouterr().out.split()))
        os.set_blocking(master, False)
        with pytest.raises(BlockingIOError):
            os.read(master, 100)
    os.close(slave)
    os.close(master)


def test_a_board_that_is_busy_or_half_way_through_a_line_still_says_who_it_is() -> None:
    port = open_port(ADDRESS)
    port.write(b"INIT\nOUTP O")
    assert ask_identity(port, 2.5) == "makebreak,rig-328,SIM00003,1.0-sim"


def test_a_port_with_something_else_on_it_is_no_board() -> None:
    clock = Wall()

    class Modem:
        timeout = 0.1
        in_waiting = 0

        def write(self, data: bytes) -> int:
            return len(data)

        def read(self, size: int) -> bytes:
            clock.sleep(0.1)
            return b"O"

    assert ask_identity(SerialPort("COM3", Modem(), lambda: clock.now_s), 2.5) is None


# --- servers ---


@pytest.fixture
def stop() -> Iterator[threading.Event]:
    event = threading.Event()
    yield event
    event.set()


def real_line() -> SimulatedLine:
    return open_line(parse_sim_address(ADDRESS), paced=True)


def started(target: Any, *args: Any, stop: threading.Event, **kwargs: Any) -> tuple[threading.Thread, str]:
    ready: queue.Queue[str] = queue.Queue()
    thread = threading.Thread(target=target, args=args, kwargs={**kwargs, "on_ready": ready.put, "stop": stop}, daemon=True)
    thread.start()
    return thread, ready.get(timeout=120)


def test_a_pseudo_terminal_serves_one_client_after_another(stop: threading.Event) -> None:
    if sys.platform == "win32":
        with pytest.raises(PortError, match="serve on a TCP port instead"):
            serve_pty(real_line(), stop=stop)
        return
    thread, device = started(serve_pty, real_line(), stop=stop)
    for _ in range(2):
        port = open_serial(device)
        assert ask(port, "*IDN?") == "makebreak,rig-328,SIM00003,1.0-sim"
        port.write(b"INIT\n")
        decoder = Decoder()
        frames: list[SampleFrame] = []
        while len(frames) < 20:
            frames += [p for p in decoder.feed(port.read(0.5)) if isinstance(p, SampleFrame)]
        assert decoder.damage.bad_crc == decoder.damage.bad_cobs == 0
        port.write(b"*RST\n")
        port.close()
    stop.set()
    thread.join(120)
    assert not thread.is_alive()
    assert not os.path.exists(device)


def test_a_tcp_port_serves_one_client_after_another(stop: threading.Event) -> None:
    thread, address = started(serve_tcp, real_line(), stop=stop)
    assert address.startswith("socket://127.0.0.1:")
    for _ in range(2):
        port = open_port(address)
        assert ask(port, "*IDN?") == "makebreak,rig-328,SIM00003,1.0-sim"
        assert port.read(0.01) == b""
        port.close()
    last = open_port(address)
    assert ask(last, "*OPC?") == "1"
    stop.set()
    thread.join(120)
    assert not thread.is_alive()
    with pytest.raises(PortError, match=r"the other end closed|connection"):
        for _ in range(100):
            last.read(0.05)
    last.close()


def test_who_comes_while_another_is_served_is_sent_away_and_nothing_of_it_is_done(stop: threading.Event) -> None:
    thread, address = started(serve_tcp, real_line(), stop=stop)
    with contextlib.closing(open_port(address)) as first:
        first.write(b"SENS:MODE PREC\n")
        assert ask(first, "SENS:MODE?") == "PREC"
        second = open_port(address)
        with pytest.raises(PortError, match="see that no other program uses the board"):
            for _ in range(100):
                second.write(b"*RST\n")
                second.read(0.05)
        second.close()
        assert ask(first, "SENS:MODE?") == "PREC"
        first.write(b"SENS:MODE FAST\n" * 1000)  # more than is read at once
    with contextlib.closing(open_port(address)) as third:
        assert ask(third, "SENS:MODE?") == "FAST"
    stop.set()
    thread.join(120)
    assert not thread.is_alive()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_server_ends_cleanly_on_a_signal(number: signal.Signals) -> None:
    program = (
        "from bench.ports.address import parse_sim_address; from bench.ports.simulated import open_line; "
        "from bench.ports.server import serve_tcp; "
        f"serve_tcp(open_line(parse_sim_address({ADDRESS!r}), paced=True)); print('ended')"
    )
    with subprocess.Popen([sys.executable, "-u", "-c", program], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert server.stdout.readline().startswith("socket://")
        server.send_signal(number)
        assert server.stdout.readline() == "ended\n"
        assert server.wait(120) == 0


def test_a_tcp_port_in_use_is_a_port_error() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(PortError, match="choose another port"):
        serve_tcp(real_line(), port=taken.getsockname()[1])
