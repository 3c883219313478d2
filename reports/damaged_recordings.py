"""Damages recordings in every way that files get damaged, judges each with the command itself, and counts what came of it.

Run: python -m reports.damaged_recordings [--files 600] [--first 0] [--show]   (it forks: Linux, macOS)

Each file is made by its seed from a recording of fixtures/recordings, or from nothing. `makebreak judge` runs on it in a child of this
process, which gives time and memory; the memory includes the interpreter with all that it has imported. Wanted of every file: a result with
one of the documented exit codes and nothing on the standard error, or one line there with exit code 2; in less than 10 s and 500 MB. What
is anything else is listed, and so is each file that was charged to its unit.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

from bench.cli import run
from bench.cli.exit_codes import BENCH_FAULT, GOOD, NOT_DECIDED, NOT_FOR_LOAD, NOT_GOOD, USAGE

RECORDINGS = Path(__file__).parent.parent / "fixtures" / "recordings"
RESULTS = (GOOD, NOT_GOOD, NOT_DECIDED, BENCH_FAULT, NOT_FOR_LOAD)
MOST_S, MOST_MB, LONGEST_LINE = 10.0, 500.0, 400
_KILLED_S = 60

Rng = np.random.Generator
Damage = Callable[[list[str], Rng], str | bytes]


def _joined(lines: list[str]) -> str:
    return "\n".join(lines) + "\n"


def _separator(lines: list[str]) -> str:
    return max("\t;,", key=lines[-1].count)


def _header(lines: list[str]) -> int:
    return next(n for n, line in enumerate(lines) if line.lower().startswith("time"))


def _some_rows(lines: list[str], rng: Rng, part: float) -> list[int]:
    first = _header(lines) + 1
    count = max(1, int(part * (len(lines) - first)))
    return sorted(rng.choice(np.arange(first, len(lines)), count, replace=False).tolist())


def _cells_changed(lines: list[str], rng: Rng, part: float, change: Callable[[str], str], least: int = 1) -> str:
    """The file with a cell of some rows changed; `least`: the first column that may be (0: the time too)."""
    separator = _separator(lines)
    for n in _some_rows(lines, rng, part):
        cells = lines[n].split(separator)
        at = int(rng.integers(least, len(cells))) if len(cells) > least else 0
        cells[at] = change(cells[at])
        lines[n] = separator.join(cells)
    return _joined(lines)


def _one_of(part: float | None, least: int, *cells: str) -> Damage:
    """Damage that puts one of `cells` into this part of the rows (None: any part), in a column from `least` on."""
    return lambda lines, rng: _cells_changed(lines, rng, rng.random() if part is None else part, lambda _: str(rng.choice(cells)), least)


def _columns_changed(lines: list[str], change: Callable[[list[str], bool], list[str]]) -> str:
    """The file with each row's cells changed; True for the header."""
    separator, header = _separator(lines), _header(lines)
    changed = [separator.join(change(line.split(separator), n == 0)) for n, line in enumerate(lines[header:])]
    return _joined(lines[:header] + changed)


def _times_changed(lines: list[str], title: str, change: Callable[[int], str]) -> str:
    separator, header = _separator(lines), _header(lines)
    rest = [line.split(separator, 1)[1] for line in lines[header:]]
    changed = [f"{title}{separator}{rest[0]}", *(f"{change(n)}{separator}{text}" for n, text in enumerate(rest[1:]))]
    return _joined(lines[:header] + changed)


def _stamp(n: int, dated: bool) -> str:
    ms = 86_395_000 + 2 * n
    day, ms = divmod(ms, 86_400_000)
    of_day = f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
    return f"2031-12-{30 + day:02d}T{of_day}" if dated else of_day


def _cut(lines: list[str], rng: Rng) -> str:
    text = _joined(lines)
    return text[: int(rng.integers(0, len(text)))]


def _multi_rate(lines: list[str], rng: Rng) -> str:
    separator, header = _separator(lines), _header(lines)
    every = [int(k) for k in rng.integers(1, 30, lines[header].count(separator) + 1)]
    for n in range(header + 1, len(lines)):
        cells = lines[n].split(separator)
        lines[n] = separator.join([cells[0], *(c if n % every[i] == 0 else "" for i, c in enumerate(cells[1:]))])
    return _joined(lines)


def _bytes_changed(lines: list[str], rng: Rng) -> bytes:
    content = bytearray(_joined(lines).encode())
    for at in rng.integers(0, len(content), int(rng.integers(1, 200))).tolist():
        content[at] = int(rng.integers(0, 256))
    return bytes(content)


def _shuffled(lines: list[str], rng: Rng) -> str:
    at = _header(lines) + 1
    return _joined(lines[:at] + [lines[at + int(n)] for n in rng.permutation(len(lines) - at)])


def _noise(lines: list[str], rng: Rng) -> str:
    """Numbers without any sense, of every size."""
    rows = rng.normal(0.0, 1.0, (3000, 3)) * 10.0 ** rng.integers(-30, 30, (3000, 3))
    return _joined(["time_s,i_load_A,v_in_V,v_out_V", *(f"{n * 0.002:.3f},{a:g},{b:g},{c:g}" for n, (a, b, c) in enumerate(rows))])


