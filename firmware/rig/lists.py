"""Lists for people and for shops: `python -m firmware.rig.lists` writes parts.csv, parts.md and nets.md beside this file."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from firmware.rig.circuit import Circuit, Kind, read_circuit
from firmware.rig.stress import stresses

HERE = Path(__file__).parent
CSV = HERE / "parts.csv"
MARKDOWN = HERE / "parts.md"
NETS = HERE / "nets.md"
COLUMNS = ("references", "quantity", "what", "value", "rated", "bears at most", "eur each", "basis")
_UNITS = {"v": "V", "a": "A", "w": "W", "j": "J"}
_NETS_HEAD = """\
# Nets of the rig

Written by `python -m firmware.rig.lists` from parts.toml. U3.A+ is pin A+ of U3, by the pins' names of parts.toml.

## Pins of the microcontroller module

The rest are +5V and AGND. RX and TX go to its own USB bridge.

| pin | net | goes to |
| --- | --- | --- |"""
_BASES = {"memory": "from memory"}


def rows(circuit: Circuit) -> list[tuple[str, ...]]:
    """Return one row for each kind of part, in the order of the file of parts, then what is in no net."""
    kinds: dict[str, Kind] = {part.kind.name: part.kind for part in circuit.parts.values()}
    worst: dict[tuple[str, str], float] = {}
    for stress in stresses(circuit):
        key = (circuit.parts[stress.reference].kind.name, stress.letter)
        worst[key] = max(worst.get(key, 0.0), stress.value)
    found: list[tuple[str, ...]] = []
    for kind in kinds.values():
        references = [part.reference for part in circuit.parts.values() if part.kind.name == kind.name]
        rated = ", ".join(f"{rating:g} {_UNITS[letter]}" for letter, rating in kind.ratings.items())
        bears = ", ".join(f"{worst[kind.name, letter]:.2g} {_UNITS[letter]}" for letter in kind.ratings)
        words = (" ".join(references), str(len(references)), kind.what, kind.value, rated, bears)
        found.append((*words, f"{kind.price_eur:.2f}", _BASES.get(kind.basis, kind.basis)))
    for loose in circuit.loose:
        found.append(("", str(loose.quantity), loose.what, "", "", "", f"{loose.price_eur:.2f}", _BASES.get(loose.basis, loose.basis)))
    return found


def price_eur(circuit: Circuit) -> float:
    """Return the price of everything, EUR; from memory, within a half of it."""
    return sum(part.kind.price_eur for part in circuit.parts.values()) + sum(loose.quantity * loose.price_eur for loose in circuit.loose)


def as_csv(circuit: Circuit) -> str:
    """Return the list of parts for a spreadsheet."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows((COLUMNS, *rows(circuit)))
    return text.getvalue()


def as_markdown(circuit: Circuit) -> str:
    """Return the list of parts for people."""
    lines = [
        "# Parts of the rig",
        "",
        "Written by `python -m firmware.rig.lists` from parts.toml. Classes of part, not makers' parts: any that keeps the rating will do.",
        "What each bears at most is computed in stress.py. Basis: *read* in a data sheet, *computed*, or *from memory*: check it in a",
        f"data sheet before you buy. Prices are from memory, within a half; together about {price_eur(circuit):.0f} EUR.",
        "",
        "| " + " | ".join(COLUMNS) + " |",
        "| " + " | ".join("---" for _ in COLUMNS) + " |",
    ]
    lines += ["| " + " | ".join(row) + " |" for row in rows(circuit)]
    return "\n".join(lines) + "\n"


def nets_as_markdown(circuit: Circuit) -> str:
    """Return what is joined to what, for checking a board with a meter; first the microcontroller, pin by pin."""
    nets = circuit.nets()

    def ends(net: str, without: str = "") -> str:
        return ", ".join(f"{reference}.{pin}" for reference, pin in sorted(nets[net]) if reference != without)

    pins = [f"| {pin} | {net} | {ends(net, 'U1')} |" for pin, net in circuit.parts["U1"].nets.items() if len(nets[net]) < 12]
    joined = [f"| {net} | {len(nets[net])} | {ends(net)} |" for net in sorted(nets)]
    return "\n".join([_NETS_HEAD, *pins, "", f"## All {len(nets)} nets", "", "| net | pins | joined |", "| --- | --- | --- |", *joined, ""])


def main() -> None:
    """Write all lists."""
    circuit = read_circuit()
    NETS.write_text(nets_as_markdown(circuit), encoding="utf-8")
    CSV.write_text(as_csv(circuit), encoding="utf-8")
    MARKDOWN.write_text(as_markdown(circuit), encoding="utf-8")


if __name__ == "__main__":
    main()
