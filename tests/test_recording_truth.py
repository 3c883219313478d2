"""Recordings whose truth is known by hand: an uncertainty covers what the instrument may have done, and words say what was seen."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from made_recordings import APPLIED_S, LIT_A, closed, columns, estimate, even, judged, line, written

from bench.instrument import InputErrors, Instrument
from bench.outcome import Outcome
from bench.samples import Array
from bench.uncertainty import NotMeasured

EXACT = Instrument(clock=0.0, skew_s=0.0, sampling_s=0.0, inputs={"all": InputErrors(0.0, (1e-6,))})
RATE = 60.0 / 0.68


def times(rate_hz: float, until_s: float = 12.0, phase: float = 0.0) -> Array:
    return np.arange(int(until_s * rate_hz), dtype=np.float64) / rate_hz + phase / rate_hz


def made(
    tmp_path: Path, rate_hz: float = 2000.0, *, ramp_s: float = 0.0, flashes: list[tuple[float, float]] | None = None, leak_v: float = 0.0
) -> Path:
    t_s = times(rate_hz)
    on = closed(t_s, even(16) if flashes is None else flashes, ramp_s)
    return written(tmp_path / "r.csv", t_s, columns(t_s, on, leak_v=leak_v))


# Clock and skew.


@pytest.mark.parametrize(("clock", "half_width"), [(None, 5e-3), (50e-6, 50e-6)])
def test_the_clock_is_as_stated_or_wide(tmp_path: Path, clock: float | None, half_width: float) -> None:
    record = judged(made(tmp_path), Instrument(clock=clock))
    found = line(record, "rate_per_min", "instrument's clock (its own tolerance)")
    assert found.u == pytest.approx(RATE * half_width / math.sqrt(3.0), rel=1e-3) and found.shape == "rectangular"
    assert ("clock (0.5 % taken)" in record.recording.not_stated) is (clock is None)  # type: ignore[union-attr]


@pytest.mark.parametrize(("skew_s", "half_width_s"), [(None, 5e-4), (2e-4, 2e-4)])
def test_channels_of_a_row_may_lie_apart_in_time(tmp_path: Path, skew_s: float | None, half_width_s: float) -> None:
    record = judged(made(tmp_path), Instrument(skew_s=skew_s))
    found = line(record, "start_s", "input and output not sampled together")
    assert found.u == pytest.approx(half_width_s / math.sqrt(3.0), rel=1e-3) and found.shape == "rectangular"


def test_a_known_delay_is_taken_off(tmp_path: Path) -> None:
    """The output is read 20 ms after the input: the light seems early by that."""
    t_s = times(2000.0)
    named = columns(t_s, closed(t_s, even(16, first_s=1.3)))
    named["v_out_V"] = columns(t_s + 0.02, closed(t_s + 0.02, even(16, first_s=1.3)))["v_out_V"]
    path = written(tmp_path / "r.csv", t_s, named)
    late = Instrument(inputs={"v_out": InputErrors(0.01, (), delay_s=0.02)})
    assert estimate(judged(path), "first_light_s").value == pytest.approx(0.28, abs=5e-4)
    assert estimate(judged(path, late), "first_light_s").value == pytest.approx(0.30, abs=5e-4)


# Instants between samples.


@pytest.mark.parametrize("phase", [0.1, 0.4, 0.8])
def test_a_steady_unit_on_a_slow_logger_is_not_irregular(tmp_path: Path, phase: float) -> None:
    """Ten rows a second: what the period scatters by is the sampling's."""
    t_s = times(10.0, 30.0, phase)
    path = written(tmp_path / "r.csv", t_s, columns(t_s, closed(t_s, even(40, on_s=0.361, off_s=0.327))))
    record = judged(path, EXACT)
    assert record.measured.facts["behaviour"] == "flashing"
    spread, rate = estimate(record, "period_spread"), estimate(record, "rate_per_min")
    assert spread.value - spread.expanded() <= 0.0
    assert abs(rate.value - 60.0 / 0.688) < rate.expanded()


