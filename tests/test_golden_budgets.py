"""Whole budgets of waves with a known truth: every component of every value as it was kept, and the main ones by a calculation of its own.

A budget that differs is left beside its golden file as `.actual`: look at what changed, and rename it if it is right.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hand_evidence import estimate, near, parts
from scipy import stats
from waves import ACCURACY, Wave, flashes

from bench.analysis import Pipeline
from bench.clock import ClockComparison
from bench.description import CommonModeError
from bench.measure import Conditions, Counts, Evidence, Measured, measure
from bench.samples import Accuracy, Block
from bench.uncertainty import Estimate, NotMeasured

GOLDEN = Path(__file__).parent / "golden"
HALF_WIDTH, OFF = 0.005, 0.0021
# A drop amplifier that shows 0.2 % of the input, known to 0.03 %.
BOARD = ACCURACY | {"v_drop": replace(ACCURACY["v_drop"], common=(CommonModeError("v_in", u=3e-4, part=0.002),))}
# A plain oscilloscope: 3 % of the reading and 1 % of full scale as half-widths, 8 bits.
SCOPE_U = 0.03 / math.sqrt(3.0)
SCOPE = {
    name: Accuracy(-math.inf, math.inf, SCOPE_U, 0.01 * full / math.sqrt(3.0), full / 256 / math.sqrt(12.0), full / 256)
    for name, full in (("v_in", 20.0), ("v_out", 20.0), ("i_load", 50.0))
}
LAMPS = Conditions(lamps_w=(21.0, 21.0))


@dataclass(frozen=True)
class Run:
    """A wave, what it is seen with, and which cycles count. `clock_s`: for how long the clocks were compared."""

    wave: Wave
    counts: Counts = field(default_factory=lambda: Counts(2, 3))
    conditions: Conditions = LAMPS
    accuracies: Mapping[str, Accuracy] = field(default_factory=lambda: BOARD)
    clock_s: float = 0.0


def uneven(n: int, first_s: float, sway_s: float = 4e-3) -> list[float]:
    """Flashes of 0.35 s whose pauses sway about 0.32 s."""
    edges = flashes(n, first_s=first_s)
    return [t + sway_s * math.sin(2.6 * (k // 2)) for k, t in enumerate(edges)]


FILM = tuple(0.05 + 0.2 * math.exp(-k / 6.0) for k in range(20))
RUNS = {
    "board": Run(Wave(uneven(14, 1.4), 10.9, applied_s=1.2, steady_a=3.6, noise=1.0, tau_s=47e-6, dark_a=0.02), clock_s=20.0),
    "clock-not-corrected": Run(Wave(uneven(12, 1.4), 9.5, applied_s=1.2, noise=1.0, tau_s=47e-6)),
    "found-flashing": Run(Wave([-1.0, 0.4, *uneven(12, 0.7)], 8.8, applied_s=-1.0, noise=1.0), conditions=Conditions(filament=False)),
    "recording": Run(Wave(uneven(12, 1.4), 9.5, applied_s=1.2, noise=1.0), accuracies=SCOPE),
    "stays-lit": Run(Wave([1.2, 99.0], 9.0, applied_s=1.2, noise=1.0, contact_ohm=0.05)),
    "short-flashes": Run(Wave(flashes(12, first_s=1.3, on_s=0.05), 5.6, applied_s=1.2, noise=1.0, inrush_s=33e-3, inrush=2.0)),
    "film-going": Run(Wave(uneven(9, 1.4), 7.5, applied_s=1.2, noise=1.0, first_ohms=FILM)),
}


def seen(run: Run) -> Evidence:
    """The evidence of the run, with the lines of samples that its accuracies name."""
    clock = ClockComparison(HALF_WIDTH)
    rng = np.random.default_rng(7)
    for t in np.arange(0.0, run.clock_s, 0.05):
        clock.add(float(t), float(t) * (1.0 + OFF) + float(rng.exponential(2e-3)))
    line = Pipeline(run.accuracies, dict.fromkeys(run.accuracies, run.wave.tau_s), run.conditions, clock, HALF_WIDTH)
    for block in run.wave.blocks():
        line.feed(Block(block.begin_s, block.end_s, {name: block.traces[name] for name in run.accuracies}, block.gap_before))
    line.finish()
    return line.evidence()


@cache
def evidence(name: str) -> Evidence:
    return seen(RUNS[name])


def measured(name: str) -> Measured:
    return measure(evidence(name), RUNS[name].counts)


def budget_text(m: Measured) -> str:
    """Every value, and under it every component of its budget, to three digits."""
    rows = []
    for name, found in m.values.items():
        if isinstance(found, NotMeasured):
            rows.append(f"{name}: not measured, fault {found.fault}: {found.reason}")
            continue
        note = f" ({found.note})" if found.note else ""
        rows.append(f"{name}: {_three(found.value)} {found.unit}, u {_three(found.u)}, n {found.n}{note}")
        for c in found.budget:
            rows.append(f"    {_three(c.u):>9}  {c.kind}  dof {_three(c.dof):<4}  {c.shape:<12}  {c.source}")
    return "\n".join(rows) + "\n"


def _three(x: float) -> str:
    # What is smaller is rounding, which differs from one computer to the other.
    return f"{x:.3g}" if abs(x) > 1e-12 else "0"


@pytest.mark.parametrize("name", sorted(RUNS))
def test_budgets_are_as_kept(name: str) -> None:
    kept, actual = GOLDEN / f"budget-{name}.txt", GOLDEN / f"budget-{name}.actual"
    text = budget_text(measured(name))
    actual.write_text(text, encoding="utf-8")
    assert kept.exists() and text == kept.read_text(encoding="utf-8"), f"compare {kept} with {actual}"
    actual.unlink()


# Why they are right.


def test_rates_lean_on_the_clock() -> None:
    """Not compared, 0.5 % either way alike; compared for 20 s with 2 ms of lateness, it is its line's slope and the host's 50 ppm."""
    alone = parts(estimate(measured("clock-not-corrected"), "rate_per_min"))["board's clock (its own tolerance)"]
    rate = estimate(measured("clock-not-corrected"), "rate_per_min").value
    assert (alone.u, alone.shape) == (near(rate * 0.005 / math.sqrt(3.0)), "rectangular")
    m = measured("board")
    assert estimate(m, "clock_error").value == near(OFF, abs=5e-5)
    assert estimate(m, "on_s").value == near(0.35 * (1.0 + OFF), rel=2e-4)
    for name in ("rate_per_min", "on_s", "off_s", "first_light_s", "bounce_make_s"):
        found = estimate(m, name)
        host = parts(found)["host's clock"]
        assert (host.u, host.shape) == (near(found.value * 50e-6 / math.sqrt(3.0)), "rectangular"), name
        assert 0.0 <= parts(found)["board's clock against the host's"].u <= 1e-4 * found.value, name


@pytest.mark.parametrize("name", ["board", "clock-not-corrected", "recording", "found-flashing"])
def test_scatter_is_that_of_the_cycles(name: str) -> None:
    m, e = measured(name), evidence(name)
    counted = list(e.cycles)[2:]
    factor = 1.0 + e.clock.rel_error
    for quantity, values in (
        ("on_s", [c.on_s for c in counted]),
        ("off_s", [c.off_s for c in counted]),
        ("supply_v", [c.lit.supply.value for c in counted if c.lit.supply is not None]),
        ("lamp_v", [c.lit.lamp.value for c in counted if c.lit.lamp is not None]),
        ("steady_a", [c.lit.steady.value for c in counted if c.lit.steady is not None]),
    ):
        found = estimate(m, quantity)
        (scatter,) = [c for c in found.budget if "scatter of" in c.source]
        # A duration's two instants are in its scatter too: what they add stands beside it.
        edges = parts(found)["make against break"].u if quantity in ("on_s", "off_s") else 0.0
        if 1.5 * edges < stats.sem(values):
            assert math.hypot(scatter.u, edges) == near(stats.sem(values), rel=0.03, abs=1e-15), quantity
        assert (scatter.dof, scatter.kind, found.n) == (len(values) - 1, "A", len(values)), quantity
    periods = np.array([c.period_s for c in counted]) * factor
    assert estimate(m, "rate_per_min").value == near(float((60.0 / periods).mean()))
    assert estimate(m, "period_spread").value == near(float(np.std(periods, ddof=1) / periods.mean()), rel=1e-3)


def test_instants_count_at_both_ends() -> None:
    e, m = evidence("board"), measured("board")
    counted = list(e.cycles)[2:]
    make_u, break_u = (float(np.median([getattr(c, edge).u_s for c in counted])) for edge in ("begun", "broke"))
    # An edge in a sample of 130 us behind a filter of 47 us is known to some microseconds.
    assert 1e-6 < make_u < 2e-5 and 1e-6 < break_u < 2e-5
    # The flashes are all alike, far below what an instant is known to: none of that is averaged away.
    assert parts(estimate(m, "on_s"))["make against break"].u == near(math.hypot(make_u, break_u), rel=0.03)
    period = estimate(m, "on_s").value + estimate(m, "off_s").value
    total_s = len(counted) * period
    assert parts(estimate(m, "rate_per_min"))["instants of make"].u == near(60.0 / period * math.sqrt(2.0) * make_u / total_s, rel=0.01)


def test_the_drop_of_the_board() -> None:
    """0.1 ohm at 3.6 A, less zero and common mode, which this wave does not have: they show as an error of what was taken off."""
    found = estimate(measured("board"), "drop_v")
    supply = estimate(measured("board"), "supply_v").value
    assert found.value == near(0.36 - 0.002 * 12.8, abs=1e-3)
    by_source = parts(found)
    assert by_source["v_drop: scale"].u == near(found.value * 1e-3, rel=0.01)
    assert by_source["v_drop: share of v_in"].u == near(3e-4 * supply, rel=1e-3)
    rest_n = 0.999 / 130e-6
    assert by_source["v_drop: zero (taken at rest)"].u == near(6e-4 / math.sqrt(rest_n), rel=0.05)
    assert by_source["v_drop: linearity and counts"].u == near(math.sqrt(2.0) * 5e-4)
    assert len(by_source) == 5


@pytest.mark.parametrize(("name", "rest"), [("board", True), ("found-flashing", False)])
def test_a_zero_is_that_of_the_rest_or_else_of_the_range(name: str, rest: bool) -> None:
    by_source = parts(estimate(measured(name), "steady_a"))
    assert ("i_load_low: zero (taken at rest)" in by_source) is rest
    assert ("i_load_low: zero" in by_source) is not rest
    if rest:
        assert by_source["i_load_low: zero (taken at rest)"].u == near(0.005 / math.sqrt(0.999 / 130e-6), rel=0.05)
        # 3.6 A are 0.44 of the range away from zero: both readings have their own linearity.
        assert by_source["i_load_low: linearity and counts"].u == near(math.sqrt(2.0) * 0.004)
    else:
        assert (by_source["i_load_low: zero"].u, by_source["i_load_low: linearity and counts"].u) == (0.004, 0.004)
    assert by_source["i_load_low: scale"].u == near(3.6 * 1e-3, rel=0.01)


def test_a_leak_near_zero_has_next_to_no_linearity() -> None:
    """20 mA are 0.0024 of 8.17 A: but for what neighbouring counts differ by, the errors are the same as at rest."""
    by_source = parts(estimate(measured("board"), "dark_a"))
    assert by_source["i_load_low: linearity and counts"].u == near(math.sqrt(2.0) * 0.004 * 0.14)
    assert by_source["i_load_low: scale"].u == near(0.02 * 1e-3, rel=0.02)


def test_a_recording_is_as_good_as_its_instrument() -> None:
    """The drop is a difference of two voltages of 3 %: no better than a third of a volt, whatever the flashes scatter by."""
    m = measured("recording")
    drop, supply, steady = (estimate(m, name) for name in ("drop_v", "supply_v", "steady_a"))
    zero_v, line_v = 0.2 / math.sqrt(3.0), 20.0 / 256 / math.sqrt(12.0)
    assert [c.u for c in drop.budget[1:]] == near([12.8 * SCOPE_U, zero_v, line_v, 12.44 * SCOPE_U, zero_v, line_v], rel=1e-3)
    assert parts(supply)["v_in: scale"].u == near(12.8 * SCOPE_U, rel=1e-3)
    assert parts(steady)["i_load: scale"].u == near(3.6 * SCOPE_U, rel=5e-3)
    assert drop.u == near(math.hypot(12.8 * SCOPE_U, 12.44 * SCOPE_U, math.sqrt(2.0) * math.hypot(zero_v, line_v)), rel=1e-3)
    assert isinstance(m.values["pilot_on_v"], NotMeasured)


def test_what_short_flashes_and_few_of_them_leave_open() -> None:
    short = parts(estimate(measured("short-flashes"), "steady_a"))["inrush not over"]
    assert short.u == near(estimate(measured("short-flashes"), "steady_a").value * 2.0 * math.exp(-50 / 33) / math.sqrt(3.0), rel=0.02)
    film = parts(estimate(measured("film-going"), "drop_v"))["a film still going away"]
    last = list(evidence("film-going").cycles)[-1].lit.drop
    assert last is not None and film.u == near((last.value - 0.002 * 12.8) / math.sqrt(3.0), rel=0.02)
    assert estimate(measured("stays-lit"), "drop_v").n == 1
    # A straight line through 50 ms, at its end: twice the noise of the mean.
    noise = parts(estimate(measured("stays-lit"), "steady_a"))["i_load_low: noise"]
    assert noise.u == near(0.005 * 2.0 / math.sqrt(0.05 / 130e-6), rel=0.1)


@pytest.mark.parametrize("name", sorted(RUNS))
def test_u_is_the_root_sum_of_squares_and_no_line_stands_twice(name: str) -> None:
    for quantity, found in measured(name).values.items():
        if isinstance(found, Estimate):
            assert found.u == near(math.sqrt(sum(c.u**2 for c in found.budget)))
            # Of one range the inrush and the steady current have the errors of that range both, as if they were independent.
            assert len({c.source for c in found.budget}) == len(found.budget), quantity


TRUTHS: Mapping[str, Callable[[Measured], Mapping[str, float]]] = {
    "board": lambda _: {"supply_v": 12.8, "lamp_v": 12.44, "steady_a": 3.6, "inrush_first_a": 36.0, "dark_a": 0.02, "pilot_on_v": 12.0},
    "recording": lambda _: {"supply_v": 12.8, "lamp_v": 12.44, "steady_a": 3.6, "inrush_first_a": 36.0, "drop_v": 0.36},
    "stays-lit": lambda _: {"supply_v": 12.8, "lamp_v": 12.62, "steady_a": 3.6},
    "short-flashes": lambda _: {"steady_a": 3.6},
}


@pytest.mark.parametrize("name", sorted(TRUTHS))
def test_the_intervals_hold_what_the_waves_were_made_of(name: str) -> None:
    m = measured(name)
    for quantity, truth in TRUTHS[name](m).items():
        found = estimate(m, quantity)
        assert abs(found.value - truth) <= found.expanded(), quantity
