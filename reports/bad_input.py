"""Gives the command bad files, options, names and addresses, and counts what comes of them.

Run: python -m reports.bad_input [--count 1000] [--first 0] [--kind KIND] [--show]   (it forks: Linux, macOS)

Each case is made by its seed. The command runs in a child of this process, which gives time and memory; one case in 40 runs as a program of
its own instead, and one in 25 on a pseudo-terminal. Wanted of every case: a documented exit code; at most one line on the standard error (a
board's cautions aside), and exactly one with exit code 2; on no stream a character that a terminal obeys (its colours on a terminal aside),
and no traceback; below 10 s and 500 MB. Planted errors of the program must leave with 70. What is anything else is listed.
"""

from __future__ import annotations

import os
import pty
import re
import resource
import select
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import click
import numpy as np

from bench import files
from bench.cli import COMMANDS, main, provenance, run
from bench.cli.exit_codes import BENCH_FAULT, CANCELLED, GOOD, NOT_DECIDED, NOT_FOR_LOAD, NOT_GOOD, PROGRAM, USAGE
from bench.cli.streams import LONGEST_LINE
from reports.bad_values import TEXTS, Rng, bad_address, bad_capture, bad_json, bad_toml, pick
from reports.damaged_recordings import damaged

RESULTS = (GOOD, NOT_GOOD, NOT_DECIDED, BENCH_FAULT, NOT_FOR_LOAD)
UNIT = "sim://bench-el-plain"
MOST_S, MOST_MB = 10.0, 500.0
_KILLED_S = 30
_ADDRESS_SPACE = 3_000_000_000
_OWN_PROGRAM, _ON_TERMINAL = 40, 25
_STYLE = re.compile(r"\x1b\[[\d;]*m")
_CAUTION = re.compile(r"Caution:|    |  - |Connections of unit, lamps|Board at |Start\?")
ROOT = Path(__file__).parent.parent


@dataclass(frozen=True)
class Case:
    """One command line; its files stand in the folder already."""

    arguments: list[str]
    planted: bool = False


@dataclass(frozen=True)
class Came:
    """What came of a case."""

    seed: int
    kind: str
    code: int
    wrong: str
    lasted_s: float
    memory_mb: float
    arguments: list[str]
    said: str


