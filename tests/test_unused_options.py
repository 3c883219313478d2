"""An option that would change nothing, is given twice, or contradicts another is refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest
from sample_records import record

from bench.assemble import judge_all
from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.errors import SetupError
from bench.files import named_limits
from bench.record_json import to_json
from bench.setup import Setup

UNIT, LINK = "sim://bench-el-plain", "sim://LINK"
CSV = str(Path(__file__).parent.parent / "fixtures" / "recordings" / "thermal-plain.csv")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["test", UNIT, "--system", "12", "--system", "24"], "--system is given twice; give it once"),
        (["test", UNIT, "--supply", "12", "--supply=13"], "--supply is given twice; give it once"),
        (["test", UNIT, "--fact", "insulation=good", "--fact", "insulation=bad"], "--fact: insulation is given twice"),
        (["test", UNIT, "--claim", "pilot=none", "--claim", "pilot=in-step"], "--claim: pilot is given twice"),
        (["test", UNIT, "--limits", "un-r48", "--limits", "un-r48"], "limits un-r48 are named twice; name them once"),
        (["test", UNIT, "--parts", "mine"], "--parts would change nothing: it says where parts are kept, and no --part is named"),
        (["test", UNIT, "--json", "-", "--full"], "--full would change nothing: --json - writes the whole record instead"),
        (["judge", CSV, "--json", "-", "--budget"], "--budget would change nothing: --json - writes the whole record instead"),
        (["judge", CSV, "--parts", "mine"], "--parts would change nothing"),
        (["judge", CSV, "--rename", "a=b", "--rename", "a=c"], "--rename: a is given twice"),
        (["judge", CSV, "--rate", "1000", "--rate", "2000"], "--rate is given twice"),
        (["calibrate", LINK, "--store", "--no-store"], "--store is given twice"),
        (["calibrate", LINK, "--highest", "20"], "--highest would change nothing: it is how far voltages are compared"),
        (["standard", "--flashing"], "--flashing would change nothing: without an address nothing is measured"),
        (["standard", "--system", "24"], "--system would change nothing: without an address"),
        (["standard", LINK, "--rated", "21"], "--rated would change nothing: they say on what a kept unit flashes"),
        (["standard", LINK, "--bank", "2x27"], "--bank would change nothing"),
        (["standard", LINK, "--fact", "insulation=good"], "there is no option --fact"),
        (["banks", "--system", "24"], "--system would change nothing: it is the system of the bank to show"),
        (["board", LINK, "--host", "127.0.0.1"], "--host would change nothing: it is where TCP is served"),
    ],
)
def test_it_is_refused_in_one_line(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == USAGE
    out, err = capsys.readouterr()
    assert out == "" and says in err and err.count("\n") == 1
    assert list(tmp_path.iterdir()) == [], "and nothing was kept"


@pytest.mark.parametrize(("option", "value"), [("--minutes", "1"), ("--keep", "x"), ("--system", "24"), ("--highest", "20")])
def test_a_kept_calibration_is_stored_without_what_is_measured(
    option: str, value: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["calibrate", LINK, "--from", str(tmp_path / "any.json"), option, value]) == USAGE
    assert f"{option} would change nothing: --from stores what was measured before" in capsys.readouterr().err
    assert run(["calibrate", LINK, "--from", str(tmp_path / "any.json"), "--no-store"]) == USAGE
    assert "--from stores a calibration, and --no-store does not" in capsys.readouterr().err


def test_what_is_of_the_report_is_not_said_of_what_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "unit.json"
    path.write_text(to_json(record()), encoding="ascii")
    for arguments, says in (
        ([str(path), str(path), "--full"], "--full would change nothing: of several records a line each is shown"),
        ([str(path), "--flashes", "-", "--budget"], "--budget would change nothing: --flashes - writes the flashes"),
    ):
        assert run(["show", *arguments]) == USAGE
        assert says in capsys.readouterr().err
    assert run(["show", str(path), "--full", "--full", "--budget"]) == GOOD, "said twice a flag says the same"


def test_a_set_that_its_family_chooses_too_is_judged_once() -> None:
    one = Setup("x", limits=(named_limits("us-turn"), named_limits("us-turn-closed-2")))
    measured = record().measured
    sets, verdicts = judge_all(one, measured, None)
    assert [limit_set.name for limit_set in sets] == ["us-turn-closed-2"]
    assert verdicts == judge_all(Setup("x", limits=(named_limits("us-turn"),)), measured, None)[1]
    with pytest.raises(SetupError, match="limits un-r48 are named twice"):
        Setup("x", limits=(named_limits("un-r48"),) * 2)
