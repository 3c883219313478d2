"""The commands of firmware/PROTOCOL.md are those of the firmware, of the simulated board and of the test vectors."""

from __future__ import annotations

import re

import pytest
import vectors

from bench.simboard import commands
from firmware.simulator.avr import FIRMWARE

# What outlasts the line is set and put back by tests/test_contract_calibration.py instead.
LASTING = {"CALibration:SERial", "CALibration:STORe"}


def page_patterns(section: int) -> set[str]:
    """The headers of the table of commands in a section of the page, each as the page writes it."""
    text = re.split(r"^## ", vectors.PAGE.read_text("utf-8"), flags=re.MULTILINE)[section]
    _, _, table = text.partition("| command | meaning |")
    found = set()
    for row in table.partition("\n\n")[0].splitlines()[2:]:
        first, *others = re.findall(r"`([^`]+)`", row.split("|")[1])
        pattern = first.split(" ")[0]
        found |= {pattern, *(other.split(" ")[0] for other in others if other.startswith("*"))}
        if "?" in others:
            found.add(f"{pattern}?")
    return found


def headers(pattern: str) -> set[str]:
    """Every way to write a header, in capitals."""
    return {form + "?" * pattern.endswith("?") for form in commands._forms(pattern.removesuffix("?"))}


def test_the_firmware_has_the_commands_of_the_page() -> None:
    table = (FIRMWARE / "core" / "commands.c").read_text("utf-8")
    assert set(re.findall(r'^    \{"([^"]+)", "', table, re.MULTILINE)) == page_patterns(2)


def test_the_simulated_board_has_those_and_its_own() -> None:
    assert {pattern for pattern, _, _ in commands._ROWS} == page_patterns(2) | page_patterns(9)


@pytest.mark.parametrize("pattern", sorted(page_patterns(2) - LASTING))
def test_a_vector_obeys_each_command(pattern: str) -> None:
    obeyed = {line.split()[0].decode().upper().lstrip(":") for number, line in vectors.command_lines() if number == 0 and line.split()}
    assert obeyed & headers(pattern), f"fixtures/vectors/commands.txt has no line without error for {pattern}"
