"""A simulated board for other processes: behind a pseudo-terminal, or behind a TCP port, in real time.

Both serve until `stop` says so or a signal (SIGTERM, SIGINT) comes, and then end cleanly. What no client takes is thrown away, as
a serial line would.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import threading
from collections.abc import Callable, Iterator

from bench.errors import PortError
from bench.ports.address import check_host
from bench.ports.simulated import SimulatedLine

_TICK_S = 0.002  # of real time between two looks at client and board
_LARGEST_READ = 4096


@contextlib.contextmanager
def _until_signalled(stop: threading.Event | None) -> Iterator[threading.Event]:
    """Return an event that SIGTERM and SIGINT set; outside the main thread, where no signal comes, only the caller's."""
    ended = stop or threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield ended
        return
    before = {number: signal.signal(number, lambda *_: ended.set()) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield ended
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def serve_pty(line: SimulatedLine, on_ready: Callable[[str], None] = print, stop: threading.Event | None = None) -> None:
    """Serve a simulated board, in real pace, on a new pseudo-terminal, whose name `on_ready` is given.

    PortError where the system has none (Windows: serve TCP instead).
    """
    try:
        import pty
        import tty
    except ImportError as error:
        raise PortError("serving on a pseudo-terminal: this system has none; serve on a TCP port instead") from error
    master, slave = pty.openpty()
    try:
        # The slave stays open here, or a client's closing would look like the end of the world on the master's side.
        tty.setraw(slave)
        os.set_blocking(master, False)
        with _until_signalled(stop) as ended:
            on_ready(os.ttyname(slave))
            while not ended.is_set():
                if select.select([master], [], [], _TICK_S)[0]:
                    line.write(os.read(master, _LARGEST_READ))
                _offer(line.poll(), lambda data: os.write(master, data))
    finally:
        os.close(slave)
        os.close(master)


def _offer(data: bytes, write: Callable[[bytes], int]) -> None:
    """Give what is taken at once, and throw the rest away."""
    with contextlib.suppress(BlockingIOError):
        while data:
            data = data[write(data) :]


def serve_tcp(
    line: SimulatedLine,
    host: str = "127.0.0.1",
    port: int = 0,
    on_ready: Callable[[str], None] = print,
    stop: threading.Event | None = None,
) -> None:
    """Serve a simulated board, in real pace, on a TCP port, one client at a time: who comes meanwhile is sent away.

    `on_ready` is given its `socket://` address. Port 0 takes any that is free. Only this machine can connect unless another host
    address is given.
    """
    check_host(host, f"serving on {host} port {port}")
    try:
        listener = socket.create_server((host, port))
    except OSError as error:
        raise PortError(f"serving on {host} port {port}: {error}; choose another port") from error
    with listener, _until_signalled(stop) as ended:
        on_ready(f"socket://{host}:{listener.getsockname()[1]}")
        client: socket.socket | None = None
        try:
            while not ended.is_set():
                waited_for = [listener] if client is None else [client, listener]
                ready, _, _ = select.select(waited_for, [], [], _TICK_S)
                if client in ready:
                    client = _take(client, line)
                elif listener in ready:  # only now: the client that was served has nothing more to say, not even that it is gone
                    client = _welcome(listener, client)
                data = line.poll()
                if client is not None:
                    client = _give(client, data)
        finally:
            if client is not None:
                client.close()


def _welcome(listener: socket.socket, client: socket.socket | None) -> socket.socket | None:
    """Return the client to serve from now on, if one has come: `client`, as long as there is one."""
    with contextlib.suppress(OSError):  # who has gone again by now
        caller, _ = listener.accept()
        if client is not None:
            caller.close()
            return client
        caller.setblocking(False)
        caller.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return caller
    return client


def _take(client: socket.socket, line: SimulatedLine) -> socket.socket | None:
    """Return commands from the client to the board; None if the client has gone."""
    try:
        data = client.recv(_LARGEST_READ)
    except OSError:
        data = b""
    if data:
        line.write(data)
        return client
    client.close()
    return None


def _give(client: socket.socket, data: bytes) -> socket.socket | None:
    try:
        _offer(data, client.send)
    except OSError:
        client.close()
        return None
    return client
