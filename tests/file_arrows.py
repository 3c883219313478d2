"""Which file leans on which, for the layout tests: Python by its imports, C by its includes, and the circles among them."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

Arrows = Mapping[str, frozenset[str]]


def circles(arrows: Arrows) -> list[str]:
    """Return the circles as text, each file in one of them at most: mend these, and look again."""
    found = []
    while True:
        try:
            TopologicalSorter(arrows).prepare()
        except CycleError as error:
            # graphlib goes from the one imported to the one that imports.
            circle = error.args[1][::-1]
            found.append(" -> ".join(circle))
            arrows = {name: leans_on - set(circle) for name, leans_on in arrows.items() if name not in circle}
        else:
            return sorted(found)


def python_arrows(root: Path, folders: tuple[str, ...]) -> Arrows:
    """Return for each module of these folders which others it imports, wherever the import stands: at the top, in a function, for types
    only, or by name where it calls `import_module`. A package is its `__init__`; modules of `tests` import each other by their stems."""
    files = {_module(path.relative_to(root)): path for folder in folders for path in sorted((root / folder).rglob("*.py"))}
    by_name = {name.removeprefix("tests."): name for name in files} | {name: name for name in files}
    return {name: frozenset(_imported(ast.parse(path.read_text(encoding="utf-8")), by_name)) - {name} for name, path in files.items()}


def _module(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imported(tree: ast.AST, modules: Mapping[str, str]) -> Iterator[str]:
    names = [*_names_imported(tree, modules), *_names_in_strings(tree, modules)]
    yield from (modules[name] for name in names if name in modules)


def _names_imported(tree: ast.AST, modules: Mapping[str, str]) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"relative import in line {node.lineno}: this house imports by full name"
            within = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from (name if name in modules else node.module for name in within)


def _names_in_strings(tree: ast.AST, modules: Mapping[str, str]) -> Iterator[str]:
    """Yield what may be imported by name: strings of a module that calls `import_module`, and all that an f-string's beginning fits."""
    if not any(isinstance(node, ast.Name) and node.id == "import_module" for node in ast.walk(tree)):
        return
    for node in ast.walk(tree):
        match node:
            case ast.JoinedStr(values=[ast.Constant(value=str(beginning)), *_]) if beginning.endswith("."):
                yield from (name for name in modules if name.startswith(beginning))
            case ast.Constant(value=str(text)):
                yield text


def c_arrows(root: Path, searched: tuple[str, ...]) -> Arrows:
    """Return for each C file under `root`, without its suffix, the others that it includes: a .c and its .h are one. An include is looked
    for beside the file, then in all of the folders `searched`; AssertionError where it is in none."""
    paths = sorted(path for path in root.rglob("*.[ch]") if "build" not in path.relative_to(root).parts)
    arrows: dict[str, frozenset[str]] = {}
    for path in paths:
        name = str(path.relative_to(root).with_suffix(""))
        included = {file for text in _includes(path) for file in _found(path.parent, [root / folder for folder in searched], text)}
        names = {str(file.relative_to(root).with_suffix("")) for file in included}
        arrows[name] = arrows.get(name, frozenset()) | (names - {name})
    return arrows


def _includes(path: Path) -> list[str]:
    return re.findall(r'^\s*#\s*include\s+"([^"]+)"', path.read_text(encoding="utf-8"), re.MULTILINE)


def _found(beside: Path, folders: list[Path], text: str) -> list[Path]:
    found = [beside / text] if (beside / text).is_file() else [folder / text for folder in folders if (folder / text).is_file()]
    assert found, f"{beside}: an include of {text}, which stands nowhere"
    return found
