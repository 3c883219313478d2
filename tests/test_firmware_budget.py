"""The check that holds the firmware to its budgets: it must add up stack and clocks right, and refuse what it can't know."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from bench.wire import crc16
from firmware import seal
from firmware.budget import BY_POINTER, BudgetError, budgets, deepest_interrupts, report, section_sizes
from firmware.budget.__main__ import main
from firmware.budget.clocks import ClocksError, interrupt_clocks
from firmware.budget.listing import read_disassembly
from firmware.budget.stack import RAM_BYTES, Depth, Stack, StackError
from firmware.simulator.avr import build_product, read_firmware
from firmware.simulator.trials import BareBoard

LISTING = """
00000080 <table>:
  80:\t30 00       \t.word\t0x0030\t; ????

00000100 <main>:
 100:\t0f 93       \tpush\tr16
 102:\tcf 93       \tpush\tr28
 104:\tdf 93       \tpush\tr29
 106:\tcd b7       \tin\tr28, 0x3d\t; 61
 108:\tde b7       \tin\tr29, 0x3e\t; 62
 10a:\t6c 97       \tsbiw\tr28, 0x1c\t; 28
 10c:\tde bf       \tout\t0x3e, r29\t; 62
 10e:\tcd bf       \tout\t0x3d, r28\t; 61
 110:\t0e 94 00 01 \tcall\t0x200\t; 0x200 <middle>
 114:\t21 97       \tsbiw\tr28, 0x01\t; 1
 116:\tf4 cf       \trjmp\t.-8      \t; 0x110 <main+0x10>

00000200 <middle>:
 200:\t00 d0       \trcall\t.+0      \t; 0x202 <middle+0x2>
 202:\t09 95       \ticall
 204:\t0f 90       \tpop\tr0
 206:\t0f 90       \tpop\tr0
 208:\t0c 94 80 01 \tjmp\t0x300\t; 0x300 <leaf.part.3>

00000300 <leaf.part.3>:
 300:\t1f 93       \tpush\tr17
 302:\t0f 93       \tpush\tr16
 304:\t0f 91       \tpop\tr16
 306:\t1f 91       \tpop\tr17
 308:\t08 95       \tret

00000400 <commands_all>:
 400:\tcd b7       \tin\tr28, 0x3d\t; 61
 402:\tde b7       \tin\tr29, 0x3e\t; 62
 404:\tc8 5c       \tsubi\tr28, 0xC8\t; 200
 406:\td1 40       \tsbci\tr29, 0x01\t; 1
 408:\tde bf       \tout\t0x3e, r29\t; 62
 40a:\tcd bf       \tout\t0x3d, r28\t; 61
 40c:\tc8 53       \tsubi\tr28, 0x38\t; 56
 40e:\tde 4f       \tsbci\tr29, 0xFE\t; 254
 410:\tde bf       \tout\t0x3e, r29\t; 62
 412:\tcd bf       \tout\t0x3d, r28\t; 61
 414:\t08 95       \tret

00000500 <__vector_5>:
 500:\t1f 92       \tpush\tr1
 502:\t80 e1       \tldi\tr24, 0x10\t; 16
 504:\t78 94       \tsei
 506:\t92 e0       \tldi\tr25, 0x02\t; 2
 508:\t9a 95       \tdec\tr25
 50a:\tf1 f7       \tbrne\t.-4      \t; 0x508 <__vector_5+0x8>
 50c:\tf8 94       \tcli
 50e:\t1f 90       \tpop\tr1
 510:\t18 95       \treti

00000600 <__vector_6>:
 600:\t1f 92       \tpush\tr1
 602:\t0f 92       \tpush\tr0
 604:\t80 fd       \tsbrc\tr24, 0
 606:\t80 93 05 01 \tsts\t0x0105, r24\t; 0x800105
 60a:\t88 23       \tand\tr24, r24
 60c:\t11 f0       \tbreq\t.+4      \t; 0x612 <__vector_6+0x12>
 60e:\t88 e2       \tldi\tr24, 0x28\t; 40
 610:\t8a 95       \tdec\tr24
 612:\t0f 90       \tpop\tr0
 614:\t1f 90       \tpop\tr1
 616:\t18 95       \treti
