"""The board that runs its real program, in the middle of simulated physics; to its host it is like `bench.simboard.SimulatedBoard`.

Physics goes first by a short stretch of time, then the microcontroller runs through it. Where it switches something in the middle, what
the world has lived beyond is thrown away, and the world's clock stays ahead by that much: at most `_AWAKE_S` while a command is under way,
`_STRETCH_S` where the board acts by itself.
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
from firmware.simulator.avr import RESET_PIN, Avr, firmware

_STRETCH_S = 4e-3
_AWAKE_S = 2.5e-4
_COMMAND_S = 8e-3  # a command takes less than this from its last byte to its end
_CYCLES_TO_START = 160_000
_CYCLES_TO_STORE = 64_000_000
_IDLE_GRID = 416  # cycles; where the converter is off, nothing is read


class AvrBoard:
    """The program of `firmware/` on a simulated ATmega328P, in the rig, in a `world`. Parameters as for `SimulatedBoard`.

    The very same hidden errors, since they are drawn from the same seed; the noise differs. A board that loses frames is not to be had
    here: the program either does or does not.
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
        self.avr = Avr(firmware() if program is None else program)
        if program is None:
            self.avr.eeprom = _with_serial(self.description.serial)
        self._outputs = self.avr.outputs
        self._latch = Latch()
        self.supplied_s = 0.0  # when the master switch was last closed, in the world's time
        self._offset_s = world.t_s
        self._awake_until_s = _COMMAND_S
        self._piece = bytearray()
        world.switch(master=False, loads=frozenset())
        self._follow(0.0)

    # --- the outside: bytes and time ---

    def receive(self, data: bytes) -> None:
        """Bytes from the host, at the present time; they take their own on the line."""
        self.avr.send(self.link.carry_down(data))
        self._awake_until_s = self.now_s + len(data) * BYTE_S + _COMMAND_S

    def run_until(self, t_s: float) -> None:
        """Let world and program live up to t_s; what comes up waits in `uplink`."""
        while self.now_s < t_s:
            if self.link.board_reset_at_s <= self.now_s:
                self.link.board_reset_at_s = float("inf")
                self.reset(RESET_PIN)
            longest_s = _AWAKE_S if self.now_s < self._awake_until_s else _STRETCH_S
            self._step(min(t_s, self.now_s + longest_s, self.link.board_reset_at_s))

    def reset(self, cause: int) -> None:
        """A reset now, of a cause of `firmware.simulator.avr`."""
        self.avr.reset(cause)
        self._awake_until_s = self.now_s + _COMMAND_S
        self._follow(self.now_s)

    # --- what hands do, and what can be seen ---

    @property
    def master(self) -> bool:
        return self._outputs.master

    @property
    def loads(self) -> frozenset[int]:
        return frozenset(n + 1 for n in range(8) if self._outputs.loads >> n & 1)

    def rest(self, seconds: float) -> None:
        """The world ages by `seconds` while no time passes for board and host."""
        self.world.rest(seconds)
        self._offset_s = self.world.t_s - self.now_s

    def metered(self, channel: str, part: float, rest: float) -> float:
        """What a meter of this accuracy shows at the place of a channel now. KeyError where there is nothing to clip it on."""
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
        """The stretch up to at_s only; the world stays ahead by what it has lived beyond."""
        self._offset_s += stop_s - at_s
        return wave.until(max(at_s, self.now_s))

    def _show_inputs(self, stop_s: float) -> None:
        """Tell the converter what it will find, at the very instants at which it holds its samples if it runs."""
        first, end = self._cycle(self.now_s), self._cycle(stop_s)
        hold, period = self.avr.next_hold()
        step = period or _IDLE_GRID
        first = hold - -(-(hold - first) // step) * step if period else first
        cycles = np.arange(first, end + 2 * step, step)
        self.avr.set_inputs(first, step, self.rig.inputs(np.clip(cycles / self.clock_hz, self.now_s, stop_s)))

    def _follow(self, t_s: float) -> None:
        """Switch the world as the board's outputs now stand."""
        before, self._outputs = self._outputs, self.avr.outputs
        if self._outputs.master and not before.master:
            self.supplied_s = self.world.t_s
        if self._outputs.voltage_range != before.voltage_range or t_s == 0.0:
            self.rig.configure(self._outputs.voltage_range)
        if (self._outputs.master, self._outputs.loads) != (before.master, before.loads):
            self.world.switch(master=self.master, loads=self.loads)

    def _take_bytes(self) -> None:
        """What the board has sent, piece by piece, as the faults of a link act on them."""
        data, cycles = self.avr.take()
        for byte, cycle in zip(data, cycles.tolist(), strict=True):
            self._piece.append(byte)
            if byte == 0:
                self.uplink.send(cycle / self.clock_hz - len(self._piece) * BYTE_S, bytes(self._piece))
                self._piece.clear()


@cache
def _with_serial(serial: str) -> bytes:
    """EEPROM of a board that was given this serial number by its own program."""
    avr = Avr(firmware())
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
