"""What parts are said to be: kept in a file each whatever the number is, found again, refused in one line, and judged."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import bench
from bench.claims import Claims, claims_text
from bench.cli.exit_codes import NOT_GOOD, USAGE
from bench.cli.judge import command as judge_command
from bench.cli.part import command as part_command
from bench.cli.parts import command as parts_command
from bench.errors import TableError
from bench.parts import LONGEST, all_parts, claims_for, keep_part, part_path, read_part

ALL = Claims(
    part="4711-0815", system_v=12.0, rated=(21.0, 21.0, 5.0), load="fixed", terminals=3, pilot="in step", pilot_lamp_out="dead",
    outage=True, led=False, trailer=False,
)  # fmt: skip
NUMBERS = (
    "4711", "A/B", "A-B", "..", "../../etc/passwd", ".hidden", "a b", "50%", 'say "so"', "back\\slash", "ÄÖ 名", "🔧", "CON", "nul", "com1",
    "x" * LONGEST, "名" * LONGEST, "名" * (LONGEST - 1) + "字", "a~b", "[/b]", "$(touch x)",
)  # fmt: skip


def test_what_is_kept_is_found_again(tmp_path: Path) -> None:
    folder = tmp_path / "parts"
    assert all_parts(folder) == ()
    path = keep_part(folder, ALL)
    assert path == folder / "4711-0815.toml"
    assert read_part(folder, "  4711-0815 ") == ALL
    changed = replace(ALL, outage=None)
    keep_part(folder, changed)
    assert all_parts(folder) == (changed,)
    assert os.listdir(folder) == ["4711-0815.toml"], "nothing half written is left"


def test_every_number_has_a_file_of_its_own_in_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "parts"
    paths = [keep_part(folder, Claims(part=" ".join(number.split()), terminals=2)) for number in NUMBERS]
    assert len({path.name.lower() for path in paths}) == len(NUMBERS)
    for number, path in zip(NUMBERS, paths, strict=True):
        assert path.parent == folder and path.resolve().parent == folder.resolve()
        assert re.fullmatch(r"[\w%~-]+\.toml", path.name, re.ASCII) and len(path.name) < 200
        assert path.stem.lower() not in ("con", "nul", "com1")
        assert read_part(folder, number).part == " ".join(number.split())
    assert [one.name for one in tmp_path.iterdir()] == ["parts"]


@pytest.mark.parametrize("number", ["", "  ", "x" * (LONGEST + 1), "a\x1b[2Jb", "a\u202eb", "a\x00b", "a\ud800b"])
def test_what_can_be_no_number_is_refused_in_a_line(number: str, tmp_path: Path) -> None:
    with pytest.raises(TableError, match="characters, all of them printable") as caught:
        read_part(tmp_path, number)
    assert str(caught.value).isprintable()
    with pytest.raises(TableError):
        keep_part(tmp_path, Claims(part=number))


def test_an_unknown_part_says_how_to_enter_it(tmp_path: Path) -> None:
    with pytest.raises(TableError) as caught:
        read_part(tmp_path, "A B")
    assert 'makebreak part "A B" --rated' in str(caught.value)


BROKEN = {
    "no toml": ("format = ", "not TOML"),
    "another format": ("format = 2", "format: got 2"),
    "another key": ('format = 1\npart = "4711"\ncolour = "red"', "unknown key"),
    "another part": ('format = 1\npart = "4712"', "says that it is of part '4712'"),
    "hostile": ('format = 1\npart = "\\u001b[2J"', "says that it is of part '\\x1b[2J'"),
    "no text": ("\udcff", "not UTF-8"),
}


@pytest.mark.parametrize(("text", "why"), BROKEN.values(), ids=BROKEN.keys())
def test_a_file_that_cannot_be_used_is_said_in_a_line(text: str, why: str, tmp_path: Path) -> None:
    path = part_path(tmp_path, "4711")
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(TableError) as caught:
        read_part(tmp_path, "4711")
    assert why in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_file_of_another_part_is_not_written_over(tmp_path: Path) -> None:
    part_path(tmp_path, "4711").write_text(claims_text(Claims(part="4712")))
    with pytest.raises(TableError, match="is the file of part '4712' already"):
        keep_part(tmp_path, Claims(part="4711"))


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "parts").write_text("")
    with pytest.raises(TableError, match="name a folder that can be written"):
        keep_part(tmp_path / "parts", ALL)


def test_what_is_said_beside_wins(tmp_path: Path) -> None:
    keep_part(tmp_path, ALL)
    assert claims_for(tmp_path, None, {}) == Claims()
    assert claims_for(tmp_path, "4711-0815", {"pilot": None, "led": True}) == replace(ALL, pilot=None, led=True)


# The commands.


def entered(folder: Path, number: str, *options: str) -> str:
    result = CliRunner().invoke(part_command, [number, *options, "--parts", str(folder)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_a_part_is_entered_shown_and_listed(tmp_path: Path) -> None:
    folder = tmp_path / "parts"
    listed = CliRunner().invoke(parts_command, ["--parts", str(folder)])
    assert "Nothing is kept" in listed.output
    options = (
        "--rated", "2x21+5", "--system", "12", "--load", "fixed", "--terminals", "3", "--pilot", "in-step", "--pilot-lamp-out", "dead",
        "--outage", "yes", "--led", "no", "--trailer", "no",
    )  # fmt: skip
    said = entered(folder, "4711-0815", *options)
    assert read_part(folder, "4711-0815") == ALL
    for words in ("12 V", "2 x 21 W + 5 W", "pilot in step", "tell-tale in step with the lamps", "a lamp out is shown"):
        assert words in said
    assert entered(folder, "4711-0815") == said
    entered(folder, "4711-0815", "--pilot-lamp-out", "unknown", "--rated", "unknown", "--load", "variable")
    assert read_part(folder, "4711-0815") == replace(ALL, pilot_lamp_out=None, rated=None, load="variable")
    listed = CliRunner().invoke(parts_command, ["--parts", str(folder)])
    assert "4711-0815" in listed.output and "variable load" in " ".join(listed.output.split())


def test_hostile_parts_are_listed_and_not_obeyed(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text('format = 1\npart = "[red]\\u001b[2J\\u202ex"\noutage = true\n')
    listed = CliRunner().invoke(parts_command, ["--parts", str(tmp_path)]).output
    assert "[red]" in listed and "\x1b" not in listed and "\u202e" not in listed


def test_an_unknown_part_ends_a_test_before_it_begins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from bench.cli import run

    assert run(["test", "--part", "4711", "--parts", str(tmp_path)]) == USAGE
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "makebreak part 4711" in error


@pytest.mark.parametrize("claim", ["pilot", "colour=red", "pilot=blue", "terminals=5", "rated=many", "outage=perhaps"])
def test_a_claim_that_is_none_is_refused(claim: str, capsys: pytest.CaptureFixture[str]) -> None:
    from bench.cli import run

    assert run(["test", "--claim", claim]) == USAGE
    assert "--claim" in capsys.readouterr().err


def test_a_claim_is_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The simulated unit has nothing at its pilot terminal."""
    from bench.cli import run

    folder = tmp_path / "parts"
    keep_part(folder, Claims(part="4711", rated=(21.0, 21.0), terminals=3, pilot="in step"))
    kept = tmp_path / "record.json"
    common = ["test", "sim://bench-el-plain", "--procedure", "quick", "--json", str(kept)]
    of_part = [*common, "--part", "4711", "--parts", str(folder)]
    assert run(of_part) == NOT_GOOD
    record = json.loads(kept.read_text())
    assert record["setup"]["claims"]["part"] == "4711" and record["setup"]["claims"]["terminals"] == 3
    assert 'required "in step"' in record["conclusion"]["reason"]
    assert record["setup"]["rating_known"] is True
    assert run([*of_part, "--claim", "pilot=none"]) != NOT_GOOD
    assert run([*common, "--claim", "pilot=antiphase"]) == NOT_GOOD
    capsys.readouterr()


