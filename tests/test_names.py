"""One name for one thing: on the screen, in reports, in help and in the JSON schema, as the tables of names have it."""

from __future__ import annotations

import ast
import json
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from rich.console import Console
from sample_records import cases

import bench
from bench.cli import COMMANDS, run
from bench.cli.exit_codes import EXIT_CODES
from bench.grade.speech import speech_of
from bench.limits import UNITS, Limit, Source
from bench.measure import QUANTITIES
from bench.render.brief import brief_lines
from bench.render.names import NOT_MEASURED, OUTCOMES, VERDICT_WORDS, VERDICTS, grade_text, quantity_title, verdict_word
from bench.render.report import report_text
from bench.render.rows import judged_rows
from bench.tui.gauge import title_of
from bench.tui.help import grade_rows, help_text
from bench.tui.signs import CONFORMITY_SIGNS, SIGNS
from bench.uncertainty import Estimate

ROOT = Path(__file__).parent.parent
PACKAGE = Path(bench.__file__).parent
READERS = (PACKAGE / "record_older.py",)
"""They know sentences of older records, and say none."""

OTHER_NAMES = {
    "on-time": r"current-on|\bon time\b|lit time|duty (cycle|factor)",
    "first light": r"time to (the )?(first )?light\b",
    "first extinction": r"time to (the )?(first )?extinction",
    "starting time": r"\bstart(ing)?-time|\bstart time|start-up time|time to start",
    "contact drop": r"voltage drop|drop of the contact|contact's drop|(?<!contact )drop of the kept unit",
    "flash rate": r"flashing rate|blink(ing)? rate|flash frequency|(?<!flash )rate of the kept unit",
    "not measured": r"(cannot|can't|could not|couldn't) be measured|\bunmeasured\b",
    "not counted against the unit": r"(unit is|is) not (blamed|charged)|not charged to|never charged",
    "bench fault": r"fault of the bench\b|bench error",
    "guard band": r"guard zone|guard strip|safety margin",
    "tell-tale": r"telltale|tell tale",
}
"""The one name of a thing, and what it is called nowhere else."""
SAID_BETTER = (
    r"It will be tested so", r"say what kept it from", r"nobody said", r"conditions for \w missed", r"is looked for all the time",
    r"is looked at\b.*supply|supply is looked at", r"as right as it gets", r"let the time pass", r"nothing to do$", r"asked what it is",
    r"what kept it", r"how it stands", r"stands still, its program", r"maker's word", r"I know these", r"takes what its wattage",
    r"looks in order",
)  # fmt: skip
"""Sentences that were said otherwise once."""


