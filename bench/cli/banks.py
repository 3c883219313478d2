"""`makebreak banks`."""

from __future__ import annotations

import click

from bench.cli.completion import names_of
from bench.cli.options import refuse_unused
from bench.cli.output import console, print_table


@click.command("banks")
@click.argument("name", required=False, shell_complete=names_of("banks"))
@click.option("--system", type=click.Choice(["6", "12", "24"]), default="12", show_default=True, help="Volts of the system.")
def command(name: str | None, system: str) -> None:
    """List the lamp banks, or show what is in the sockets of the one called NAME (or of the file at that path), and what each takes.

    A bank says what is fitted in the sockets of a bench. A real board tells what it was built for: with other lamps in, name their bank.

    \b
    makebreak banks
    makebreak banks 2x27
    makebreak test auto --rated 2x27 --bank 2x27
    makebreak test "sim://bench-el-plain?bank=led" --lamps 1,2
    """
    from bench import files
    from bench.bank import nominal_test_v
    from bench.plain import one_line

    if name is None:
        refuse_unused(("system",), "it is the system of the bank to show, and none is named")
        print_table(("name", "what it is"), [(bank.name, bank.title) for bank in files.banks()])
        return
    system_v = float(system)
    volts = nominal_test_v(system_v)
    bank = files.bank(name).for_system(system_v)
    console().print(one_line(bank.title), style="bold")
    rows = [(str(n), socket.text, f"{socket.current_a(system_v, volts):.3f} A") for n, socket in enumerate(bank.sockets, start=1)]
    print_table(("socket", "what is in it", f"takes at {volts:g} V"), rows)
