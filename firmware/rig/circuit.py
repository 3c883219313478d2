"""The rig's circuit as values: read from parts.toml, which says every part and every connection once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

SOURCE = Path(__file__).with_name("parts.toml")
BASES = ("read", "computed", "simulated", "memory")
_UNIT = {"R": 1.0, "k": 1e3, "M": 1e6, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}


class CircuitError(Exception):
    """The file of parts contradicts itself. One line: which file, which part, what is wrong."""


@dataclass(frozen=True)
class Kind:
    """What is bought. Ratings by letter: v volts, a amperes, w watts, j joules once."""

    name: str
    what: str
    value: str
    pins: tuple[str, ...]
    ratings: Mapping[str, float]
    price_eur: float
    basis: str


@dataclass(frozen=True)
class Part:
    """One part of the drawing; nets by pin, without the pins that are left open."""

    reference: str
    kind: Kind
    nets: Mapping[str, str]


@dataclass(frozen=True)
class Loose:
    """What has to be bought and is no part of the drawing."""

    what: str
    quantity: int
    price_eur: float
    basis: str


@dataclass(frozen=True)
class Span:
    """Voltages of a net in V: `lowest` and `highest` in use, `peak` for microseconds."""

    lowest: float
    highest: float
    peak: float


@dataclass(frozen=True)
class Circuit:
    """Parts, and voltages of nets: `spans_v` against STAR, `floating_v` against the sources of the master switch (MS)."""

    parts: Mapping[str, Part]
    loose: tuple[Loose, ...]
    spans_v: Mapping[str, Span]
    floating_v: Mapping[str, Span]

    def pins(self) -> Iterator[tuple[str, str, str]]:
        """Yield (reference, pin, net) of everything that is connected."""
        for part in self.parts.values():
            for pin, net in part.nets.items():
                yield part.reference, pin, net

    def nets(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return the pins of every net, as (reference, pin)."""
        found: dict[str, set[tuple[str, str]]] = {}
        for reference, pin, net in self.pins():
            found.setdefault(net, set()).add((reference, pin))
        return {net: frozenset(pins) for net, pins in found.items()}


def read_circuit(path: Path = SOURCE) -> Circuit:
    """Read the circuit from a file. CircuitError where a part has no kind or the wrong number of pins, or a net has one end only."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    kinds = {
        name: Kind(
            name=name,
            what=row["what"],
            value=row["value"],
            pins=tuple(row.get("pins", ("1", "2"))),
            ratings=row["ratings"],
            price_eur=row.get("eur", 0.05),
            basis=row.get("basis", "computed"),
        )
        for name, row in data["kind"].items()
    }
    parts = {reference: _part(reference, row, kinds) for reference, row in data["part"].items()}
    loose = tuple(Loose(what, row["quantity"], row["eur"], row["basis"]) for what, row in data["loose"].items())
    circuit = Circuit(parts, loose, *({net: Span(*row) for net, row in data[table].items()} for table in ("net", "floating")))
    _check(circuit, kinds, path)
    return circuit


def _check(circuit: Circuit, kinds: Mapping[str, Kind], path: Path) -> None:
    for kind in kinds.values():
        if kind.basis not in BASES:
            raise CircuitError(f"{path.name}: kind {kind.name} has the basis {kind.basis!r}, which is none of {', '.join(BASES)}")
    unused = sorted(set(kinds) - {part.kind.name for part in circuit.parts.values()})
    if unused:
        raise CircuitError(f"{path.name}: no part is of kind {', '.join(unused)}")
    lonely = sorted(net for net, pins in circuit.nets().items() if len(pins) < 2)
    if lonely:
        raise CircuitError(f"{path.name}: only one pin is on net {', '.join(lonely)}")
    strange = sorted((set(circuit.spans_v) | set(circuit.floating_v)) - set(circuit.nets()))
    if strange:
        raise CircuitError(f"{path.name}: voltages are given for nets that nothing is on: {', '.join(strange)}")


def _part(reference: str, row: list[str], kinds: Mapping[str, Kind]) -> Part:
    name, *nets = row
    if name not in kinds:
        raise CircuitError(f"part {reference} is of kind {name!r}, which no row describes")
    kind = kinds[name]
    if len(nets) != len(kind.pins):
        raise CircuitError(f"part {reference}: {len(nets)} nets for the {len(kind.pins)} pins of kind {name}")
    return Part(reference, kind, {pin: net for pin, net in zip(kind.pins, nets, strict=True) if net})


def magnitude(value: str) -> float:
    """Return a value written as in IEC 60062 (4k7, 10R, 47n, 10 mR), in ohms or farads; what follows a space is its tolerance."""
    text = value.replace(" mR", "m")
    match = re.match(r"(\d+)([RkMmunp])(\d*)", text)
    if match is None:
        raise CircuitError(f"{value!r} is no value as in IEC 60062")
    whole, letter, decimals = match.groups()
    return float(f"{whole}.{decimals or 0}") * _UNIT[letter]
