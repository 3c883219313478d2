"""Recordings made elsewhere: what instruments export is read, a missing column costs what needs it, a bad cell is named."""

from __future__ import annotations

import tracemalloc
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from bench.errors import RecordingError, SetupError
from bench.files import bank, named_limits
from bench.instrument import InputErrors, Instrument
from bench.judging import judge_recording
from bench.outcome import Outcome
from bench.record import TestRecord
from bench.recording import read_recording
from bench.samples import Array, Block
from bench.setup import Setup
from bench.uncertainty import Estimate, NotMeasured

GOOD = Instrument(inputs={"v_in": InputErrors(1e-4, (2e-3,)), "v_out": InputErrors(1e-4, (2e-3,))})
RECORDINGS = Path(__file__).parent.parent / "fixtures" / "recordings"


def written(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "r.csv"
    path.write_bytes(text.encode(encoding))
    return path


def joined(blocks: list[Block], channel: str) -> Array:
    return np.concatenate([b.traces[channel].values for b in blocks if channel in b.traces])


def times(blocks: list[Block], channel: str) -> Array:
    return np.concatenate([b.traces[channel].t_s for b in blocks if channel in b.traces])


def judged(name: str, **changes: object) -> TestRecord:
    wanted = Setup("r", limits=(named_limits("un-r48"),), **changes)  # type: ignore[arg-type]
    return judge_recording(RECORDINGS / name, wanted, when="", software="")


def estimate(record: TestRecord, name: str) -> Estimate:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found


# Truth of the invented units, from the simulated circuit at rest: rate, start to first extinction.
@pytest.mark.parametrize(
    ("name", "rate", "extinction_s"),
    [
        ("thermal-plain.csv", 87.2, 0.70),
        ("thermal-gaps.csv", 87.5, 0.70),
        ("hot-wire-decimal-comma.csv", 85.1, 0.89),
        ("hot-wire-coarse-time.csv", 85.1, 0.89),
        ("electronic-tabs-no-current.csv", 90.0, 0.334),
    ],
)
def test_recordings_of_several_instruments(name: str, rate: float, extinction_s: float) -> None:
    record = judged(name)
    assert record.outcome is Outcome.GOOD
    assert estimate(record, "rate_per_min").value == pytest.approx(rate, abs=0.8)
    assert estimate(record, "first_extinction_s").value == pytest.approx(extinction_s, abs=0.015)
    assert estimate(record, "supply_v").value == pytest.approx(12.9, abs=0.05)
    assert (record.board, record.setup.sample_mode, record.setup.supply_v) == (None, None, None)
    assert record.recording is not None and record.recording.file == name
    assert any("rows" in text for text in record.notes)


def test_a_bank_says_what_the_lamps_of_a_recording_were() -> None:
    record = judged("thermal-plain.csv", lamps=(1, 2), bank=bank("standard"))
    assert (record.rated_load, record.bench_faults) == ("2 x 21 W", ())
    # 2 x 21 W are known from 2 x 18 W: US lamps scatter by 10 %, and 21 W lamps take a third more.
    wrong = judged("thermal-plain.csv", rated=(18.0, 18.0), bank=bank("2x18"))
    assert (wrong.rated_load, [fault.code for fault in wrong.bench_faults]) == ("2 x 18 W", ["lamp-current"])
    assert wrong.outcome is Outcome.BENCH_FAULT
    assert judged("thermal-plain.csv", lamps=(6,), bank=bank("standard")).rated_load == "LED 0.15 A"
    with pytest.raises(SetupError, match=r"the bank led has 1: LED 0\.15 A, .* such lamps: standard, 4x21"):
        judged("thermal-plain.csv", bank=bank("led"))
    with pytest.raises(SetupError, match="there is nothing in socket 6; the bank led has"):
        judged("thermal-plain.csv", lamps=(6,), bank=bank("led"))


def test_a_missing_column_costs_only_what_needs_it() -> None:
    whole, only_current = judged("thermal-plain.csv"), judged("thermal-current-only.csv")
    no_current = judged("electronic-tabs-no-current.csv")
    assert estimate(only_current, "rate_per_min").value == pytest.approx(estimate(whole, "rate_per_min").value, abs=0.1)
    assert estimate(only_current, "on_ratio").value == pytest.approx(estimate(whole, "on_ratio").value, abs=0.005)
    assert estimate(only_current, "steady_a").value == pytest.approx(estimate(whole, "steady_a").value, rel=0.01)
    for name in ("drop_v", "lamp_v", "start_s", "supply_v", "contact_ohm"):
        assert isinstance(only_current.measured.values[name], NotMeasured)
    assert isinstance(no_current.measured.values["steady_a"], NotMeasured)
    assert estimate(no_current, "drop_v").value == pytest.approx(0.16, abs=0.02)
    assert isinstance(whole.measured.values["clock_error"], NotMeasured)


def test_what_lies_across_a_gap_is_left_out() -> None:
    assert judged("thermal-gaps.csv").steps[0].cycles_excluded >= 1
    assert judged("thermal-plain.csv").steps[0].cycles_excluded == 0


def test_the_accuracy_of_the_instrument_decides_what_can_be_said() -> None:
    """3 % of 12.9 V leave the drop open by half a volt; a good instrument does not."""
    wanted = Setup("r", limits=(named_limits("us-turn-open"),))
    rough = judge_recording(RECORDINGS / "hot-wire-decimal-comma.csv", wanted, when="", software="")
    good = judge_recording(
        RECORDINGS / "hot-wire-decimal-comma.csv", wanted,
        instrument=GOOD, when="", software="",
    )  # fmt: skip
    assert estimate(rough, "drop_v").u > 0.2
    assert estimate(good, "drop_v").u < 0.02
    assert estimate(rough, "drop_v").value == estimate(good, "drop_v").value


# --- reading


SAMPLES = (("0", "0", "0"), ("0.001", "12.5", "3.5"), ("0.002", "12.75", "-1.25"), ("0.003", "12.5", "0.5"))
PLAIN = {"v_in": [0.0, 12.5, 12.75, 12.5], "i_load": [0.0, 3.5, -1.25, 0.5]}


def table(head: str, separator: str, change: Mapping[str, str] | None = None) -> str:
    text = "\n".join([head, *(separator.join(row) for row in SAMPLES)]) + "\n"
    for old, new in (change or {}).items():
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    "text",
    [
        table("time_s,v_in_V,i_load_A", ","),
        table("time_s;v_in_V;i_load_A", ";"),
        table("time_s\tv_in_V\ti_load_A", "\t"),
        table("time_s;v_in_V;i_load_A", ";", {".": ","}),
        table("\ufefftime_s,v_in_V,i_load_A", ","),
        table("# made here\n\nMaker,X\n\ntime_s,v_in_V,i_load_A", ","),
        table("Time [s],V_IN [V],I_load (A)", ","),
        table('"time_s","v_in_V","i_load_A"', ","),
        table(" time_s , v_in_V , i_load_A ", ",", {"0.001,": "0.001 , "}),
        table("time_s,v_in_V,i_load_A", ",", {"\n": "\r\n"}),
        table("time_s,v_in_V,i_load_A", ",", {"0.002": "\n# a remark\n0.002"}),
        table("time_s,v_in_V,i_load_A,extra", ",", {"3.5": "3.5,text is fine here"}),
    ],
)
def test_ways_to_write_the_same_numbers(tmp_path: Path, text: str) -> None:
    found = read_recording(written(tmp_path, text))
    blocks = list(found.blocks)
    for channel, values in PLAIN.items():
        assert joined(blocks, channel).tolist() == values
    assert times(blocks, "v_in").tolist() == pytest.approx([0.0, 0.001, 0.002, 0.003])
    assert found.rows == 4


