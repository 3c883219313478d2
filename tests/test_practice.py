"""Putting together a bench to practise on: faults that fit, mysteries, the way back."""

from __future__ import annotations

import asyncio

from stub_screen import StubApp, play, press, text_of
from textual.pilot import Pilot

from bench.ports.address import parse_sim_address
from bench.ports.setting import set_up
from bench.simboard import catalogue
from bench.simboard.faults import FAULTS
from bench.tui.drawn_bench import address_of, answer_text, drawn_address, possible_faults
from bench.tui.practice import MYSTERY, Practice
from bench.tui.requests import PracticeLeft
from bench.tui.state import Practising


def test_only_faults_that_fit_the_unit_are_offered() -> None:
    for name in catalogue.names():
        entry = catalogue.entry(name)
        for fault in possible_faults(name):
            assert fault.of != "unit" or entry.kind in FAULTS[fault.name].kinds
            assert fault.name not in entry.faults
    assert {fault.of for fault in possible_faults("bench-nc-2x21")} == {"unit", "bench", "board", "cable"}


def test_addresses_can_be_opened() -> None:
    address = parse_sim_address(address_of("bench-nc-2x21", ("film", "unplug"), seed=7, supply_v=11.52, ambient_c=-20.0))
    assert (address.unit, address.faults, address.seed) == ("bench-nc-2x21", ("film", "unplug"), 7)
    assert (address.supply_v, address.ambient_c, address.pace) == (11.52, -20.0, "real")
    set_up(address)


def test_mysteries_are_drawn_by_their_number() -> None:
    drawn = [parse_sim_address(drawn_address(seed)) for seed in range(1, 100)]
    assert drawn == [parse_sim_address(drawn_address(seed)) for seed in range(1, 100)]
    assert all(len(address.faults) <= 1 for address in drawn)
    assert {catalogue.entry(address.unit).rating.system_v for address in drawn} == {12.0}
    healthy = [a for a in drawn if not a.faults and not catalogue.entry(a.unit).faults]
    assert 10 < len(healthy) < 60
    for address in drawn:
        told = answer_text(address)
        assert address.unit in told[0]
        assert len(told) == 2


def test_a_bench_is_put_together_with_arrows() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = await press(pilot, "home", "down", "down")
        assert "► bench-el-outage" in seen
        await press(pilot, "right", "enter", "down", "down", "enter", "enter")
        assert "[x] unit  contact-eroded" in text_of(app)
        assert "faults: 1 chosen" in text_of(app)
        seen = await press(pilot, "right", "down", "enter", "down", "enter", "down", "enter", "down", "enter", "home")
        assert "hands: yours" in seen
        assert "supply: 10.24 V" in seen
        await press(pilot, "enter")
        address = "sim://bench-el-outage?seed=2&fault=contact-eroded&supply=10.24&ambient=-20&pace=real"
        assert app.practices() == [Practising(address, True, False)]
        parse_sim_address(address)

    asyncio.run(play(StubApp(Practice), script, (80, 24)))


def test_faults_that_do_not_fit_another_unit_fall_away() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        await press(pilot, "home", "down", "right", "end", "enter", "home", "down", "enter")
        await press(pilot, "left", "end", "right")
        assert "faults: 2 chosen" in text_of(app)
        await press(pilot, "right", "enter")
        assert app.practices()[0].address.startswith("sim://bench-tc-dry?seed=1&fault=")

    asyncio.run(play(StubApp(Practice), script, (120, 40)))


def test_a_mystery_is_not_told_before_one_asks() -> None:
    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = await press(pilot, "home", "right")
        assert "drawn, and not told" in seen
        await press(pilot, "enter")
        assert app.practices() == [Practising(drawn_address(1), False, True)]

    asyncio.run(play(StubApp(Practice), script, (80, 24)))


def test_the_answer_and_the_way_back() -> None:
    practising = Practising("sim://bench-el-two?seed=3&fault=timing-drift&pace=real", False, True)

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        assert f"► {MYSTERY}" in text_of(app)
        assert "timing" not in text_of(app)
        seen = await press(pilot, "right", "end", "up")
        assert "timing" not in seen
        seen = await press(pilot, "enter")
        assert "It was bench-el-two" in seen
        assert "timing part has drifted" in seen
        await press(pilot, "end", "enter")
        assert [type(asked) for asked in app.asked] == [PracticeLeft]

    asyncio.run(play(StubApp(Practice, practice=practising), script, (80, 24)))


def test_practice_goes_on_from_what_is_practised() -> None:
    practising = Practising("sim://bench-nc-24v?seed=5&fault=film&supply=20.48&ambient=40&pace=real", True, False)

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        seen = text_of(app)
        assert "► bench-nc-24v" in seen
        assert "[x] unit  film" in seen
        for text in ("draw number: 5", "hands: yours", "supply: 20.48 V", "room: 40", "Back to the board"):
            assert text in seen

    asyncio.run(play(StubApp(Practice, practice=practising), script, (80, 24)))
