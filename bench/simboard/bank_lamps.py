"""The lamps of a bank as they run: which are in circuit, how hot each is, what the loads without a temperature conduct."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.simboard.filament import KELVIN, RADIATION_EXPONENT, Filament
from bench.simboard.loads import LEAK, LEAK_OHM, SENSE_OHM, LampBank, LedLamp, LedWithResistor, Resistor


@dataclass(slots=True)
class _BankLamp:
    filament: Filament
    branch_ohm: float
    kelvin: float
    at_s: float
    dead: bool = False


@dataclass(slots=True)
class LampGroup:
    """Lamps with the same data at the same temperature: one lamp, taken `count` times. Data as of `Filament`: radiation in W over T^4.87,
    gas in W/K; gained_w: from the surroundings."""

    lamps: list[_BankLamp]
    at_input: bool
    count: float
    ohm: float
    branch_ohm: float
    radiation: float
    gas: float
    mass_kg: float
    gained_w: float


@dataclass(frozen=True, slots=True)
class FixedLoads:
    """Loads without a temperature: their conductance, and that which LEDs add above their knee voltage."""

    ohmic_siemens: float
    led_siemens: float
    knee_v: float


class BankLamps:
    """The lamps of a bank by socket, and the pilot lamp. Those out of circuit are cooled in one step when they are next needed."""

    def __init__(self, bank: LampBank, ambient_c: float) -> None:
        self._bank = bank
        kelvin = ambient_c + KELVIN
        self._sockets = {
            n: _BankLamp(load, ohm, kelvin, 0.0)
            for n, (load, ohm) in enumerate(zip(bank.sockets, bank.branch_ohm, strict=True), start=1)
            if isinstance(load, Filament)
        }
        self._pilot = _BankLamp(bank.pilot, 0.0, kelvin, 0.0)

    def join(self, loads: frozenset[int], pilot: bool, t_s: float, ambient_c: float) -> tuple[list[LampGroup], list[float]]:
        """Put the lamps of these sockets, and the pilot lamp if asked, into circuit; return the groups and their temperatures in K."""
        ambient_k = ambient_c + KELVIN
        joining = [(self._sockets[n], False) for n in sorted(loads) if n in self._sockets]
        if pilot:
            joining.append((self._pilot, True))
        alike: dict[tuple[Filament, float, float, bool], list[_BankLamp]] = {}
        for lamp, at_input in joining:
            if not lamp.dead:
                kelvin = lamp.filament.cooled_k(lamp.kelvin, t_s - lamp.at_s, ambient_k)
                alike.setdefault((lamp.filament, lamp.branch_ohm, kelvin, at_input), []).append(lamp)
        groups = []
        for (f, branch_ohm, _, at_input), lamps in alike.items():
            gained_w = float(f.radiation * ambient_k**RADIATION_EXPONENT + f.gas * ambient_k)
            groups.append(LampGroup(lamps, at_input, float(len(lamps)), f.ohm, branch_ohm, f.radiation, f.gas, f.mass_kg, gained_w))
        return groups, [kelvin for _, _, kelvin, _ in alike]

    def leave(self, groups: list[LampGroup], kelvins: list[float], t_s: float) -> None:
        """Take these out of circuit at their present temperatures in K."""
        for group, kelvin in zip(groups, kelvins, strict=True):
            for lamp in group.lamps:
                lamp.kelvin, lamp.at_s = kelvin, t_s

    def burn_out(self, socket: int) -> None:
        """Let the filament in this socket, if there is one, conduct no more when it next comes into circuit."""
        if socket in self._sockets:
            self._sockets[socket].dead = True

    def were_lit(self, volts: float, until_s: float, ambient_c: float) -> None:
        """Set the temperature of all lamps to what these volts give, and let them cool from until_s on."""
        for lamp in self._sockets.values():
            lamp.kelvin, lamp.at_s = lamp.filament.steady_k(volts, ambient_c + KELVIN), until_s

    def fixed(self, loads: frozenset[int]) -> FixedLoads:
        """Return what these loads conduct besides filaments, the rig's sense dividers included."""
        ohmic_siemens = 1.0 / SENSE_OHM + (1.0 / LEAK_OHM if LEAK in loads else 0.0)
        leds: list[tuple[float, float]] = []  # conductance above the knee, and the knee
        for n, (load, branch_ohm) in enumerate(zip(self._bank.sockets, self._bank.branch_ohm, strict=True), start=1):
            if n not in loads:
                continue
            match load:
                case Resistor(ohm=ohm):
                    ohmic_siemens += 1.0 / (ohm + branch_ohm)
                case LedLamp(knee_v=knee_v, ohm=ohm):
                    leds.append((1.0 / (ohm + branch_ohm), knee_v))
                case LedWithResistor(led=led, resistor=Resistor(ohm=ohm)):
                    # Behind the contact's resistance the LED begins later, and both together conduct less than each alone would.
                    below = 1.0 / (ohm + branch_ohm)
                    above = 1.0 / (branch_ohm + led.ohm * ohm / (led.ohm + ohm))
                    ohmic_siemens += below
                    leds.append((above - below, led.knee_v * (1.0 + branch_ohm / ohm)))
        led_siemens = sum(g for g, _ in leds)
        # One knee stands for all: exact where all of them conduct, or all have the same.
        knee_v = sum(g * knee for g, knee in leds) / led_siemens if leds else math.inf
        return FixedLoads(ohmic_siemens, led_siemens, knee_v)
