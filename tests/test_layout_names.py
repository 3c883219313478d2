"""Sizes, names and docstrings: short files and functions, one name for one thing, and every public name with its meaning and unit."""

from __future__ import annotations

import ast
import inspect
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("bench", "firmware", "reports", "tests")
LONGEST_FILE = 400
LONGEST_USUAL_FUNCTION = 24
Function = ast.FunctionDef | ast.AsyncFunctionDef

# The last word of a name that says by itself in which unit its number is, or that it is a number without one.
UNITS = frozenset(
    {"s", "ms", "us", "min", "h", "hz", "khz", "v", "mv", "uv", "a", "ma", "ua", "ohm", "ohms", "mohm", "w", "k", "c", "kg", "j", "f",
     "m", "lm", "mb", "per", "siemens", "seconds", "volts", "amps", "amperes", "watts", "celsius", "kelvin", "turns", "samples",
     "ticks", "counts", "count", "columns", "rows", "cells", "dof", "percent", "part", "parts", "share", "fraction", "ratio",
     "factor", "probability", "eur"}
)  # fmt: skip
# Voltages and currents by their terminal, as channels are called.
CHANNEL = re.compile(r"[vi]_(in|out|drop|load|lamp|pilot)")
# What a docstring must hold besides the name where the name says no unit.
UNIT_WORDS = re.compile(
    r"\b(s|ms|V|mV|A|W|K|Hz|ohm|kg|degC|MB|volts?|amperes?|seconds|units?|percent|per cent|parts?|relative|probability|half-width|factor|"
    r"share|counts?|cells?|columns?|rows?|points?|degrees of freedom|standard deviations?|quantile|shape|number)\b"
)
# Exceptions. Methods that the screen library calls are named by it, and what a key does is told beside the key; the unit of a command's
# argument stands in the help of its option.
CALLED_BY_THE_SCREEN = re.compile(r"(on_|action_)\w+|compose|render|render_line|get_line_filters")


def python_files(*folders: str) -> list[Path]:
    return [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def shown(path: Path) -> str:
    return str(path.relative_to(ROOT))


# --- sizes


def c_files() -> list[Path]:
    return sorted(path for path in (ROOT / "firmware").rglob("*.[ch]") if "build" not in path.relative_to(ROOT).parts)


def test_no_file_outgrows_one_sitting() -> None:
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in [*python_files(*FOLDERS), *c_files()]}
    longer = {shown(path): length for path, length in lengths.items() if length > LONGEST_FILE}
    assert not longer, f"longer than {LONGEST_FILE} lines: {longer}"


def python_functions(paths: Iterable[Path]) -> list[tuple[int, str]]:
    """Return the lines of each function from `def` to its end, and where it is; the longest last."""
    return sorted(
        ((node.end_lineno or 0) - node.lineno + 1, f"{path}:{node.name}")
        for path in paths
        for node in ast.walk(parsed(path))
        if isinstance(node, Function)
    )


def c_functions(paths: Iterable[Path]) -> list[tuple[int, str]]:
    """Return the same of C whose functions begin and end with a brace in the first column, under one line of declaration."""
    found = []
    for path in paths:
        begun: int | None = None
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            if line == "{":
                begun = number - 1
            elif line == "}" and begun is not None:
                found.append((number - begun + 1, f"{path}:{begun}"))
                begun = None
    return sorted(found)


@pytest.mark.parametrize("kind", [*FOLDERS, "firmware's C"])
def test_functions_are_short(kind: str) -> None:
    functions = c_functions(c_files()) if kind == "firmware's C" else python_functions(python_files(kind))
    assert len(functions) > 100
    beyond = functions[int(0.95 * len(functions)) :]
    assert beyond[0][0] <= LONGEST_USUAL_FUNCTION, f"more than 5 % are longer than {LONGEST_USUAL_FUNCTION} lines: {beyond}"


def test_lines_of_planted_functions_are_counted(tmp_path: Path) -> None:
    python, c = tmp_path / "a.py", tmp_path / "a.c"
    python.write_text(
        "@property\ndef one():\n    return 1\n\nclass A:\n    async def two(self):\n\n        def three(): ...\n        return three\n"
    )
    c.write_text("struct a {\n    int b;\n};\n\nint one(void)\n{\n    if (a) {\n    }\n    return 1;\n}\n")
    assert python_functions([python]) == [(1, f"{python}:three"), (2, f"{python}:one"), (4, f"{python}:two")]
    assert c_functions([c]) == [(6, f"{c}:5")]


# --- one name, one thing


def test_no_two_classes_share_a_name() -> None:
    places = defaultdict(list)
    for path in python_files("bench"):
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.ClassDef):
                places[node.name].append(shown(path))
    assert {name: files for name, files in places.items() if len(files) > 1} == {}


@pytest.mark.parametrize("name", ["words", "hands"])
def test_there_is_at_most_one_file_of_this_name(name: str) -> None:
    assert len([path for path in python_files(*FOLDERS) if path.stem == name]) <= 1


# --- meaning


def public_definitions(path: Path) -> Iterator[tuple[str, ast.ClassDef | None, Function | ast.ClassDef]]:
    """Yield the functions and classes of a module, and the methods and classes of its classes, as far as they are public: name, class
    around it, node."""
    yield from _public(parsed(path).body, "", None)


