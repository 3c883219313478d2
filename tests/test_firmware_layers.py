"""Which C file of the firmware knows which: one way only, downward, as the layers in firmware/README.md are drawn.

A file and its header are one node. An arrow is an #include of another's header, and, so that a header of several files hides none, a call
of another's function: what one object file leaves undefined and another defines. Between core and hardware calls go both ways, through
hal.h: the core calls its hooks, and the converter's interrupt calls the sampler.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from file_arrows import Arrows, c_arrows, circles
from firmware_host import built

from firmware.simulator.avr import BUILD, FIRMWARE

LONGEST_FILE, LONGEST_LINE = 400, 140


def calls(objects: Iterable[Path]) -> Arrows:
    """Whose functions and variables each object file leaves to be defined by another of them."""
    defined: dict[str, str] = {}
    wanted: dict[str, set[str]] = {}
    for file in objects:
        listing = subprocess.run(["nm", str(file)], capture_output=True, text=True, check=True).stdout
        for *_, kind, name in (line.split() for line in listing.splitlines()):
            if kind == "U":
                wanted.setdefault(file.stem, set()).add(name)
            elif kind.isupper():
                defined[name] = file.stem
    return {caller: frozenset(defined[name] for name in names if name in defined) for caller, names in wanted.items()}


def layers(page: str) -> dict[str, int]:
    """The layer of each file of the core by the table in the README, 0 the highest."""
    _, _, rest = page.partition("| layer | files |")
    rows = rest.partition("\n\n")[0].splitlines()[2:]
    return {name: number for number, row in enumerate(rows) for name in re.findall(r"`(\w+)`", row.split("|")[2])}


def upward(graph: Arrows, heights: Mapping[str, int]) -> list[str]:
    """Arrows that do not lead down."""
    return [f"{a} -> {b}" for a in sorted(graph) for b in sorted(graph[a]) if a != b and b in heights and heights[a] >= heights[b]]


@pytest.mark.parametrize(("product", "objects"), [("board_host", "host"), ("libavrboard.so", "simulator")])
def test_no_file_calls_itself_by_a_detour(product: str, objects: str) -> None:
    built(product)
    graph = calls((BUILD / objects).glob("*.o"))
    assert len(graph) > 6
    assert circles(graph) == []


def core_arrows(folder: Path) -> Arrows:
    """The includes among the files of `folder`/core, by their names alone."""
    arrows = c_arrows(folder, ("core", "hal", "hal/host"))
    return {Path(name).name: frozenset(Path(end).name for end in ends) for name, ends in arrows.items() if name.startswith("core/")}


def test_the_core_is_layered_as_the_page_draws_it() -> None:
    built("board_host")
    heights = layers((FIRMWARE / "README.md").read_text("utf-8"))
    core = core_arrows(FIRMWARE)
    assert sorted(heights) == sorted(core)
    assert upward(core, heights) == []
    assert upward(calls((BUILD / "host" / "core").glob("*.o")), heights) == []


def test_planted_circles_are_seen(tmp_path: Path) -> None:
    (tmp_path / "core").mkdir()
    arrows = {"run": "uplink", "uplink": "edges", "edges": "run", "events": "run"}
    for name, other in arrows.items():
        (tmp_path / "core" / f"{name}.c").write_text(f'#include "{name}.h"\n#include "{other}.h"\nvoid {name}(void) {{ {other}(); }}\n')
        (tmp_path / "core" / f"{name}.h").write_text(f"void {name}(void);\n")
    subprocess.run(["gcc", "-c", *(f"core/{name}.c" for name in arrows)], cwd=tmp_path, check=True)
    called = calls(tmp_path.glob("*.o"))
    heights = {"events": 0, "run": 1, "uplink": 2, "edges": 3}
    assert upward(core_arrows(tmp_path), heights) == ["edges -> run"]
    assert upward(called, heights) == ["edges -> run"]
    (circle,) = circles(called)
    assert set(circle.split(" -> ")) == {"run", "uplink", "edges"}


@pytest.mark.parametrize("ending", ["c", "h", "py", "mk"])
def test_no_file_or_line_of_the_firmware_is_too_long(ending: str) -> None:
    files = [file for file in FIRMWARE.rglob(f"*.{ending}") if "build" not in file.parts]
    assert files
    lines = {file.name: file.read_text("utf-8").splitlines() for file in files}
    assert [name for name, read in lines.items() if len(read) > LONGEST_FILE] == []
    assert [line for read in lines.values() for line in read if len(line) > LONGEST_LINE] == []
