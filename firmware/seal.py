"""Puts the program's check behind it: the CRC of PROTOCOL.md section 3 over all bytes, high byte first, so that the CRC over everything
is 0.

    python seal.py PROGRAM.bin SEALED.bin
"""

from __future__ import annotations

import binascii
import sys
from pathlib import Path


def sealed(program: bytes) -> bytes:
    """The program with its check."""
    return program + binascii.crc_hqx(program, 0xFFFF).to_bytes(2, "big")


if __name__ == "__main__":
    source, target = map(Path, sys.argv[1:])
    target.write_bytes(sealed(source.read_bytes()))
