"""What sits in the lamp bank: filament lamps, LED lamps, resistors; the bank's sockets; the load a unit is rated for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from bench.simboard.filament import Filament, rated_filament

LAMP_SOCKETS = 6
PILOT, LEAK = 7, 8
LEAK_OHM = 1000.0
SENSE_OHM = 32_600.0  # dividers of the rig at the unit's output, in parallel


@dataclass(frozen=True, slots=True)
class Resistor:
    ohm: float


@dataclass(frozen=True, slots=True)
class LedLamp:
    """Strings with resistors: no current up to the knee, then a straight line."""

    knee_v: float
    ohm: float


Load = Filament | LedLamp | Resistor


def led_lamp(amps: float, system_v: float = 12.0) -> LedLamp:
    """An LED lamp that takes these amperes at the nominal test voltage and lights from two thirds of the system's voltage."""
    knee = system_v * 8.0 / 12.0
    return LedLamp(knee, (test_volts(system_v) - knee) / amps)


def test_volts(system_v: float) -> float:
    """Nominal test voltage: 6.4, 12.8, 25.6 V."""
    return system_v * 12.8 / 12.0


@dataclass(frozen=True)
class Bank:
    """The six sockets in order, and the pilot lamp (2.2 W). branch_ohm: resistance in series with each socket's lamp."""

    sockets: tuple[Load | None, ...]
    pilot: Filament
    branch_ohm: tuple[float, ...] = (0.0,) * LAMP_SOCKETS
    dies: tuple[int, int] | None = field(default=None)
    """(socket, n): the lamp in this socket burns out at the n-th make from cold."""

    def fitted(self, socket: int, load: Load | None) -> Bank:
        """The bank with another load, or none, in a socket (1..6)."""
        if not 1 <= socket <= LAMP_SOCKETS:
            raise ValueError(f"fitting a load to the bank: socket must be 1..{LAMP_SOCKETS}, not {socket!r}")
        return replace(self, sockets=(*self.sockets[: socket - 1], load, *self.sockets[socket:]))

    def current_a(self, numbers: tuple[int, ...], volts: float) -> float:
        """Steady current of these sockets at these volts, lit, at 24 degC."""
        return sum(steady_a(load, volts) for n in numbers if (load := self.sockets[n - 1]) is not None)


def steady_a(load: Load, volts: float) -> float:
    if isinstance(load, Resistor):
        return volts / load.ohm
    if isinstance(load, LedLamp):
        return max(0.0, volts - load.knee_v) / load.ohm
    return load.steady_a(volts)


def standard_bank(system_v: float = 12.0) -> Bank:
    """21, 21, 21, 10 and 5 W lamps, an LED lamp of 0.15 A in the free socket (of as many watts at 6 and 24 V)."""
    lamps = tuple(rated_filament(watts, system_v) for watts in (21.0, 21.0, 21.0, 10.0, 5.0))
    return Bank((*lamps, led_lamp(0.15 * 12.0 / system_v, system_v)), rated_filament(2.2, system_v))
