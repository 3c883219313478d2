"""Prints the budgets of a program, an .elf; exits with 1 if one is overdrawn or can't be known."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence

from firmware.budget import BY_POINTER, BudgetError, budgets, report, section_sizes
from firmware.budget.clocks import ClocksError
from firmware.budget.listing import read_disassembly
from firmware.budget.stack import StackError


def main(arguments: Sequence[str]) -> int:
    """Print the budgets of the .elf named, and return the exit code."""
    (elf,) = arguments

    def run(*command: str) -> str:
        return subprocess.run((*command, elf), capture_output=True, text=True, check=True).stdout

    try:
        print(report(budgets(read_disassembly(run("avr-objdump", "-d")), section_sizes(run("avr-size", "-A")), BY_POINTER)))
    except (BudgetError, StackError, ClocksError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
