"""The rig's drawing is its circuit, its parts bear what they must, its pins are the firmware's, its files are up to date."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bench.render.cautions import BEFORE_POWER
from firmware.rig import draw, lists
from firmware.rig.circuit import Circuit, CircuitError, Kind, Part, magnitude, read_circuit
from firmware.rig.connections import Connections, find_nets
from firmware.rig.sheet import Sheet
from firmware.rig.stress import stresses

ROOT = Path(__file__).parent.parent
RIG = ROOT / "firmware" / "rig"
CIRCUIT = read_circuit()


@pytest.fixture(scope="module")
def sheets() -> dict[str, Sheet]:
    return draw.all_sheets(CIRCUIT)


# ---- the drawing is the circuit


def test_the_drawing_connects_what_the_circuit_connects(sheets: dict[str, Sheet]) -> None:
    found = {pins for pins, _ in find_nets(sheet.connections for sheet in sheets.values())}
    assert found == set(CIRCUIT.nets().values())


def test_names_on_the_drawing_are_those_of_the_nets(sheets: dict[str, Sheet]) -> None:
    for pins, names in find_nets(sheet.connections for sheet in sheets.values()):
        nets = {CIRCUIT.parts[reference].nets[pin] for reference, pin in pins}
        assert names <= nets and len(nets) == 1


def test_every_pin_is_drawn_once(sheets: dict[str, Sheet]) -> None:
    drawn = [pin for sheet in sheets.values() for pin in sheet.connections.pins]
    assert sorted(drawn) == sorted((reference, pin) for reference, pin, _ in CIRCUIT.pins())


def test_a_wire_drawn_wrong_is_seen(sheets: dict[str, Sheet]) -> None:
    power = sheets["1-power"].connections
    gate, drain = power.pins["Q4", "G"], power.pins["Q4", "D"]
    wrong = Connections(dict(power.pins), [*power.segments, (gate, (gate[0], drain[1])), ((gate[0], drain[1]), drain)], list(power.names))
    others = [sheet.connections for name, sheet in sheets.items() if name != "1-power"]
    assert {pins for pins, _ in find_nets([wrong, *others])} != set(CIRCUIT.nets().values())


def test_lines_join_at_ends_and_not_where_they_cross() -> None:
    cross = Connections({("A", "1"): (0, 1), ("B", "1"): (2, 1), ("C", "1"): (1, 0), ("D", "1"): (1, 2)})
    cross.add_wire([(0, 1), (2, 1)])
    cross.add_wire([(1, 0), (1, 2)])
    assert {pins for pins, _ in cross.groups()} == {frozenset({("A", "1"), ("B", "1")}), frozenset({("C", "1"), ("D", "1")})}
    assert cross.joints() == []
    tee = Connections({("A", "1"): (0, 1), ("B", "1"): (2, 1), ("C", "1"): (1, 0)})
    tee.add_wire([(0, 1), (2, 1)])
    tee.add_wire([(1, 0), (1, 1)])
    assert [len(pins) for pins, _ in tee.groups()] == [3]
    assert tee.joints() == [(1, 1)]
    with pytest.raises(ValueError, match="aslant"):
        tee.add_wire([(0, 0), (1, 1)])


def test_words_stand_on_nothing_else(sheets: dict[str, Sheet]) -> None:
    assert {name: sheet.crowded() for name, sheet in sheets.items() if sheet.crowded()} == {}


def test_crowded_words_are_seen() -> None:
    sheet = Sheet(1, "crowded", CIRCUIT)
    sheet.text((0, 0), "one thing")
    sheet.text((0.3, 0.05), "another")
    sheet.wire((0, -1), (2, -1))
    sheet.text((0.5, -1), "through")
    assert len(sheet.crowded()) == 2


def test_letters_are_in_every_reader_s_fonts(sheets: dict[str, Sheet]) -> None:
    for sheet in sheets.values():
        for words, _ in sheet.texts:
            words.encode("latin-1")


# ---- what is written is what would be written


def test_the_drawing_in_the_folder_is_this_circuit_s() -> None:
    pages = draw.pages(CIRCUIT)
    kept = {path.stem: path.read_bytes() for path in draw.DRAWING.glob("*.svg")}
    assert kept.keys() == pages.keys()
    changed = [name for name in pages if kept[name] != pages[name]]
    assert not changed, f"draw the schematic anew (python -m firmware.rig.draw): {changed}"
    assert draw.pages(CIRCUIT) == pages


def test_the_pdf_has_a_page_for_each() -> None:
    kept = draw.PDF.read_bytes()
    assert kept.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", kept)) == len(list(draw.DRAWING.glob("*.svg")))


def test_the_lists_in_the_folder_are_this_circuit_s() -> None:
    assert lists.CSV.read_text(encoding="utf-8") == lists.as_csv(CIRCUIT)
    assert lists.MARKDOWN.read_text(encoding="utf-8") == lists.as_markdown(CIRCUIT)
    assert lists.NETS.read_text(encoding="utf-8") == lists.nets_as_markdown(CIRCUIT)


def test_the_list_counts_every_part_once() -> None:
    rows = lists.rows(CIRCUIT)
    listed = [reference for row in rows for reference in row[0].split()]
    assert sorted(listed) == sorted(CIRCUIT.parts)
    assert all(int(row[1]) == len(row[0].split()) for row in rows if row[0])


# ---- parts bear what they must


def test_ratings_stand_above_what_is_computed() -> None:
    over = [stress for stress in stresses(CIRCUIT) if stress.value > stress.rating]
    assert not over


def with_kind(reference: str, kind: Kind) -> Circuit:
    part = CIRCUIT.parts[reference]
    return replace(CIRCUIT, parts={**CIRCUIT.parts, reference: replace(part, kind=kind)})


@pytest.mark.parametrize(
    ("reference", "letter", "too_little"),
    [("Q1", "v", 60.0), ("RG", "w", 0.5), ("R101", "w", 0.25), ("C101", "v", 50.0), ("F1", "a", 10.0)],
)
def test_a_part_too_weak_is_seen(reference: str, letter: str, too_little: float) -> None:
    kind = CIRCUIT.parts[reference].kind
    weak = with_kind(reference, replace(kind, ratings={**kind.ratings, letter: too_little}))
    assert [(s.reference, s.letter) for s in stresses(weak) if s.value > s.rating] == [(reference, letter)]


def test_a_rating_without_a_stress_is_refused() -> None:
    kind = replace(CIRCUIT.parts["NTC1"].kind, ratings={"a": 1.0})
    with pytest.raises(KeyError, match="NTC1"):
        list(stresses(with_kind("NTC1", kind)))


@pytest.mark.parametrize(
    ("value", "number"),
    [
        ("10R", 10.0),
        ("4k7", 4700.0),
        ("8k2 0.1 %", 8200.0),
        ("1 mR", 1e-3),
        ("10 mR 5 W", 1e-2),
        ("47n", 47e-9),
        ("4n7", 4.7e-9),
        ("1u 100 V", 1e-6),
    ],
)
def test_values_are_read_as_in_iec_60062(value: str, number: float) -> None:
    assert magnitude(value) == pytest.approx(number, rel=1e-12)


def test_a_value_that_is_none_is_refused() -> None:
    with pytest.raises(CircuitError, match="IEC 60062"):
        magnitude("ten")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('R501 = ["r10", "+5V", "5VA"]', 'R501 = ["r11", "+5V", "5VA"]', "which no row describes"),
        ('R501 = ["r10", "+5V", "5VA"]', 'R501 = ["r10", "+5V"]', "1 nets for the 2 pins"),
        ('R501 = ["r10", "+5V", "5VA"]', 'R501 = ["r10", "+5V", "5AV"]', "only one pin is on net 5AV"),
        ('R501 = ["r10", "+5V", "5VA"]', "", "no part is of kind r10"),
        ("E = [-1, 32, 32]", "EE = [-1, 32, 32]", "nothing is on: EE"),
    ],
)
def test_a_file_that_contradicts_itself_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    text = (RIG / "parts.toml").read_text(encoding="utf-8")
    assert text.count(f"\n{old}\n") == 1
    path = tmp_path / "parts.toml"
    path.write_text(text.replace(f"\n{old}\n", f"\n{new}\n"), encoding="utf-8")
    with pytest.raises(CircuitError, match=says):
        read_circuit(path)


# ---- the circuit is the firmware's


def firmware_pins() -> Iterator[tuple[str, str]]:
    """(name, pin of the module) of pins.h: PB0 is D8, PD0 is D0."""
    text = (ROOT / "firmware" / "hal" / "atmega328p" / "pins.h").read_text(encoding="utf-8")
    for name, port, bit in re.findall(r"#define PIN_(\w+) _BV\(P([BD])(\d)\)", text):
        yield name, f"D{int(bit) + (8 if port == 'B' else 0)}"


def test_pins_of_the_microcontroller_are_the_firmware_s() -> None:
    pins = dict(firmware_pins())
    assert len(pins) == 13
    # The comparator goes to two pins under one name; MISO is not connected; RX and TX are the module's own bridge.
    wanted = {pin: "EDGES" if name == "COMPARATOR" else name for name, pin in pins.items() if name not in ("MISO", "RX", "TX")}
    nets = CIRCUIT.parts["U1"].nets
    assert {pin: net for pin, net in nets.items() if re.fullmatch(r"D\d+", pin)} == wanted


def test_analog_pins_are_the_sampler_s_channels() -> None:
    text = (ROOT / "firmware" / "core" / "sampler.h").read_text(encoding="utf-8")
    names = re.findall(r"CHANNEL_(\w+),", text.split("enum channel {")[1].split("}")[0])
    assert [CIRCUIT.parts["U1"].nets[f"A{place}"] for place in range(8)] == names


def value(reference: str) -> float:
    return magnitude(CIRCUIT.parts[reference].kind.value)


def test_dividers_give_the_board_s_scales_and_trips() -> None:
    """Against the description in PROTOCOL.md: volts of a count at each range, and trips of 75 and 30 A with 47 ms."""
    page = (ROOT / "firmware" / "PROTOCOL.md").read_text(encoding="utf-8")
    described = {
        (channel, int(number)): float(scale)
        for channel, number, scale in re.findall(r"^range,(\w+),(\d),[^,]+,([^,]+),", page, re.MULTILINE)
    }
    count_v = 4.096 / 1024
    for channel, stem in (("v_in", "30"), ("v_out", "31"), ("v_pilot", "32")):
        lower = value(f"R{stem}2")
        narrow = 1 if (channel, 1) in described else 0
        assert count_v * (value(f"R{stem}1") + lower) / lower == pytest.approx(described[channel, narrow], rel=1e-4)
        if narrow:
            both = lower * value(f"R{stem}3") / (lower + value(f"R{stem}3"))
            assert count_v * (value(f"R{stem}1") + both) / both == pytest.approx(described[channel, 0], rel=1e-3)
    gain = (value("R343") + value("R344")) / value("R341")
    assert count_v / gain == pytest.approx(described["v_drop", 0], rel=1e-9)
    per_a = 50 * value("RS1")
    assert count_v / per_a == pytest.approx(described["i_load", 0], rel=1e-9)
    assert count_v / per_a / (1 + value("R206") / value("R205")) == pytest.approx(described["i_load_low", 0], rel=1e-9)
    bias_v = 4.096 * value("R209") / (value("R208") + value("R209"))
    assert bias_v == pytest.approx(0.256, rel=1e-9)
    fast_v, slow_v = (4.096 * value(low) / (value(high) + value(low)) for high, low in (("R211", "R212"), ("R214", "R215")))
    assert (fast_v - bias_v) / per_a == pytest.approx(75.0, abs=0.1)
    assert (slow_v - bias_v) / per_a == pytest.approx(30.0, abs=0.1)
    assert value("R213") * value("C206") == pytest.approx(0.047, rel=1e-9)
    assert 4.096 * value("R505") / (value("R504") + value("R505")) == pytest.approx(3.840, rel=1e-9)


def test_everything_is_open_without_a_program() -> None:
    """ARM is pulled to ground, CLEAR and RANGE up, every gate to its source; OE holds register, master drive and KILL."""
    nets = CIRCUIT.nets()

    def between(one: str, other: str) -> list[Part]:
        return [part for part in CIRCUIT.parts.values() if set(part.nets.values()) == {one, other}]

    for net, rail in (
        ("ARM", "AGND"),
        ("CLEAR", "+5V"),
        ("RANGE", "+5V"),
        ("MQ", "AGND"),
        ("MG", "MS"),
        *((f"G{n}", "SRC") for n in range(1, 9)),
    ):
        assert any(part.reference.startswith("R") for part in between(net, rail)), f"nothing pulls {net} to {rail}"
    assert {("U5", "/OE"), ("Q5", "G"), ("Q6", "G")} <= nets["OE"]
    for n in range(1, 9):
        diode = CIRCUIT.parts[f"D40{n}"].nets
        assert (diode["A"], diode["K"]) == (f"G{n}", "KILL")


def test_the_two_grounds_meet_in_one_wire() -> None:
    joining = [part.reference for part in CIRCUIT.parts.values() if {"AGND", "STAR"} <= set(part.nets.values())]
    assert joining == ["W1"]


# ---- what people read


def test_the_readme_s_cautions_come_first_and_say_what_the_program_says() -> None:
    text = (RIG / "README.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert headings[0].startswith("Cautions")
    missing = [caution for caution in BEFORE_POWER if f"- {caution}\n" not in text]
    assert not missing


def test_references_in_what_people_read_exist() -> None:
    """Every R, C, D, Q, U and the like that a page names is a part of the circuit."""
    sockets = {f"D{n}" for n in range(1, 14)}
    for name in ("README.md", "WIRING.md"):
        text = (RIG / name).read_text(encoding="utf-8")
        named = set(re.findall(r"\b(?:[RCDQ]\d{1,3}|U\d{1,2}|TVS\d|RB\d|RS\d|JP\d|BP\d|SW\d|VR\d|W\d|NTC\d|F\d)\b(?![A-Za-z.])", text))
        # R2 is a letter on French units, C2, C3 terminals of DIN 72552.
        unknown = named - set(CIRCUIT.parts) - sockets - {"R2", "C2", "C3"}
        assert not unknown, f"{name} names parts that the circuit does not have: {sorted(unknown)}"


def test_links_within_the_folder_lead_somewhere() -> None:
    for name in ("README.md", "WIRING.md"):
        text = (RIG / name).read_text(encoding="utf-8")
        links = [link for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text) if not link.startswith("..")]
        assert links
        assert [link for link in links if not (RIG / link).exists()] == []