class Maker:
    """Makes cases in a folder; `record` and `capture` are good ones, to be damaged."""

    def __init__(self, folder: Path, record: Path, capture: Path) -> None:
        self.folder = folder
        self.record = record
        self.capture = capture

    def file(self, name: str, content: bytes) -> str:
        (self.folder / name).write_bytes(content)
        return name

    def settings(self, rng: Rng, kind: str, uses: tuple[list[str], ...]) -> Case:
        name = pick(rng, files.shipped(kind))
        text = (ROOT / "bench" / "data" / kind / f"{name}.toml").read_text(encoding="utf-8")
        return Case([*pick(rng, uses), self.file("bad.toml", bad_toml(text, rng))])

    def limits(self, rng: Rng) -> Case:
        return self.settings(rng, "limits", (["limits"], ["limits"], ["limits"], ["show", "good.json", "--flashes"]))

    def procedures(self, rng: Rng) -> Case:
        return self.settings(rng, "procedures", (["procedures"],))

    def banks(self, rng: Rng) -> Case:
        return self.settings(rng, "banks", (["banks"], ["banks"], ["test", f"{UNIT}?bank=bad.toml", "--lamps", "1,9", "--bank"]))

    def grades(self, rng: Rng) -> Case:
        return self.settings(rng, "grades", (["judge", "short.csv", "--grade-rule"],))

    def instruments(self, rng: Rng) -> Case:
        return self.settings(rng, "instruments", (["judge", "short.csv", "--instrument"],))

    def parts(self, rng: Rng) -> Case:
        text = 'format = 1\npart = "4711"\nsystem_v = 12\nrated_w = [21, 21]\nload = "fixed"\nterminals = 3\npilot = "in step"\n'
        (self.folder / "parts").mkdir(exist_ok=True)
        self.file("parts/4711.toml", bad_toml(text, rng))
        return Case(pick(rng, (["parts"], ["part", "4711"], ["part", "4711", "--outage", "yes"], ["judge", "short.csv", "--part", "4711"])))

    def records(self, rng: Rng) -> Case:
        name = self.file("bad.json", bad_json(self.record.read_text(encoding="ascii"), rng))
        return Case(["show", name, *pick(rng, ([], ["--full"], ["--budget"], ["--flashes", "-"], ["good.json"]))])

    def captures(self, rng: Rng) -> Case:
        return Case([*pick(rng, (["judge"], ["judge"], ["judge", "--full"])), self.file("bad.capture", bad_capture(self.capture, rng))])

    def replays(self, rng: Rng) -> Case:
        self.file("bad.capture", bad_capture(self.capture, rng))
        return Case(["check", "replay://bad.capture", "--yes"])

    def recordings(self, rng: Rng) -> Case:
        return Case(["judge", self.file("bad.csv", damaged(int(rng.integers(1_000_000)))[1])])

    def standards(self, rng: Rng) -> Case:
        (self.folder / "standards").mkdir(exist_ok=True)
        line = '{"format": 1, "when": "2031-01-01T00:00:00+00:00", "board": "A", "calibrated": 0, "values": {"lamp_a": [1.0, 0.1, "A"]}}'
        self.file("standards/link.jsonl", b"\n".join((line.encode(), bad_json(line, rng), line.encode())))
        return Case(["standard", *pick(rng, ([], ["--charts"]))])

    def names(self, rng: Rng) -> Case:
        use = pick(
            rng,
            (
                ["show"],
                ["judge"],
                ["limits"],
                ["procedures"],
                ["banks"],
                ["part"],
                [],
                ["test", UNIT, "--limits"],
                ["standard", "--name"],
                ["judge", "short.csv", "--json"],
                ["show", "good.json", "--flashes"],
                ["parts", "--parts"],
                ["standard", "--keep"],
            ),
        )
        return Case([*use, pick(rng, TEXTS)])

    def options(self, rng: Rng) -> Case:
        base = pick(
            rng,
            (
                ["judge", "short.csv"],
                ["calibrate", "sim://LINK", "--minutes", "0"],
                ["standard"],
                ["part", "4711"],
                ["parts"],
                ["banks"],
                ["show", "good.json"],
                ["test", UNIT, "--procedure", "none"],
                ["test", UNIT, "--limits", "none"],
                ["check", "nothing://x"],
                ["screen"],
            ),
        )
        command: click.Command = import_module(f"bench.cli.{base[0]}").command
        named = [one for one in command.params if isinstance(one, click.Option) and not one.is_flag]
        given: list[str] = []
        for _ in range(int(rng.integers(1, 3)) if named else 0):
            given += [pick(rng, named).opts[0], pick(rng, TEXTS)]
        return Case([*base, *given])

    def addresses(self, rng: Rng) -> Case:
        good = pick(
            rng,
            (
                "sim://bench-nc-2x21?seed=3&fault=contact-burnt&supply=12.8",
                "sim://LINK",
                "sim://bench-el-plain?bank=led&age=5",
                "socket://127.0.0.1:1",
                "socket://[::1]:1",
                "replay://good.capture",
                "auto",
                "/dev/nowhere",
                "sim://NONE?system=24&ambient=20&pace=virtual&ideal=1",
            ),
        )
        address = bad_address(rng, good) if rng.random() < 0.8 else pick(rng, TEXTS)
        use = pick(rng, (["test", "--limits", "none"], ["test", "--procedure", "none"], ["calibrate", "--minutes", "0"], ["screen"]))
        return Case([use[0], "--", address] if rng.random() < 0.02 else [use[0], address, *use[1:]])

    def tests(self, rng: Rng) -> Case:
        """A whole test, with a value that may be right."""
        good = pick(rng, (f"{UNIT}?seed=3", "sim://bench-nc-2x21?fault=contact-burnt", "sim://LINK", "sim://NONE"))
        more = pick(
            rng, ([], ["--unit", pick(rng, TEXTS)], ["--json", pick(rng, TEXTS)], ["--capture", pick(rng, TEXTS)], ["--rested", "1e6"])
        )
        return Case(["test", good if rng.random() < 0.5 else bad_address(rng, good), "--procedure", "quick", "--yes", *more])

    def planted(self, rng: Rng) -> Case:
        return Case(["banks"], planted=True)


KINDS: dict[str, tuple[Callable[[Maker, Rng], Case], int]] = {
    "limit sets": (Maker.limits, 12), "procedures": (Maker.procedures, 8), "banks": (Maker.banks, 8), "grade rules": (Maker.grades, 6),
    "instruments": (Maker.instruments, 6), "parts": (Maker.parts, 8), "records": (Maker.records, 14), "captures": (Maker.captures, 6),
    "replays": (Maker.replays, 2), "recordings": (Maker.recordings, 4), "standards": (Maker.standards, 6),
    "names": (Maker.names, 12), "options": (Maker.options, 20), "addresses": (Maker.addresses, 14), "whole tests": (Maker.tests, 1),
    "planted errors": (Maker.planted, 1),
}  # fmt: skip
"""What is bad, and how often it comes."""
_TURNS = [kind for kind, (_, often) in KINDS.items() for _ in range(often)]


