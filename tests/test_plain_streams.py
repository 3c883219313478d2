"""One way out for text: nothing leaves that a terminal would obey, whoever wrote it, on whichever stream."""

from __future__ import annotations

import ast
import errno
import io
import os
import re
import sys
from pathlib import Path

import click
import pytest
from rich.table import Table
from rich.text import Text
from sample_records import record

from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.cli.output import console
from bench.cli.progress_line import ProgressLine
from bench.cli.streams import LONGEST_LINE, PlainStream, bare, is_closed_terminal, say_error
from bench.errors import OutputClosed, OutputError
from bench.plain import one_line, plain_text, reason_text, sentence, shortened
from bench.record_json import to_json
from bench.session import Noted, Waiting

CLI = Path(__file__).parent.parent / "bench" / "cli"
OBEYED = [
    "\x1b[31m", "\x1b]0;title\x07", "\x9b2J", "\x85", "\r", "\b", "\0", "\x7f", "\x0b", "\x0c",
    "\u202e", "\u2066", "\u200f", "\ufeff", "\udc80", "\ud800", "\u2028", "\ue000",
]  # fmt: skip
"""What a terminal obeys: control characters of both kinds, directions of writing, halves of pairs, ends of lines, private use."""


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("text", OBEYED)
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    for shown in (one_line(f"a{text}b"), plain_text(f"a{text}b")):
        assert shown.isprintable() and shown.startswith("a") and shown.endswith("b")
        assert one_line(shown) == shown, "shown again it stays as it is"


def test_lines_and_blanks_stay() -> None:
    assert plain_text("a  b\n\n c\td\n") == "a  b\n\n c d\n"
    assert plain_text("µ ± Ω — é 漢 …") == "µ ± Ω — é 漢 …"
    assert one_line(" a \n b\t\tc ") == "a b c"


def test_errors_of_the_system_are_told_in_words() -> None:
    assert reason_text(OSError(111, "Connection refused")) == "Connection refused"
    assert reason_text(OSError(2, "could not open port x: [Errno 2] No such file or directory: 'x'")) == (
        "could not open port x: No such file or directory: 'x'"
    )
    assert reason_text(TimeoutError()) == "TimeoutError"


def test_a_sentence_ends_once() -> None:
    assert sentence("opening x: no such port") == "opening x: no such port."
    assert sentence("is the server\nrunning there?") == "is the server running there?"


def test_a_long_text_keeps_its_ends() -> None:
    assert shortened("x" * 100, 100) == "x" * 100
    cut = shortened("begin" + "x" * 1_000_000 + "end", 100)
    assert cut.startswith("begin") and cut.endswith("end") and len(cut) <= 100
    assert "999978 characters" in shortened("x" * 1_000_038, 100)