@pytest.mark.parametrize("phase", [0.05, 0.35, 0.65, 0.95])
def test_no_flash_is_long_for_the_sampling_alone(tmp_path: Path, phase: float) -> None:
    """On for 0.27 s: a logger of ten rows a second sees two rows or three of it, which is half as long again; one of 0.8 s it sees too."""
    t_s = times(10.0, 30.0, phase)
    flashes = [(1.0 + 0.637 * k, 1.27 + 0.637 * k) for k in range(40)]
    steady = judged(written(tmp_path / "a.csv", t_s, columns(t_s, closed(t_s, flashes))), EXACT)
    assert [estimate(steady, name).value for name in ("missed", "stuck")] == [0.0, 0.0]
    late = [(make_s + 0.6 * (k > 20), break_s + 0.6 * (k >= 20)) for k, (make_s, break_s) in enumerate(flashes)]
    stuck = judged(written(tmp_path / "b.csv", t_s, columns(t_s, closed(t_s, late))), EXACT)
    assert [estimate(stuck, name).value for name in ("missed", "stuck")] == [0.0, 1.0]
    gone = judged(written(tmp_path / "c.csv", t_s, columns(t_s, closed(t_s, [*flashes[:20], *flashes[21:]]))), EXACT)
    assert [estimate(gone, name).value for name in ("missed", "stuck")] == [1.0, 0.0]


@pytest.mark.parametrize("rate_hz", [2000.0, 100.0, 24.0, 10.0])
def test_the_first_flash_of_a_heater_that_was_cold_is_long_on_any_instrument(tmp_path: Path, rate_hz: float) -> None:
    """Closed at rest, 0.7 s lit from cold and 0.35 s ever after: so are thermal units, whether the instrument shows how it rests or not
    (the output is read a little before the input, and may show the light one row later)."""
    t_s = times(rate_hz, 15.0, 0.3)
    before_s = 0.7 / rate_hz
    flashes = [(1.0, 1.7), *even(18, first_s=2.03)]
    named = columns(t_s, closed(t_s, flashes))
    named["v_out_V"] = columns(t_s - before_s, closed(t_s - before_s, flashes))["v_out_V"]
    record = judged(written(tmp_path / "r.csv", t_s, named))
    assert estimate(record, "stuck").value == 0.0
    assert record.measured.facts["behaviour"] == "flashing"


def test_what_meets_the_samples_alike_every_time_is_not_averaged_away(tmp_path: Path) -> None:
    """34 samples a period: each make lies as far behind a sample as the first, and all on-times are wrong by the same."""
    record = judged(made(tmp_path, 50.0, flashes=even(16, first_s=1.0131, on_s=0.3515, off_s=0.3285)), EXACT)
    on_s, drift = estimate(record, "on_s"), estimate(record, "rate_drift_per_min2")
    assert abs(on_s.value - 0.3515) < on_s.expanded()
    assert line(record, "on_s", "make against break").u == pytest.approx(0.02 / math.sqrt(6.0), rel=0.05)
    assert abs(drift.value) < 1e-9 < drift.u, "no scatter is no certainty"


@pytest.mark.parametrize("ramp_s", [2e-3, 6e-3])
def test_when_a_soft_edge_is_on_is_a_matter_of_definition(tmp_path: Path, ramp_s: float) -> None:
    record = judged(made(tmp_path, 5000.0, ramp_s=ramp_s, flashes=even(15, first_s=1.3)), EXACT)
    both = line(record, "on_s", "make and break take their time")
    assert both.u == pytest.approx(math.sqrt(2.0) * 0.3 * ramp_s / math.sqrt(3.0), rel=0.1)
    assert estimate(record, "steady_a").value == pytest.approx(LIT_A, rel=1e-3), "no part of an edge is in the level"
    assert isinstance(record.measured.values["inrush_first_a"], NotMeasured)


# Zeros and clipping.


def test_an_open_switch_leaves_millivolts_that_are_no_zero_of_the_drop(tmp_path: Path) -> None:
    found = estimate(judged(made(tmp_path, leak_v=0.03), EXACT), "drop_v")
    assert found.value == pytest.approx(0.2, abs=1e-4)


