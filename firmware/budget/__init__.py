"""Holds the board's program to its budgets: program memory, static RAM, the deepest stack that its calls allow, the longest interrupt.

    python -m firmware.budget firmware/build/makebreak.elf

The last two are found in the disassembly, path by path. On top of the deepest chain of calls from main comes the deepest interrupt routine;
none may be interrupted itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firmware.budget.clocks import interrupt_clocks
from firmware.budget.listing import Program
from firmware.budget.stack import RAM_BYTES, Stack

FLASH_BYTES = 24 * 1024  # of 32 kB
STATIC_BYTES = 1600
SPARE_BYTES = 64  # between data and the deepest stack
INTERRUPT_CLOCKS = 300  # a byte comes every 160 clocks, and the serial line's hardware keeps two and one that is just coming in
# Who calls through pointers, and whom: the table of commands.
BY_POINTER = {"command_obey": "obey_"}


class BudgetError(Exception):
    """Lines: every budget, then the first that is overdrawn."""


@dataclass(frozen=True)
class Budget:
    """What one thing may use and does; `of` says by what."""

    what: str
    unit: str
    used: int
    allowed: int
    of: str = ""

    def __str__(self) -> str:
        return f"{self.what:18s}{self.used:6d} of {self.allowed} {self.unit}{f': {self.of}' if self.of else ''}"


def section_sizes(table: str) -> dict[str, int]:
    """Bytes by section, from `avr-size -A`."""
    rows = (line.split() for line in table.splitlines())
    return {row[0]: int(row[1]) for row in rows if len(row) == 3 and row[0].startswith(".")}


def budgets(program: Program, sizes: Mapping[str, int], by_pointer: Mapping[str, str]) -> tuple[Budget, ...]:
    """All budgets of a program. StackError or ClocksError for what can't be known."""
    flash = sizes.get(".text", 0) + sizes.get(".data", 0) + 2  # and its check
    static = sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit"))
    stack = Stack(program, by_pointer)
    calls = stack.deepest(program.addresses("main")["main"])
    routines = program.addresses("__vector_")
    on_top = max((stack.deepest(entry) for entry in routines.values()), key=lambda depth: depth.size)
    clocks = {name: interrupt_clocks(program, entry) for name, entry in routines.items()}
    longest = max(clocks, key=lambda name: clocks[name])
    return (
        Budget("program memory", "bytes", flash, FLASH_BYTES),
        Budget("static RAM", "bytes", static, STATIC_BYTES),
        Budget("deepest stack", "bytes", calls.size + on_top.size, RAM_BYTES - SPARE_BYTES - static,
               f"{calls.size} by {' > '.join(calls.chain)} and {on_top.size} by {' > '.join(on_top.chain)}"),
        Budget("longest interrupt", "clocks", clocks[longest], INTERRUPT_CLOCKS,
               ", ".join(f"{name} {clocks[name]}" for name in sorted(clocks, key=lambda name: -clocks[name]))),
    )  # fmt: skip


def report(found: tuple[Budget, ...]) -> str:
    """The budgets in lines. BudgetError if one is overdrawn."""
    lines = "\n".join(map(str, found))
    for budget in found:
        if budget.used > budget.allowed:
            raise BudgetError(f"{lines}\nchecking budgets: {budget.what} needs {budget.used} {budget.unit}, {budget.allowed} are allowed")
    return lines