def _public(
    body: list[ast.stmt], before: str, around: ast.ClassDef | None
) -> Iterator[tuple[str, ast.ClassDef | None, Function | ast.ClassDef]]:
    for node in body:
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            yield before + node.name, around, node
            if isinstance(node, ast.ClassDef):
                yield from _public(node.body, f"{before}{node.name}.", node)


def explanation(path: Path, name: str, node: Function | ast.ClassDef) -> str:
    """Return its docstring, or for a method without one that of the method it stands for; empty if there is none."""
    own = ast.get_docstring(node)
    if own or isinstance(node, ast.ClassDef) or "." not in name:
        return own or ""
    found = import_module(".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"))
    for part in name.split("."):
        found = getattr(found, part)
    return inspect.getdoc(found) or ""


def is_called_by_the_screen(path: Path, name: str) -> bool:
    return path.is_relative_to(ROOT / "bench" / "tui") and bool(CALLED_BY_THE_SCREEN.fullmatch(name.rpartition(".")[2]))


@pytest.mark.parametrize("path", python_files("bench", "firmware"), ids=shown)
def test_every_public_name_says_what_it_means(path: Path) -> None:
    missing = [
        name for name, _, node in public_definitions(path) if not explanation(path, name, node) and not is_called_by_the_screen(path, name)
    ]
    assert not missing, f"{shown(path)}: no docstring: {', '.join(missing)}"


def floats(path: Path) -> Iterator[tuple[str, str, str]]:
    """Yield each float that a public function takes and each that a public class holds: where, its name, what the docstrings say of it."""
    for name, around, node in public_definitions(path):
        if name == "command" and path.parent == ROOT / "bench" / "cli":
            continue
        said = explanation(path, name, node)
        if isinstance(node, ast.ClassDef):
            fields = [
                one
                for one in node.body
                if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name) and _is_float(one.annotation)
            ]
            yield from ((name, one.target.id, said + _behind(node, one)) for one in fields if isinstance(one.target, ast.Name))
            makers = [one for one in node.body if isinstance(one, Function) and one.name == "__init__"]
            yield from ((name, argument, said) for maker in makers for argument in _float_arguments(maker))
        else:
            whole = said + (ast.get_docstring(around) or "" if around is not None else "")
            yield from ((name, argument, whole) for argument in _float_arguments(node))


def _is_float(annotation: ast.expr | None) -> bool:
    return annotation is not None and ast.unparse(annotation) in ("float", "float | None")


def _float_arguments(node: Function) -> list[str]:
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [one.arg for one in arguments if _is_float(one.annotation)]


def _behind(node: ast.ClassDef, field: ast.AnnAssign) -> str:
    """Return the string behind a field, which explains it, with the field's name; empty if there is none."""
    match node.body[node.body.index(field) + 1 : node.body.index(field) + 2]:
        case [ast.Expr(value=ast.Constant(value=str(text)))]:
            return f"\n{ast.unparse(field.target)}: {text}"
        case _:
            return ""


def says_its_unit(name: str, said: str) -> bool:
    """Whether the name's last word is a unit, or the docstring speaks of the name and of a unit."""
    words = name.lower().split("_")
    if name.startswith("_") or words[-1] in UNITS or "per" in words or CHANNEL.fullmatch(name):
        return True
    return bool(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", said) and UNIT_WORDS.search(said))


@pytest.mark.parametrize(
    ("name", "said", "enough"),
    [
        ("delay_s", "", True),
        ("drop_mv", "", True),
        ("rate_per_min", "", True),
        ("v_in", "", True),
        ("level", "", False),
        ("level", "`level`: probability that the interval holds the value.", True),
        ("level", "A probability.", False),
        ("level", "The level at which it trips.", False),
        ("level", "levels in V", False),
    ],
)
def test_what_says_a_unit(name: str, said: str, enough: bool) -> None:
    assert says_its_unit(name, said) is enough


@pytest.mark.parametrize("path", python_files("bench", "firmware"), ids=shown)
def test_every_float_has_a_unit(path: Path) -> None:
    missing = [f"{where}({name})" for where, name, said in floats(path) if not says_its_unit(name, said)]
    assert not missing, f"{shown(path)}: neither name nor docstring says the unit: {', '.join(missing)}"


PLANTED = """
def told(level: float, delay_s: float) -> None:
    \'\'\'level: a probability.\'\'\'

def untold(level: float | None, *, most: float, name: str) -> None: ...

def _private(level: float) -> None: ...

class Held:
    \'\'\'low: in V.\'\'\'

    low: float
    high: float
    top: float
    \'\'\'In the unit of low.\'\'\'
    _own: float

    def __init__(self, start: float) -> None: ...

class Untold:
    rate_hz: float
"""


def test_planted_names_without_meaning_or_unit_are_seen(tmp_path: Path) -> None:
    path = tmp_path / "planted.py"
    path.write_text(PLANTED, encoding="utf-8")
    assert [name for name, _, node in public_definitions(path) if not explanation(path, name, node)] == ["untold", "Untold"]
    missing = [f"{where}({name})" for where, name, said in floats(path) if not says_its_unit(name, said)]
    assert missing == ["untold(level)", "untold(most)", "Held(high)", "Held(start)"]