@pytest.mark.parametrize(("clips", "zero_at_rest"), [(True, False), (False, True)])
def test_a_zero_that_is_clipped_is_not_taken_at_rest(tmp_path: Path, clips: bool, zero_at_rest: bool) -> None:
    """The input reads 0.15 A too little: a unipolar one reads exactly 0 at rest all the same."""
    t_s = times(2000.0)
    named = columns(t_s, closed(t_s, even(16)))
    named["i_load_A"] = named["i_load_A"] - 0.15
    if clips:
        named["i_load_A"] = np.maximum(named["i_load_A"], 0.0)
    path = written(tmp_path / "r.csv", t_s, named, digits=3)
    record = judged(path, Instrument(inputs={"i_load": InputErrors(0.0, (0.2,))}))
    found = estimate(record, "steady_a")
    assert any("zero (taken at rest)" in one.source for one in found.budget) is zero_at_rest
    assert abs(found.value - LIT_A) < found.expanded()
    assert found.value == pytest.approx(LIT_A if zero_at_rest else LIT_A - 0.15, abs=2e-3)
    assert any("its zero may be hidden" in note for note in record.notes) is clips


def test_a_level_at_the_end_of_the_range_is_not_measured(tmp_path: Path) -> None:
    record = judged(made(tmp_path), Instrument(inputs={"i_load": InputErrors(0.01, (), highest=3.5)}))
    assert isinstance(record.measured.values["steady_a"], NotMeasured)
    assert estimate(record, "rate_per_min").value == pytest.approx(RATE, rel=1e-3)


def test_a_current_read_within_the_inrush_says_what_it_may_still_fall_by(tmp_path: Path) -> None:
    """Flashes of 60 ms on a logger of 100 rows a second: at the end a cold lamp still takes much more than when hot."""
    record = judged(made(tmp_path, 100.0, flashes=even(16, on_s=0.06, off_s=0.62)), EXACT, fitted=(21.0, 21.0))
    assert line(record, "steady_a", "inrush not over").u > 0.2 * LIT_A


# The current alone.


@pytest.mark.parametrize("zero_a", [-0.11, 0.0, 0.12])
def test_a_small_current_on_a_probe_whose_zero_is_off(tmp_path: Path, zero_a: float) -> None:
    """LED lamps of 0.32 A, a probe that is off by a third of that: the two levels tell, not 0."""
    t_s = times(2000.0)
    noise = np.random.default_rng(3).normal(0.0, 0.02, len(t_s))
    path = written(tmp_path / "r.csv", t_s, {"i_load_A": 0.32 * closed(t_s, even(16)) + zero_a + noise})
    record = judged(path, Instrument(clock=0.0, inputs={"i_load": InputErrors(0.01, (0.15,))}), filament=False)
    assert record.measured.facts["behaviour"] == "flashing"
    rate = estimate(record, "rate_per_min")
    assert abs(rate.value - RATE) < rate.expanded() < 1.0
    assert estimate(record, "steady_a").value == pytest.approx(0.32 + zero_a, abs=0.01)


def test_noise_lights_no_lamp(tmp_path: Path) -> None:
    t_s = times(2000.0)
    path = written(tmp_path / "r.csv", t_s, {"i_load_A": np.random.default_rng(1).normal(0.0, 0.02, len(t_s))})
    record = judged(path, fitted=(21.0, 21.0))
    assert (record.outcome, record.bench_faults) == (Outcome.NOT_DECIDED, ())
    assert record.measured.facts["behaviour"] == "too few", "nor is anything known of the supply"


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_probe_the_other_way_round_is_turned_and_a_zero_is_not(tmp_path: Path, sign: float) -> None:
    t_s = times(2000.0)
    named = columns(t_s, closed(t_s, even(16)))
    named["i_load_A"] = sign * named["i_load_A"] / LIT_A * 0.3 - 0.43
    record = judged(written(tmp_path / "r.csv", t_s, named), Instrument(inputs={"i_load": InputErrors(0.0, (0.7,))}), filament=False)
    assert any("i_load: recorded the other way round" in note for note in record.notes) is (sign < 0.0)
    assert estimate(record, "steady_a").value == pytest.approx(0.3, abs=2e-3), "the zero was read at rest"


