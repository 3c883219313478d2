"""How a recording ends, and what a slow or clipping instrument may make of its flashes: nothing of that is charged to the unit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_recordings import APPLIED_S, LIT_A, SUPPLY_V, closed, columns, estimate, even, judged, line, written

from bench.instrument import InputErrors, Instrument
from bench.outcome import Outcome
from bench.samples import Array
from bench.uncertainty import NotMeasured


def times(rate_hz: float, until_s: float) -> Array:
    return np.arange(int(until_s * rate_hz), dtype=np.float64) / rate_hz


def averaged(values: Array, count: int) -> Array:
    """The mean of each `count` values."""
    return np.asarray(values.reshape(-1, count).mean(axis=1), dtype=np.float64)


# The end.


@pytest.mark.parametrize("dark_s", [1.2, 4.0, 9.0])
@pytest.mark.parametrize("named", [("i_load_A",), ("v_out_V", "i_load_A"), ("v_in_V", "v_out_V", "i_load_A")])
def test_a_dark_end_is_no_fault_of_the_unit_and_no_proof_of_it(tmp_path: Path, dark_s: float, named: tuple[str, ...]) -> None:
    """Twenty good flashes, then somebody opened a switch, or it stopped: who can tell."""
    flashes = even(20)
    t_s = times(1000.0, flashes[-1][1] + dark_s)
    whole = columns(t_s, closed(t_s, flashes), noise=0.002)
    path = written(tmp_path / "r.csv", t_s, {name: whole[name] for name in named})
    record = judged(path, Instrument(), "germany", filament=False)
    assert record.outcome is Outcome.NOT_DECIDED
    assert "the lamps stayed dark for the last" in record.reason and record.measured.facts["behaviour"] == "flashing"
    assert estimate(record, "rate_per_min").value == pytest.approx(60.0 / 0.68, abs=0.05)
    cut = t_s < flashes[-1][1] + 0.4
    short = written(tmp_path / "s.csv", t_s[cut], {name: whole[name][cut] for name in named})
    assert judged(short, Instrument(), "germany", filament=False).outcome is Outcome.GOOD


def test_too_fast_before_a_dark_end_is_charged_all_the_same(tmp_path: Path) -> None:
    t_s = times(1000.0, 18.0) + APPLIED_S
    path = written(tmp_path / "r.csv", t_s - APPLIED_S, columns(t_s, closed(t_s, even(25, on_s=0.2, off_s=0.2))))
    assert judged(path, Instrument(), "germany", fitted=(21.0, 21.0)).outcome is Outcome.NOT_GOOD


def test_what_comes_after_the_supply_came_again_is_not_passed_over_in_silence(tmp_path: Path) -> None:
    """Good for 12 s, off for 1 s, on again and dead: only the first run is read, and it does not stand for the rest."""
    t_s = times(1000.0, 22.0)
    named = columns(t_s, closed(t_s, even(16)))
    off = (t_s >= 12.0) & (t_s < 13.0)
    named = {name: np.where(off | ((t_s >= 13.0) & (name != "v_in_V")), 0.0, values) for name, values in named.items()}
    record = judged(written(tmp_path / "r.csv", t_s, named))
    assert record.outcome is Outcome.NOT_DECIDED
    assert "voltage went off at 12.0 s of the recording and came again; what followed was not read" in record.reason
    once = {name: values[t_s < 12.9] for name, values in named.items()}
    assert judged(written(tmp_path / "s.csv", t_s[t_s < 12.9], once)).outcome is Outcome.GOOD


def test_advice_speaks_of_recording(tmp_path: Path) -> None:
    t_s = times(1000.0, 12.0)
    good = judged(written(tmp_path / "r.csv", t_s, columns(t_s, closed(t_s, even(16)))))
    dead = judged(written(tmp_path / "d.csv", t_s, columns(t_s, closed(t_s, []))))
    for record in (good, dead):
        advice = record.conclusion.advice
        assert "test again" not in advice.lower() and "shorting link" not in advice
    assert dead.conclusion.advice.startswith("Record it ")


# What the instrument makes of it.


def test_inputs_at_their_ends_differ_by_nothing_and_that_is_no_drop(tmp_path: Path) -> None:
    """A contact of 0.9 V on inputs of 10 V: both read 10 V."""
    t_s = times(1000.0, 12.0)
    named = columns(t_s, closed(t_s, even(16)), drop_v=0.9)
    named |= {name: np.minimum(named[name], 10.0) for name in ("v_in_V", "v_out_V")}
    record = judged(written(tmp_path / "r.csv", t_s, named), Instrument(inputs={"all": InputErrors(0.001, (0.01,), highest=10.0)}))
    for name in ("drop_v", "supply_v", "lamp_v"):
        assert isinstance(record.measured.values[name], NotMeasured), name
    assert estimate(record, "rate_per_min").value == pytest.approx(60.0 / 0.68, abs=0.05)


def test_a_reading_that_is_a_mean_over_the_make_is_no_drop(tmp_path: Path) -> None:
    """Twenty means a second: the first of a flash may hold half of the dark before it."""
    t_s = times(2000.0, 40.0)
    named = columns(t_s, closed(t_s, even(50, on_s=0.47, off_s=0.293)), drop_v=0.1)
    path = written(tmp_path / "r.csv", averaged(t_s, 100) + 0.025, {name: averaged(values, 100) for name, values in named.items()})
    stated = Instrument(clock=0.0, skew_s=0.0, sampling_s=0.05, inputs={"all": InputErrors(0.0, (0.01,))})
    found = judged(path, stated).measured.values["drop_v"]
    assert isinstance(found, NotMeasured) or abs(found.value - 0.1) < found.expanded()


def test_means_within_the_inrush_are_no_lamp_that_died(tmp_path: Path) -> None:
    """Ten means a second of cold lamps, tenfold inrush that decays in 30 ms: the current of a flash is read with its inrush or not."""
    t_s = times(2000.0, 40.0)
    flashes = even(50, on_s=0.31, off_s=0.353)
    named = columns(t_s, closed(t_s, flashes))
    for make_s, break_s in flashes:
        lit = (t_s >= make_s) & (t_s < break_s)
        named["i_load_A"][lit] = LIT_A * (1.0 + 9.0 * np.exp(-(t_s[lit] - make_s) / 0.03))
    path = written(tmp_path / "r.csv", averaged(t_s, 200) + 0.05, {name: averaged(values, 200) for name, values in named.items()})
    stated = Instrument(clock=0.0, skew_s=0.0, sampling_s=0.1, inputs={"all": InputErrors(0.001, (0.01,))})
    assert not any(fault.code == "lamp-died" for fault in judged(path, stated, fitted=(21.0, 21.0)).bench_faults)


def test_counts_hide_a_dark_current_that_is_smaller_than_one(tmp_path: Path) -> None:
    """A count of 0.3125 A, noise of 10 mA: 0.1 A reads 0, at rest and dark alike."""
    t_s = times(1000.0, 12.0)
    named = columns(t_s, closed(t_s, even(16)))
    dark = np.where(t_s >= APPLIED_S, 0.1, 0.0) + np.random.default_rng(4).normal(0.0, 0.01, len(t_s))
    named["i_load_A"] = np.round(np.where(named["i_load_A"] > 1.0, LIT_A, dark) / 0.3125) * 0.3125
    errors = InputErrors(0.0, (0.15625,), resolution=0.3125, lowest=-40.0, highest=39.6875)
    found = estimate(judged(written(tmp_path / "r.csv", t_s, named), Instrument(inputs={"i_load": errors})), "dark_a")
    assert abs(found.value - 0.1) < found.expanded()


def test_an_edge_that_meets_the_samples_in_step_is_not_averaged_away(tmp_path: Path) -> None:
    """Fifteen rows a period: the on-time reads 0.25 or 0.30 s for 0.277 s, by which side of a row a little jitter puts it."""
    rng = np.random.default_rng(7)
    flashes = [(1.012 + 0.75 * k + j, 1.289 + 0.75 * k + j) for k, j in enumerate(rng.normal(0.0, 1e-3, 60))]
    t_s = times(20.0, 46.0)
    record = judged(
        written(tmp_path / "r.csv", t_s, columns(t_s, closed(t_s, flashes))),
        Instrument(clock=0.0, skew_s=0.0, sampling_s=0.0, inputs={"all": InputErrors(0.0, (0.01,))}),
    )
    assert line(record, "on_s", "make against break").u == pytest.approx(0.05 / np.sqrt(6.0), rel=0.05)
    assert abs(estimate(record, "on_s").value - 0.277) < estimate(record, "on_s").expanded()


@pytest.mark.parametrize(("cold_ohm", "cold"), [(0.38, True), (0.9, False)])
def test_cold_lamps_on_leads_of_nobody_knows_what(tmp_path: Path, cold_ohm: float, cold: bool) -> None:
    """Two 21 W lamps have 0.25 ohm cold; clamps and leads may add half of that, and a second after they were lit lamps have far more."""
    t_s = times(10000.0, 8.0)
    named = columns(t_s, closed(t_s, even(10)))
    for make_s, break_s in even(10):
        lit = (t_s >= make_s) & (t_s < break_s)
        named["i_load_A"][lit] = LIT_A + ((SUPPLY_V - 0.2) / cold_ohm - LIT_A) * np.exp(-(t_s[lit] - make_s) / 0.03)
    record = judged(written(tmp_path / "r.csv", t_s, named), Instrument(), fitted=(21.0, 21.0))
    assert any(fault.code == "lamps-not-cold" for fault in record.bench_faults) is not cold
