"""What is said of a recording and would change nothing is refused, never passed over."""

from __future__ import annotations

import wave
from pathlib import Path

import pytest

import bench
from bench.cli import run
from bench.cli.exit_codes import NOT_DECIDED, USAGE
from bench.errors import RecordingError

PLAIN = Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv"


@pytest.fixture
def silence(tmp_path: Path) -> Path:
    path = tmp_path / "silence.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(2 * 8000 * 21))
    return path


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--procedure", "quick"], "no board made it by a procedure; leave quick out"),
        (["--procedure", "decide"], "no board made it by a procedure; leave decide out"),
        (["--fitted", "2x21", "--lamps", "1,2"], "fitted lamps say what was connected"),
        (["--fitted", "2x21", "--bank", "standard"], "fitted lamps say what was connected"),
        (["--lamps", "1,2"], "loads by number are places of a bank; name the bank too"),
        (["--bank", "standard"], "the bank standard alone does not say which of its lamps were connected"),
    ],
)
def test_an_option_that_would_change_nothing_is_refused(options: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(PLAIN), *options]) == USAGE
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert err.startswith("makebreak judge: recording thermal-plain.csv: ") and says in err


@pytest.mark.parametrize("options", [["--supply", "12.8"], ["--led"], ["--procedure", "quick"]])
def test_a_sound_is_not_told_what_it_cannot_show(options: list[str], silence: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", str(silence), *options]) == USAGE
    assert capsys.readouterr().err.startswith("makebreak judge: recording silence.wav: ")


def test_what_says_which_lamps_were_connected_is_taken(capsys: pytest.CaptureFixture[str]) -> None:
    for options in (["--bank", "standard", "--lamps", "1,2"], ["--bank", "standard", "--rated", "2x21"], ["--claim", "rated=2x21"]):
        assert run(["judge", str(PLAIN), *options]) != USAGE
    assert capsys.readouterr().err == ""


def test_python_is_refused_the_same() -> None:
    for wrong in ({"procedure": "quick"}, {"lamps": [1, 2]}, {"bank": "standard"}, {"fitted": [21, 21], "bank": "standard"}):
        with pytest.raises(RecordingError, match=r"recording thermal-plain\.csv: "):
            bench.judge(PLAIN, **wrong)


def test_what_no_record_could_say_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An instrument that may be off by 1e12 % would leave a record that is not shown afterwards."""
    path = tmp_path / "mine.toml"
    path.write_text('format = 1\ntitle = "t"\n[channels.i_load]\npercent_of_reading = 1e12\n', encoding="utf-8")
    assert run(["judge", str(PLAIN), "--instrument", str(path), "--json", str(tmp_path / "r.json")]) == USAGE
    out, err = capsys.readouterr()
    assert out == "" and "judged so, its record would contradict itself: steady current of" in err and err.count("\n") == 1
    assert not (tmp_path / "r.json").exists()


def test_a_unit_is_not_good_at_the_volts_of_another_system(capsys: pytest.CaptureFixture[str]) -> None:
    """12.8 V are what a 24 V system may be set up with, and no 24 V unit is used at."""
    assert run(["judge", str(PLAIN), "--system", "24", "--supply", "12.8"]) == NOT_DECIDED
    said = " ".join(capsys.readouterr().out.split())
    assert "Not decided: within the limits, but at 12.8 V (a 24 V unit is used at about 25.6 V)." in said
    assert "Next: Record it at the voltage of its system." in said
