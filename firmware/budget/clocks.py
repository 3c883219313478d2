"""The most clocks for which an interrupt routine holds the processor, along the longest way through its instructions.

Clocks by the instruction set summary of the microcontroller's data sheet (16-bit program counter, internal RAM), from memory; what the
simulated microcontroller takes must not exceed them (tests/test_firmware_budget.py).
"""

from __future__ import annotations

from firmware.budget.listing import CALLS, POINTERS, SKIPS, Disassembly, Instruction

RESPONSE_CLOCKS = 4 + 3  # the response, and the jump in the table of vectors

CLOCKS = {
    "jmp": 3, "rjmp": 2, "call": 4, "rcall": 3, "ret": 4, "reti": 4,
    "adiw": 2, "sbiw": 2, "mul": 2, "muls": 2, "mulsu": 2, "fmul": 2, "fmuls": 2, "fmulsu": 2,
    "ld": 2, "ldd": 2, "lds": 2, "st": 2, "std": 2, "sts": 2, "push": 2, "pop": 2, "sbi": 2, "cbi": 2, "lpm": 3,
}  # fmt: skip


class ClocksError(Exception):
    """One line: what of a routine has no longest way."""


def interrupt_clocks(program: Disassembly, entry: int) -> int:
    """Return the most clocks for which the interrupt routine at `entry` keeps all others waiting: from the end of the interrupted
    instruction, or from where it holds them again, to its return or to where it lets them in. ClocksError if there is no longest way: a
    loop that does not just wait, or a call through a pointer."""
    held = [at for at in program.reach(entry) if program.instructions[at].name == "cli"]
    return max(RESPONSE_CLOCKS + _longest(program, entry), *(_longest(program, at) for at in held), 0)


def _longest(program: Disassembly, entry: int) -> int:
    """Return the most clocks from an instruction to the return of its function, or to where other interrupts are let in."""
    known: dict[int, int] = {}
    begun: set[int] = set()
    waiting = [entry]
    while waiting:
        address = waiting[-1]
        ways = _ways(program, program.instructions[address]) if address not in known else []
        unknown = [end for _, end in ways if end not in known]
        if begun.intersection(unknown):
            raise ClocksError(f"counting clocks: {program.name_at(address)} loops at {address:#x}")
        if unknown:
            begun.add(address)
            waiting.extend(unknown)
            continue
        if ways:
            known[address] = max(clocks + known[end] for clocks, end in ways)
        else:
            known.setdefault(address, CLOCKS.get(program.instructions[address].name, 1))
        begun.discard(address)
        waiting.pop()
    return known[entry]


def _ways(program: Disassembly, at: Instruction) -> list[tuple[int, int]]:
    """Return where the function goes on, with the clocks until there; nothing for an end."""
    if at.name == "sei":
        return []
    if at.name in POINTERS:
        raise ClocksError(f"counting clocks: {program.name_at(at.address)} has {at.name} at {at.address:#x}")
    turns = _turns(program, at)
    if turns is not None:
        return [(3 * turns - 1, program.instructions[at.next].next)]
    here = CLOCKS.get(at.name, 1)
    if at.name in CALLS and not at.reserves:
        here += _longest(program, at.target)
    return [(here + _extra(program, at, end), end) for end in program.successors(at)]


def _extra(program: Disassembly, at: Instruction, end: int) -> int:
    """Return the clocks that it costs to go to `end` instead of on."""
    if at.is_branch:
        return 1 if end != at.next else 0
    if at.name in SKIPS and end != at.next:
        return program.instructions[at.next].length // 2
    return 0


def _turns(program: Disassembly, at: Instruction) -> int | None:
    """Return how often a waiting loop runs, None for any other instruction. The loop: a register is loaded, then counted down by this
    instruction and a branch back to it."""
    before, after = program.instructions.get(at.address - 2), program.instructions.get(at.next)
    if at.name != "dec" or before is None or after is None or after.name != "brne" or after.target != at.address:
        return None
    if before.name != "ldi" or before.operands[0] != at.operands[0]:
        return None
    return int(before.operands[1], 16) or 256
