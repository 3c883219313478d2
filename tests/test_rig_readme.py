"""What the rig's pages tell its builder to expect, held to the parts: the table of checks before the first unit, the ballast, the links."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.simboard import loads
from firmware.rig.circuit import magnitude, read_circuit
from firmware.rig.lists import price_eur

RIG = Path(__file__).parents[1] / "firmware" / "rig"
README = (RIG / "README.md").read_text(encoding="utf-8")
WIRING = (RIG / "WIRING.md").read_text(encoding="utf-8")
CIRCUIT = read_circuit()
REFERENCE_V = 4.096
BIAS_V = REFERENCE_V / 16.0
CSA_GAIN = 50.0


def value(reference: str) -> float:
    return magnitude(CIRCUIT.parts[reference].kind.value)


def tap(top: str, *bottom: str) -> float:
    """Share of the voltage at the middle of a divider."""
    return 1.0 / (1.0 + value(top) * sum(1.0 / value(reference) for reference in bottom))


def row(number: int) -> list[str]:
    """Cells of a step of the table: state, what is measured, expected, band, what if not."""
    found = re.findall(rf"(?m)^\| {number} \|(.*)\|$", README)
    assert len(found) == 1, f"the README has {len(found)} steps {number}"
    return [cell.strip() for cell in found[0].split("|")]


def numbers(text: str) -> list[float]:
    return [float(word) for word in re.findall(r"\d+(?:\.\d+)?", text)]


# step: (expected, worst case of the parts' own tolerances in the same unit). Tolerances by the kinds of parts.toml: dividers of 0.1 or 1 %,
# reference 0.1 %; op amp 0.5 mV, comparator 5 mV, current amplifier 25 uV and 0.2 % (classes of data sheet, some from memory).
EXPECTED = {
    8: (REFERENCE_V, REFERENCE_V * 1e-3),
    9: (REFERENCE_V * tap("R208", "R209"), BIAS_V * 3e-3 + 0.5e-3),
    10: (REFERENCE_V * tap("R504", "R505"), 3.84 * (1e-3 + 2e-3 / 16)),
    11: (REFERENCE_V * tap("R211", "R212"), 4.008 * (1e-3 + 0.02 * 0.022)),
    12: (REFERENCE_V * tap("R214", "R215"), 1.758 * (1e-3 + 0.02 * 0.571)),
    13: (BIAS_V, BIAS_V * 3e-3 + 0.5e-3 + 25e-6 * CSA_GAIN),
    14: (BIAS_V, BIAS_V * 3e-3 + 10 * 25e-6 * CSA_GAIN + 10 * 0.5e-3),
    19: (12.8 * tap("R301", "R302"), 2.783 * 2e-3 * 0.783 + 0.5e-3),
    20: (12.8 * tap("R301", "R302", "R303"), 1.424 * 2.5e-3 + 0.5e-3),
    21: (BIAS_V, 4 * 2 * 13.5e-3),
    23: ((REFERENCE_V * tap("R214", "R215") - BIAS_V) / CSA_GAIN * 1e3, 30.0 * 2e-3 + (1.758 * 0.0125 + 5e-3) / CSA_GAIN * 1e3),
    24: ((REFERENCE_V * tap("R211", "R212") - BIAS_V) / CSA_GAIN * 1e3, 75.0 * 2e-3 + (4.008 * 0.0015 + 5e-3) / CSA_GAIN * 1e3),
}


@pytest.mark.parametrize("number", EXPECTED)
def test_expected_values_follow_from_the_parts(number: int) -> None:
    expected, worst = EXPECTED[number]
    told = numbers(row(number)[2])[0]
    low, high = numbers(row(number)[3])[:2]
    assert told == pytest.approx(expected, abs=0.5 * 10.0 ** -len(row(number)[2].split(".")[1].split()[0]))
    assert low <= expected - worst and expected + worst <= high, f"good parts may read {expected - worst:.4f} to {expected + worst:.4f}"
    # Nor so wide that a wrong part passes: a neighbour of 5 % moves a divider by more. Zeros of amplifiers are wide by nature.
    if number not in (14, 21):
        assert high - low < 0.055 * expected or high - low <= 8.5e-3


def test_reversed_battery_lights_the_diode() -> None:
    low, high = numbers(row(4)[3])
    assert low <= 1e3 * (12.0 - 2.5) / value("R101") <= high


def test_steps_are_numbered_without_gaps() -> None:
    steps = [int(n) for n in re.findall(r"(?m)^\| (\d+) \|", README)]
    assert steps == list(range(1, len(steps) + 1)) and len(steps) >= 30


def test_ballast_makes_a_tenth_of_an_ohm() -> None:
    """Common path and branches as the page says them; with the table's links 0.10 +- 0.01 ohm (SAE J823, after a public summary)."""
    said = re.search(
        r"leads \((\d+) mohm, both ways\), fuse (\d+),\s+SW1 (\d+), master (\d+), shunt (\d+), joints (\d+), the unit's leads (\d+), "
        r"bus (\d+) and return ([\d.]+)",
        WIRING,
    )
    assert said is not None
    common = sum(float(x) for x in said.groups())
    table = re.findall(r"(?m)^  \| (\d)(?: and more)? \| ([^|]+) \| ([^|]+) \|$", WIRING)
    assert [lamps for lamps, _, _ in table] == ["1", "2", "3"]
    for lamps, stiff, battery in table:
        for links, source in ((stiff, 0.0), (battery, 15.0)):
            for pulled in numbers(links):
                total = common + source + 27.0 / int(lamps) + 10.0 * pulled
                assert abs(total - 100.0) <= 10.0, f"{lamps} lamps, {pulled:g} links: {total:.0f} mohm"


@pytest.mark.parametrize("system_v", [6, 12, 24])
def test_currents_of_the_banks(system_v: int) -> None:
    line = re.search(rf"(?m)^\| {system_v} V \|(.*)\|$", WIRING)
    assert line is not None
    cells = [cell.strip() for cell in line[1].split("|")]
    volts = loads.test_volts(float(system_v))
    assert numbers(cells[0])[0] == pytest.approx(volts)
    bank = loads.standard_bank(float(system_v))
    two, every = numbers(cells[3])
    assert two == pytest.approx(bank.current_a((1, 2), volts), abs=0.06)
    assert every == pytest.approx(bank.current_a((1, 2, 3, 4, 5), volts), abs=0.06)


def test_price() -> None:
    told = re.search(r"come to about (\d+) EUR", README)
    assert told is not None and abs(int(told[1]) - price_eur(CIRCUIT)) < 10.0
