"""The board that runs its real program, in the middle of simulated physics; to its host it is like `bench.simboard.SimulatedBoard`.

Physics goes first by a short stretch of time, then the microcontroller runs through it. If the program switches in the middle, what the
world has lived beyond that moment is discarded, and the world's clock stays ahead by that much: at most `_AWAKE_S` while a command is
executed, `_STRETCH_S` where the board acts by itself.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from functools import cache

import numpy as np

from bench.simboard.board import Surroundings
from bench.simboard.link import Link
from bench.simboard.protection import Latch
from bench.simboard.seeded_rig import draw_rig
from bench.simboard.uplink import BYTE_S, Uplink
from bench.simboard.waveform import Waveform
from firmware.simulator.avr import RESET_PIN, Avr, read_firmware

_STRETCH_S = 4e-3
_AWAKE_S = 2.5e-4
_COMMAND_S = 8e-3  # a command takes less than this from its last byte to its end
_CYCLES_TO_START = 160_000
_CYCLES_TO_STORE = 64_000_000
_IDLE_GRID = 416  # cycles; where the converter is off, nothing is read


class AvrBoard:
    """The program of `firmware/` on a simulated ATmega328P, in the rig, in a `world`. Parameters as for `SimulatedBoard`; `program` runs
    instead of the built one.

    The hidden errors are those of a `SimulatedBoard` of the same seed; the noise differs. The fault of losing frames can't be asked for:
    the program either loses them or does not.
    """

    def __init__(
        self,
        world: Surroundings,
        *,
        seed: int = 1,
        ideal: bool = False,
        faults: Iterable[str] = (),
        ambient_c: float = 24.0,
        link: Link | None = None,
        program: bytes | None = None,
    ) -> None:
        self.rig, self.meter, delays, _ = draw_rig(seed, ideal=ideal, faults=faults, ambient_c=ambient_c)
        self.description = self.rig.description
        self.link = Link() if link is None else link
        self.uplink = Uplink(delays, self.link)
        self.world = world
        self.now_s = 0.0
        self.clock_hz = self.description.clock_hz * (1.0 + self.rig.hidden.clock_error)
        self.avr = Avr(read_firmware() if program is None else program)
        if program is None:
            self.avr.eeprom = _with_serial(self.description.serial)
        self._outputs = self.avr.outputs
        self._latch = Latch()
        self.supplied_s = 0.0  # the world's time at which the master switch was last closed
        self._offset_s = world.t_s
        self._awake_until_s = _COMMAND_S
        self._piece = bytearray()
        world.switch(master=False, loads=frozenset())
        self._follow(0.0)

    # --- the outside: bytes and time ---

    def receive(self, data: bytes) -> None:
        """Take bytes from the host, now; each takes 10 us on the line."""
        self.avr.send(self.link.carry_down(data))
        self._awake_until_s = self.now_s + len(data) * BYTE_S + _COMMAND_S

    def run_until(self, t_s: float) -> None:
        """Run world and program up to t_s; what the board sends waits in `uplink`."""
        while self.now_s < t_s:
            if self.link.board_reset_at_s <= self.now_s:
                self.link.board_reset_at_s = float("inf")
                self.reset(RESET_PIN)
            longest_s = _AWAKE_S if self.now_s < self._awake_until_s else _STRETCH_S
            self._step(min(t_s, self.now_s + longest_s, self.link.board_reset_at_s))

    def reset(self, cause: int) -> None:
        """Reset the board now, by a cause of `firmware.simulator.avr`."""
        self.avr.reset(cause)
        self._awake_until_s = self.now_s + _COMMAND_S
        self._follow(self.now_s)

    # --- at the bench ---

    @property
    def master(self) -> bool:
        """Whether the master switch is closed."""
        return self._outputs.master

    @property
    def loads(self) -> frozenset[int]:
        """The loads whose switches are closed."""
        return frozenset(n + 1 for n in range(8) if self._outputs.loads >> n & 1)

    def rest(self, seconds: float) -> None:
        """Let the world age by `seconds` while no time passes for board and host."""
        self.world.rest(seconds)
        self._offset_s = self.world.t_s - self.now_s

    def metered(self, channel: str, part: float, rest: float) -> float:
        """Return what a meter of this accuracy (`part` of the reading, `rest` in the channel's unit) shows at a channel now. KeyError for a
        channel that no meter can be connected to."""
        return self.meter.at(self.world.advance(self.world.t_s), channel, part, rest)

    # --- a stretch of time ---

    def _cycle(self, t_s: float) -> int:
        return round(t_s * self.clock_hz)

    def _step(self, stop_s: float) -> None:
        wave = self.world.advance(stop_s + self._offset_s).earlier_by(self._offset_s)
        tripped_s = self._latch.watch(wave)
        if tripped_s is not None:
            wave = self._cut(wave, stop_s, tripped_s)
            stop_s = max(tripped_s, self.now_s)
        rig = copy.copy(self.rig)
        level = rig.comparator
        edges = self.rig.follow(wave)
        self.avr.set_edges([self._cycle(t) for t in edges], not level)
        self._show_inputs(stop_s)
        if self.avr.run(self._cycle(stop_s)):
            at_s = min(max(self.avr.counts.cycle / self.clock_hz, self.now_s), stop_s)
            if at_s < stop_s:
                self.rig = rig
                self.rig.follow(self._cut(wave, stop_s, at_s))
                stop_s = at_s
        self.now_s = stop_s
        self._take_bytes()
        if tripped_s is not None and stop_s >= tripped_s:
            self.avr.set_trip(True)
        elif self._latch.free:
            self.avr.set_trip(False)
        self._follow(stop_s)

    def _cut(self, wave: Waveform, stop_s: float, at_s: float) -> Waveform:
        """Return the stretch up to at_s only; the world stays ahead by what it has lived beyond."""
        self._offset_s += stop_s - at_s
        return wave.until(max(at_s, self.now_s))

    def _show_inputs(self, stop_s: float) -> None:
        """Set the converter's inputs, at the very instants at which it holds its samples if it runs."""
        first, end = self._cycle(self.now_s), self._cycle(stop_s)
        hold, period = self.avr.next_hold()
        step = period or _IDLE_GRID
        first = hold - -(-(hold - first) // step) * step if period else first
        cycles = np.arange(first, end + 2 * step, step)
        self.avr.set_inputs(first, step, self.rig.inputs(np.clip(cycles / self.clock_hz, self.now_s, stop_s)))

    def _follow(self, t_s: float) -> None:
        """Switch the world as the board's outputs are now."""
        before, self._outputs = self._outputs, self.avr.outputs
        if self._outputs.master and not before.master:
            self.supplied_s = self.world.t_s
        if self._outputs.voltage_range != before.voltage_range or t_s == 0.0:
            self.rig.configure(self._outputs.voltage_range)
        if (self._outputs.master, self._outputs.loads) != (before.master, before.loads):
            self.world.switch(master=self.master, loads=self.loads)

    def _take_bytes(self) -> None:
        """Send up what the board has sent, piece by piece, because the faults of a link act on pieces."""
        data, cycles = self.avr.take()
        for byte, cycle in zip(data, cycles.tolist(), strict=True):
            self._piece.append(byte)
            if byte == 0:
                self.uplink.send(cycle / self.clock_hz - len(self._piece) * BYTE_S, bytes(self._piece))
                self._piece.clear()


@cache
def _with_serial(serial: str) -> bytes:
    """Return the EEPROM of a board whose own program has stored this serial number."""
    avr = Avr(read_firmware())
    avr.run(avr.counts.cycle + _CYCLES_TO_START)
    avr.send(f"CAL:SER {serial}\nCAL:STOR\n*OPC?\n".encode())
    said = b""
    while b"1\n" not in said:
        cycle = avr.counts.cycle
        if cycle > _CYCLES_TO_STORE:
            raise RuntimeError(f"preparing a board: it has not stored the serial number {serial}")
        avr.run(cycle + _CYCLES_TO_START)
        said += avr.take()[0]
    return avr.eeprom
