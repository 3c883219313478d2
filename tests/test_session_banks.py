"""Tests on other lamps than the usual: the whole way from the address of a simulated bench to the record."""

from __future__ import annotations

import pytest
from bench_port import bench_port, run_on, setup

from bench import api, files
from bench.cli.asked_setup import AskedSetup
from bench.errors import AddressError, SetupError
from bench.outcome import Outcome
from bench.ports.opening import open_port
from bench.ports.setting import known_bench
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.uncertainty import Estimate


def made(address: str, **options: object) -> Setup:
    """Return the set-up that the command line makes."""
    return AskedSetup(**({"unit": "T1", "limits": ("un-r48",)} | options)).setup(address)  # type: ignore[arg-type]


def record_at(address: str, plan: str = "quick", **options: object) -> TestRecord:
    port = open_port(address)
    try:
        return run_test(port, files.procedure(plan), made(address, **options), when="", software="")
    finally:
        port.close()


def value(record: TestRecord, name: str) -> float:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found.value


@pytest.mark.parametrize(
    ("address", "options", "load", "amps"),
    [
        ("sim://bench-el-plain", {"lamps": (6,), "led": True}, "LED 0.15 A", 0.15),
        ("sim://bench-el-plain?bank=led", {"lamps": (1, 2, 3)}, "3 x LED 0.15 A", 0.45),
        ("sim://bench-el-plain?bank=led-resistor", {"lamps": (1, 2)}, "2 x LED 0.15 A with 6 ohm across", 4.5),
        ("sim://bench-el-plain?bank=2x18", {"rated": (18.0, 18.0)}, "2 x 18 W", 2.85),
        ("sim://bench-nc-2x21?bank=2x23", {"rated": (23.0, 23.0)}, "2 x 23 W", 3.54),
        ("sim://bench-hw-hold?bank=2x27", {"rated": (27.0, 27.0, 5.0)}, "2 x 27 W + 5 W", 4.55),
        ("sim://bench-el-plain?bank=4x21", {"rated": (21.0,) * 4}, "4 x 21 W", 7.0),
    ],
)
def test_a_load_of_the_bank_is_tested_without_a_fault_of_the_bench(
    address: str, options: dict[str, object], load: str, amps: float
) -> None:
    record = record_at(address, "quick", **options)
    assert record.bench_faults == ()
    assert (record.rated_load, record.steps[0].load_text) == (load, load)
    assert record.outcome is Outcome.GOOD
    assert value(record, "steady_a") == pytest.approx(amps, rel=0.05, abs=0.02)
    assert value(record, "rate_per_min") > 60.0


def test_every_step_of_the_full_procedure_finds_its_lamps_on_another_bank() -> None:
    record = record_at("sim://bench-el-plain?bank=2x27", plan="full", rated=(27.0, 27.0))
    assert {step.name: step.load_text for step in record.steps if step.name in ("one-out", "trailer")} == {
        "one-out": "27 W", "trailer": "3 x 27 W",
    }  # fmt: skip
    assert record.bench_faults == ()
    assert record.setup.bank == files.bank("2x27")


def test_a_bank_named_by_hand_wins_over_that_of_the_address() -> None:
    """As when other lamps stand in the sockets than the board says: 2 x 18 W are no 2 x 27 W, and that is the bench's fault."""
    record = record_at("sim://bench-el-plain?bank=2x18", bank="2x27", rated=(27.0, 27.0))
    assert [fault.code for fault in record.bench_faults] == ["lamp-current"]
    assert record.rated_load == "2 x 27 W"


def test_simulated_hands_set_the_supply_on_the_load_that_is_tested() -> None:
    port = bench_port("EL")
    record = run_on(port, setup=setup(lamps=(6,), bank=files.bank("standard")))
    assert [line for line in port.sent if line.startswith(b"SIM:SUPP ")] == [b"SIM:SUPP 12.8,(@6,7)\n"]
    assert record.bench_faults == ()
    assert value(record, "lamp_v") == pytest.approx(12.8, abs=0.06)


def test_the_load_is_named_by_the_record_where_no_bank_is_known() -> None:
    """By what was switched, not by the 2 x 21 W that were never asked for."""
    assert run_on(bench_port("EL"), setup=setup(lamps=(6,), filament=False)).load == "load 6"
    assert run_on(bench_port("EL"), setup=setup(lamps=(1, 2, 5))).load == "2 x 21 W + 5 W"


def test_a_mean_of_three_starts_needs_three() -> None:
    """SAE J945, after a public summary. `quick` makes one start, `decide` and `full` as many as are asked for."""
    quick = record_at("sim://bench-el-plain", limits=("sae-j945",))
    assert quick.outcome is Outcome.NOT_DECIDED
    assert quick.reason == "Not decided: starting time: tested with 1 start; the figures are for 3."
    for plan in ("decide", "full"):
        record = record_at("sim://bench-el-plain", plan, limits=("sae-j945",))
        assert record.outcome is Outcome.GOOD, record.reason
        start = record.measured.values["start_s"]
        assert isinstance(start, Estimate) and start.n == 3


def test_what_an_address_says_of_its_bench() -> None:
    known = known_bench("sim://bench-nc-24v?supply=24&bank=2x23")
    assert (known.system_v, known.supply_v, known.bank) == (24.0, 24.0, files.bank("2x23"))
    known = known_bench("sim://LINK")
    assert (known.system_v, known.supply_v, known.bank) == (12.0, None, files.bank("standard"))
    assert known_bench("sim://bench-nc-24v?system=12").system_v == 12.0
    for address in ("auto", "/dev/ttyUSB0", "socket://127.0.0.1:1", "replay://x", ""):
        known = known_bench(address)
        assert (known.system_v, known.supply_v, known.bank) == (None, None, None)
    with pytest.raises(AddressError, match="'nobody'; there are"):
        known_bench("sim://nobody")


def test_the_supply_of_an_address_is_that_of_the_test() -> None:
    address = "sim://bench-el-plain?supply=11"
    record = record_at(address)
    assert record.steps[0].supply_v == 11.0
    assert value(record, "lamp_v") == pytest.approx(11.0, abs=0.16), "less what the unit itself costs"
    assert record.bench_faults == ()
    other = record_at(address, supply=13.5)
    assert other.steps[0].supply_v == 13.5
    assert value(other, "supply_v") == pytest.approx(13.6, abs=0.1)
    with pytest.raises(SetupError, match="a supply of 3 V in a 12 V system, allowed: 40 % to 140 %"):
        made("sim://bench-el-plain?supply=3")


def test_the_system_of_an_address_is_that_of_the_test() -> None:
    assert made("sim://bench-nc-24v").system_v == 24.0
    assert made("sim://bench-nc-24v", system="12").system_v == 12.0
    assert made("auto").system_v == 12.0
    record = record_at("sim://bench-nc-24v")
    assert record.steps[0].supply_v == pytest.approx(25.6)
    assert record.bench_faults == ()


def test_the_python_api_takes_banks_too() -> None:
    result = api.test("sim://bench-el-plain?supply=12", bank="standard", lamps=[6], limits=["un-r48"])
    assert result.record.rated_load == "LED 0.15 A"
    assert result.record.steps[0].supply_v == 12.0
    assert result.record.bench_faults == ()
    with pytest.raises(SetupError, match="the bank led has 1: LED"):
        api.test("sim://bench-el-plain?bank=led", limits=["un-r48"])
