"""`makebreak check`."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from bench import defaults
from bench.cli.kinds import Address
from bench.cli.output import print_table, say

if TYPE_CHECKING:
    from bench.upkeep import CheckFinding


@click.command("check")
@click.argument("address", type=Address(), default="sim://LINK")
@click.option("--link", is_flag=True, help="Also fit the shorting link and look at zeros, the drop's common mode and the converter.")
@click.option("--lamps", is_flag=True, help="Also light each lamp alone through the shorting link and look at its current.")
@click.option(
    "--system",
    type=click.Choice(["6", "12", "24"]),
    help="Volts of the lamps and the supply. Default: 12; for a simulated bench that of its address or unit.",
)
@click.option("--yes", is_flag=True, help="Ask nothing: cautions read, manual actions taken as done.")
def command(address: str, link: bool, lamps: bool, system: str | None, yes: bool) -> int:
    """Have the board at ADDRESS check itself: identity, self-test, built-in standards, zeros, supply, lamps. No unit is needed.

    With --link you see what zeroing would learn, and whether it is within what the board states; with --lamps whether each lamp of the
    bank draws the current expected for its wattage.

    \b
    makebreak check auto
    makebreak check auto --link --lamps
    """
    from bench.cli.exit_codes import BENCH_FAULT, GOOD
    from bench.cli.person import Person, open_confirmed
    from bench.ports.setting import known_bench
    from bench.stopping import ENDING, held
    from bench.upkeep import self_check
    from bench.upkeep.selfcheck import CheckState

    system_v = float(system or known_bench(address).system_v or defaults.SYSTEM_V)
    findings: list[CheckFinding] = []
    with contextlib.ExitStack() as stack:
        port = open_confirmed(address, yes)
        stack.callback(port.close)
        # Before the table is printed everything is open, however it ended; what was found up to then is shown in any case.
        stack.callback(_show, findings)
        stack.enter_context(held(ENDING))
        self_check(port, link=link, lamps=lamps, system_v=system_v, operator=Person(assume_yes=yes), found=findings.append)
    return BENCH_FAULT if any(f.state is CheckState.BAD for f in findings) else GOOD


def _show(findings: Sequence[CheckFinding]) -> None:
    """Print what was found so far."""
    from bench.render.findings import finding_text
    from bench.render.names import CHANNELS, legend

    if findings:
        print_table(("checked", "found", "what was seen"), [(f.what, f.state.value.upper(), finding_text(f)) for f in findings])
        say("Readings with what the board states of them (± 95 %); noise: standard deviation of the samples.")
        named = [finding.what.replace("'", " ").partition(" ")[0] for finding in findings]
        say(f"Channels. {legend(CHANNELS, named)}.")
