"""Boards served to other programs: pseudo-terminals and TCP ports."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from port_asked import ADDRESS, ask

from bench.errors import PortError
from bench.ports.address import parse_sim_address
from bench.ports.opening import open_port
from bench.ports.serial_port import open_serial
from bench.ports.server import serve_pty, serve_tcp
from bench.ports.simulated import SimulatedLine, open_line
from bench.wire import Decoder, SampleFrame


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
