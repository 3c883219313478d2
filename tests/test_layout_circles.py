"""No file leans on itself through others: over rooms, packages, functions, imports for types, imports by name and C headers."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_arrows import c_arrows, circles, python_arrows

ROOT = Path(__file__).parent.parent
FOLDERS = ("bench", "firmware", "reports", "tests")
# As in `-I` of the firmware's builds, for the board and for this computer.
C_SEARCHED = ("core", "hal", "hal/atmega328p", "hal/host")


def planted(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return root


def test_no_circle_of_python_files() -> None:
    arrows = python_arrows(ROOT, FOLDERS)
    assert "bench.uncertainty" in arrows["bench.samples"] and "tests.file_arrows" in arrows["tests.test_layout_circles"]
    assert "bench.cli.test" in arrows["bench.cli.group"], "imported by name"
    assert circles(arrows) == []


def test_no_circle_of_c_files() -> None:
    arrows = c_arrows(ROOT / "firmware", C_SEARCHED)
    assert "hal/hal" in arrows["core/timebase"] and "core/sampler" in arrows["hal/host/converter"]
    assert circles(arrows) == []
    assert circles(c_arrows(ROOT / "tests" / "avr", ("../../firmware/core", "../../firmware/hal"))) == []


@pytest.mark.parametrize(
    ("files", "found"),
    [
        ({"bench/a.py": "import bench.b\n", "bench/b.py": "from bench import a\n"}, ["bench.a -> bench.b -> bench.a"]),
        ({"bench/a.py": "from bench.a import x\n"}, []),
        (
            {
                "bench/a.py": "from bench.b import x\n",
                "bench/b.py": "def f():\n    from reports.c import y\n",
                "reports/c.py": "import bench.a as z\n",
            },
            ["bench.a -> bench.b -> reports.c -> bench.a"],
        ),
        (
            {"bench/a.py": "from bench.b import x\n", "bench/b.py": "if TYPE_CHECKING:\n    from bench.a import y\n"},
            ["bench.a -> bench.b -> bench.a"],
        ),
        (
            {"bench/p/__init__.py": "from bench.p.a import x\n", "bench/p/a.py": "from bench.p import y\n"},
            ["bench.p -> bench.p.a -> bench.p"],
        ),
        # What a package only holds is no arrow to the package itself.
        ({"bench/p/__init__.py": "from bench.p.a import x\n", "bench/p/a.py": "from bench.p import b\n", "bench/p/b.py": ""}, []),
        (
            {"bench/__init__.py": 'import_module({"x": "bench.a"}[name])\n', "bench/a.py": "from bench import x\n"},
            ["bench -> bench.a -> bench"],
        ),
        (
            {"bench/c/__init__.py": 'import_module(f"bench.c.{name}")\n', "bench/c/a.py": "from bench.c import x\n"},
            ["bench.c -> bench.c.a -> bench.c"],
        ),
        ({"tests/one.py": "from two import x\n", "tests/two.py": "import tests.one\n"}, ["tests.one -> tests.two -> tests.one"]),
        (
            {f"bench/{a}.py": f"import bench.{b}\n" for a, b in ("ab", "ba", "cd", "dc")},
            ["bench.a -> bench.b -> bench.a", "bench.c -> bench.d -> bench.c"],
        ),
        ({"bench/a.py": "import bench.b, os\n", "bench/b.py": "import bench.c\n", "bench/c.py": ""}, []),
    ],
)
def test_planted_circles_of_python_are_seen(tmp_path: Path, files: dict[str, str], found: list[str]) -> None:
    seen = circles(python_arrows(planted(tmp_path, files), FOLDERS))
    assert [_from_the_first(circle) for circle in seen] == found


def _from_the_first(circle: str) -> str:
    """The same circle, told from the file that is first by name."""
    names = circle.split(" -> ")[:-1]
    start = names.index(min(names))
    turned = names[start:] + names[:start]
    return " -> ".join([*turned, turned[0]])


@pytest.mark.parametrize(
    ("files", "found"),
    [
        # The header of one is included by the source of the other, and the other way round.
        (
            {"core/a.c": '#include "a.h"\n#include "b.h"\n', "core/a.h": "", "core/b.c": '#  include "a.h"\n', "core/b.h": ""},
            ["core/a -> core/b -> core/a"],
        ),
        ({"core/a.c": '#include "a.h"\n#include <b.h>\n', "core/a.h": "", "core/b.c": '#include "a.h"\n', "core/b.h": ""}, []),
        (
            {"core/a.c": '#include "rom.h"\n', "core/a.h": "", "hal/host/rom.h": '#include "a.h"\n', "hal/atmega328p/rom.h": ""},
            ["core/a -> hal/host/rom -> core/a"],
        ),
        # A header beside the file hides one of the same name elsewhere.
        ({"core/a.h": '#include "b.h"\n', "core/b.h": "", "hal/host/b.h": '#include "a.h"\n'}, []),
    ],
)
def test_planted_circles_of_c_are_seen(tmp_path: Path, files: dict[str, str], found: list[str]) -> None:
    seen = circles(c_arrows(planted(tmp_path, files), C_SEARCHED))
    assert [_from_the_first(circle) for circle in seen] == found


def test_a_header_that_stands_nowhere_is_no_arrow_to_nothing(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match=r"an include of b\.h, which stands nowhere"):
        c_arrows(planted(tmp_path, {"core/a.c": '#include "b.h"\n'}), C_SEARCHED)