DAMAGES: dict[str, Damage] = {
    "as it was": lambda lines, rng: _joined(lines),
    "cut off": _cut,
    "ragged rows": lambda lines, rng: _joined([line[: int(len(line) * min(1.0, 10.0 * rng.random()))] for line in lines]),
    "rows too long": lambda lines, rng: _joined([line + _separator(lines) * 3 + "7" if rng.random() < 0.01 else line for line in lines]),
    "column missing": lambda lines, rng: _columns_changed(lines, lambda cells, head: cells[:-1]),
    "time missing": lambda lines, rng: _columns_changed(lines, lambda cells, head: cells[1:]),
    "column doubled": lambda lines, rng: _columns_changed(lines, lambda cells, head: [*cells, cells[-1]]),
    "header missing": lambda lines, rng: _joined(lines[_header(lines) + 1 :]),
    "beyond the range": _one_of(None, 1, "OL", "-OL", "9.91E+37", "OVLD", "+OVER", "inf", "-inf", "1.#INF"),
    "huge values": _one_of(0.05, 1, "1e300", "-1e300", "1e25", "9" * 400),
    "not a number": _one_of(0.2, 0, "NaN", "nan", "", "1.#QNAN", "--"),
    "words": _one_of(0.001, 0, "error", "x" * 5000, "12 V", "=A1", "True"),
    "huge numbers": _one_of(0.05, 0, "1e300", "-1e300", "1e25", "9" * 400),
    "since 1970": lambda lines, rng: _times_changed(lines, "time_s", lambda n: f"{1_700_000_000 + 0.002 * n:.3f}"),
    "ns since 1970": lambda lines, rng: _times_changed(lines, "time_ns", lambda n: str(1_700_000_000_000_000_000 + 2_000_000 * n)),
    "date and time": lambda lines, rng: _times_changed(lines, "time", lambda n: _stamp(n, True)),
    "time of day": lambda lines, rng: _times_changed(lines, "Time", lambda n: _stamp(n, False)),
    "broken stamps": lambda lines, rng: _times_changed(lines, "time", lambda n: _stamp(n, n % 7 > 0) if n % 50 else "2031-02-31T25:61:00"),
    "other rates": _multi_rate,
    "one line of 13 MB": lambda lines, rng: str(rng.choice([",", "a", '"', "1,", " "])) * 13_000_000,
    "a row of 13 MB": lambda lines, rng: _joined([*lines, str(rng.choice([",", "a", '"', "1,", " "])) * 13_000_000]),
    "100,000 columns": lambda lines, rng: _columns_changed(
        lines[: _header(lines) + 40], lambda cells, head: [*cells, *([f"c{n}" for n in range(100_000)] if head else ["1"] * 100_000)]
    ),
    "8,000 columns": lambda lines, rng: _columns_changed(
        lines[: _header(lines) + 400], lambda cells, head: [*cells, *([f"c{n}" for n in range(8_000)] if head else ["1"] * 8_000)]
    ),
    "400,000 rows": lambda lines, rng: _joined(
        ["time_s,i_load_A,v_in_V,v_out_V", *(f"{n * 1e-4:.4f},{n % 7},12.{n % 10},{12 * (n // 3500 % 2)}" for n in range(400_000))]
    ),
    "zero bytes": lambda lines, rng: _cells_changed(lines, rng, 0.001, lambda cell: "\0"),
    "UTF-16": lambda lines, rng: _joined(lines).encode("utf-16"),
    "Latin-1": lambda lines, rng: _joined(["# 21 °C, µ", *lines]).encode("latin-1"),
    "other separator": lambda lines, rng: _joined(lines).replace(_separator(lines), str(rng.choice([";", "\t", "|", " ", ", "]))),
    "old line ends": lambda lines, rng: _joined(lines).replace("\n", str(rng.choice(["\r", "\r\n", "\n\n", "\n\r"]))),
    "quotes": lambda lines, rng: _columns_changed(lines, lambda cells, head: [f'"{cell}"' for cell in cells]),
    "quotes not closed": lambda lines, rng: _cells_changed(lines, rng, 0.002, lambda cell: f'"{cell}', 0),
    "time goes back": lambda lines, rng: _joined([*lines, *lines[_header(lines) + 1 + int(rng.integers(0, 400)) :]]),
    "rows shuffled": _shuffled,
    "time stands still": lambda lines, rng: _times_changed(lines, "time_s", lambda n: "1.5"),
    "time leaps": lambda lines, rng: _times_changed(lines, "time_s", lambda n: f"{0.002 * n + 1e6 * (n > 2000):.3f}"),
    "empty": lambda lines, rng: str(rng.choice(["", "\n" * 1000, " ", "\ufeff", "#"])),
    "only a header": lambda lines, rng: _joined(lines[: _header(lines) + 1]),
    "two rows": lambda lines, rng: _joined(lines[: _header(lines) + 3]),
    "all alike": lambda lines, rng: _joined(["time_s,i_load_A,v_in_V,v_out_V", *(f"{n * 0.002:.3f},0,0,0" for n in range(3000))]),
    "no sense": _noise,
    "bytes changed": _bytes_changed,
    "bytes at random": lambda lines, rng: rng.integers(0, 256, int(rng.integers(1, 100_000)), dtype=np.uint8).tobytes(),
    "units below": lambda lines, rng: _joined(
        ["time,v_in,v_out", str(rng.choice(["s,V,V", "(ms),(V),(V)", "s,A,V", "x,y,z"])), *(f"{n},12,{n % 2}" for n in range(500))]
    ),
}
"""Every way of damage: the good file's lines and random numbers in, the damaged file out."""


