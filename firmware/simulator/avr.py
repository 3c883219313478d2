"""The microcontroller that runs the board's program: `libavrboard.so` (microcontroller/board.h) through ctypes."""

from __future__ import annotations

import ctypes
import fcntl
import subprocess
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FIRMWARE = Path(__file__).parent.parent
BUILD = FIRMWARE / "build"
RESET_POWER, RESET_PIN, RESET_BROWNOUT = 1, 2, 4
INPUTS = 8
EEPROM_SIZE = 1024
_ROOM = 1 << 16
_ALIVE = (2, 3)


class Outputs(NamedTuple):
    """The rig's switches. `loads`: bit n-1 for load n. `voltage_range`: 0 or 1. `latched`: the hardware holds everything open."""

    master: bool
    loads: int
    voltage_range: int
    latched: bool


class _Outputs(ctypes.Structure):
    _fields_ = [(name, ctypes.c_uint8) for name in ("master", "loads", "range", "latched")]


class AvrCounts(ctypes.Structure):
    """Counts of the simulated microcontroller since power-up; microcontroller/avr_board.h says what each is."""

    _fields_ = [
        *((name, ctypes.c_uint64) for name in (
            "cycle", "asleep", "in_interrupts", "longest_interrupt", "interrupts", "longest_receiver_wait", "bytes_lost",
            "conversions", "conversions_missed", "inputs_chosen_early", "resets",
        )),
        ("stack_free", ctypes.c_uint32),
        ("state", ctypes.c_uint32),
    ]  # fmt: skip


class BuildError(Exception):
    """Firmware or simulator can't be built. One line: what was being built, what came, what to install."""


