"""Write constraints/base.txt and constraints/dev.txt: every package pinned, with the hashes of all its files (all platforms).

Run by `make pins`, which installs the resolver. One version of each package serves Python 3.11 and later.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
HEADER = """\
# Made by `make pins`; not to be edited. Every file of every package, by its hash; no addresses.
# pip install --require-hashes -r constraints/{name}.txt && pip install --no-deps --no-build-isolation .
"""
COMMAND = (
    sys.executable, "-m", "uv", "pip", "compile", "--quiet", "--universal", "--python-version", "3.11", "--fork-strategy",
    "fewest", "--generate-hashes", "--no-header", "--no-annotate", "--no-emit-index-url", "--no-emit-find-links",
)  # fmt: skip


def pin(name: str, extra: str) -> None:
    made = subprocess.run((*COMMAND, "--extra", extra, str(HERE.parent / "pyproject.toml")), check=True, capture_output=True, text=True)
    if "://" in made.stdout:
        raise SystemExit(f"{name}.txt would hold an address; not written")
    (HERE / f"{name}.txt").write_text(HEADER.format(name=name) + made.stdout)


if __name__ == "__main__":
    pin("base", "build")
    pin("dev", "dev")
