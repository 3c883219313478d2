"""Sound recordings judged: every kind of WAV file, what is said of a unit by its sound, and what is not."""

from __future__ import annotations

import json
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from clicking import RATE, clicking, every, riff, wav

import bench
from bench.cli import run
from bench.cli.exit_codes import code_for
from bench.errors import RecordingError
from bench.files import grade_rule, named_limits
from bench.judging import judge_sound
from bench.outcome import Outcome
from bench.record import TestRecord
from bench.record_json import from_json, to_json
from bench.recording import is_sound, read_sound
from bench.render.report import report_text
from bench.samples import Array
from bench.setup import Setup
from bench.uncertainty import Estimate, NotMeasured

FIRSTS = every(0.7)
BOTH = clicking(FIRSTS, [t + 0.3 for t in FIRSTS])


def kept(tmp_path: Path, content: bytes) -> Path:
    path = tmp_path / "clicks.wav"
    path.write_bytes(content)
    return path


def judged(path: Path, limits: str = "un-r48", **changes: object) -> TestRecord:
    setup = Setup("r", limits=(named_limits(limits),), grade_rule=grade_rule("default"), **changes)  # type: ignore[arg-type]
    return judge_sound(path, setup, when="", software="")


def rate_of(record: TestRecord) -> Estimate:
    found = record.measured.values["rate_per_min"]
    assert isinstance(found, Estimate), found
    return found


@pytest.mark.parametrize(
    "kind",
    [
        {"bits": 8}, {"bits": 16}, {"bits": 24}, {"bits": 32}, {"bits": 32, "floating": True}, {"bits": 64, "floating": True},
        {"bits": 16, "extensible": True}, {"bits": 32, "floating": True, "extensible": True},
    ],
    ids=str,
)  # fmt: skip
def test_every_plain_kind_of_file_is_read_alike(tmp_path: Path, kind: dict[str, int]) -> None:
    sound = read_sound(kept(tmp_path, wav(BOTH[: 2 * RATE], **kind)))  # type: ignore[arg-type]
    plain = read_sound(kept(tmp_path, wav(BOTH[: 2 * RATE], bits=64, floating=True)))
    assert sound.loudness.lasted_s == 2.0
    apart = np.abs(sound.loudness.log_energy - plain.loudness.log_energy)
    assert np.quantile(apart, 0.95) < (0.5 if kind["bits"] == 8 else 0.02)
    assert np.all(apart[plain.loudness.log_energy > -9.0] < 0.1), "where it is loud, 8 bits are as good"


def test_stereo_is_read_by_channel(tmp_path: Path) -> None:
    two = np.stack((BOTH, np.zeros_like(BOTH)), axis=1)
    sound = read_sound(kept(tmp_path, wav(two)))
    alone = read_sound(kept(tmp_path, wav(BOTH)))
    assert np.allclose(sound.loudness.log_energy, alone.loudness.log_energy, atol=1e-3)
    assert "stereo" in sound.notes[0] and "mono" in alone.notes[0]


def test_a_file_is_known_by_its_content(tmp_path: Path) -> None:
    assert is_sound(kept(tmp_path, wav(BOTH)))
    for other in (b"", b"time_s,i_load_A\n", b"RIFF\x04\0\0\0AVI "):
        assert not is_sound(kept(tmp_path, other))


LAYOUT = struct.pack("<HHIIHH", 1, 1, RATE, 2 * RATE, 2, 16)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (riff((b"fmt ", LAYOUT)), "the data is missing"),
        (riff((b"data", b"\0\0")), "the description of its samples (fmt) is missing"),
        (riff((b"fmt ", LAYOUT[:10]), (b"data", b"")), "has 10 bytes, wanted 16"),
        (riff((b"fmt ", LAYOUT), (b"data", b"")), "no sample in it"),
        (riff((b"fmt ", struct.pack("<HHIIHH", 0x55, 1, RATE, 2000, 1, 0)), (b"data", b"xx")), "coded (format 0x0055)"),
        (riff((b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE, 2 * RATE, 2, 12)), (b"data", b"xx")), "1 channels of 12 bits"),
        (riff((b"fmt ", struct.pack("<HHIIHH", 1, 0, RATE, 0, 0, 16)), (b"data", b"xx")), "0 channels of 16 bits"),
        (riff((b"fmt ", struct.pack("<HHIIHH", 1, 1, 4000, 8000, 2, 16)), (b"data", b"xx")), "4000 samples a second, wanted 6000"),
        (wav(np.zeros(RATE)), "all silent, every sample is 0"),
        (wav(np.full(RATE, np.nan), bits=32, floating=True), "16000 of its samples are no numbers"),
        (wav(BOTH)[:30], "the description of its samples has"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_file_that_can_not_be_used_gets_one_line_and_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, message: str
) -> None:
    path = kept(tmp_path, content)
    with pytest.raises(RecordingError) as raised:
        read_sound(path)
    assert message in str(raised.value) and str(raised.value).startswith("sound recording clicks.wav: ")
    assert "\n" not in str(raised.value)
    if is_sound(path):
        assert run(["judge", str(path)]) == 2
        assert message in " ".join(capsys.readouterr().err.split())


