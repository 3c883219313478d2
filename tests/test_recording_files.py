"""What engineers' loggers write: times in every form, units in a row of their own, channels at several rates, readings beyond the range."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from bench.cli import run
from bench.errors import RecordingError
from bench.files import named_limits
from bench.judging import judge_recording
from bench.record import TestRecord
from bench.recording import read_recording
from bench.recording.stamps import stated_rate_hz
from bench.samples import Array
from bench.setup import Setup
from bench.simboard.units import nominal
from bench.simboard.world import World
from bench.uncertainty import Estimate, NotMeasured
from reports.damaged_recordings import DAMAGES, damaged, sorted_out

PLAIN = Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv"


def plain() -> pd.DataFrame:
    """8 s of an invented thermal unit at 500 rows a second: closed at rest, opens 0.70 s after the voltage came at 0.4 s."""
    return pd.read_csv(PLAIN, comment="#")


def kept(frame: pd.DataFrame, tmp_path: Path, name: str = "r.csv") -> Path:
    frame.to_csv(tmp_path / name, index=False)
    return tmp_path / name


@cache
def _fast() -> pd.DataFrame:
    world = World(nominal("NC"), seed=5)
    world.switch(master=False, loads=frozenset({1, 2, 7}))
    stretches = [world.advance(0.4)]
    world.switch(master=True, loads=frozenset({1, 2, 7}))
    stretches.append(world.advance(8.0))
    t, nodes = np.arange(0.0, 8.0, 2e-4), np.concatenate([s.t_s for s in stretches])
    noise = np.random.default_rng(3).normal(0.0, 0.004, (3, len(t)))
    signals = {
        f"{name}_{unit}": np.interp(t, nodes, np.concatenate([getattr(s, name) for s in stretches])) + noise[n]
        for n, (name, unit) in enumerate((("i_load", "A"), ("v_in", "V"), ("v_out", "V")))
    }
    return pd.DataFrame({"time_s": t, **signals}).round(4)


def fast() -> pd.DataFrame:
    """8 s of an invented thermal unit with bouncing contacts at 5000 rows a second: the inrush of the cold lamps is 30 A."""
    return _fast().copy()


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "r.csv"
    path.write_text(text, encoding="utf-8")
    return path


def judged(path: Path | list[Path], **options: object) -> TestRecord:
    return judge_recording(path, Setup("r", limits=(named_limits("un-r48"),)), when="", software="", **options)  # type: ignore[arg-type]


def value(record: TestRecord, name: str) -> float:
    found = record.measured.values[name]
    assert isinstance(found, Estimate), found
    return found.value


def why_not(record: TestRecord, name: str) -> str:
    found = record.measured.values[name]
    assert isinstance(found, NotMeasured), found
    return found.reason


def series(path: Path, channel: str = "v_in", **options: object) -> tuple[Array, Array]:
    """Instants and values of a channel, all blocks joined."""
    blocks = list(read_recording(path, **options).blocks)  # type: ignore[arg-type]
    traces = [block.traces[channel] for block in blocks]
    return np.concatenate([trace.t_s for trace in traces]), np.concatenate([trace.values for trace in traces])


def thinned(frame: pd.DataFrame, **every: tuple[int, int]) -> pd.DataFrame:
    """The frame with readings of some columns left out but at every k-th row, from an offset on."""
    for column, (k, offset) in every.items():
        frame.loc[frame.index % k != offset, column] = np.nan
    return frame


# --- units under the header


@pytest.mark.parametrize(
    "head",
    [
        "time,v_in,i_load\ns,V,A",
        "time,v_in,i_load\n(s),(V),(A)",
        "Time,V_IN,I_load\n[s],[V],[A]",
        "time,v_in,i_load\n\n# remark\nsec,Volt,Amps",
        "time_s,v_in,i_load\n,V,A",
        "time_s,v_in_V,i_load_A\ns,V,A",
        '"time","v_in","i_load"\n"s","V","A"',
    ],
)
def test_units_may_stand_in_a_row_under_the_header(tmp_path: Path, head: str) -> None:
    path = written(tmp_path, f"{head}\n0,12.5,1\n0.001,12.25,2\n0.002,12.5,3\n")
    assert series(path)[0].tolist() == pytest.approx([0.0, 0.001, 0.002])
    assert series(path)[1].tolist() == [12.5, 12.25, 12.5]
    assert series(path, "i_load")[1].tolist() == [1.0, 2.0, 3.0]


def test_prefixes_of_the_units_row_count(tmp_path: Path) -> None:
    path = written(tmp_path, "time,v_in,i_load\n(ms),(V),(mA)\n0,12.5,1000\n1,12.5,2000\n2,12.5,3000\n")
    assert series(path, "i_load")[0].tolist() == pytest.approx([0.0, 0.001, 0.002])
    assert series(path, "i_load")[1].tolist() == [1.0, 2.0, 3.0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time,v_in\ns,A\n0,1\n", "column v_in: unit 'A', allowed: V, mV"),
        ("time_s,v_in_V\ns,mV\n0,1\n", "column v_in_V: the row under it says 'mV'; keep one of the two"),
        ("time,v_in\ns,\n0,1\n", "column v_in: no unit in its name, wanted for example v_in_V"),
        ("time,v_in_V\n0,1\n1,2\n", "column time: no unit of time, wanted for example time_s, or stamps like 12:00:01.25"),
    ],
)
def test_units_that_do_not_fit_are_named(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(RecordingError, match=message):
        read_recording(written(tmp_path, text))


# --- times


@pytest.mark.parametrize(
    ("head", "stamps"),
    [
        ("time", ["2031-05-06T10:20:30.998", "2031-05-06T10:20:30.999", "2031-05-06T10:20:31"]),
        ("Time", ["2031-05-06 10:20:30.998", "2031-05-06 10:20:30.999", "2031-05-06 10:20:31.000"]),
        ("time", ["2031/05/06 10:20:30.998", "2031/05/06 10:20:30.999", "2031/05/06 10:20:31.000"]),
        ("time", ["2031-05-06T10:20:30,998Z", "2031-05-06T10:20:30,999Z", "2031-05-06T10:20:31,000Z"]),
        ("time", ["2031-12-31T23:59:59.999+02:00", "2031-12-31T22:00:00.000Z", "2032-01-01T00:00:00.001+02:00"]),
        ("time", ["10:20:30.998", "10:20:30.999", "10:20:31.000"]),
        ("time_s", ["10:20:30.998", "10:20:30.999", "10:20:31.000"]),
        ("time;v_in\nhh:mm:ss", ["10:20:30.998", "10:20:30.999", "10:20:31.000"]),
        ("time", ["23:59:59.999", "0:00:00.000", "00:00:00.001"]),
    ],
)
def test_stamps_of_date_and_time_become_seconds_from_the_first_row(tmp_path: Path, head: str, stamps: list[str]) -> None:
    rows = "".join(f"{stamp};12.5\n" for stamp in stamps)
    t_s, _ = series(written(tmp_path, f"{head};{'V' if ';' in head else 'v_in_V'}\n{rows}"))
    assert t_s.tolist() == pytest.approx([0.0, 0.001, 0.002], abs=1e-9)


def test_a_time_of_day_beside_a_time_in_seconds_is_not_used(tmp_path: Path) -> None:
    for title in ("Time", "time_stamp"):
        path = written(tmp_path, f"Date,{title},time_s,v_in_V\n1,10:00:00,0,12\n1,10:00:00,0.001,12\n1,10:00:00,0.002,12\n")
        assert series(path)[0].tolist() == pytest.approx([0.0, 0.001, 0.002])
        assert f"2 columns of the file not used: Date, {title}" in read_recording(path).notes


def test_a_recording_across_midnight_shows_the_same_unit(tmp_path: Path) -> None:
    frame = plain()
    # The day changes at 4 s, in the middle of the flashes.
    day_s = (frame["time_s"] + 86396.0) % 86400.0
    frame.insert(0, "time", [f"{int(s // 3600):02d}:{int(s // 60 % 60):02d}:{s % 60:06.3f}" for s in day_s])
    record = judged(kept(frame.drop(columns="time_s"), tmp_path))
    for name in ("rate_per_min", "on_ratio", "start_s", "drop_v"):
        assert value(record, name) == pytest.approx(value(judged(PLAIN), name), rel=1e-6), name


def test_midnight_is_passed_once_whatever_is_read_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench.recording.cells.PIECE", 200)
    stamps = [*(f"23:59:59.{n:03d}" for n in range(900, 1000)), *(f"00:00:00.{n:03d}" for n in range(100))]
    t_s, _ = series(written(tmp_path, "time,v_in_V\n" + "".join(f"{stamp},12.5\n" for stamp in stamps)))
    assert t_s == pytest.approx(np.arange(200) * 1e-3, abs=1e-9)


@pytest.mark.parametrize("stamp", ["2031-02-31T10:00:00", "yesterday", "25:61:00", "10:20:30"])
def test_a_stamp_that_is_none_is_named_with_its_line(tmp_path: Path, stamp: str) -> None:
    text = f"time,v_in_V\n2031-02-03T10:00:00,1\n\n# remark\n{stamp},2\n2031-02-03T10:00:02,3\n"
    with pytest.raises(RecordingError, match=f"line 5, column time: '{stamp}' is not a time like the first"):
        read_recording(written(tmp_path, text))


@pytest.mark.parametrize(("unit", "decimals"), [("s", 5), ("ms", 2), ("us", 0)])
def test_times_since_1970_lose_no_resolution(tmp_path: Path, unit: str, decimals: int) -> None:
    """A float holds 1.7e9 s to 0.24 us only, which shows at 100,000 rows a second."""
    step = {"s": 1, "ms": 1, "us": 10}[unit]
    whole = [170_000_000_012_345 * step + step * n for n in range(2000)]
    texts = [f"{w // 10**decimals}.{w % 10**decimals:0{decimals}d}" if decimals else str(w) for w in whole]
    t_s, _ = series(written(tmp_path, f"time_{unit},v_in_V\n" + "".join(f"{text},12.5\n" for text in texts)))
    assert np.abs(t_s - np.arange(2000) * 1e-5).max() < 1e-12


def test_a_time_since_1970_that_is_none_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"line 3, column time_s: '17e' is not a time like the first"):
        read_recording(written(tmp_path, "time_s,v_in_V\n1700000000.1,1\n17e,2\n1700000000.3,3\n"))


# --- the rate of sampling


@pytest.mark.parametrize(
    ("line", "rate_hz"),
    [
        ("# sample rate: 10 kHz", 10e3),
        ("Sampling rate = 2500", 2500.0),
        ("Sample Rate (Hz),500", 500.0),
        ("Sampling frequency;1.5 MHz", 1.5e6),
        ("sample rate 20 kS/s", 20e3),
        ("Sampling interval, 0.0001 s", 10e3),
        ('"Sample interval","0,5 ms"', 2000.0),
        ("Sampling period [us]: 40", 25e3),
        ("sample_interval\t1E-3", 1000.0),
        ("Sampling interval: 0,001 s", 1000.0),
        ("sampling rate: 10,000 Hz", None),
        ("sampling rate: 1,2,3 Hz", None),
        ("sampling rate: 3 s", None),
        ("sample interval: 3 Hz", None),
        ("sample rate: 0 Hz", None),
        ("sample rate: unknown", None),
        ("resample rate of the film: 7 Hz", None),
        ("rate 100", None),
    ],
)
def test_the_rate_of_sampling_is_read_from_a_line_before_the_header(line: str, rate_hz: float | None) -> None:
    found = stated_rate_hz(["made here", line])
    assert found == (None if rate_hz is None else pytest.approx(rate_hz))


def test_rows_without_times_are_taken_at_the_stated_rate_or_at_the_given_one(tmp_path: Path) -> None:
    rows = plain().drop(columns="time_s").to_csv(index=False)
    stated = judged(written(tmp_path, f"# sample rate: 0.5 kHz\n{rows}"))
    assert value(stated, "rate_per_min") == pytest.approx(value(judged(PLAIN), "rate_per_min"), rel=1e-9)
    assert "no time column: rows taken at 500 a second" in stated.notes
    twice = judged(written(tmp_path, f"# sample rate: 0.5 kHz\n{rows}"), rate_hz=1000.0)
    assert value(twice, "rate_per_min") == pytest.approx(2.0 * value(judged(PLAIN), "rate_per_min"), rel=1e-9)
    assert "no time column: rows taken at 1000 a second, as was asked; the file states 500" in twice.notes
    same = judged(written(tmp_path, f"# sampling interval: 2 ms\n{rows}"), rate_hz=500.0)
    assert "no time column: rows taken at 500 a second" in same.notes


def test_a_file_that_tells_no_time_asks_for_a_rate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, plain().drop(columns="time_s").to_csv(index=False))
    assert run(["judge", str(path)]) == 2
    assert "or a rate given in Hz (--rate, rate_hz)" in capsys.readouterr().err
    assert run(["judge", str(path), "--rate", "500"]) == 0
    for wrong in ("0", "-5", "nan"):
        assert run(["judge", str(path), "--rate", wrong]) == 2
        assert "must be a number from 0.1 to 100000000 Hz" in capsys.readouterr().err
    assert run(["judge", str(PLAIN), "--rate", "500"]) == 2
    assert "the file tells its times; a rate is for files that have none" in capsys.readouterr().err


# --- titles


def test_unused_columns_are_named_in_one_line(tmp_path: Path) -> None:
    two = read_recording(written(tmp_path, "time_s,CH3,v_in_V,humidity (%)\n" + "0,1,2,3\n1,2,3,4\n2,3,4,5\n"))
    assert two.notes[0] == "2 columns of the file not used: CH3, humidity (%)"
    titles = ",".join(f"spare channel {n}" for n in range(500))
    many = read_recording(written(tmp_path, f"time_s,v_in_V,{titles}\n0,1\n1,2\n2,3\n"))
    assert many.notes[0].startswith("500 columns of the file not used: spare channel 0, spare channel 1")
    assert many.notes[0].endswith("more") and len(many.notes[0]) < 160


@pytest.mark.parametrize(
    ("names", "message"),
    [
        ({"CH9": "v_in_V"}, "no column 'CH9' to rename; its columns are time_s, CH1, CH2"),
        ({"CH1": "voltage_V"}, "renaming 'CH1' to 'voltage_V', which is no channel with a unit; there are time_s, i_load_A, v_in_V"),
        ({"CH1": "v_in_V", "CH2": "v_in_mV"}, "column v_in_mV: a second column of v_in, one is allowed"),
        ({"CH1": "v_in"}, "column v_in: no unit in its name"),
        ({"CH1": "v_in_A"}, "column v_in_A: unit 'A', allowed: V"),
        ({"CH1": "time_s"}, "column time_s: a second column of time, one is allowed"),
    ],
)
def test_a_name_that_fits_nothing_is_refused(tmp_path: Path, names: dict[str, str], message: str) -> None:
    with pytest.raises(RecordingError, match=message):
        read_recording(written(tmp_path, "time_s,CH1,CH2\n0,1,2\n1,2,3\n2,3,4\n"), names=names)


def test_a_name_is_refused_also_where_no_header_is_found(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no column 'CH9' to rename"):
        read_recording(written(tmp_path, "a,b\n1,2\n"), names={"CH9": "time_s"})


def test_titles_in_quotes_with_a_comma_do_not_move_the_columns(tmp_path: Path) -> None:
    path = written(tmp_path, '"volts, amps",time_s,v_in_V\n"a, b",0,12.5\n"c",1,12.25\n,2,12.75\n')
    assert series(path)[1].tolist() == [12.5, 12.25, 12.75]


# --- damage


def test_a_quotation_mark_that_is_not_closed_is_named_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"line 3: a quotation mark \(\"\) that is not closed"):
        read_recording(written(tmp_path, 'time_s,v_in_V,text\n0,1,a\n1,2,"b\n2,3,c"\n3,4,d\n'))


def test_a_mark_with_a_hash_is_no_remark(tmp_path: Path) -> None:
    """A remark begins its line: what follows a # inside a row is not cut off, or 1.#QNAN would be read as 1."""
    path = written(tmp_path, "time_s,v_in_V\n0,12\n1,1.#QNAN\n2,12\n3,12\n # remark\n4,12\n5,12\n")
    assert 1.0 not in series(path)[1].tolist()


