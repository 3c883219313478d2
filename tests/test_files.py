"""Data files by name and by path."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bench.errors import TableError
from bench.files import KINDS, bank, grade_rule, instrument, limit_sets, named_limits, procedure, read, shipped
from bench.limits import choose

DATA = Path(__file__).parent.parent / "bench" / "data"


@pytest.mark.parametrize("kind", KINDS)
def test_every_shipped_file_can_be_read(kind: str) -> None:
    assert shipped(kind) == tuple(sorted(p.stem for p in (DATA / kind).glob("*.toml"))) != ()
    loads: dict[str, Callable[[str], object]] = {"limits": named_limits, "grades": grade_rule, "procedures": procedure, "banks": bank}
    loads["instruments"] = lambda name: (name, instrument(name).title)
    for name in shipped(kind):
        assert name in repr(loads[kind](name))


def test_a_family_a_member_and_a_path(tmp_path: Path) -> None:
    name, sets = named_limits("us-turn")
    assert choose(sets, name, {"rest": "open"}, 2).name == "us-turn-open"
    name, sets = named_limits("us-turn-open")
    assert [s.name for s in sets] == [name]
    mine = tmp_path / "mine.toml"
    example = (DATA / "limits" / "shop-example.toml").read_text(encoding="utf-8")
    mine.write_text(example.replace('name = "shop-example"', 'name = "mine"'), encoding="utf-8")
    name, sets = named_limits(str(mine))
    assert choose(sets, name, {}, None).name == "mine"
    assert "mine" not in {s.name for s in limit_sets()}


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"format = ", "not TOML"),
        (b"\xff\xfe", "not UTF-8"),
        (b"a = " + b"[" * 100_000, "nested too deep"),
        (b"format = 7", "this version reads format 1"),
        (None, "No such file"),
    ],
)
def test_a_bad_file_is_one_clear_line(tmp_path: Path, content: bytes | None, text: str) -> None:
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TableError) as error:
        named_limits(str(path))
    assert str(error.value).startswith(f"limit set {path}: ") and text in str(error.value) and "\n" not in str(error.value)


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(TableError, match=r"procedure slow: no such name; there are .*quick"):
        read("procedures", "slow")


def test_a_folder_is_not_a_file(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="cannot be read"):
        read("grades", f"{tmp_path}/")