@dataclass(frozen=True)
class Came:
    """What came of one file."""

    seed: int
    kind: str
    code: int
    what: str
    lasted_s: float
    memory_mb: float
    said: str


def damaged(seed: int) -> tuple[str, bytes]:
    """The kind of damage of this seed, and the file."""
    rng = np.random.default_rng(seed)
    files = sorted(RECORDINGS.glob("*.csv"))
    lines = files[int(rng.integers(len(files)))].read_text(encoding="utf-8-sig").splitlines()
    kind = list(DAMAGES)[seed % len(DAMAGES)]
    content = DAMAGES[kind](lines, rng)
    return kind, content if isinstance(content, bytes) else content.encode()


def judge_file(path: Path) -> tuple[int, str, str, float, float]:
    """Exit code (negative: killed by that signal), standard output and error, seconds, and megabytes of `makebreak judge` in a child."""
    began_s = time.perf_counter()
    out, err = path.with_suffix(".out"), path.with_suffix(".err")
    child = os.fork()
    if child == 0:
        signal.alarm(_KILLED_S)
        for number, file in ((1, out), (2, err)):
            os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), number)
        code = run(["judge", str(path)])
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    _, status, used = os.wait4(child, 0)
    kilo = 1024.0 if sys.platform == "darwin" else 1.0
    memory_mb = used.ru_maxrss / kilo / 1024.0
    lasted_s = time.perf_counter() - began_s
    texts = [file.read_text(encoding="utf-8", errors="replace") for file in (out, err)]
    return os.waitstatus_to_exitcode(status), texts[0], texts[1], lasted_s, memory_mb


def sorted_out(code: int, out: str, err: str) -> str:
    """`result`, `one line`, or what else it was."""
    lines = err.strip().splitlines()
    if code in RESULTS and out.strip() and not lines:
        return "result"
    if code == USAGE and not out and len(lines) == 1 and len(lines[0]) <= LONGEST_LINE:
        return "one line"
    return f"exit code {code}, {len(out)} characters out, {len(lines)} lines of error"


@click.command()
@click.option("--files", default=600, show_default=True)
@click.option("--first", default=0, show_default=True, metavar="SEED")
@click.option("--show", is_flag=True, help="Print what came of each file.")
def main(files: int, first: int, show: bool) -> None:
    came: list[Came] = []
    with contextlib.redirect_stdout(io.StringIO()):
        run(["judge", str(RECORDINGS / "thermal-plain.csv")])  # imports everything, so that no child waits for it
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scope.csv"
        for seed in range(first, first + files):
            kind, content = damaged(seed)
            path.write_bytes(content)
            code, out, err, lasted_s, memory_mb = judge_file(path)
            said = (err if code == USAGE or not out else out).strip().splitlines()
            line = said[-1 if code == USAGE else 0] if said else ""
            came.append(Came(seed, kind, code, sorted_out(code, out, err), lasted_s, memory_mb, line))
            if show:
                print(f"{seed:>5}  {kind:<18} {came[-1].what:<9} {lasted_s:5.1f} s {memory_mb:4.0f} MB  {came[-1].said[:160]}")
    counts = Counter(one.what if one.what in ("result", "one line") else "anything else" for one in came)
    print(f"{files} files from seed {first}: " + ", ".join(f"{what} {counts[what]}" for what in ("result", "one line", "anything else")))
    results = Counter(one.code for one in came if one.what == "result")
    print("results by exit code: " + ", ".join(f"{code}: {results[code]}" for code in RESULTS))
    slowest, largest = max(came, key=lambda one: one.lasted_s), max(came, key=lambda one: one.memory_mb)
    print(f"slowest: {slowest.lasted_s:.1f} s, {slowest.kind} (seed {slowest.seed}); wanted below {MOST_S:g} s")
    print(f"largest memory: {largest.memory_mb:.0f} MB, {largest.kind} (seed {largest.seed}); wanted below {MOST_MB:g} MB")
    for one in came:
        if one.what not in ("result", "one line") or one.code == NOT_GOOD or one.lasted_s > MOST_S or one.memory_mb > MOST_MB:
            print(f"  seed {one.seed}, {one.kind}: {one.what}; {one.lasted_s:.1f} s, {one.memory_mb:.0f} MB; {one.said[:200]}")


if __name__ == "__main__":
    main()
