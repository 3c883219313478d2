"""The Tab key: what shells are offered, by click's own completion, for commands, options, names and addresses."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bench import files
from bench.cli import COMMANDS, COMPLETE, help_text
from bench.cli.completion import joined_words
from bench.simboard import catalogue, fitting
from bench.simboard.faults import FAULTS

ROOT = Path(__file__).parent.parent


def offered(line: str, cwd: Path = ROOT) -> list[str]:
    """Return what fish would be offered for the last word of a command line, which may be empty."""
    words, last = line.rsplit(" ", 1)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), COMPLETE: "fish_complete", "COMP_WORDS": words, "COMP_CWORD": last}
    done = subprocess.run([sys.executable, "-m", "bench"], cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return [one.split(",", 1)[1].split("\t")[0] for one in done.stdout.splitlines() if "," in one]


def test_commands_with_what_they_do_and_options() -> None:
    assert offered("makebreak ") == list(COMMANDS)
    assert offered("makebreak sta") == ["standard"]
    assert offered("makebreak test --gr") == ["--grade-rule"]
    assert "--version" in offered("makebreak --v")


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("makebreak test --procedure ", files.shipped("procedures")),
        ("makebreak procedures ", files.shipped("procedures")),
        ("makebreak test --bank ", files.shipped("banks")),
        ("makebreak banks 2", ("2x18", "2x23", "2x27")),
        ("makebreak judge --instrument ", files.shipped("instruments")),
        ("makebreak test --grade-rule ", (*files.shipped("grades"), "none")),
        ("makebreak limits us-turn", ("us-turn-closed-2", "us-turn-closed-more", "us-turn-open", "us-turn")),
        ("makebreak screen --limits outage", ("outage-qct501",)),
        ("makebreak faults bench-t", ("bench-tc-2x21", "bench-tc-dry")),
        ("makebreak test --system ", ("6", "12", "24")),
        ("makebreak test au", ("auto",)),
        ("makebreak test sim://bench-t", ("sim://bench-tc-2x21", "sim://bench-tc-dry")),
        ("makebreak check sim://LI", ("sim://LINK",)),
        ("makebreak test sim://LINK?pace=", ("sim://LINK?pace=virtual", "sim://LINK?pace=real")),
        ("makebreak test sim://LINK?seed=2&ba", ("sim://LINK?seed=2&bank=",)),
        ("makebreak test sim://LINK?bank=led", ("sim://LINK?bank=led", "sim://LINK?bank=led-resistor")),
        ("makebreak test sim://bench-hw-hold?fault=film,hold", ("sim://bench-hw-hold?fault=film,hold-weak",)),
        ("makebreak test sim://bench-nc-2x21?fault=hold", ()),
    ],
)
def test_names(line: str, names: tuple[str, ...]) -> None:
    assert offered(line) == list(names)


def test_parts_that_were_entered(tmp_path: Path) -> None:
    assert offered("makebreak test --part ", tmp_path) == []
    made = subprocess.run(
        [sys.executable, "-m", "bench", "part", "A-17", "--rated", "2x21"], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert made.returncode == 0
    assert offered("makebreak test --part ", tmp_path) == offered("makebreak part A", tmp_path) == ["A-17"]


def test_what_cannot_be_completed_leaves_the_line_whole(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "broken.toml").write_text("no TOML")
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        COMPLETE: "fish_complete",
        "COMP_WORDS": "makebreak test --part",
        "COMP_CWORD": "",
    }
    done = subprocess.run([sys.executable, "-m", "bench"], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("", "")


def test_words_that_bash_cut() -> None:
    assert joined_words(["makebreak", "test", "sim", ":", "//LINK?seed", "=", "2"]) == ["makebreak", "test", "sim://LINK?seed=2"]
    assert joined_words(["makebreak", "test", "--limits", "="]) == ["makebreak", "test", "--limits="]


@pytest.mark.parametrize(
    ("words", "replies"),
    [
        ("makebreak te", "test"),
        ("makebreak test sim : //bench-t", "//bench-tc-2x21 //bench-tc-dry"),
        ("makebreak test sim : //LINK?bank = led-", "led-resistor"),
        ("makebreak test --limits = outage", "outage-qct501"),
    ],
)
def test_in_bash(words: str, replies: str, tmp_path: Path) -> None:
    command = tmp_path / "makebreak"
    command.write_text(f'#!/bin/sh\nPYTHONPATH={ROOT} exec {sys.executable} -m bench "$@"\n')
    command.chmod(0o755)
    script = (
        f'export PATH="{tmp_path}:$PATH"; eval "$({COMPLETE}=bash_source makebreak)"; COMP_WORDS=({words}); '
        'COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _makebreak_completion makebreak; echo "${COMPREPLY[*]}"'
    )
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.stderr) == (replies, "")


def test_the_page_says_how_to_switch_it_on() -> None:
    for shell in ("bash", "zsh", "fish"):
        assert f"{COMPLETE}={shell}_source makebreak" in help_text()
        assert f"{COMPLETE}={shell}_source makebreak" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_a_fault_is_offered_where_it_changes_the_unit() -> None:
    for name in catalogue.names():
        unit = catalogue.unit(name)
        fits = fitting.faults_for(unit)
        assert [fault for fault in FAULTS if FAULTS[fault].side == "unit" and fault in fits] == [
            fault for fault in FAULTS if name in fitting.units_with(fault)
        ]
    assert "bench-nc-eroded" not in fitting.units_with("contact-eroded"), "it has that already"
    assert fitting.units_with("hold-weak") == ("bench-hw-hold",)