def test_stretches_of_a_single_row_are_passed_over(tmp_path: Path) -> None:
    frame = plain()
    frame.loc[[1000, 1002, 1004], "v_out_V"] = np.nan
    record = judged(kept(frame, tmp_path))
    assert value(record, "rate_per_min") == pytest.approx(value(judged(PLAIN), "rate_per_min"), abs=1.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: "time_s,v_in_V\n0,1\n1,2\n2,3\n" + "1," * 6_500_000, "line 5: more than 1048576 characters, too long"),
        (lambda: "1," * 6_500_000, "no header with a time column in the first 0 lines"),
        (lambda: "time_s,v_in_V," + ",".join(f"column {n}" for n in range(100_000)) + "\n0,1\n", "the first 0 lines"),
        (lambda: "time_s,v_in_V\n" + "0," * 100_000 + "\n", "line 2: 100001 cells, the header has 2"),
    ],
)
def test_what_is_too_large_for_a_table_is_refused_soon_and_cheaply(tmp_path: Path, make: Callable[[], str], message: str) -> None:
    path = written(tmp_path, make())
    began_s = time.perf_counter()
    tracemalloc.start()
    with pytest.raises(RecordingError, match=message):
        read_recording(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6
    assert time.perf_counter() - began_s < 10.0


def test_eight_thousand_columns_are_read(tmp_path: Path) -> None:
    spare = "," + ",".join("7" for _ in range(8000))
    titles = "," + ",".join(f"c{n}" for n in range(8000))
    path = written(tmp_path, f"time_s,v_in_V{titles}\n" + "".join(f"{n},{12 + n}{spare}\n" for n in range(100)))
    assert series(path)[1].tolist() == [12.0 + n for n in range(100)]


@pytest.mark.parametrize("kind", DAMAGES)
def test_a_damaged_file_is_judged_or_refused_in_one_line(tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    found, content = damaged(list(DAMAGES).index(kind))
    assert found == kind
    path = tmp_path / "scope.csv"
    path.write_bytes(content)
    code = run(["judge", str(path)])
    said = capsys.readouterr()
    assert sorted_out(code, said.out, said.err) in ("result", "one line"), said.err


def test_pieces_of_a_file_give_the_same_as_the_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = thinned(plain(), i_load_A=(10, 0))
    frame.loc[300, "v_in_V"] = np.inf
    path = kept(frame, tmp_path)
    whole = judged(path)
    monkeypatch.setattr("bench.recording.cells.PIECE", 10_000)
    assert len(list(read_recording(path).blocks)) > 5
    in_pieces = judged(path)
    for name in ("rate_per_min", "start_s", "steady_a"):
        assert value(in_pieces, name) == pytest.approx(value(whole, name), rel=1e-3), name
