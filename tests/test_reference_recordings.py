"""The reference set (reports/recordings.py) in small: units of ngspice, recorded with errors, are judged as they truly are.

The truth itself is checked against netlists whose edges are known by hand, and the instruments against their own data sheets.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from bench.instrument import parse_instrument
from reports import recordings
from reports.ngspice import Waves
from reports.reference_instruments import INSTRUMENTS, Channel, Instrument, Timing, record
from reports.reference_units import NETLISTS, UNITS, Reference, truth

UNITS_HERE = ("thermal", "hot-wire-hold", "electronic-leaky")
INSTRUMENTS_HERE = ("interleaved", "slow", "unipolar")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("recordings")


@pytest.fixture(scope="module")
def judged(folder: Path) -> list[recordings.Judged]:
    return list(recordings.run(2, 1, UNITS_HERE, INSTRUMENTS_HERE, folder))


@pytest.mark.parametrize("stated", [True, False])
def test_intervals_hold_the_truth_as_often_as_they_say(judged: list[recordings.Judged], stated: bool) -> None:
    values = [value for one in judged if one.stated == stated for value in one.values]
    held = [value.held for value in values]
    # 18 recordings; the values of one share its errors. 95 % of intervals should hold; without a data sheet they are wide.
    assert len(values) > 230
    assert sum(held) / len(held) >= 0.93
    outside = Counter(value.quantity for value in values if not value.held)
    # Of 18 intervals at 95 % more than 4 are outside in 2 of 1000 sets, half as wide ones usually.
    assert {quantity: count for quantity, count in outside.items() if count > 4} == {}
    assert all(value.part < 2.0 for value in values)


def test_nothing_wrong_is_said_of_sound_benches(judged: list[recordings.Judged]) -> None:
    assert len(judged) == 2 * 2 * len(UNITS_HERE) * len(INSTRUMENTS_HERE)
    assert [one.crash for one in judged if one.crash] == []
    assert [(one.name, one.wrong_verdicts) for one in judged if one.wrong_verdicts] == []
    assert [(one.name, one.faults) for one in judged if one.faults] == []
    assert [(one.name, text) for one in judged for text in one.wrong if "behaviour" in text or "rest" in text] == []
    assert sum(one.definite for one in judged) > 120


def test_a_stated_instrument_makes_intervals_narrower(judged: list[recordings.Judged]) -> None:
    for quantity, times in (("rate_per_min", 1.3), ("supply_v", 2.0)):
        widths = {
            stated: [v.expanded for one in judged if one.stated == stated for v in one.values if v.quantity == quantity]
            for stated in (True, False)
        }
        assert np.median(widths[False]) > times * np.median(widths[True]), quantity


def test_what_is_not_so_is_counted(folder: Path) -> None:
    """A recording of a sound unit held against the waves of a fast one: rate and verdicts on it are wrong, and are said to be."""
    sound, fast = (Reference(unit, unit.run(folder)) for unit in (UNITS["electronic"], UNITS["electronic-fast"]))
    recorded = record(INSTRUMENTS["unipolar"], sound.waves, 12.0, np.random.default_rng(1), folder / "sound.csv")
    right = recordings.judge(sound, "electronic", "unipolar", 1, recorded, stated=True)
    wrong = recordings.judge(fast, "electronic", "unipolar", 1, recorded, stated=True)
    assert {v.quantity for v in right.values if not v.held} & {"rate_per_min", "on_ratio"} == set() == set(right.wrong_verdicts)
    assert {v.quantity for v in wrong.values if not v.held} >= {"rate_per_min", "rate_total_per_min", "on_ratio", "on_s", "off_s"}
    assert sorted(text.split(",")[0] for text in wrong.wrong_verdicts) == [
        "iso-4082: on_ratio pass", "iso-4082: rate_per_min pass", "un-r48: rate_per_min pass",
    ]  # fmt: skip
    assert recordings.tables([wrong]).count("  0.0%") >= 10
    assert "of them wrong 3" in recordings.said_wrong([wrong])


def test_the_truth_of_a_timed_unit_is_what_its_netlist_says(folder: Path) -> None:
    unit = UNITS["electronic-leaky"]
    reference = Reference(unit, unit.run(folder))
    found = truth(reference, 0.0, 13.5, (), None)
    period_s, lit_s = unit.parameters["period"], unit.parameters["lit"]
    assert found.cycles == 11  # makes at 1.42373 s + 0, 1 ... 16 periods; 16 cycles, of which 5 are skipped
    expected = {
        "rate_per_min": 60.0 / period_s, "rate_total_per_min": 60.0 / period_s, "on_s": lit_s, "off_s": period_s - lit_s,
        "on_ratio": lit_s / period_s, "first_light_s": 0.42373, "first_extinction_s": 0.42373 + lit_s, "start_s": 0.42373 + lit_s,
    }  # fmt: skip
    for name, value in expected.items():
        assert found.values[name] == pytest.approx(value, abs=3e-6 if name.endswith("_s") else 3e-4), name
    assert found.values["period_spread"] < 1e-6
    # 13.16 V over the leak, loop and lamps; shunt and contact; two 21 W lamps (the handbook's 1.797 A each at 12.8 V).
    assert found.values["dark_a"] == pytest.approx(13.16 / 2100.0, rel=0.01)
    assert found.values["contact_ohm"] == pytest.approx(0.045, rel=0.01)
    assert found.values["steady_a"] == pytest.approx(3.594, rel=0.005)
    assert found.facts == {"behaviour": "flashing", "rest": "open"}
    late = truth(reference, 4.0, 13.5, ((6.0, 6.1),), None)
    # Makes from 4.27 s on: 12 cycles; the pause breaks the one that began at 5.69 s, 5 of the rest are skipped.
    assert late.cycles == 6 and late.facts["rest"] == "unknown" and "first_light_s" not in late.values


def test_the_truth_of_listed_edges_is_the_list_and_its_scatter(folder: Path) -> None:
    unit = UNITS["skipping"]
    found = truth(Reference(unit, unit.run(folder)), 0.0, 17.9, (), None)
    assert (found.values["missed"], found.values["stuck"]) == (2.0, 1.0)
    lines = (NETLISTS / "irregular.cir").read_text(encoding="utf-8").splitlines()
    listed = [float(t) for line in lines if line.startswith("+") for t in line.strip("+)").split()[0::2]]
    edges = np.array(listed[0::2]) + 2e-6
    irregular = UNITS["irregular"]
    transitions = Reference(irregular, irregular.run(folder)).transitions
    assert [t for t, _ in transitions] == pytest.approx(edges[: len(transitions)].tolist(), abs=2e-6)
    assert len(transitions) > 40
    bouncing = UNITS["bouncing"]
    assert len(Reference(bouncing, bouncing.run(folder)).transitions) < 40  # its netlist lists 130 edges


@pytest.mark.parametrize("name", list(INSTRUMENTS))
def test_an_instrument_keeps_its_data_sheet(name: str, tmp_path: Path) -> None:
    t_s = np.linspace(0.0, 15.0, 16)
    level = {"i(vamp)": 5.0, "v(in)": 13.0, "v(out)": 12.0}
    waves = Waves(t_s, {node: np.full(len(t_s), value) for node, value in level.items()})
    means: dict[str, list[float]] = {}
    for seed in range(24):
        recorded = record(replace(INSTRUMENTS[name], seconds=0.8), waves, 12.0, np.random.default_rng(seed), tmp_path / "constant.csv")
        sheet = parse_instrument(tomllib.loads(recorded.data_sheet), name)
        frame = pd.read_csv(recorded.path)
        lasted_s = float(frame["time_s"].iloc[-1] - frame["time_s"].iloc[0])
        assert lasted_s == pytest.approx(recorded.end_s - recorded.begin_s, abs=lasted_s * sheet.clock_half_width + 1.5e-3)
        for channel, node in (("i_load", "i(vamp)"), ("v_in", "v(in)"), ("v_out", "v(out)")):
            errors = sheet.input(channel)
            if errors is None:
                continue
            values = frame[f"{channel}_{'A' if channel == 'i_load' else 'V'}"]
            off = float(values.mean()) - level[node]
            limit = errors.reading * level[node] + sum(errors.rest) + 0.6 * (errors.resolution or 0.0)
            assert abs(off) <= limit
            means.setdefault(channel, []).append(off / limit)
    # The errors are there, of either sign, and different each time.
    for channel, parts in means.items():
        assert min(parts) < -0.3 and max(parts) > 0.3, channel


def _the_same(timing: Timing, _: np.random.Generator) -> Timing:
    return timing


def test_delays_and_sampling_time_are_those_of_the_data_sheet(tmp_path: Path) -> None:
    perfect = Channel(0.0, 0.0, 0.0, 0.0, 1e-9, -100.0, 100.0, 0.0)
    t_s = np.linspace(0.0, 15.0, 151)
    ramp = Waves(t_s, {node: t_s for node in ("i(vamp)", "v(in)", "v(out)")})
    for timing, lags_s in (
        (Timing(100.0, 0.0, skew_s=400e-6), (0.0, 200e-6, 400e-6)),
        (Timing(100.0, 0.0, mean_s=10e-3), (-5e-3, -5e-3, -5e-3)),
        (Timing(100.0, 1000.0), (0.0, 0.0, 0.0)),
    ):
        instrument = Instrument("", partial(_the_same, timing), perfect, perfect, 2.0)
        rates = []
        for seed in range(6):
            recorded = record(instrument, ramp, 12.0, np.random.default_rng(seed), tmp_path / "ramp.csv")
            frame = pd.read_csv(recorded.path)
            for column, lag_s in zip(("i_load_A", "v_in_V", "v_out_V"), lags_s, strict=True):
                assert frame[column].iloc[0] == pytest.approx(recorded.begin_s + lag_s, abs=2e-6)
            true_s = frame["v_in_V"].iloc[-1] - frame["v_in_V"].iloc[0]
            rates.append(true_s / frame["time_s"].iloc[-1] - 1.0)
        widest = max(map(abs, rates))
        assert 0.3e-6 * timing.clock_ppm <= widest <= 1e-6 * timing.clock_ppm + 3e-6
