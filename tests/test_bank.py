"""Lamp banks: files read, sockets in words, what each should take, and which of them make a load."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from bench.bank import SOCKETS, Bank, Socket, parse_bank, sockets_text
from bench.errors import TableError
from bench.files import bank, banks
from bench.lamps import US_LAMPS_W, allowed_current_a, expected_current_a

FILAMENTS = 'format = 1\nname = "mine"\ntitle = "In the sockets: mine"\n' + '[[socket]]\nkind = "filament"\nwatts = 21\n' * 5


def parsed(text: str) -> Bank:
    return parse_bank(tomllib.loads(text), "lamp bank mine")


def test_the_shipped_banks() -> None:
    assert {b.name for b in banks()} >= {"standard", "2x18", "2x23", "2x27", "4x21", "led", "led-resistor"}
    for one in banks():
        assert one.title.startswith("In the sockets: "), "a bank says what is fitted"
        assert len(one.sockets) == SOCKETS
        assert one.system_v == 12.0
    standard = bank("standard")
    assert [s.text for s in standard.sockets] == ["21 W", "21 W", "21 W", "10 W", "5 W", "LED 0.15 A"]


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    mine = parsed(FILAMENTS + '[[socket]]\nkind = "led+resistor"\namps = 0.1\nohms = 6\n')
    assert mine == Bank("mine", "In the sockets: mine", (*[Socket("filament", 21.0)] * 5, Socket("led+resistor", 0.0, 0.1, 6.0)))
    path = tmp_path / "mine.toml"
    path.write_text(FILAMENTS + '[[socket]]\nkind = "empty"\n', encoding="utf-8")
    assert bank(str(path)).sockets[5] == Socket("empty")


@pytest.mark.parametrize(
    ("last", "message"),
    [
        ('[[socket]]\nkind = "lamp"\n', "socket[6].kind: got 'lamp'; it must be one of filament, led, resistor, led+resistor, empty"),
        ('[[socket]]\nkind = "led"\n', "socket[6].amps: missing; it must be a number above 0"),
        ('[[socket]]\nkind = "resistor"\nohms = -6\n', "socket[6].ohms: got -6; it must be a number above 0"),
        ('[[socket]]\nkind = "led"\namps = 0.1\nohms = 6\n', "socket[6].ohms: unknown key"),
        ('[[socket]]\nkind = "empty"\nwatts = 5\n', "socket[6].watts: unknown key"),
        ("", "socket: got 5 sockets; a bank has 6"),
        ('[[socket]]\nkind = "empty"\n[other]\n', "other: unknown key"),
    ],
)
def test_a_file_that_is_wrong_is_one_clear_line(last: str, message: str) -> None:
    with pytest.raises(TableError) as caught:
        parsed(FILAMENTS + last)
    assert str(caught.value).startswith(f"lamp bank mine: {message}")
    assert "\n" not in str(caught.value)


def test_an_empty_bank_and_a_wrong_system_are_refused() -> None:
    head = 'format = 1\nname = "mine"\ntitle = "mine"\n'
    with pytest.raises(TableError, match="every socket is empty"):
        parsed(head + '[[socket]]\nkind = "empty"\n' * 6)
    with pytest.raises(TableError, match="system_v: got 48; it must be 6, 12 or 24"):
        parsed(head + "system_v = 48\n")


def test_a_load_in_words() -> None:
    led, watts = Socket("led", amps=0.15), [Socket("filament", w) for w in (5.0, 21.0, 21.0)]
    assert sockets_text([led]) == "LED 0.15 A"
    assert sockets_text([led, *watts, led]) == "2 x 21 W + 5 W + 2 x LED 0.15 A"
    assert sockets_text(bank("led-resistor").sockets[:1]) == "LED 0.15 A with 6 ohm across"
    assert sockets_text(bank("led-resistor").sockets[4:]) == "resistor 6 ohm + empty"


def test_what_sockets_take() -> None:
    """6 ohm take 27.3 W at 12.8 V (computed); an LED lamp nothing below two thirds of the system voltage."""
    both = bank("led-resistor").sockets[0]
    assert both.current_a(12.0, 12.8) == pytest.approx(27.3 / 12.8 + 0.15, rel=1e-3)
    led = Socket("led", amps=0.15)
    assert [led.current_a(12.0, v) for v in (-1.0, 0.0, 8.0)] == [0.0, 0.0, 0.0]
    assert [led.current_a(12.0, v) for v in (12.8, 10.4)] == pytest.approx([0.15, 0.075])
    assert Socket("empty").current_a(12.0, 12.8) == 0.0
    assert Socket("filament", 21.0).current_a(12.0, 12.8) == expected_current_a((21.0,), 12.0, 12.8)


def test_another_system_takes_as_many_watts() -> None:
    at_12, at_24 = bank("led-resistor"), bank("led-resistor").for_system(24.0)
    for one, other in zip(at_12.sockets, at_24.sockets, strict=True):
        assert 25.6 * other.current_a(24.0, 25.6) == pytest.approx(12.8 * one.current_a(12.0, 12.8))
    assert at_24.for_system(24.0) == at_24
    assert at_24.for_system(12.0) == at_12
    own = replace(at_12, system_v=24.0)
    assert own.for_system(24.0).sockets == at_12.sockets, "a file may give its amperes and ohms at 24 V"


def test_which_bank_makes_which_load() -> None:
    standard = bank("standard")
    assert standard.choose((21.0, 21.0, 5.0)) == (1, 2, 5)
    assert standard.choose((21.0,) * 4) is None
    assert bank("4x21").choose((21.0,) * 4) == (1, 2, 3, 4)
    for watts in (18.0, 23.0, 27.0):
        one = bank(f"2x{watts:g}")
        assert one.choose((watts, watts, 5.0)) == (1, 2, 5)
        assert one.lamps_of(watts, besides=(1, 2)) == (3,), "and a trailer's lamp"
        assert standard.choose((watts,)) is None
    assert bank("led").choose((21.0,)) is None


@pytest.mark.parametrize(("rated_w", "amps"), [(18.0, 1.44), (23.0, 1.80), (27.0, 2.10)])
def test_us_lamps_take_their_catalogue_current(rated_w: float, amps: float) -> None:
    """Catalogue amperes at 12.8 V, within a rounding; allowed 10 % of it each way, and 4 % less when aged."""
    assert expected_current_a((rated_w,), 12.0, 12.8) == pytest.approx(amps, abs=0.005)
    assert expected_current_a((rated_w,), 12.0, 12.8) * 12.8 == pytest.approx(US_LAMPS_W[rated_w])
    assert [a / amps for a in allowed_current_a(rated_w, 12.0, 12.8)] == pytest.approx([0.86, 1.10], abs=0.005)
    assert expected_current_a((rated_w,), 24.0, 28.0) == pytest.approx(1.19 * rated_w / 28.0), "they are 12 V lamps"
