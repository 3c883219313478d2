"""The house rules that a machine can hold: who may import whom, and that every file has a place that is written down."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
BENCH = ROOT / "bench"

# The line, from left to right: each room may import what stands to its left. A room is a module, or a package of that name.
LINE = (
    "uncertainty", "control_chart", "wire", "errors", "description", "zero", "samples", "envelope", "clock", "calibration",
    "manual_actions", "bench_memory", "lamps", "lamp_check",
    "instants", "transitions", "readings", "supply", "stillness", "comparator",
    "inrush", "cycles", "clicks", "measure", "analysis",
    "plain", "table", "bank", "instrument", "rounding", "limits", "conditions", "claims", "verdict", "grade", "outcome", "procedure",
    "typed_json", "editions", "record", "record_older", "record_sum", "record_words", "record_runs", "record_checks", "record_json",
    "board_identity", "setup", "run_plan", "combine", "assemble",
)  # fmt: skip
# The edges: what each may import besides the whole line.
EDGES: dict[str, frozenset[str]] = {
    "version": frozenset(),
    "defaults": frozenset(),
    "terminal": frozenset(),
    "stopping": frozenset({"terminal"}),
    "intake": frozenset(),
    "files": frozenset({"intake"}),
    "simboard": frozenset({"files"}),
    "ports": frozenset({"files", "intake", "simboard"}),
    "recording": frozenset({"intake"}),
    "keeping": frozenset(),
    "board": frozenset({"ports", "stopping"}),
    "judging": frozenset({"files", "ports", "recording"}),
    "session": frozenset({"board", "files", "judging", "keeping", "ports", "stopping"}),
    "upkeep": frozenset({"board", "intake", "keeping", "ports", "session"}),
    "station": frozenset({"board", "ports", "session", "stopping", "version"}),
    "render": frozenset({"session", "upkeep"}),
    "parts": frozenset({"files", "keeping"}),
    "tui": frozenset(
        {"defaults", "files", "intake", "judging", "keeping", "ports", "session", "station", "render", "simboard", "terminal"}
    ),
    "result": frozenset({"render"}),
    "arguments": frozenset(),
    "api": frozenset(
        {"arguments", "board", "defaults", "files", "judging", "parts", "ports", "recording", "result", "session", "simboard", "version"}
    ),
    "cli": frozenset(
        {
            "board",
            "defaults",
            "files",
            "intake",
            "judging",
            "keeping",
            "parts",
            "ports",
            "recording",
            "session",
            "station",
            "render",
            "simboard",
            "stopping",
            "terminal",
            "upkeep",
            "api",
            "tui",
            "version",
        }
    ),
    "__main__": frozenset({"cli"}),
    "__init__": frozenset({"api", "result", "version"}),
}
DATA = frozenset({"data"})
# What reaches the world outside: not for the line.
WORLDLY = frozenset(
    {"asyncio", "io", "logging", "multiprocessing", "os", "pathlib", "random", "select", "shutil", "signal", "socket",
     "subprocess", "sys", "tempfile", "threading", "time", "click", "rich", "pint", "pandas", "serial", "textual", "sqlite3",
     "datetime"}
)  # fmt: skip
WORLDLY_CALLS = frozenset({"print", "open", "input", "exec", "eval", "__import__"})
# Packages that only one room may touch.
ONLY_IN = {
    "serial": {"ports"},
    "click": {"cli"},
    "rich": {"cli", "render", "tui"},
    "textual": {"tui"},
    "sqlite3": {"store"},
    "pint": {"render", "result"},
    "platformdirs": {"cli"},
}
# Slow to import: only inside functions, in all that the command line imports before it knows what to do.
HEAVY = frozenset({"scipy", "pandas", "pint"})
FORBIDDEN_NAMES = frozenset({"utils", "util", "helpers", "common", "manager", "misc", "models"})


def sources() -> list[Path]:
    return sorted(path for path in BENCH.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(BENCH).parts[0].removesuffix(".py")


def imports(tree: ast.AST, top_only: bool = False) -> Iterator[tuple[str, int]]:
    """Absolute names of the modules imported, without those under `if TYPE_CHECKING` when only the top of the module counts."""
    for node in _at_import_time(tree) if top_only else ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import in line {node.lineno}: this house imports by full name"
            yield node.module or "", node.lineno
            if node.module == "bench":
                yield from ((f"bench.{alias.name}", node.lineno) for alias in node.names)


def _at_import_time(tree: ast.AST) -> Iterator[ast.AST]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            continue
        yield node
        yield from _at_import_time(node)


def rooms_imported(tree: ast.AST) -> Iterator[tuple[str, int]]:
    for name, line in imports(tree):
        parts = name.split(".")
        if parts[0] == "bench" and len(parts) > 1:
            yield parts[1], line


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(BENCH)))
def test_rooms_import_only_what_stands_to_their_left(path: Path) -> None:
    room = room_of(path)
    allowed = frozenset(LINE[: LINE.index(room)]) if room in LINE else EDGES[room] | frozenset(LINE)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    wrong = [f"line {line}: bench.{name}" for name, line in rooms_imported(tree) if name != room and name not in allowed]
    assert not wrong, f"bench/{room} must not import these rooms: {wrong}"


@pytest.mark.parametrize("path", [p for p in sources() if room_of(p) in LINE], ids=lambda p: str(p.relative_to(BENCH)))
def test_the_line_is_pure(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    wrong = [f"line {line}: import {name}" for name, line in imports(tree) if name.split(".")[0] in WORLDLY]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in WORLDLY_CALLS:
            wrong.append(f"line {node.lineno}: {node.func.id}()")
    assert not wrong, f"a module of the line reaches outside: {wrong}"


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(BENCH)))
def test_packages_stay_in_their_rooms(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for name, line in imports(tree):
        rooms = ONLY_IN.get(name.split(".")[0])
        assert rooms is None or room_of(path) in rooms, f"line {line}: {name} belongs to bench/{', bench/'.join(sorted(rooms))} only"
    heavy = [f"line {line}: {name}" for name, line in imports(tree, top_only=True) if name.split(".")[0] in HEAVY]
    assert not heavy, f"imported at the top, so that every command waits for it: {heavy}"


def test_every_file_has_a_written_place() -> None:
    known = {*LINE, *EDGES, *DATA}
    rooms = {path.name.removesuffix(".py") for path in BENCH.iterdir() if path.name != "__pycache__"}
    assert rooms <= known, f"it is not written down where these stand (tests/test_layout.py, DEVELOPERS.md): {sorted(rooms - known)}"
    assert known - rooms == set(), "written down, but not there"
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [
        room for room in rooms - DATA - {"__init__", "__main__"} if f"`bench/{room}.py`" not in table and f"`bench/{room}/`" not in table
    ]
    assert not missing, f"DEVELOPERS.md does not say what these make: {sorted(missing)}"


def test_tables_of_a_room_name_each_of_its_files() -> None:
    """A paragraph of DEVELOPERS.md that begins with "Inside" and a room speaks of all the room's files, and of none that is gone."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("\n\nBeside the package")[0]
    for room, told in re.findall(r"^Inside `bench/(\w+)/`(.*?)(?=^Inside |\Z)", page, re.MULTILINE | re.DOTALL):
        files = {path.stem for path in (BENCH / room).glob("*.py")} - {"__init__"}
        assert not (missing := files.difference(re.findall(r"`(\w+)`", told))), f"bench/{room}: DEVELOPERS.md does not name {missing}"
        firsts = re.findall(r"^\| (`.*?) \|", told, re.MULTILINE)
        gone = {name for first in firsts for name in re.findall(r"`([a-z_]+)`", first)} - files
        assert not gone, f"bench/{room}: DEVELOPERS.md names {gone}, which are not there"


def test_no_file_is_named_for_nothing() -> None:
    named = {path.stem for folder in ("bench", "tests", "reports") for path in (ROOT / folder).rglob("*.py")}
    assert not named & FORBIDDEN_NAMES


def test_only_packages_that_are_declared_are_imported() -> None:
    declared = {"click", "cobs", "numpy", "pandas", "pint", "platformdirs", "serial", "rich", "textual"}
    for path in sources():
        for name, line in imports(ast.parse(path.read_text(encoding="utf-8"))):
            top = name.split(".")[0]
            assert top in declared | {"bench"} | sys.stdlib_module_names, (
                f"{path.name} line {line}: {top} is not a dependency of the base install"
            )


def test_no_unfinished_work_is_left_lying() -> None:
    words = ("TO" + "DO", "FIX" + "ME", "NotImplemented" + "Error", "pytest." + "skip")
    for folder in ("bench", "tests", "reports"):
        for path in (ROOT / folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            assert not [word for word in words if word in text], path