def test_a_file_that_breaks_off_is_judged_by_what_is_there(tmp_path: Path) -> None:
    whole = wav(BOTH)
    record = judged(kept(tmp_path, whole[: 44 + 12 + RATE * 2 * 12 + 1]))
    assert rate_of(record).value == pytest.approx(60.0 / 0.7, abs=0.1)
    assert any("the file breaks off: 12.0 s of 20.0 s" in text for text in record.notes)


def test_a_recorder_that_never_wrote_the_size_is_no_damage(tmp_path: Path) -> None:
    whole = bytearray(wav(BOTH))
    at = whole.index(b"data") + 4
    whole[at : at + 4] = b"\xff\xff\xff\xff"
    record = judged(kept(tmp_path, bytes(whole)))
    assert rate_of(record).value == pytest.approx(60.0 / 0.7, abs=0.1)
    assert not any("breaks off" in text for text in record.notes)


def test_memory_does_not_follow_the_sample_rate(tmp_path: Path) -> None:
    path = kept(tmp_path, wav(np.tile(BOTH[: 8 * RATE], 30).reshape(-1, 2), rate=48000))  # 40 s
    tracemalloc.start()
    read_sound(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6, "of one piece and its spectra"


# What is said.


def test_sound_shows_the_rate_and_says_what_it_does_not(tmp_path: Path) -> None:
    record = judged(kept(tmp_path, wav(BOTH)))
    low, high = rate_of(record).interval()
    assert low < 60.0 / 0.7 < high and high - low < 1.0
    assert record.outcome is Outcome.NOT_DECIDED and code_for(record) == 3
    assert "when voltage came" in record.reason
    assert "test it on a bench" in record.conclusion.advice
    assert from_json(to_json(record)) == record
    text = report_text(record)
    assert "43 % or 57 %" in text or "57 % or 43 %" in text
    assert "lamps: not proved" in text and "supply: not proved" in text


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        (clicking(every(0.4)), "150.0"),
        (clicking(every(0.7, without=(9, 15))), "2 missed flashes"),
        (clicking((0.5 + np.cumsum(np.tile([0.6, 0.6, 0.78, 0.68], 7))).tolist()), ""),
    ],
    ids=["too fast", "missed", "irregular"],
)
def test_no_unit_is_rejected_by_sound(tmp_path: Path, sound: Array, said: str) -> None:
    record = judged(kept(tmp_path, wav(sound)))
    assert record.outcome is Outcome.NOT_DECIDED and record.grade is None and code_for(record) == 3
    assert said in record.reason
    if said:
        assert "by sound alone: neither lamps nor supply were proved" in record.reason


def test_a_unit_that_is_silent_is_not_decided(tmp_path: Path) -> None:
    record = judged(kept(tmp_path, wav(clicking([]))))
    assert record.outcome is Outcome.NOT_DECIDED and code_for(record) == 3
    assert "no regular clicks were found: an electronic unit without relay or sounder is silent" in record.reason
    assert not record.bench_faults
    assert all(isinstance(value, NotMeasured) for value in record.measured.values.values())


def test_limits_on_what_sound_shows_can_be_kept(tmp_path: Path) -> None:
    limits = tmp_path / "rate.toml"
    limits.write_text(
        'format = 1\nname = "rate"\ntitle = "rate alone"\nedition = "own"\nbody = "shop"\n'
        '[averaging]\nrule = "mean-of-rates"\nskip = 5\naverage = 3\nbasis = "own"\nsource = "own"\n'
        '[[limit]]\nquantity = "rate_per_min"\nlow = 60\nhigh = 120\nunit = "1/min"\nbasis = "own"\nsource = "own"\n',
        encoding="utf-8",
    )
    setup = Setup("r", limits=(named_limits(str(limits)),))
    record = judge_sound(kept(tmp_path, wav(BOTH)), setup, when="", software="")
    assert record.outcome is Outcome.GOOD and "85.7" in record.reason


def test_command_and_api_know_a_sound_by_its_content(tmp_path: Path) -> None:
    path = tmp_path / "named-anything.csv"
    path.write_bytes(wav(BOTH))
    kept_json = tmp_path / "r.json"
    assert run(["judge", str(path), "--json", str(kept_json)]) == 3
    assert json.loads(kept_json.read_text(encoding="utf-8"))["procedure"]["name"] == "sound"
    assert bench.judge(path).record.procedure.name == "sound"
    assert bench.judge(path)["rate_per_min"].magnitude == pytest.approx(60.0 / 0.7, abs=0.1)
