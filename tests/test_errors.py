"""The tree of errors: whose fault each is, what a command then leaves with, and that nothing else reaches a caller for bad input."""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sample_records import record

import bench
from bench import errors
from bench.cli.exit_codes import BENCH_FAULT, CANCELLED, EXIT_CODES, USAGE, code_of
from bench.result import Result

BENCH = Path(bench.__file__).parent
TREE = {name: kind for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, Exception)}
# What two functions of one room tell each other; none of them reaches a person.
SIGNALS = {"BadCells", "NotATime", "CommandError", "ScaleError"}
# What only a caller completes, or only a command meets: no function that is public raises them.
INNER = {"ContentError", "DescriptionError", "IntakeError", "OtherBoardError", "OutputClosed", "OutputError", "ZeroError"}


def test_every_error_of_the_package_stands_in_the_tree() -> None:
    found = set()
    for path in BENCH.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            bases = {base.id for base in node.bases if isinstance(base, ast.Name)} if isinstance(node, ast.ClassDef) else set()
            if isinstance(node, ast.ClassDef) and any(base in TREE or base.endswith(("Error", "Exception")) for base in bases):
                found.add((path.name == "errors.py", node.name))
    assert {name for inside, name in found if inside} == set(TREE)
    assert {name for inside, name in found if not inside} == SIGNALS


def test_the_tree_is_drawn_as_it_is() -> None:
    above, drawn = ["MakebreakError"], {"MakebreakError": "Exception"}
    for line in (errors.__doc__ or "").splitlines():
        branch, sign, text = line.partition("── ")
        if sign:
            depth = (len(branch) - 5) // 4 + 1
            names = [word for word in text.split("  ")[0].replace(",", " ").split() if word in TREE]
            drawn |= dict.fromkeys(names, above[depth - 1])
            above[depth:] = names[-1:]
    assert drawn == {name: kind.__bases__[0].__name__ for name, kind in TREE.items()}


def test_public_names() -> None:
    values = [
        "Component",
        "Conclusion",
        "Conformity",
        "Estimate",
        "NotMeasured",
        "Outcome",
        "Result",
        "StepRecord",
        "TestRecord",
        "Verdict",
    ]
    assert sorted(bench.__all__) == sorted(["__version__", *values, "judge", "test", *(set(TREE) - INNER)])
    for name in bench.__all__:
        assert getattr(bench, name).__doc__
        assert name in dir(bench)
    assert all(getattr(bench, name) is TREE[name] for name in set(TREE) - INNER)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        bench.nothing  # noqa: B018


@pytest.mark.parametrize("kind", TREE.values(), ids=str)
def test_the_exit_code_follows_from_the_class(kind: type[Exception]) -> None:
    branches = {errors.RequestError: USAGE, errors.EquipmentError: BENCH_FAULT, errors.EndRequested: CANCELLED}
    of = [code for branch, code in branches.items() if issubclass(kind, branch)]
    error = kind("what came", *([None] if kind in (errors.BoardTripped, errors.OtherBoardError) else []))
    assert str(error) == "what came"
    assert code_of(error) == (of[0] if kind is not errors.MakebreakError else None)
    assert len(of) == (kind is not errors.MakebreakError), "an error is of one branch"
    assert all(f"  {code:<5}" in EXIT_CODES for code in of)


def test_what_is_no_error_for_people_has_no_exit_code_of_theirs() -> None:
    assert code_of(ValueError("a mistake")) is None
    assert code_of(OSError(5, "also one")) is None


def test_fields_are_kept() -> None:
    assert errors.BoardTripped("it opened", None).cause is None
    assert errors.OtherBoardError("another", "it,is,4711,1").answered == "it,is,4711,1"


BAD: dict[str, tuple[Callable[[Path], Any], type[Exception]]] = {
    "no address": (lambda folder: bench.test("nowhere://x"), bench.AddressError),
    "no simulated unit": (lambda folder: bench.test("sim://nothing"), bench.AddressError),
    "no port": (lambda folder: bench.test("socket://127.0.0.1:1"), bench.PortError),
    "no capture to replay": (lambda folder: bench.test(f"replay://{folder}/none.capture"), bench.AddressError),
    "a number for an address": (lambda folder: bench.test(5), bench.SetupError),  # type: ignore[arg-type]
    "no procedure": (lambda folder: bench.test(procedure="none"), bench.TableError),
    "a folder for a procedure": (lambda folder: bench.test(procedure=str(folder)), bench.TableError),
    "no limit set": (lambda folder: bench.test(limits=["none"]), bench.TableError),
    "no grade rule": (lambda folder: bench.test(grade_rule="none"), bench.TableError),
    "no bank": (lambda folder: bench.test(bank="none"), bench.TableError),
    "no part": (lambda folder: bench.test(part="4711", parts_folder=folder), bench.TableError),
    "no fact": (lambda folder: bench.test(facts={"colour": "red"}), bench.SetupError),
    "no lamps": (lambda folder: bench.test(rated=[3.3]), bench.SetupError),
    "no such system": (lambda folder: bench.test(system_v=13.0), bench.SetupError),
    "no operator": (lambda folder: bench.test(operator=5), bench.SetupError),  # type: ignore[arg-type]
    "no file": (lambda folder: bench.judge(folder / "none.csv"), bench.RecordingError),
    "a folder for a file": (lambda folder: bench.judge(folder), bench.RecordingError),
    "no frame": (lambda folder: bench.judge(5), bench.SetupError),  # type: ignore[arg-type]
    "an empty frame": (lambda folder: bench.judge(pd.DataFrame()), bench.RecordingError),
    "a frame without time": (lambda folder: bench.judge(pd.DataFrame({"i_load_A": [1.0, 2.0]})), bench.RecordingError),
    "no recordings": (lambda folder: bench.judge([]), bench.RecordingError),
    "no instrument": (lambda folder: bench.judge(folder / "none.csv", instrument="none"), bench.TableError),
    "no name": (lambda folder: bench.judge(folder / "none.csv", names={"a": "b", "c": 5}), bench.SetupError),  # type: ignore[dict-item]
    "no such quantity": (lambda folder: Result(record())["speed"], bench.UnknownQuantity),
    "not measured": (lambda folder: Result(record()).u("pilot_on_v"), bench.UnmeasuredQuantity),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_raises_an_error_of_the_tree_in_one_line(name: str, tmp_path: Path) -> None:
    call, kind = BAD[name]
    with pytest.raises(kind) as caught:
        call(tmp_path)
    assert isinstance(caught.value, bench.MakebreakError)
    assert str(caught.value) and len(str(caught.value).splitlines()) == 1
