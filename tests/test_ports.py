"""Ports: addresses, the simulated board, both paces, real ports that vanish, servers for other processes."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from port_asked import ADDRESS, Wall, ask
from pytest_mock import MockerFixture

from bench.cli import run
from bench.cli.exit_codes import GOOD
from bench.errors import AddressError, PortError, PortTaken
from bench.ports.address import SimAddress, parse_sim_address
from bench.ports.opening import open_port, the_one_board
from bench.ports.serial_port import FoundPort, SerialPort, ask_identity, find_boards, open_serial
from bench.ports.setting import set_up
from bench.ports.simulated import open_line
from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.simboard.hidden import RIG_FAULTS
from bench.simboard.link import LINK_FAULTS
from bench.tui.drawn_bench import possible_faults

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