@pytest.mark.parametrize(
    ("head", "factors"),
    [
        ("time_ms,v_in_mV,i_load_mA", (1e-3, 1e-3, 1e-3)),
        ("time_us,v_in_kV,i_load_uA", (1e-6, 1e3, 1e-6)),
        ("time_µs,v_in_µV,i_load_µA", (1e-6, 1e-6, 1e-6)),
        ("time_min,v_in_V,i_load_kA", (60.0, 1.0, 1e3)),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_units_become_si(tmp_path: Path, head: str, factors: tuple[float, float, float], encoding: str) -> None:
    blocks = list(read_recording(written(tmp_path, table(head, ","), encoding)).blocks)
    assert np.concatenate([b.traces["v_in"].t_s for b in blocks])[1] == pytest.approx(0.001 * factors[0])
    assert joined(blocks, "v_in").tolist() == pytest.approx([v * factors[1] for v in PLAIN["v_in"]])
    assert joined(blocks, "i_load").tolist() == pytest.approx([v * factors[2] for v in PLAIN["i_load"]])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "no header with a time column in the first 2 lines"),
        ("", "no header with a time column"),
        ("time_s,v_in_V\n", "0 rows of numbers, at least 3 are needed"),
        ("time_s,foo\n0,1\n1,2\n2,3\n", "line 1: nothing but time"),
        ("# x\ntime_s,v_in\n0,1\n", "line 2, column v_in: no unit in its name, wanted for example v_in_V"),
        ("time_s,v_in_A\n0,1\n", "line 1, column v_in_A: unit 'A', allowed: V, mV, uV, kV"),
        ("time_s,v_in_MV\n0,1\n", "unit 'MV', allowed"),
        ("time_s,v_in_V,v_in_mV\n0,1,2\n", "column v_in_mV: a second column of v_in"),
        ("time_s,v_in_V\n0,1\n\n1,1.2.3\n2,3\n", r"line 4, column v_in_V: '1\.2\.3' is not a number"),
        ("time_s,v_in_V\n0,1\nx,2\n2,3\n", "line 3, column time_s: 'x' is not a number"),
        ("time_s,v_in_V\n0,1\n1,2,3\n2,3\n", "line 3: 3 cells, the header has 2"),
        ("time_s,v_in_V\n0,1\n1,BAD\n2,3\n", "line 3, column v_in_V: 'BAD' is not a number"),
        ("time_s,v_in_V,v_out_V\n0,1,\n1,2,\n2,3,\n3,3,\n", "column v_out_V: not one number in it"),
        ("time_s,v_in_V\n0,1\n1,\0\n", "not a text file"),
    ],
)
def test_what_can_t_be_read_is_named_in_one_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(RecordingError, match=message) as caught:
        read_recording(written(tmp_path, text))
    assert "\n" not in str(caught.value)
    assert "r.csv" in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="can't be opened"):
        read_recording(tmp_path / "none.csv")