def test_the_library_takes_part_and_claims(tmp_path: Path) -> None:
    keep_part(tmp_path, Claims(part="4711", system_v=12.0, rated=(21.0,), pilot="none"))
    result = bench.test("sim://bench-el-plain", procedure="quick", part="4711", parts_folder=tmp_path, claims={"led": True})
    assert result.record.rated_load == "21 W"
    assert result.record.claims == Claims(part="4711", system_v=12.0, rated=(21.0,), pilot="none", led=True)
    assert result.record.measured.facts["pilot"] == "absent"
    given = bench.test("sim://bench-el-plain", procedure="quick", part="4711", parts_folder=tmp_path, rated=(21.0, 21.0))
    assert given.record.rated_load == "2 x 21 W", "what is given wins"


def test_a_part_for_another_system_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from bench.cli import run

    keep_part(tmp_path, Claims(part="4711", system_v=24.0))
    assert run(["test", "sim://bench-el-plain", "--part", "4711", "--parts", str(tmp_path)]) == USAGE
    assert "is said to be for 24 V, the test is for 12 V" in capsys.readouterr().err


def test_judging_a_recording_takes_claims() -> None:
    names = {option for parameter in judge_command.params for option in parameter.opts}
    assert {"--part", "--claim", "--parts"} <= names
