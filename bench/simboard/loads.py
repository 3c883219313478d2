"""The loads of a lamp bank as physics has them: filament lamps, LED lamps, resistors, and the sockets that hold them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

from bench import bank as banks
from bench import files
from bench.simboard.filament import Filament, rated_filament

LAMP_SOCKETS = 6
PILOT, LEAK = 7, 8
LEAK_OHM = 1000.0
SENSE_OHM = 32_600.0  # dividers of the rig at the unit's output, in parallel


@dataclass(frozen=True, slots=True)
class Resistor:
    """A resistor in a socket."""

    ohm: float


@dataclass(frozen=True, slots=True)
class LedLamp:
    """Strings of LEDs with resistors: no current up to the knee, then a straight line."""

    knee_v: float
    ohm: float


@dataclass(frozen=True, slots=True)
class LedWithResistor:
    """An LED lamp with a resistor across it, behind one contact of the socket."""

    led: LedLamp
    resistor: Resistor


SocketLoad = Filament | LedLamp | Resistor | LedWithResistor


def led_lamp(amps: float, system_v: float = 12.0) -> LedLamp:
    """Return an LED lamp that takes these amperes at the nominal test voltage and conducts from two thirds of the system's voltage on."""
    knee_v = banks.LED_KNEE * system_v
    return LedLamp(knee_v, (test_volts(system_v) - knee_v) / amps)


def test_volts(system_v: float) -> float:
    """Return the nominal test voltage: 6.4, 12.8 or 25.6 V."""
    return banks.nominal_test_v(system_v)


@dataclass(frozen=True)
class LampBank:
    """The six sockets in order, and the pilot lamp (2.2 W). branch_ohm: resistance in series with each socket's lamp."""

    sockets: tuple[SocketLoad | None, ...]
    pilot: Filament
    branch_ohm: tuple[float, ...] = (0.0,) * LAMP_SOCKETS
    dies: tuple[int, int] | None = field(default=None)
    """(socket, n): the lamp in this socket burns out at the n-th make from cold."""

    def fitted(self, socket: int, load: SocketLoad | None) -> LampBank:
        """Return the bank with another load, or none, in a socket (1..6). ValueError for another socket."""
        if not 1 <= socket <= LAMP_SOCKETS:
            raise ValueError(f"fitting a load to the bank: socket must be 1..{LAMP_SOCKETS}, not {socket!r}")
        return replace(self, sockets=(*self.sockets[: socket - 1], load, *self.sockets[socket:]))

    def current_a(self, numbers: Collection[int], volts: float) -> float:
        """Return the steady current of these loads at these volts with the link fitted, lit, at 24 degC. The pilot lamp takes none then."""
        lamps = sum(steady_a(load, volts) for n in numbers if n <= LAMP_SOCKETS and (load := self.sockets[n - 1]) is not None)
        return lamps + (volts / LEAK_OHM if LEAK in numbers else 0.0)


def steady_a(load: SocketLoad, volts: float) -> float:
    """Return the steady current of one load at these volts, lit, at 24 degC."""
    match load:
        case Resistor():
            return volts / load.ohm
        case LedLamp():
            return max(0.0, volts - load.knee_v) / load.ohm
        case LedWithResistor():
            return steady_a(load.led, volts) + steady_a(load.resistor, volts)
        case _:
            return load.steady_a(volts)


def lamp_bank(bank: banks.Bank, system_v: float) -> LampBank:
    """Return the loads of this bank in a system of this voltage, with the pilot lamp of the rig."""
    sockets = tuple(_load(socket, system_v) for socket in bank.for_system(system_v).sockets)
    return LampBank(sockets, rated_filament(2.2, system_v))


def _load(socket: banks.Socket, system_v: float) -> SocketLoad | None:
    match socket.kind:
        case "filament":
            return rated_filament(socket.watts, system_v)
        case "led":
            return led_lamp(socket.amps, system_v)
        case "resistor":
            return Resistor(socket.ohms)
        case "led+resistor":
            return LedWithResistor(led_lamp(socket.amps, system_v), Resistor(socket.ohms))
        case _:
            return None


def standard_bank(system_v: float = 12.0) -> LampBank:
    """Return the bank `standard` in a system of this voltage."""
    return lamp_bank(files.bank("standard"), system_v)
