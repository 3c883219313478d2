"""Holds the board's program to its budgets: program memory, static RAM, the deepest stack that its calls allow, the longest interrupt.

    python -m firmware.budget firmware/build/makebreak.elf

The last two are found in the disassembly, path by path. On top of the deepest chain of calls from main comes the deepest interrupt routine,
and on top of one that lets others in, the deepest of the others. An interrupt's clocks are those for which it keeps the others waiting,
along the longest way through it, even if no sample takes all its turns at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firmware.budget.clocks import interrupt_clocks
from firmware.budget.listing import Disassembly
from firmware.budget.stack import RAM_BYTES, Depth, Stack, StackError

FLASH_BYTES = 28 * 1024  # of 32 kB, half a kilobyte of which may be a boot loader's
STATIC_BYTES = 1650
SPARE_BYTES = 64  # between data and the deepest stack
INTERRUPT_CLOCKS = 430  # of ways that no sample takes all at once; seen are some 340
# Who calls through pointers, and whom: the table of commands.
BY_POINTER = {"parser_execute_line": "commands_"}


class BudgetError(Exception):
    """Lines: every budget, then the first that is overdrawn."""


@dataclass(frozen=True)
class Budget:
    """What is used of one resource, and what is allowed; `of` says what uses it."""

    what: str
    unit: str
    used: int
    allowed: int
    of: str = ""

    def __str__(self) -> str:
        return f"{self.what:18s}{self.used:6d} of {self.allowed} {self.unit}{f': {self.of}' if self.of else ''}"


def section_sizes(table: str) -> dict[str, int]:
    """Return bytes by section, from the table of `avr-size -A`."""
    rows = (line.split() for line in table.splitlines())
    return {row[0]: int(row[1]) for row in rows if len(row) == 3 and row[0].startswith(".")}


def deepest_interrupts(program: Disassembly, stack: Stack, routines: Mapping[str, int]) -> Depth:
    """Return the stack of the interrupt routine, or of one with another on top, that needs most. StackError if several let others in."""
    depths = {name: stack.deepest(entry) for name, entry in routines.items()}
    letting = [name for name, entry in routines.items() if any(program.instructions[at].name == "sei" for at in program.reach(entry))]
    if len(letting) > 1:
        raise StackError(f"adding up the stack: the interrupt routines {' and '.join(sorted(letting))} may interrupt each other for ever")
    most = max(depths.values(), key=lambda depth: depth.size)
    for name in letting:
        other = max((depths[other] for other in depths if other != name), key=lambda depth: depth.size, default=Depth(0, ()))
        both = Depth(depths[name].size + other.size, (*depths[name].chain, *other.chain))
        most = max(most, both, key=lambda depth: depth.size)
    return most


def budgets(program: Disassembly, sizes: Mapping[str, int], by_pointer: Mapping[str, str]) -> tuple[Budget, ...]:
    """All budgets of a program. StackError or ClocksError for what can't be known."""
    flash = sizes.get(".text", 0) + sizes.get(".data", 0) + 2  # and its check
    static = sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit"))
    stack = Stack(program, by_pointer)
    calls = stack.deepest(program.addresses("main")["main"])
    routines = program.addresses("__vector_")
    on_top = deepest_interrupts(program, stack, routines)
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
