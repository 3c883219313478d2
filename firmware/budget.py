"""Holds the board's program to its budgets: program memory, static RAM, and the deepest stack that its calls allow.

    python budget.py build/makebreak.elf

The stack is added up from the disassembly: what each function pushes and reserves, along the deepest chain of calls from main, and on top
of it the deepest interrupt routine, which at most one other may interrupt. A call through a pointer may reach any function of the command table; a
loop of calls, or a frame of unknown size, is an error.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

FLASH_BYTES = 28 * 1024  # of 32 kB, half a kilobyte of which may be a boot loader's
RAM_BYTES = 2048
STATIC_BYTES = 1600
SPARE_BYTES = 64  # between data and the deepest stack
RETURN_BYTES = 2
BY_POINTER = "obey_"


class BudgetError(Exception):
    """One line: which budget, what it allows, what came."""


@dataclass
class Function:
    """One function of the program: bytes of stack that it takes for itself, its return address included, and whom it calls."""

    name: str
    own: int = RETURN_BYTES
    calls: set[str] = field(default_factory=set)
    by_pointer: bool = False
    allows_interrupts: bool = False


_HEAD = re.compile(r"^[0-9a-f]+ <(?P<name>[^>]+)>:$")
_LINE = re.compile(r"^\s+[0-9a-f]+:\t(?:[0-9a-f]{2} )+\s*\t(?P<what>\w+)(?:\t(?P<operands>[^;]*))?(?:\s*;(?P<note>.*))?$")
_TARGET = re.compile(r"<(?P<name>[^>+]+)(?P<offset>\+0x[0-9a-f]+)?>")


def functions(listing: str) -> dict[str, Function]:
    """Every function of a disassembly (`avr-objdump -d`)."""
    found: dict[str, Function] = {}
    current: Function | None = None
    low, framing = 0, 0  # a frame is reserved by the one or two instructions behind the reading of the stack pointer
    for line in listing.splitlines():
        head = _HEAD.match(line)
        if head:
            current = found.setdefault(head["name"], Function(head["name"]))
            continue
        match = _LINE.match(line)
        if match is None or current is None:
            continue
        what, operands, note = match["what"], (match["operands"] or "").strip(), match["note"] or ""
        target = _TARGET.search(note)
        if what == "push":
            current.own += 1
        elif what == "rcall" and operands == ".+0":
            current.own += RETURN_BYTES  # reserves two bytes
        elif what == "in" and operands == "r29, 0x3e":
            framing = 3
        elif framing and what == "sbiw" and operands.startswith("r28,"):
            current.own += int(operands.split(",")[1], 16)
        elif framing and what == "subi" and operands.startswith("r28,"):
            low = int(operands.split(",")[1], 16)
        elif framing and what == "sbci" and operands.startswith("r29,"):
            current.own += _frame(low, int(operands.split(",")[1], 16))
        elif what in ("icall", "ijmp", "eicall"):
            current.by_pointer = True
        elif what == "sei":
            current.allows_interrupts = True
        elif what in ("call", "rcall", "jmp", "rjmp") and target and target["name"] != current.name and not target["offset"]:
            current.calls.add(target["name"])
        framing = max(0, framing - 1)
    return found


def _frame(low: int, high: int) -> int:
    """Bytes that `subi r28, low; sbci r29, high` takes off the pointer."""
    return high << 8 | low


def deepest(program: Mapping[str, Function], root: str) -> tuple[int, tuple[str, ...]]:
    """Bytes of the deepest chain of calls from `root`, and the chain. BudgetError if calls go in a circle."""
    known: dict[str, tuple[int, tuple[str, ...]]] = {}

    def below(name: str, chain: tuple[str, ...]) -> tuple[int, tuple[str, ...]]:
        if name in chain:
            raise BudgetError(f"adding up the stack: calls go in a circle: {' > '.join((*chain, name))}")
        if name not in known:
            function = program[name]
            named = [other for other in program if other.startswith(BY_POINTER)] if function.by_pointer else []
            if function.by_pointer and not named:
                raise BudgetError(f"adding up the stack: {name} calls through a pointer, and no function is called {BY_POINTER}...")
            under = [below(other, (*chain, name)) for other in {*function.calls, *named} if other in program]
            depth, path = max(under, default=(0, ()))
            known[name] = function.own + depth, (name, *path)
        return known[name]

    return below(root, ())


def deepest_interrupt(program: Mapping[str, Function]) -> tuple[int, tuple[str, ...]]:
    """The same for interrupt routines. One may let the others interrupt it; BudgetError if several do."""
    routines = {name: deepest(program, name) for name in program if name.startswith("__vector_")}
    open_ones = [name for name in routines if program[name].allows_interrupts]
    if len(open_ones) > 1:
        raise BudgetError(f"adding up the stack: the interrupt routines {', '.join(open_ones)} may interrupt each other for ever")
    found = max(routines.values(), default=(0, ()))
    for name in open_ones:
        depth, path = routines.pop(name)
        on_top, other = max(routines.values(), default=(0, ()))
        found = max(found, (depth + on_top, (*path, *other)))
    return found


def section_sizes(table: str) -> dict[str, int]:
    """Bytes by section, from `avr-size -A`."""
    rows = (line.split() for line in table.splitlines())
    return {row[0]: int(row[1]) for row in rows if len(row) == 3 and row[0].startswith(".")}


def report(listing: str, table: str) -> str:
    """What the program needs, in lines. BudgetError for the first budget that is overdrawn."""
    program, sizes = functions(listing), section_sizes(table)
    flash = sizes.get(".text", 0) + sizes.get(".data", 0) + 2
    static = sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit"))
    depth, path = deepest(program, "main")
    on_top, routine = deepest_interrupt(program)
    stack = depth + on_top
    room = RAM_BYTES - SPARE_BYTES - static
    lines = (
        f"program memory  {flash:5d} of {FLASH_BYTES} bytes",
        f"static RAM      {static:5d} of {STATIC_BYTES} bytes",
        f"deepest stack   {stack:5d} of {room} bytes: {depth} by {' > '.join(path)}",
        f"                      and {on_top} by {' > '.join(routine)}",
    )
    for what, came, allowed in (("program memory", flash, FLASH_BYTES), ("static RAM", static, STATIC_BYTES), ("stack", stack, room)):
        if came > allowed:
            raise BudgetError("\n".join((*lines, f"checking budgets: {what} needs {came} bytes, {allowed} are allowed")))
    return "\n".join(lines)


def main(arguments: Iterable[str]) -> int:
    (program,) = arguments

    def said(*command: str) -> str:
        return subprocess.run((*command, program), capture_output=True, text=True, check=True).stdout

    try:
        print(report(said("avr-objdump", "-d"), said("avr-size", "-A")))
    except BudgetError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
