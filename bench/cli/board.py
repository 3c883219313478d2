"""`makebreak board`."""

from __future__ import annotations

import click

from bench import defaults
from bench.cli.kinds import Address
from bench.cli.options import refuse_unused


@click.command("board")
@click.argument("address", type=Address(), default=defaults.ADDRESS, metavar="[sim://NAME]")
@click.option(
    "--tcp",
    type=click.IntRange(0, 65535),
    metavar="PORT",
    help="Serve on this TCP port of this machine (0: any) instead of a pty.",
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to serve TCP on. Any other than this machine's lets others in.",
)
def command(address: str, tcp: int | None, host: str) -> None:
    """Serve a simulated board in real time to other programs, until interrupted. Prints the address to open.

    \b
    makebreak board sim://bench-nc-2x21            (prints a device name)
    makebreak board sim://bench-nc-2x21 --tcp 0    (prints socket://127.0.0.1:PORT; the way on Windows)
    """
    from bench.ports.address import parse_sim_address
    from bench.ports.server import serve_pty, serve_tcp
    from bench.ports.simulated import open_line

    def ready(name: str) -> None:
        print(name, flush=True)

    if tcp is None:
        refuse_unused(("host",), "it is where TCP is served, and no --tcp is given")
    line = open_line(parse_sim_address(address), paced=True)
    if tcp is None:
        serve_pty(line, on_ready=ready)
    else:
        serve_tcp(line, host=host, port=tcp, on_ready=ready)
