"""The deepest stack that a program's calls allow, followed instruction by instruction: pushes, calls, and what a function reserves by
setting the stack pointer from its frame pointer Y (r29:r28). What can't be followed is an error, never a guess.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from firmware.budget.listing import CALLS, POINTERS, Disassembly, Instruction

RETURN_BYTES = 2
RAM_BYTES = 2048
STACK_LOW = "0x3d"  # the stack pointer's halves among the ports
STACK_HIGH = "0x3e"
Y_LOW, Y_HIGH = "r28", "r29"
# Their first operand is read and not written.
READ_ONLY = frozenset({"push", "cp", "cpc", "cpi", "cpse", "sbrc", "sbrs", "bst", "out", "sts", "st", "std", "mul", "muls", "mulsu"})


class StackError(Exception):
    """One line: what of the program can't be followed."""


@dataclass(frozen=True)
class Depth:
    """Bytes of stack, and the chain of calls that needs them."""

    size: int
    chain: tuple[str, ...]


@dataclass(frozen=True)
class _Place:
    """A place on a path through a function: bytes on the stack, those that Y points behind (None: it is no frame pointer), and the low half
    of what is just being taken off Y."""

    address: int
    depth: int
    frame: int | None = None
    taken: int | None = None


@dataclass
class Stack:
    """Adds up a program's stack. `by_pointer`: who calls whom through a pointer, by prefixes of names."""

    program: Disassembly
    by_pointer: Mapping[str, str]
    _known: dict[int, Depth] = field(default_factory=dict)

    def deepest(self, entry: int, callers: tuple[int, ...] = ()) -> Depth:
        """Return the most bytes that a call of the function at `entry` needs, return address included. StackError if calls circle."""
        if entry in callers:
            circle = " > ".join(self.program.name_at(at) for at in (*callers[callers.index(entry) :], entry))
            raise StackError(f"adding up the stack: calls go in a circle: {circle}")
        if entry not in self._known:
            self._known[entry] = self._follow(entry, (*callers, entry))
        return self._known[entry]

    def _follow(self, entry: int, callers: tuple[int, ...]) -> Depth:
        name = self.program.name_at(entry)
        most = Depth(RETURN_BYTES, (name,))
        waiting = [_Place(entry, RETURN_BYTES)]
        seen = set(waiting)
        while waiting:
            place = waiting.pop()
            at = self.program.instructions[place.address]
            after = self._step(place, at)
            if after.depth > RAM_BYTES:
                raise StackError(f"adding up the stack: {name} takes more the longer it runs")
            most = max(most, Depth(after.depth, (name,)), key=lambda depth: depth.size)
            for called in self._called(at):
                below = self.deepest(called, callers)
                most = max(most, Depth(place.depth + below.size, (name, *below.chain)), key=lambda depth: depth.size)
            for address in () if at.name == "ijmp" else self.program.successors(at):
                there = replace(after, address=address)
                if there not in seen:
                    seen.add(there)
                    waiting.append(there)
        return most

    def _called(self, at: Instruction) -> tuple[int, ...]:
        if at.name in CALLS:
            return () if at.reserves else (at.target,)
        if at.name not in POINTERS:
            return ()
        caller = self.program.name_at(at.address)
        callees = [address for prefix, whom in self.by_pointer.items() if caller.startswith(prefix)
                   for address in self.program.addresses(whom).values()]  # fmt: skip
        if not callees:
            raise StackError(f"adding up the stack: {caller} calls through a pointer, and BY_POINTER does not say whom")
        return tuple(callees)

    def _step(self, place: _Place, at: Instruction) -> _Place:
        """Return the place after the instruction: what it does to the stack and to Y."""
        name, operands = at.name, at.operands
        if name == "push":
            return replace(place, depth=place.depth + 1)
        if name == "pop":
            frame = None if operands[0] in (Y_LOW, Y_HIGH) else place.frame
            return replace(place, depth=place.depth - 1, frame=frame)
        if at.name == "rcall" and at.reserves:
            return replace(place, depth=place.depth + RETURN_BYTES)
        if name == "in" and operands[1] in (STACK_LOW, STACK_HIGH):
            if operands[0] == Y_LOW:
                return replace(place, frame=place.depth)
            return replace(place, frame=None) if operands[0] == Y_HIGH and place.frame != place.depth else place
        if name == "out" and operands[0] in (STACK_LOW, STACK_HIGH):
            if place.frame is None or operands[1] not in (Y_LOW, Y_HIGH):
                raise StackError(f"adding up the stack: {self.program.name_at(at.address)} sets the stack pointer to something unknown")
            return replace(place, depth=place.frame) if operands[0] == STACK_LOW else place
        return self._frame(place, at)

    @staticmethod
    def _frame(place: _Place, at: Instruction) -> _Place:
        name, operands = at.name, at.operands
        if "Y+" in operands or "-Y" in operands:
            return replace(place, frame=None)
        if not operands or operands[0] not in (Y_LOW, Y_HIGH) or name in READ_ONLY:
            return place
        frame, taken = None, None
        if place.frame is not None and name in ("sbiw", "adiw"):
            size = int(operands[1], 16)
            frame = place.frame + (size if name == "sbiw" else -size)
        elif place.frame is not None and name == "subi" and operands[0] == Y_LOW:
            frame, taken = place.frame, int(operands[1], 16)
        elif place.frame is not None and name == "sbci" and operands[0] == Y_HIGH and place.taken is not None:
            size = int(operands[1], 16) << 8 | place.taken
            frame = place.frame + (size if size < 0x8000 else size - 0x10000)
        # A pointer that a loop moves on is no frame pointer for long.
        return replace(place, frame=frame if frame is not None and 0 <= frame <= RAM_BYTES else None, taken=taken)