def test_an_instrument_may_have_more_inputs_than_a_recording_has_columns(tmp_path: Path) -> None:
    path = written(tmp_path, table("time_s,v_in_V,i_load_A", ","))
    found = read_recording(path, instrument=Instrument(inputs={"v_out": InputErrors(0.01), "v_in": InputErrors(0.02)}))
    assert found.accuracies.keys() == {"v_in", "i_load"}
    assert found.accuracies["v_in"].u_scale == pytest.approx(0.02 / 3**0.5)


def test_columns_can_be_renamed(tmp_path: Path) -> None:
    path = written(tmp_path, table("s,CH1,CH2", ","))
    found = read_recording(path, names={"s": "time_s", "CH1": "v_in_V", "CH2": "i_load_A"})
    assert found.columns == ("v_in", "i_load")


def rows(lines: list[str]) -> str:
    return "\n".join(["time_s,v_in_V,v_out_V", *lines]) + "\n"


def test_an_empty_cell_is_a_gap_and_a_pause_is_one(tmp_path: Path) -> None:
    lines = [f"{0.001 * n:.3f},12,{n}" for n in range(40)]
    lines[10] = "0.010,12,"
    lines[20] = "0.020,nan,20"
    del lines[30:38]
    blocks = list(read_recording(written(tmp_path, rows(lines))).blocks)
    assert [b.gap_before for b in blocks] == [False, True, True, True]
    assert [len(b.traces["v_out"].values) for b in blocks] == [10, 9, 9, 2]
    assert blocks[1].begin_s == pytest.approx(0.011)
    assert blocks[3].begin_s == pytest.approx(0.038)


def test_equal_times_are_spread_and_rows_out_of_order_dropped(tmp_path: Path) -> None:
    lines = [f"{0.01 * (n // 5):.2f},12,{n}" for n in range(60)]
    lines.insert(33, "0.01,12,99")
    found = read_recording(written(tmp_path, rows(lines)))
    blocks = list(found.blocks)
    t = times(blocks, "v_out")
    assert np.all(np.diff(t) > 0.0)
    assert np.diff(t) == pytest.approx(np.full(59, 0.002))
    assert joined(blocks, "v_out").tolist() == [float(n) for n in range(60)]
    assert any("48 rows repeat the time" in note for note in found.notes)
    assert any("1 rows dropped" in note for note in found.notes)


