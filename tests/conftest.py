"""House rules for test runs: under CI a skipped test is a failed one, and tests of real boards run only when asked for."""

from __future__ import annotations

import os

# Before numpy is imported: threads for small matrices cost ten times what they save where other programs run too.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import signal
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

# Fixtures of the contract's tests (tests/test_contract_*.py).
pytest_plugins = ("contract_bench",)

# How long an example takes says more about the computer than about the program.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

_LONGEST = (
    "test_every_fault.py", "test_every_bench_fault.py", "test_screen_program.py", "test_screen_bench.py", "test_screen.py",
    "test_both_boards.py", "test_screen_day.py", "test_as_sold.py", "test_measure.py", "test_cli_bench.py", "test_as_used.py",
    "test_foreign_board.py",
)  # fmt: skip
"""The files that take longest (20 to 110 s of processor), the longest first."""


def pytest_configure() -> None:
    """Heed Ctrl-C, Ctrl-\\ and a closed terminal, as the programs under test do, also in the background of a shell or under nohup."""
    for name, handler in (("SIGINT", signal.default_int_handler), ("SIGQUIT", signal.SIG_DFL), ("SIGHUP", signal.SIG_DFL)):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, handler)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with what takes longest, so that no core waits for another in the end; leave out what needs a board on the desk, unless `-m`
    speaks of it."""
    turns = {name: turn for turn, name in enumerate(_LONGEST)}
    items.sort(key=lambda item: turns.get(item.path.name, len(turns)))
    if "hardware" in str(config.getoption("markexpr")):
        return
    kept = [item for item in items if item.get_closest_marker("hardware") is None]
    config.hook.pytest_deselected(items=[item for item in items if item not in kept])
    items[:] = kept


def pytest_sessionfinish(session: pytest.Session) -> None:
    """CI=true: a test that was skipped has not held."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") == "true" and reporter is not None and reporter.stats.get("skipped") and not session.exitstatus:
        reporter.write_line("tests were skipped: under CI that is a failure")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """What a test printed and logged may be no text (half a surrogate pair), and a worker can only send text."""
    report = yield
    report.sections = [(title, text.encode("utf-8", "backslashreplace").decode("utf-8")) for title, text in report.sections]
    return report


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """A kept capture of a quick test."""
    from kept_captures import captured

    path = tmp_path / "a.capture"
    path.write_bytes(captured()[1])
    return path
