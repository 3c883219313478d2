"""Reads fixtures/vectors (format: its README.md)."""

from __future__ import annotations

import re
from pathlib import Path

VECTORS = Path(__file__).parent.parent / "fixtures" / "vectors"
PAGE = Path(__file__).parent.parent / "firmware" / "PROTOCOL.md"


def rows(name: str) -> list[list[str]]:
    """The lines of a vector file, in fields."""
    lines = (VECTORS / name).read_text("ascii").splitlines()
    found = [line.split(" ") for line in lines if not line.startswith("#")]
    assert found, name
    return found


def data(text: str) -> bytes:
    return b"" if text == "-" else bytes.fromhex(text)


def numbers(text: str) -> list[int]:
    return [int(part) for part in text.split(",")]


def samples(text: str) -> list[int]:
    return [int(text[k : k + 3], 16) for k in range(0, len(text), 3)]


def command_lines(*names: str) -> list[tuple[int, bytes]]:
    """Expected error and line (without its end) of commands.txt and commands_rig.txt, or of those named."""
    found = []
    for name in names or ("commands.txt", "commands_rig.txt"):
        for line in (VECTORS / name).read_text("ascii").splitlines():
            if not line.startswith("#"):
                number, _, text = line.partition(" ")
                found.append((int(number), re.sub(rb"\\x(..)", lambda m: bytes.fromhex(m[1].decode()), text.encode())))
    return found


def description_lines(name: str = "description.txt") -> list[str]:
    return (VECTORS / name).read_text("ascii").splitlines()
