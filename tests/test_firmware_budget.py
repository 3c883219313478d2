"""The check that holds the firmware to its budgets: it must add up the stack right, and refuse what it can't know."""

from __future__ import annotations

import subprocess

import pytest

from bench.wire import crc16
from firmware import budget, seal
from firmware.simulator.avr import built, firmware

LISTING = """
00000100 <main>:
 100:\t0f 93       \tpush\tr16
 102:\tcf 93       \tpush\tr28
 104:\tdf 93       \tpush\tr29
 106:\tcd b7       \tin\tr28, 0x3d\t; 61
 108:\tde b7       \tin\tr29, 0x3e\t; 62
 10a:\t6c 97       \tsbiw\tr28, 0x1c\t; 28
 10c:\t0e 94 00 01 \tcall\t0x200\t; 0x200 <middle>
 110:\t21 97       \tsbiw\tr28, 0x01\t; 1
 112:\t09 95       \ticall

00000200 <middle>:
 200:\t00 d0       \trcall\t.+0      \t; 0x202 <middle+0x2>
 202:\t0c 94 80 01 \tjmp\t0x300\t; 0x300 <leaf>

00000300 <leaf>:
 300:\t1f 93       \tpush\tr17
 302:\t08 95       \tret

00000400 <obey_all>:
 400:\tc8 5c       \tsubi\tr28, 0xC8\t; 200
 402:\t08 95       \tret

00000500 <__vector_5>:
 500:\t1f 92       \tpush\tr1
 502:\t78 94       \tsei
 504:\t18 95       \treti

00000600 <__vector_6>:
 600:\t1f 92       \tpush\tr1
 602:\t0f 92       \tpush\tr0
 604:\t18 95       \treti
"""


def test_the_stack_is_added_up_along_the_deepest_calls() -> None:
    program = budget.functions(LISTING)
    # Return address, three pushes, 28 bytes of frame; what is taken off r28 later is no frame.
    assert program["main"].own == 2 + 3 + 28
    assert program["middle"].own == 2 + 2
    assert program["obey_all"].own == 2
    assert budget.deepest(program, "main") == (33 + 4 + 3, ("main", "middle", "leaf"))
    # One interrupt may come on top of the one that allows it.
    assert budget.deepest_interrupt(program) == (3 + 4, ("__vector_5", "__vector_6"))


def test_what_cannot_be_added_up_is_refused() -> None:
    program = budget.functions(LISTING)
    program["leaf"].calls.add("main")
    with pytest.raises(budget.BudgetError, match="in a circle: main > middle > leaf > main"):
        budget.deepest(program, "main")
    program = budget.functions(LISTING)
    program["__vector_6"].allows_interrupts = True
    with pytest.raises(budget.BudgetError, match="may interrupt each other"):
        budget.deepest_interrupt(program)
    program = {name: function for name, function in budget.functions(LISTING).items() if not name.startswith("obey_")}
    with pytest.raises(budget.BudgetError, match="calls through a pointer"):
        budget.deepest(program, "main")


@pytest.mark.parametrize(
    ("sizes", "what"),
    [
        (".text 30000 0\n.data 10 0\n.bss 100 0", "program memory"),
        (".text 300 0\n.data 10 0\n.bss 1700 0", "static RAM"),
    ],
)
def test_an_overdrawn_budget_is_named(sizes: str, what: str) -> None:
    with pytest.raises(budget.BudgetError, match=f"checking budgets: {what} needs"):
        budget.report(LISTING, sizes)


def test_a_deep_stack_is_an_overdrawn_budget_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(budget, "SPARE_BYTES", 1900)
    with pytest.raises(budget.BudgetError, match="checking budgets: stack needs 47 bytes, 38 are allowed"):
        budget.report(LISTING, ".text 300 0\n.data 10 0\n.bss 100 0")


def test_the_firmware_keeps_its_budgets() -> None:
    elf = str(built("all", "makebreak.elf"))
    assert budget.main([elf]) == 0
    listing = subprocess.run(["avr-objdump", "-d", elf], capture_output=True, text=True, check=True).stdout
    program = budget.functions(listing)
    assert len(program) > 100
    assert {"main", "__vector_18", "__vector_21"} <= program.keys()
    assert sum(name.startswith(budget.BY_POINTER) for name in program) > 20


def test_the_program_carries_its_own_check() -> None:
    program = firmware()
    assert crc16(program) == 0
    assert seal.sealed(program[:-2]) == program
    assert crc16(program[:100] + bytes([program[100] ^ 1]) + program[101:]) != 0