def test_two_recordings_in_one_file(tmp_path: Path) -> None:
    lines = [f"{0.001 * (n % 100):.3f},12,{n}" for n in range(200)]
    with pytest.raises(RecordingError, match=r"time goes back after 0\.099 s and stays back"):
        read_recording(written(tmp_path, rows(lines)))


def test_time_that_is_not_uniform_is_taken_as_it_is(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.5e-3, 1.5e-3, 500))
    found = read_recording(written(tmp_path, rows([f"{x:.6f},12,{n}" for n, x in enumerate(t)])))
    (block,) = found.blocks
    assert block.traces["v_out"].t_s == pytest.approx(t - t[0], abs=1e-6)
    assert any("time between rows varies" in note for note in found.notes)


def test_accuracy_is_guessed_from_steps_and_scatter(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    clean = 12.0 + np.arange(3000) * 4e-4
    fine = clean + rng.normal(0.0, 0.05, 3000)
    coarse = np.round(clean / 0.25) * 0.25
    text = rows([f"{0.001 * n:.3f},{a:.4f},{b:.2f}" for n, (a, b) in enumerate(zip(fine, coarse, strict=True))])
    found = read_recording(written(tmp_path, text), instrument=Instrument(inputs={"v_in": InputErrors(0.001, (0.002,))}))
    assert found.accuracies["v_in"].noise == pytest.approx(0.05, rel=0.1)
    assert (found.accuracies["v_in"].u_scale, found.accuracies["v_in"].u_zero) == pytest.approx((0.001 / 3**0.5, 0.002 / 3**0.5))
    assert found.accuracies["v_out"].u_line == pytest.approx(0.25 / 12**0.5, rel=0.01)
    assert found.accuracies["v_out"].u_scale == pytest.approx(0.03 / 3**0.5)
    drop = found.accuracies["v_drop"]
    assert drop.common[0][0] == "v_in"
    assert drop.u_zero == pytest.approx(np.hypot(0.002 / 3**0.5, found.accuracies["v_out"].u_zero))


def test_a_slow_channel_with_empty_cells_is_no_gap(tmp_path: Path) -> None:
    lines = [f"{0.001 * n:.3f},12,12,{25 if n % 10 == 0 else ''}" for n in range(100)]
    text = "\n".join(["time_s,v_in_V,v_out_V,temperature_degC", *lines])
    (block,) = read_recording(written(tmp_path, text)).blocks
    assert len(block.traces["v_out"].values) == 100
    assert len(block.traces["temperature"].values) == 10


def test_a_large_file_needs_little_memory(tmp_path: Path) -> None:
    """Chunks, not the whole: twice the rows take no more memory."""
    peaks = []
    for count in (120_000, 240_000):
        t = np.arange(count) * 1e-4
        path = tmp_path / f"{count}.csv"
        columns = np.column_stack((t, np.full(count, 12.5), (t % 0.7 < 0.3) * 12.0))
        np.savetxt(path, columns, fmt="%.4f", delimiter=",", header="time_s,v_in_V,v_out_V", comments="")
        tracemalloc.start()
        found = read_recording(path)
        assert sum(len(b.traces["v_out"].values) for b in found.blocks) == count
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.3 * peaks[0]


@pytest.mark.parametrize("turned", [("v_",), ("i_",), ("v_", "i_")])
def test_positive_earth_and_a_reversed_probe_change_nothing(tmp_path: Path, turned: tuple[str, ...]) -> None:
    lines = [line for line in (RECORDINGS / "thermal-plain.csv").read_text().splitlines() if not line.startswith("#")]
    titles = lines[0].split(",")
    flip = [any(title.startswith(kind) for kind in turned) for title in titles]
    rows = [",".join(str(-float(x)) if f else x for f, x in zip(flip, line.split(","), strict=True)) for line in lines[1:]]
    path = written(tmp_path, "\n".join([lines[0], *rows]) + "\n")
    plain = judged("thermal-plain.csv")
    other = judge_recording(path, Setup("r", limits=(named_limits("un-r48"),)), when="", software="")
    for name in ("rate_per_min", "on_ratio", "start_s", "drop_v", "steady_a", "lamp_v"):
        assert estimate(other, name).value == pytest.approx(estimate(plain, name).value, rel=1e-9), name
    assert any("other way round" in note for note in read_recording(path).notes)