# Lamps, and words.


def test_lamps_that_nobody_stated_are_not_guessed(tmp_path: Path) -> None:
    path = made(tmp_path)
    plain, small = judged(path), judged(path, fitted=(5.0, 5.0))
    assert (plain.bench_faults, plain.load, plain.outcome) == ((), "lamps not stated", Outcome.GOOD)
    assert small.outcome is Outcome.BENCH_FAULT
    rated = judged(path, rated=(21.0, 21.0), rating_known=True)
    assert (rated.load, rated.setup.fitted_w, plain.setup.rated_w) == ("2 x 21 W", None, ())
    assert judged(path, fitted=(21.0,), rated=(21.0, 21.0), rating_known=True).load == "21 W"


def test_too_fast_on_lamps_not_stated_is_not_decided(tmp_path: Path) -> None:
    t_s = times(2000.0)
    # (Voltage was on before: of lamps that were never seen cold nothing is asked.)
    path = written(tmp_path / "r.csv", t_s, columns(t_s + 1.0, closed(t_s + 1.0, even(30, on_s=0.2, off_s=0.2))))
    assert judged(path).outcome is Outcome.NOT_DECIDED
    assert judged(path, EXACT, fitted=(21.0, 21.0)).outcome is Outcome.NOT_GOOD


@pytest.mark.parametrize("named", [("v_out_V",), ("v_out_V", "i_load_A")])
def test_a_leak_is_not_light_because_the_input_is_missing(tmp_path: Path, named: tuple[str, ...]) -> None:
    """Dark at 0 before voltage comes, then at half the supply through a leak of 30 mA: the lamps flash all the same."""
    t_s = times(2000.0)
    on, powered = closed(t_s, even(16)), t_s >= APPLIED_S
    whole = {"v_out_V": np.where(on > 0.5, 12.6, 6.5 * powered), "i_load_A": np.where(on > 0.5, 0.32, 0.03 * powered)}
    record = judged(written(tmp_path / "r.csv", t_s, {name: whole[name] for name in named}), filament=False)
    assert record.measured.facts["behaviour"] == "flashing"
    assert estimate(record, "on_ratio").value == pytest.approx(0.35 / 0.68, abs=2e-3)


@pytest.mark.parametrize(("blip_s", "light_s", "out_s"), [(0.012, 0.6, 0.95), (0.03, 0.0, 0.03), (0.09, 0.0, 0.09)])
def test_a_blip_that_gives_light_is_the_first_light(tmp_path: Path, blip_s: float, light_s: float, out_s: float) -> None:
    """A unit open at rest all the same: its start ends with its first full cycle."""
    record = judged(made(tmp_path, flashes=[(1.0, 1.0 + blip_s), *even(14, first_s=1.6)]))
    assert record.measured.facts["rest"] == "open"
    assert estimate(record, "first_light_s").value == pytest.approx(light_s, abs=6e-4)
    assert estimate(record, "first_extinction_s").value == pytest.approx(out_s, abs=6e-4)
    assert estimate(record, "start_s").value == pytest.approx(0.95, abs=6e-4)


@pytest.mark.parametrize(
    ("rate_hz", "after_s", "rest"),
    [(20000.0, 0.003, "closed"), (20000.0, 0.007, "open"), (500.0, 0.006, "unknown"), (100.0, 0.0, "closed"), (10.0, 0.0, "unknown"),
     (100.0, 0.2, "open")],
)  # fmt: skip
def test_closing_at_once_is_told_with_its_doubt(tmp_path: Path, rate_hz: float, after_s: float, rest: str) -> None:
    t_s = times(rate_hz, 20.0)
    path = written(tmp_path / "r.csv", t_s, columns(t_s, closed(t_s, even(26, first_s=1.0 + after_s))))
    assert judged(path).measured.facts["rest"] == rest
