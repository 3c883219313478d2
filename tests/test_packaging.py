"""What is installed: every data file in the wheel, every package pinned by hash, no address in any file that pins."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from flit_core import buildapi

import bench

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def names(requirements: list[str]) -> set[str]:
    return {re.split(r"[^\w-]", text, maxsplit=1)[0].replace("_", "-").lower() for text in requirements}


def pinned(name: str) -> dict[str, list[str]]:
    """Package to its lines, the first of which pins it."""
    found: dict[str, list[str]] = {}
    for line in (ROOT / "constraints" / f"{name}.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        if not line.startswith(" "):
            package = line.split("==")[0]
            found[package] = [line]
        else:
            found[package].append(line.strip())
    return found


def test_the_wheel_holds_the_package_and_its_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    wheel = buildapi.build_wheel(str(tmp_path))
    assert wheel == f"makebreak-{bench.__version__}-py3-none-any.whl"
    with zipfile.ZipFile(tmp_path / wheel) as packed:
        held = set(packed.namelist())
        entry = packed.read(f"makebreak-{bench.__version__}.dist-info/entry_points.txt").decode()
    files = {str(path.relative_to(ROOT)) for path in (ROOT / "bench").rglob("*") if path.is_file() and "__pycache__" not in path.parts}
    assert files <= held
    assert "makebreak=bench.__main__:main" in entry
    assert any(name.endswith("licenses/LICENSE") for name in held)


@pytest.mark.parametrize("name", ["base", "dev"])
def test_every_package_is_pinned_by_hash(name: str) -> None:
    for package, lines in pinned(name).items():
        assert re.match(rf"{package}==[\w.]+ (; .+ )?\\$", lines[0]), lines[0]
        assert lines[1:] and all(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}( \\)?", line) for line in lines[1:]), package


def test_the_pins_cover_what_is_declared() -> None:
    build = names(PROJECT["optional-dependencies"]["build"])
    dev = names([text for text in PROJECT["optional-dependencies"]["dev"] if not text.startswith("makebreak")])
    assert names(PROJECT["dependencies"]) | build <= set(pinned("base"))
    assert names(PROJECT["dependencies"]) | build | dev <= set(pinned("dev"))
    assert all(pinned("dev")[package] == lines for package, lines in pinned("base").items()), "one version of a package in both files"


def test_under_ci_a_skipped_test_is_a_failed_one(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "test_one.py").write_text(
        "import pytest\n\n\n@pytest.mark.skip(reason='out')\ndef test_one(): ...\n\n\ndef test_two(): ...\n"
    )
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)]

    def ends_with(**more: str) -> int:
        # What conftest.py brings along stands beside it.
        beside = {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests")))}
        environment = {name: value for name, value in os.environ.items() if name != "CI"} | beside | more
        return subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, check=False).returncode

    assert ends_with() == 0
    assert ends_with(CI="true") == 1


@pytest.mark.parametrize("path", ["constraints/base.txt", "constraints/dev.txt", "pyproject.toml", "Makefile", ".ci/run", ".ci/packages"])
def test_no_address_stands_in_a_file_that_installs(path: str) -> None:
    assert not re.findall(r"\w+://|--(?:extra-)?index|--find-links", (ROOT / path).read_text(encoding="utf-8"))