def test_whatever_is_printed_is_plain(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", PlainStream(sys.stdout, needed=True))
    monkeypatch.setattr(sys, "stderr", PlainStream(sys.stderr, needed=False))
    for text in OBEYED:
        print(f"out {text}")
        click.echo(f"out {text}")
        console().print(f"out {text}")
        sys.stderr.writelines([f"err {text}\n"])
        say_error(f"err {text}\n\n{text}.")
    got = capsys.readouterr()
    assert got.out.count("out ") == 3 * len(OBEYED) and got.err.count("err ") == 2 * len(OBEYED)
    assert all(line.isprintable() for line in (got.out + got.err).split("\n"))


def test_a_line_of_error_is_bounded(capsys: pytest.CaptureFixture[str]) -> None:
    say_error("\x1b" * 1_000_000)
    (line,) = capsys.readouterr().err.splitlines()
    assert len(line) <= LONGEST_LINE


def test_colours_come_from_the_program_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", PlainStream(terminal, needed=True))
    table = Table("\x1b[32mtitle")
    table.add_row(Text("\x9b31m cell \x1b]8;;http://a\x1b\\"))
    console().print(Text("\x1b[5mname\u202e", style="bold red"))
    console().print(table)
    text = terminal.getvalue()
    assert "\x1b[1;31m" in text, "a style of ours"
    assert re.sub(r"\x1b\[[\d;]*m|\n", "", text).isprintable()
    assert r"\x1b[5mname\u202e" in text and r"\x9b31m" in text and r"\x1b]8;;" in text
    assert "\x1b[5m" not in text and "\x1b[32m" not in text


def test_the_line_of_progress_is_the_only_one_that_goes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", PlainStream(terminal, needed=False))
    with ProgressLine() as progress:
        progress(Waiting("cooling \x1b[2J\r", 5.0))
        progress(Noted("a note\x1b[31m\nof two lines"))
    text = terminal.getvalue()
    assert "\r: cooling \\x1b[2J , 5 s to go" in text
    assert "note: a note\\x1b[31m of two lines\n" in text
    assert text.replace("\r", "").replace("\n", "").isprintable()


def test_a_stream_says_when_it_takes_no_more() -> None:
    class Full(io.StringIO):
        error: Exception = OSError(28, "No space left on device")

        def write(self, text: str, /) -> int:
            raise self.error

    full = Full()
    with pytest.raises(OutputError, match="No space left"):
        PlainStream(full, needed=True).write("a")
    with pytest.raises(OutputError, match="No space left"):
        bare(PlainStream(full, needed=True)).write("a")  # type: ignore[arg-type]
    assert PlainStream(full, needed=False).write("abc") == 3, "progress and errors stop nothing"
    full.error = BrokenPipeError(32, "Broken pipe")
    with pytest.raises(OutputClosed):
        PlainStream(full, needed=True).write("a")


def test_a_closed_terminal_is_no_disk_that_fails() -> None:
    """Its window is gone: the output is read no further, and what was being done keeps its own exit code or is cancelled."""
    master, slave = os.openpty()
    with open(slave, "w") as terminal:
        stream = PlainStream(terminal, needed=True)
        stream.write("seen")
        stream.flush()
        failed = OSError(errno.EIO, os.strerror(errno.EIO))
        assert not is_closed_terminal(failed, terminal), "the same error while it is there"
        os.close(master)
        assert is_closed_terminal(failed, terminal)
        assert not is_closed_terminal(OSError(errno.ENOSPC, "full"), terminal) and not is_closed_terminal(None, terminal)
        with pytest.raises(OutputClosed):
            stream.write("a line\n")
            stream.flush()
        null = os.open(os.devnull, os.O_WRONLY)  # for what is left to be written
        os.dup2(null, terminal.fileno())
        os.close(null)
    assert not is_closed_terminal(failed, io.StringIO())


@pytest.mark.parametrize("path", sorted(CLI.glob("*.py")), ids=lambda path: path.name)
def test_commands_print(path: Path) -> None:
    """`click.echo` finds ways past `sys.stdout` (consoles of Windows, ASCII terminals); `print` does not."""
    names = [node.attr for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Attribute)]
    assert not {"echo", "secho", "__stdout__", "__stderr__", "buffer"} & set(names)


HOSTILE = "a\x1b[31m\u202e\x9bb"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / HOSTILE
    path.mkdir()
    monkeypatch.chdir(path)
    return path


@pytest.mark.xfail(os.name == "nt", reason="no such names here", run=False)
@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ([HOSTILE], USAGE),
        (["test", HOSTILE], USAGE),
        (["test", "--unit", HOSTILE], USAGE),
        (["test", "--" + HOSTILE], USAGE),
        (["test", "--limits", f"{HOSTILE}.toml"], USAGE),
        (["test", "--json", f"{HOSTILE}/{HOSTILE}"], USAGE),
        (["limits", "own.toml"], USAGE),
        (["show", "unit.json"], GOOD),
        (["show", f"{HOSTILE}.json"], USAGE),
        (["judge", "unit.json"], USAGE),
        (["parts", "--parts", HOSTILE], GOOD),
        (["part", HOSTILE], USAGE),
        (["standard", "--name", "x", "--keep", HOSTILE], USAGE),
        (["standard", "sim://LINK", "--keep", "unit.json"], USAGE),
        (["calibrate", "sim://LINK", "--keep", f"unit.json/{HOSTILE}"], USAGE),
    ],
)
def test_names_and_contents_are_shown_and_not_obeyed(
    folder: Path, arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "own.toml").write_text(f'format = 1\nname = "x"\n"{HOSTILE}"=1'.replace("\x1b", "\\u001b").replace("\x9b", "\\u009b"))
    kept = to_json(record(unit=HOSTILE))
    (folder / "unit.json").write_text(kept)
    assert run(arguments) == code
    got = capsys.readouterr()
    assert all(line.isprintable() for line in (got.out + got.err).split("\n"))
    assert len(got.err.splitlines()) == (code == USAGE)
