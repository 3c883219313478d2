"""Instructions of a program, read from its disassembly, and where each may go on."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

_HEAD = re.compile(r"^(?P<address>[0-9a-f]+) <(?P<name>[^>]+)>:$")
_LINE = re.compile(r"^\s*(?P<address>[0-9a-f]+):\t(?P<bytes>(?:[0-9a-f]{2} )+)\s*\t(?P<name>\w+)(?:\t(?P<operands>[^;]*))?")

SKIPS = frozenset({"cpse", "sbrc", "sbrs", "sbic", "sbis"})
CALLS = frozenset({"call", "rcall"})
JUMPS = frozenset({"jmp", "rjmp"})
POINTERS = frozenset({"icall", "ijmp"})
RETURNS = frozenset({"ret", "reti"})


@dataclass(frozen=True)
class Instruction:
    """One instruction: its address and length in bytes, its name, its operands as the disassembler prints them."""

    address: int
    length: int
    name: str
    operands: tuple[str, ...]

    @property
    def next(self) -> int:
        """The address behind this instruction."""
        return self.address + self.length

    @property
    def is_branch(self) -> bool:
        """Whether this goes to its target or on."""
        return self.name.startswith("br") and self.name != "break"

    @property
    def target(self) -> int:
        """The address to which a call, jump or branch leads."""
        text = self.operands[-1]
        return self.next + int(text[1:]) if text.startswith(".") else int(text, 16)

    @property
    def reserves(self) -> bool:
        """Whether this is a call of the very next instruction: the compiler's way to reserve two bytes of stack."""
        return self.name == "rcall" and self.target == self.next


@dataclass(frozen=True)
class Disassembly:
    """Instructions by address, and names by address."""

    instructions: Mapping[int, Instruction]
    names: Mapping[int, str]

    @cached_property
    def _starts(self) -> list[int]:
        return sorted(self.names)

    def name_at(self, address: int) -> str:
        """Return the function that an address belongs to, without what the linker's optimizer appends to a name."""
        return self.names[self._starts[bisect_right(self._starts, address) - 1]].split(".")[0]

    def addresses(self, prefix: str) -> dict[str, int]:
        """Return the addresses of the functions whose names begin so, by name. Tables of such a name are none."""
        return {self.name_at(at): at for at in self._starts if self.names[at].startswith(prefix) and at in self.instructions}

    def reach(self, entry: int) -> set[int]:
        """Return the addresses of the instructions of the function that begins at `entry`."""
        found = {entry}
        waiting = [entry]
        while waiting:
            new = set(self.successors(self.instructions[waiting.pop()])) - found
            found |= new
            waiting.extend(new)
        return found

    def successors(self, at: Instruction) -> tuple[int, ...]:
        """Return where this function goes on after an instruction: not into what it calls, and nowhere after a return."""
        if at.name in RETURNS:
            return ()
        if at.name in JUMPS:
            return (at.target,)
        if at.is_branch:
            return (at.next, at.target)
        if at.name in SKIPS:
            return (at.next, self.instructions[at.next].next)
        return (at.next,)


def read_disassembly(listing: str) -> Disassembly:
    """Read a listing of `avr-objdump -d`."""
    instructions: dict[int, Instruction] = {}
    names: dict[int, str] = {}
    for line in listing.splitlines():
        if head := _HEAD.match(line):
            names[int(head["address"], 16)] = head["name"]
        elif match := _LINE.match(line):
            address = int(match["address"], 16)
            operands = tuple(part.strip() for part in (match["operands"] or "").split(",") if part.strip())
            instructions[address] = Instruction(address, len(match["bytes"].split()), match["name"], operands)
    return Disassembly(instructions, names)