"""
POINTERS = {"middle": "commands_"}


PROGRAM = read_disassembly(LISTING)


def test_instructions_know_where_they_go_on() -> None:
    assert PROGRAM.name_at(0x30A) == "leaf"
    assert PROGRAM.addresses("leaf") == {"leaf": 0x300}
    assert PROGRAM.addresses("table") == {}, "a table is no function"
    at = PROGRAM.instructions
    assert PROGRAM.successors(at[0x604]) == (0x606, 0x60A), "an instruction of two words is skipped whole"
    assert PROGRAM.successors(at[0x60C]) == (0x60E, 0x612)
    assert PROGRAM.successors(at[0x208]) == (0x300,)
    assert PROGRAM.successors(at[0x308]) == ()


def test_the_stack_is_added_up_along_the_deepest_calls() -> None:
    stack = Stack(PROGRAM, POINTERS)
    # Two bytes of return address, 0x1C8 of frame; what is given back counts once.
    assert stack.deepest(0x400) == Depth(2 + 456, ("commands_all",))
    # Two bytes reserved, and the call through the pointer; the jump at the end comes when they are free again.
    assert stack.deepest(0x200) == Depth(2 + 2 + 458, ("middle", "commands_all"))
    # Return address, three pushes, 28 bytes of frame; what is taken off r28 later is no frame.
    assert stack.deepest(0x100) == Depth(2 + 3 + 28 + 462, ("main", "middle", "commands_all"))
    assert Stack(PROGRAM, {"middle": "leaf"}).deepest(0x200).size == 2 + 2 + 4
    # One interrupt may come on top of the one that allows it.
    assert deepest_interrupts(PROGRAM, stack, PROGRAM.addresses("__vector_")) == Depth(3 + 4, ("__vector_5", "__vector_6"))


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("call\t0x200", "call\t0x100", "calls go in a circle: main > main"),
        ("in\tr28, 0x3d\t; 61\n 108", "ldi\tr28, 0x3d\n 108", "main sets the stack pointer to something unknown"),
        ("sbiw\tr28, 0x1c", "add\tr28, r24", "main sets the stack pointer to something unknown"),
    ],
)
def test_what_cannot_be_added_up_is_refused(old: str, new: str, complaint: str) -> None:
    with pytest.raises(StackError, match=complaint):
        Stack(read_disassembly(LISTING.replace(old, new)), POINTERS).deepest(0x100)


def test_a_call_through_a_pointer_must_be_declared() -> None:
    with pytest.raises(StackError, match="middle calls through a pointer, and BY_POINTER does not say whom"):
        Stack(PROGRAM, BY_POINTER).deepest(0x200)


PUSHES_FOR_EVER = read_disassembly("00000100 <main>:\n 100:\t0f 93       \tpush\tr16\n 102:\tfe cf       \trjmp\t.-4\n")


def test_a_loop_that_pushes_is_refused() -> None:
    with pytest.raises(StackError, match="takes more the longer it runs"):
        Stack(PUSHES_FOR_EVER, POINTERS).deepest(0x100)


def test_interrupts_that_may_interrupt_each_other_are_refused() -> None:
    program = read_disassembly(LISTING.replace("push\tr0", "sei"))
    with pytest.raises(StackError, match="__vector_5 and __vector_6 may interrupt each other"):
        deepest_interrupts(program, Stack(program, POINTERS), program.addresses("__vector_"))


def test_clocks_are_those_of_the_longest_way() -> None:
    # Response and jump 7, two pushes 4, no skip 1 and sts 2, and 1, branch not taken 1, ldi and dec 2, two pops 4, reti 4.
    assert interrupt_clocks(PROGRAM, 0x600) == 7 + 4 + 3 + 1 + 1 + 2 + 4 + 4
    # To the instruction that lets the others in, or from where they are held again: 7 + 2 + 1 + 1, and 1 + 2 + 4.
    assert interrupt_clocks(PROGRAM, 0x500) == 11
    # With others held, the loop counts two turns of three clocks less one.
    waiting = read_disassembly(LISTING.replace("sei", "nop"))
    assert interrupt_clocks(waiting, 0x500) == 7 + 2 + 1 + 1 + 1 + 5 + 1 + 2 + 4


def test_an_interrupt_that_loops_has_no_longest_way() -> None:
    program = read_disassembly(LISTING.replace("breq\t.+4 ", "breq\t.-4 "))
    with pytest.raises(ClocksError, match="__vector_6 loops"):
        interrupt_clocks(program, 0x600)


@pytest.mark.parametrize(
    ("sizes", "what"),
    [
        ({".text": 30000, ".data": 10, ".bss": 100}, "program memory needs 30012 bytes, 28672 are allowed"),
        ({".text": 300, ".data": 10, ".bss": 1700}, "static RAM needs 1710 bytes, 1650 are allowed"),
        ({".text": 300, ".data": 10, ".bss": 1490, ".noinit": 3}, "deepest stack needs 502 bytes, 481 are allowed"),
    ],
)
def test_an_overdrawn_budget_is_named(sizes: dict[str, int], what: str) -> None:
    with pytest.raises(BudgetError, match=f"checking budgets: {what}"):
        report(budgets(PROGRAM, sizes, POINTERS))


def test_a_long_interrupt_is_an_overdrawn_budget_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("firmware.budget.INTERRUPT_CLOCKS", 360)
    program = read_disassembly(LISTING.replace("sei", "nop").replace("ldi\tr25, 0x02", "ldi\tr25, 0x80"))
    with pytest.raises(BudgetError, match="checking budgets: longest interrupt needs 402 clocks, 360 are allowed"):
        report(budgets(program, {".text": 300, ".bss": 100}, POINTERS))


@pytest.fixture(scope="module")
def elf() -> Path:
    return build_product("all", "makebreak.elf")


def listing(elf: Path) -> str:
    return subprocess.run(["avr-objdump", "-d", elf], capture_output=True, text=True, check=True).stdout


def test_the_firmware_keeps_its_budgets(elf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(elf)]) == 0
    assert "longest interrupt" in capsys.readouterr().out


def test_what_is_added_up_bounds_what_is_seen(elf: Path) -> None:
    """A second of the fast mode on the simulated microcontroller, with commands: neither stack nor interrupts exceed what was added up."""
    program = read_disassembly(listing(elf))
    stack = Stack(program, BY_POINTER)
    routines = program.addresses("__vector_")
    assert {"__vector_10", "__vector_18", "__vector_21"} <= routines.keys()
    assert len(program.addresses("commands_")) > 20
    deepest = stack.deepest(program.addresses("main")["main"]).size + deepest_interrupts(program, stack, routines).size
    longest = max(interrupt_clocks(program, entry) for entry in routines.values())
    table = subprocess.run(["avr-size", "-A", elf], capture_output=True, text=True, check=True).stdout
    static = sum(section_sizes(table)[name] for name in (".data", ".bss", ".noinit"))

    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    for _ in range(10):
        board.send("SYST:BOAR:LINE? 21", "OUTP?", "CURR:PROT 12.5", "ROUT:OPEN (@3:5)")
        board.run(0.1)
    counts = board.avr.counts
    used = RAM_BYTES - static - counts.stack_free
    assert 64 < used <= deepest
    assert 200 < counts.longest_interrupt <= longest
    # What counts is for how long a received byte has to wait: beyond this the next but two destroys one.
    assert 0 < counts.longest_receiver_wait <= 320


def test_the_fuses_are_those_of_the_page(elf: Path) -> None:
    section = subprocess.run(["avr-objdump", "-s", "-j", ".fuse", elf], capture_output=True, text=True, check=True).stdout
    assert section.split()[-2] == "f7d7fd"
    page = (Path(__file__).parent.parent / "firmware" / "README.md").read_text(encoding="utf-8")
    assert "-U lfuse:w:0xF7:m -U hfuse:w:0xD7:m -U efuse:w:0xFD:m" in page


def test_the_program_carries_its_own_check() -> None:
    program = read_firmware()
    assert crc16(program) == 0
    assert seal.sealed(program[:-2]) == program
    assert crc16(program[:100] + bytes([program[100] ^ 1]) + program[101:]) != 0