def said_in(path: Path) -> Iterator[str]:
    """Yield the texts of a module, but not its docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    alone = [node.value for node in ast.walk(tree) if isinstance(node, ast.Expr)]
    silent = {id(value) for value in alone if isinstance(value, ast.Constant)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.value


def texts_under(content: object, keys: frozenset[str]) -> Iterator[str]:
    """Yield the texts under these keys, however deep they lie."""
    if isinstance(content, dict):
        for key, value in content.items():
            if key in keys and isinstance(value, str):
                yield value
            yield from texts_under(value, keys)
    elif isinstance(content, list):
        for item in content:
            yield from texts_under(item, keys)


@cache
def texts() -> tuple[tuple[str, str], ...]:
    """Return all that users may read, each with its place: texts of the program, titles of its files, descriptions of the JSON schema."""
    found = [(str(path.relative_to(ROOT)), text) for path in PACKAGE.rglob("*.py") if path not in READERS for text in said_in(path)]
    titles, descriptions = frozenset({"title", "text", "wording", "find"}), frozenset({"title", "description"})
    for path in (PACKAGE / "data").rglob("*.toml"):
        found += [(path.name, text) for text in texts_under(tomllib.loads(path.read_text(encoding="utf-8")), titles)]
    for path in (PACKAGE / "data" / "schema").glob("*.json"):
        found += [(path.name, text) for text in texts_under(json.loads(path.read_text(encoding="utf-8")), descriptions)]
    return tuple(found)


@pytest.mark.parametrize("name", OTHER_NAMES)
def test_one_name_for_one_thing(name: str) -> None:
    other = re.compile(OTHER_NAMES[name], re.IGNORECASE)
    wrong = [f"{where}: {text}" for where, text in texts() if other.search(text)]
    assert not wrong, f"say {name!r} instead"
    assert any(name in text.lower() for _, text in texts())


@pytest.mark.parametrize("pattern", SAID_BETTER)
def test_sentences_stay_better(pattern: str) -> None:
    assert not [f"{where}: {text}" for where, text in texts() if re.search(pattern, text)]


def test_help_and_readme_have_the_same_names(capsys: pytest.CaptureFixture[str]) -> None:
    for name in COMMANDS:
        run([name, "--help"])
    pages = " ".join(capsys.readouterr().out.split())
    for text in (pages, (ROOT / "README.md").read_text(encoding="utf-8")):
        for name, other in OTHER_NAMES.items():
            assert not re.search(other, text, re.IGNORECASE), name
        assert not [pattern for pattern in SAID_BETTER if re.search(pattern, text)]


def test_a_quantity_is_called_the_same_everywhere() -> None:
    full = [quantity.full_title for quantity in QUANTITIES.values()]
    assert len(set(full)) == len(full)
    page = Console(width=200)
    with page.capture() as caught:
        page.print(help_text({}, ()))
    for name, quantity in QUANTITIES.items():
        unit = next(unit for unit, (own, _) in UNITS.items() if own == quantity.unit)
        limit = Limit(name, 0.0, None, unit, Source("own", "x"))
        assert speech_of(name).title == title_of(limit) == quantity.title
        assert limit.title.startswith(quantity.title) and quantity_title(name).lower() == quantity.title.lower()
        assert quantity.title[:20].rstrip() in caught.get(), "the help page of the screen"


@pytest.mark.parametrize("name", sorted(cases()))
def test_reports_call_figures_by_their_names(name: str) -> None:
    record = cases()[name]
    full, short = " ".join(report_text(record, 200).split()).lower(), brief_lines(record, 200)
    for row in judged_rows(record):
        assert f"{row.verdict}: {VERDICT_WORDS[row.verdict]}" in full, "each word is explained where it stands"
    for quantity in ("on_ratio", "start_s", "drop_v"):
        if any(v.limit.title.startswith(QUANTITIES[quantity].title) for v in record.verdicts):
            assert any(line.startswith(quantity_title(quantity)) for line in short)


def test_nothing_that_has_a_value_is_called_not_measured() -> None:
    for record in cases().values():
        for verdict in record.verdicts:
            assert not (verdict_word(verdict) == NOT_MEASURED and isinstance(verdict.found, Estimate))


def test_outcomes_and_verdicts_are_words_of_one_table() -> None:
    assert set(OUTCOMES) == set(SIGNS) and set(VERDICTS) == set(CONFORMITY_SIGNS)
    codes = " ".join(EXIT_CODES.split())
    for outcome in OUTCOMES:
        assert outcome.value in codes
    assert all(OUTCOMES[outcome] in codes for outcome in OUTCOMES if outcome.value in ("not good", "not decided", "bench fault"))


def test_grades_are_explained_wherever_they_appear() -> None:
    for record in cases().values():
        letter, said = record.conclusion.letter, grade_text(record.conclusion.grade)
        full, short = report_text(record, 120), "\n".join(brief_lines(record, 120))
        assert (f"GRADE {said}" in full and f"GRADE {said}" in short) if letter else "GRADE" not in full + short
        assert not letter or said == f"{letter} ({record.conclusion.grade.title})"  # type: ignore[union-attr]
    assert all(":" in says for _, says, _ in grade_rows("default"))