def furnish(folder: Path, record: Path, capture: Path) -> None:
    """What every case may name: good files, and some that are none."""
    (folder / "good.json").write_bytes(record.read_bytes())
    (folder / "good.capture").write_bytes(capture.read_bytes())
    lines = (ROOT / "fixtures" / "recordings" / "thermal-plain.csv").read_text(encoding="utf-8").splitlines()
    (folder / "short.csv").write_text("\n".join(lines[:400]) + "\n", encoding="utf-8")
    (folder / "folder").mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "link").symlink_to("nowhere")
    (folder / "zeros.toml").symlink_to("/dev/zero")
    with (folder / "sparse.toml").open("wb") as file:
        file.truncate(3_000_000_000)


def _command(case: Case, folder: Path, as_program: bool) -> None:
    """In the child: become the command."""
    os.chdir(folder)
    os.environ |= {"XDG_STATE_HOME": str(folder / "state"), "PYTHONPATH": str(ROOT), "COLUMNS": "100", "TERM": "xterm-256color"}
    resource.setrlimit(resource.RLIMIT_AS, (_ADDRESS_SPACE, _ADDRESS_SPACE))
    signal.alarm(_KILLED_S)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)  # nobody is there to answer, whoever started this
    if as_program:
        os.execv(
            sys.executable, [sys.executable, "-m", "bench", *(os.fsencode(a).decode("utf-8", "surrogateescape") for a in case.arguments)]
        )
    if case.planted:
        files.banks = _broken  # type: ignore[assignment]
    sys.argv = ["makebreak", *case.arguments]
    opened = (open(number, mode, lines, closefd=False) for number, mode, lines in ((0, "r", -1), (1, "w", -1), (2, "w", 1)))  # noqa: SIM115
    sys.stdin, sys.stdout, sys.stderr = opened
    code = PROGRAM + 1
    try:
        main()
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else PROGRAM + 2
    finally:
        os._exit(code)


def _broken() -> None:
    raise ValueError("planted \x1b[31m")


