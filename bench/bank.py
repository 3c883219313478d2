"""Lamp banks: what stands in the six sockets of a bench, read from a TOML file (format 1), and the current it should take.

A parsed file in, `Bank` out (described in `bench/data/banks/standard.toml`). A socket holds a filament lamp, an LED lamp, a
resistor, an LED lamp with a resistor across it, or nothing. A board's description knows only what the board was built for; a bank says
what is fitted.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bench.lamps import expected_current_a
from bench.table import Table, read_all, top_table

FORMAT = 1
SOCKETS = 6
KINDS: Mapping[str, tuple[str, ...]] = {
    "filament": ("watts",),
    "led": ("amps",),
    "resistor": ("ohms",),
    "led+resistor": ("amps", "ohms"),
    "empty": (),
}
"""What a socket may hold, and the numbers that its table must then give."""
SYSTEMS_V = (6.0, 12.0, 24.0)
LED_KNEE = 8.0 / 12.0
"""Part of the system voltage below which an LED lamp takes nothing: strings of LEDs with resistors (common practice, no source)."""
_MOST: Mapping[str, float] = {"watts": 1000.0, "amps": 100.0, "ohms": 100_000.0}
_OF_ANY_SYSTEM = 16.0  # what ohms of a 6 V bank are multiplied by in a 24 V system; amperes by less
_SAME_WATTS = 0.05  # lamps whose ratings differ by less than this part are of one kind


@dataclass(frozen=True, slots=True)
class Socket:
    """One socket of a bank: the watts of a filament lamp, the A that an LED lamp takes at the nominal test voltage, the ohm of a
    resistor; 0 for what it does not hold."""

    kind: str
    watts: float = 0.0
    amps: float = 0.0
    ohms: float = 0.0

    @property
    def text(self) -> str:
        """`21 W`, `LED 0.15 A`, `resistor 6 ohm`, `LED 0.15 A with 6 ohm across`, `empty`."""
        match self.kind:
            case "filament":
                return f"{self.watts:g} W"
            case "led":
                return f"LED {self.amps:g} A"
            case "resistor":
                return f"resistor {self.ohms:g} ohm"
            case "led+resistor":
                return f"LED {self.amps:g} A with {self.ohms:g} ohm across"
            case _:
                return "empty"

    def current_a(self, system_v: float, lamp_v: float) -> float:
        """Return the steady current in A at lamp_v V; ValueError for a system voltage that no lamp is made for."""
        if self.kind == "filament":
            return expected_current_a((self.watts,), system_v, lamp_v)
        volts = max(lamp_v, 0.0)
        knee_v = LED_KNEE * system_v
        led_a = self.amps * max(volts - knee_v, 0.0) / (nominal_test_v(system_v) - knee_v)
        return led_a + (volts / self.ohms if self.ohms else 0.0)

    def makes(self, watts: float) -> bool:
        """Return whether it is a filament lamp of this rating."""
        return self.kind == "filament" and abs(self.watts - watts) < _SAME_WATTS * watts


@dataclass(frozen=True, slots=True)
class Bank:
    """What stands in the sockets, 1 to 6 in this order; amperes and ohms are those of a system of `system_v`. ValueError for what no bank
    is; an older record may know no socket of one."""

    name: str
    title: str
    sockets: tuple[Socket, ...]
    system_v: float = 12.0

    def __post_init__(self) -> None:
        if self.system_v not in SYSTEMS_V:
            raise ValueError(f"a bank of a {self.system_v:g} V system; there are {', '.join(f'{v:g} V' for v in SYSTEMS_V)}")
        if len(self.sockets) > SOCKETS:
            raise ValueError(f"a bank of {len(self.sockets)} sockets, of {SOCKETS}")
        for number, socket in enumerate(self.sockets, start=1):
            possible = all(0.0 <= getattr(socket, name) <= _OF_ANY_SYSTEM * most for name, most in _MOST.items())
            if not possible or (socket.kind == "filament" and socket.watts == 0.0):
                raise ValueError(f"{socket.text} in socket {number} of a bank")

    def for_system(self, system_v: float) -> Bank:
        """Return the bank of a system of this voltage: lamps and resistors of the same watts."""
        part = system_v / self.system_v
        sockets = tuple(replace(s, amps=round(s.amps / part, 6), ohms=round(s.ohms * part**2, 6)) for s in self.sockets)
        return replace(self, sockets=sockets, system_v=system_v)

    def choose(self, watts: Iterable[float]) -> tuple[int, ...] | None:
        """Return the numbers of the sockets that hold filament lamps of these ratings, in their order; None if some rating is lacking."""
        taken: list[int] = []
        for w in watts:
            number = next(iter(self.lamps_of(w, besides=taken)), None)
            if number is None:
                return None
            taken.append(number)
        return tuple(taken)

    def lamps_of(self, watts: float, besides: Collection[int] = ()) -> tuple[int, ...]:
        """Return the numbers of the sockets that hold a filament lamp of this rating, ascending, without those in `besides`."""
        return tuple(n for n, socket in enumerate(self.sockets, start=1) if socket.makes(watts) and n not in besides)


def nominal_test_v(system_v: float) -> float:
    """Return the nominal test voltage in V: 6.4, 12.8, 25.6 (SAE J590)."""
    return 12.8 * (system_v / 12.0)


def sockets_text(sockets: Sequence[Socket]) -> str:
    """Return a load in words: `2 x 21 W + 5 W`, `LED 0.15 A`; filament lamps first, heaviest first."""
    parts = []
    for one in sorted(set(sockets), key=lambda s: (list(KINDS).index(s.kind), -s.watts, -s.amps, s.ohms)):
        n = sum(1 for other in sockets if other == one)
        parts.append(f"{n} x {one.text}" if n > 1 else one.text)
    return " + ".join(parts)


def parse_bank(content: Mapping[str, Any], origin: str) -> Bank:
    """Return the bank from the parsed TOML of one file, TableError in one line otherwise; `origin` names the file for people."""
    top = top_table(content, origin, FORMAT)
    name, title = top.text("name"), top.text("title")
    system_v = top.number("system_v") if "system_v" in top else 12.0
    if system_v not in SYSTEMS_V:
        raise top.error("system_v", f"got {content['system_v']!r}; it must be 6, 12 or 24")
    sockets = read_all(top.tables("socket"), _socket)
    if len(sockets) != SOCKETS:
        raise top.error("socket", f"got {len(sockets)} sockets; a bank has {SOCKETS}, those without anything in them are of kind empty")
    if all(socket.kind == "empty" for socket in sockets):
        raise top.error("socket", "every socket is empty; a bank needs a load")
    top.done()
    return Bank(name, title, sockets, system_v)


def _socket(table: Table) -> Socket:
    kind = table.choice("kind", KINDS)
    return Socket(kind, **{key: _positive(table, key) for key in KINDS[kind]})


def _positive(table: Table, key: str) -> float:
    value, most = table.number(key), _MOST[key]
    if value is None or not 0.0 < value <= most:
        came = "missing" if value is None else f"got {value:g}"
        raise table.error(key, f"{came}; it must be a number above 0, at most {most:g}")
    return value