@cache
def build_product(target: str, product: str) -> Path:
    """Build `target` of firmware/Makefile if need be, and return the path of its product. BuildError if that fails."""
    BUILD.mkdir(exist_ok=True)
    try:
        # One at a time: several processes may want it at once.
        with (BUILD / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            done = subprocess.run(["make", "-s", "-C", str(FIRMWARE), target], capture_output=True, text=True, check=False)
    except OSError as error:
        raise BuildError(f"building {product}: {error}; install make") from error
    if done.returncode:
        last = (done.stderr.strip() or done.stdout.strip()).splitlines()[-1:]
        raise BuildError(f"building {product}: {' '.join(last)}; firmware/README.md lists the Debian packages that it needs")
    return BUILD / product


def parse_hex(text: str) -> bytes:
    """Return the program in the text of an Intel HEX file, from address 0. ValueError for a line that is damaged."""
    program = bytearray()
    for line in text.split():
        record = bytes.fromhex(line.removeprefix(":"))
        if sum(record) & 0xFF:
            raise ValueError(f"reading a program: the check of line {line!r} is wrong")
        count, address, kind = record[0], int.from_bytes(record[1:3], "big"), record[3]
        if kind == 0:
            program.extend(b"\xff" * (address + count - len(program)))
            program[address : address + count] = record[4 : 4 + count]
    return bytes(program)


@cache
def _library() -> ctypes.CDLL:
    library = ctypes.CDLL(str(build_product("simulator", "libavrboard.so")))
    pointer, u8, u32, u64 = ctypes.c_void_p, ctypes.c_uint8, ctypes.c_uint32, ctypes.c_uint64
    for name, result, arguments in (
        ("create", pointer, (ctypes.c_char_p, u32)),
        ("destroy", None, (pointer,)),
        ("reset", None, (pointer, u8)),
        ("hang", None, (pointer,)),
        ("set_inputs", None, (pointer, ctypes.c_int64, u32, u32, pointer)),
        ("set_edges", None, (pointer, pointer, u32, u8)),
        ("set_trip", None, (pointer, u8)),
        ("lengthen_interrupts", None, (pointer, u32)),
        ("run", ctypes.c_int, (pointer, u64)),
        ("get_next_hold", u64, (pointer, ctypes.POINTER(u32))),
        ("send", None, (pointer, ctypes.c_char_p, u32)),
        ("is_receiving", ctypes.c_int, (pointer,)),
        ("take", u32, (pointer, pointer, pointer, u32)),
        ("get_outputs", _Outputs, (pointer,)),
        ("get_counts", AvrCounts, (pointer,)),
        ("get_eeprom", pointer, (pointer,)),
        ("get_data", pointer, (pointer,)),
    ):
        function = getattr(library, f"board_{name}")
        function.restype, function.argtypes = result, arguments
    return library


class Avr:
    """One microcontroller from its power-up on; time is counted in `cycle`s of its clock."""

    def __init__(self, program: bytes) -> None:
        self._library = _library()
        self._board = self._library.board_create(program, len(program))
        if not self._board:
            raise BuildError("starting the simulated microcontroller: libsimavr does not know the ATmega328P")
        self._codes = np.zeros((1, INPUTS), np.float32)
        self._edges = np.zeros(1, np.uint64)
        self._bytes, self._cycles = np.zeros(_ROOM, np.uint8), np.zeros(_ROOM, np.uint64)

    def __del__(self) -> None:
        if getattr(self, "_board", None):
            self._library.board_destroy(self._board)

    def reset(self, cause: int) -> None:
        """Reset by RESET_POWER (RAM is lost too), RESET_PIN or RESET_BROWNOUT."""
        self._library.board_reset(self._board, cause)

    def hang(self) -> None:
        """Let the program hang where it is, until the next reset."""
        self._library.board_hang(self._board)

    def set_inputs(self, first_cycle: int, step: int, codes: npt.NDArray[np.float64]) -> None:
        """Set the converter's codes, shape (n, 8), at first_cycle + k * step; straight lines between."""
        self._codes = np.ascontiguousarray(codes, np.float32)
        self._library.board_set_inputs(self._board, first_cycle, step, len(codes), self._codes.ctypes.data)

    def set_edges(self, cycles: Sequence[int], level: bool) -> None:
        """Set the comparator's edges to come, by ascending cycle; it has `level` after the first, and alternates."""
        self._edges = np.array(cycles, np.uint64)
        self._library.board_set_edges(self._board, self._edges.ctypes.data, len(self._edges), level)

    def set_trip(self, asked: bool) -> None:
        """Set whether something asks the hardware latch to trip from now on."""
        self._library.board_set_trip(self._board, asked)

    def lengthen_interrupts(self, cycles: int) -> None:
        """Let every interrupt take so many cycles more from now on: what the program can stand is what it has to spare."""
        self._library.board_lengthen_interrupts(self._board, cycles)

    def run(self, until_cycle: int) -> bool:
        """Run to this cycle or till an output changes. Return whether one has. RuntimeError if the program has crashed."""
        changed = bool(self._library.board_run(self._board, until_cycle))
        state = self.counts.state
        if state not in _ALIVE:
            raise RuntimeError(f"running the board's program: it has crashed (state {state} of the simulated core)")
        return changed

    def next_hold(self) -> tuple[int, int]:
        """Return the cycle at which the converter next holds a sample, and the cycles to the one after; (0, 0) if it is off."""
        period = ctypes.c_uint32()
        return int(self._library.board_get_next_hold(self._board, ctypes.byref(period))), period.value

    def send(self, data: bytes) -> None:
        """Send bytes to the board's receiver, one every 10 us behind those sent before."""
        self._library.board_send(self._board, data, len(data))

    @property
    def is_receiving(self) -> bool:
        """Whether bytes sent have not all been received."""
        return bool(self._library.board_is_receiving(self._board))

    def take(self) -> tuple[bytes, npt.NDArray[np.uint64]]:
        """Take what the board has sent since last taken: bytes, and the cycle at which each was through."""
        count = self._library.board_take(self._board, self._bytes.ctypes.data, self._cycles.ctypes.data, _ROOM)
        return self._bytes[:count].tobytes(), self._cycles[:count].copy()

    @property
    def outputs(self) -> Outputs:
        """The rig's switches now."""
        found = self._library.board_get_outputs(self._board)
        return Outputs(bool(found.master), found.loads, found.range, bool(found.latched))

    @property
    def counts(self) -> AvrCounts:
        """Counts up to now."""
        found: AvrCounts = self._library.board_get_counts(self._board)
        return found

    def peek(self, address: int, length: int) -> bytes:
        """Return registers and RAM from this data address on."""
        return ctypes.string_at(self._library.board_get_data(self._board) + address, length)

    def poke(self, address: int, data: bytes) -> None:
        """Write registers or RAM from this data address on."""
        ctypes.memmove(self._library.board_get_data(self._board) + address, data, len(data))

    @property
    def eeprom(self) -> bytes:
        """The 1024 bytes that survive power-down."""
        return ctypes.string_at(self._library.board_get_eeprom(self._board), EEPROM_SIZE)

    @eeprom.setter
    def eeprom(self, data: bytes) -> None:
        ctypes.memmove(self._library.board_get_eeprom(self._board), data, EEPROM_SIZE)


@cache
def find_variables() -> dict[str, int]:
    """Return the data addresses of the program's variables, by name."""
    listing = subprocess.run(["avr-nm", str(build_product("all", "makebreak.elf"))], capture_output=True, text=True, check=True).stdout
    rows = (line.split() for line in listing.splitlines())
    return {row[2]: int(row[0], 16) & 0xFFFF for row in rows if len(row) == 3 and row[1] in "bBdD"}


@cache
def read_firmware() -> bytes:
    """Return the program as it is flashed."""
    return parse_hex(build_product("all", "makebreak.hex").read_text("ascii"))