def ran(case: Case, folder: Path, as_program: bool) -> tuple[int, str, str, float, float]:
    """Exit code (negative: killed by that signal), standard output and error, seconds and megabytes."""
    out, err = folder / "stdout", folder / "stderr"
    began_s = time.perf_counter()
    child = os.fork()
    if child == 0:
        for number, file, flags in (
            (0, Path("/dev/null"), os.O_RDONLY),
            (1, out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
            (2, err, os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        ):
            os.dup2(os.open(file, flags, 0o600), number)
        _command(case, folder, as_program)
    _, status, used = os.wait4(child, 0)
    texts = [file.read_text(encoding="utf-8", errors="surrogateescape") for file in (out, err)]
    return os.waitstatus_to_exitcode(status), texts[0], texts[1], time.perf_counter() - began_s, _mb(used)


def ran_on_terminal(case: Case, folder: Path) -> tuple[int, str, float, float]:
    """Exit code, all that the terminal was given, seconds and megabytes."""
    began_s = time.perf_counter()
    child, terminal = pty.fork()
    if child == 0:
        _command(case, folder, False)
    shown = b""
    while select.select([terminal], [], [], _KILLED_S)[0]:
        try:
            piece = os.read(terminal, 1 << 16)
        except OSError:
            break
        shown += piece
        if not piece:
            break
    _, status, used = os.wait4(child, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), shown.decode("utf-8", "surrogateescape"), time.perf_counter() - began_s, _mb(used)


def _mb(used: resource.struct_rusage) -> float:
    return float(used.ru_maxrss) / (1024.0 if sys.platform == "darwin" else 1.0) / 1024.0


def what_is_wrong(case: Case, code: int, out: str, err: str) -> str:
    """Empty if nothing is."""
    lines = [line for line in err.splitlines() if not _CAUTION.match(line)]
    if case.planted:
        return "" if (code, len(lines), out) == (PROGRAM, 1, "") else f"planted: exit code {code}, {len(lines)} lines"
    if code not in (*RESULTS, USAGE) and not (code == CANCELLED and out):  # a capture of a test that was broken off
        return f"exit code {code}"
    if len(lines) > 1 or (code == USAGE and len(lines) != 1) or any(len(line) > LONGEST_LINE for line in lines):
        return f"{len(lines)} lines of error, the longest of {max(map(len, lines), default=0)}"
    if code in (NOT_GOOD, NOT_DECIDED, NOT_FOR_LOAD) and not out:
        return f"exit code {code} without a report"
    return _escapes(out + "\n" + err)


def _escapes(text: str) -> str:
    if "Traceback (most" in text:
        return "traceback"
    bad = next((line for line in text.split("\n") if not line.isprintable()), None)
    return "" if bad is None else f"what a terminal obeys: {bad[:200]!r}"


def came_of(seed: int, kind: str | None, record: Path, capture: Path) -> Came:
    rng = np.random.default_rng(seed)
    chosen = kind or _TURNS[int(rng.integers(len(_TURNS)))]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        furnish(folder, record, capture)
        case = KINDS[chosen][0](Maker(folder, record, capture), rng)
        if case.arguments[0:1] != ["screen"] and seed % _ON_TERMINAL == 1:
            code, shown, lasted_s, memory_mb = ran_on_terminal(case, folder)
            wanted = (PROGRAM,) if case.planted else (*RESULTS, USAGE, CANCELLED)
            wrong = _escapes(_STYLE.sub("", shown).replace("\r", "")) if code in wanted else f"exit code {code}"
            said = shown
        else:
            code, out, err, lasted_s, memory_mb = ran(case, folder, seed % _OWN_PROGRAM == 0 and not case.planted)
            wrong = what_is_wrong(case, code, out, err)
            said = err or out
    if not wrong and lasted_s > MOST_S:
        wrong = f"took {lasted_s:.0f} s"
    if not wrong and memory_mb > MOST_MB:
        wrong = f"took {memory_mb:.0f} MB"
    return Came(seed, chosen, code, wrong, lasted_s, memory_mb, case.arguments, said.strip().split("\n")[-1][:300])


def _made(folder: Path) -> tuple[Path, Path]:
    """A good record and its capture."""
    record, capture = folder / "good.json", folder / "good.capture"
    made = ["test", "sim://bench-nc-2x21?seed=3", "--procedure", "quick", "--yes", "--json", str(record), "--capture", str(capture)]
    provenance.provenance_now = lambda: {"when": "2031-01-01T12:00:00+00:00", "software": "makebreak"}  # or no seed would be the same again
    scope = str(ROOT / "fixtures" / "recordings" / "thermal-plain.csv")
    # The others import what is left, so that no child waits for it.
    for arguments in (made, ["judge", str(capture), "--full"], ["limits"], ["standard"], ["parts"], ["judge", scope]):
        run(arguments)
    for name in COMMANDS:
        import_module(f"bench.cli.{name}")
    return record, capture


@click.command()
@click.option("--count", default=1000, show_default=True)
@click.option("--first", default=0, show_default=True, metavar="SEED")
@click.option("--kind", type=click.Choice(list(KINDS)), help="Cases of this kind alone.")
@click.option("--show", is_flag=True, help="Print what came of each case.")
def report(count: int, first: int, kind: str | None, show: bool) -> None:
    all_came: list[Came] = []
    with tempfile.TemporaryDirectory() as name:
        kept, sys.stdout = sys.stdout, open(os.devnull, "w")  # noqa: SIM115
        kept_errors, sys.stderr = sys.stderr, sys.stdout
        record, capture = _made(Path(name))
        sys.stdout, sys.stderr = kept, kept_errors
        for seed in range(first, first + count):
            came = came_of(seed, kind, record, capture)
            all_came.append(came)
            if show or came.wrong:
                print(
                    f"{seed:>6} {came.kind}: {came.wrong or came.code}; {came.lasted_s:.1f} s, {came.memory_mb:.0f} MB; "
                    f"{ascii(came.arguments)[:200]}: {came.said!a}",
                    flush=True,
                )
            elif (seed - first) % 200 == 199:
                print(f"{seed - first + 1} of {count}", file=sys.stderr, flush=True)
    _table(all_came)


def _table(all_came: list[Came]) -> None:
    by_kind: dict[str, list[Came]] = defaultdict(list)
    for came in all_came:
        by_kind[came.kind].append(came)
    print(f"\n{'what is bad':<16}{'cases':>7}{'refused':>9}{'result':>8}{'70':>5}{'wrong':>7}{'slowest':>10}{'largest':>10}")
    for kind, some in [*by_kind.items(), ("all", all_came)]:
        codes = Counter("refused" if c.code == USAGE else "70" if c.code == PROGRAM else "result" for c in some)
        wrong = sum(bool(c.wrong) for c in some)
        slowest, largest = max(c.lasted_s for c in some), max(c.memory_mb for c in some)
        counts = f"{len(some):>7}{codes['refused']:>9}{codes['result']:>8}{codes['70']:>5}{wrong:>7}"
        print(f"{kind:<16}{counts}{slowest:>8.1f} s{largest:>7.0f} MB")
    print("exit codes: " + ", ".join(f"{code}: {number}" for code, number in sorted(Counter(c.code for c in all_came).items())))


if __name__ == "__main__":
    report()
