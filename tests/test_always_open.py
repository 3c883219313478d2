"""Whatever fails, the first thing that the board hears after it is that everything must open; then a whole record is made."""

from __future__ import annotations

import io
import signal
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from bench_port import BenchPort, bench_port, run_on
from session_plans import SHORT, spoilt

from bench.analysis import Analysis
from bench.board import BoardClient
from bench.errors import PortError
from bench.manual_actions import Action, Meanwhile
from bench.ports.replay import NOT_WHOLE
from bench.procedure import Procedure, PromptStep, RunStep
from bench.record_json import from_json, to_json
from bench.session import Decided, Live, Noted
from bench.setup import Setup
from bench.upkeep import self_check
from bench.upkeep.standard import measure_link
from bench.wire import EventFrame, SampleFrame

OPENING = b"*RST\n"
BRIEF = Procedure("brief", "", "", (RunStep("rated", "", cycles=1, at_most_s=2.0, judge=("rate_per_min",)),))


class CountedPort(BenchPort):
    """Something happens at each of its calls of `write` and `read` from number `first` on, `times` times. `after`: what was sent then."""

    first = 1 << 40
    times = 1
    calls = 0
    after: list[bytes]

    def happen(self) -> None:
        raise KeyboardInterrupt

    def _mishaps(self) -> None:
        self.calls += 1
        if self.first < self.calls <= self.first + self.times:
            self.after = []
            self.happen()
        super()._mishaps()

    def write(self, data: bytes) -> None:
        is_after = self.calls > self.first
        super().write(data)
        if is_after:
            self.after.append(data)


def counted(first: int, times: int = 1) -> CountedPort:
    port = CountedPort(bench_port("EL").board)
    port.first, port.times = first, times
    return port


def calls_of(plan: Procedure) -> int:
    port = counted(1 << 40)
    assert run_on(port, plan).interrupted is None
    return port.calls


def decided_at(plan: Procedure) -> int:
    """The call before which the result was told."""
    port, calls = counted(1 << 40), []
    run_on(port, plan, progress=lambda event: calls.append(port.calls) if isinstance(event, Decided) else None)
    (call,) = calls
    return call


CALLS, DECIDED = calls_of(BRIEF), decided_at(BRIEF)


@pytest.mark.parametrize("number", [*range(0, 60, 3), *range(60, CALLS - 30, 61), *range(CALLS - 30, CALLS, 2)])
def test_the_keyboard_at_every_call_of_the_port(number: int) -> None:
    port = counted(number)
    record = run_on(port, BRIEF)
    assert port.after[0].removeprefix(b"\n") == OPENING
    assert port.all_open
    assert record.interrupted in ("stopped from the keyboard", None), "None: all was over by then, but for the opening"
    assert from_json(to_json(record)) == record


class SignalledPort(CountedPort):
    def happen(self) -> None:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGINT):
            signal.raise_signal(number)


@pytest.mark.parametrize("number", [*range(0, 60, 7), *range(60, CALLS - 30, 101), *range(CALLS - 30, CALLS, 7)])
def test_after_a_signal_no_other_line_is_sent_than_the_opening(number: int) -> None:
    """Not even the rest of what was being said: it might switch something on."""
    port = SignalledPort(bench_port("EL").board)
    port.first = number
    record = run_on(port, BRIEF)
    assert port.after[:1] == [OPENING] or record.interrupted is None, "None: it was being opened already"
    assert port.all_open
    assert record.interrupted in ("stopped from the keyboard", None)
    assert number >= DECIDED or record.interrupted is not None


@pytest.mark.parametrize("number", [40, CALLS // 2, CALLS - 20])
def test_ten_hits_of_the_keyboard_in_a_row(number: int) -> None:
    port = counted(number, times=10)
    record = run_on(port, BRIEF)
    assert port.after[0].removeprefix(b"\n") == OPENING
    assert port.all_open
    assert record.interrupted in ("stopped from the keyboard", None)
    assert not any(fault.code == "not-confirmed-open" for fault in record.bench_faults)


def test_signals_at_every_event_end_the_test_once(capfd: pytest.CaptureFixture[str]) -> None:
    """Ctrl-C, SIGTERM and SIGHUP by the dozen: the first ends the test in good order, the others change nothing."""
    port = counted(1 << 40)
    events: list[object] = []

    def hit(event: object) -> None:
        events.append(event)
        if isinstance(event, Live):
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGINT):
                signal.raise_signal(number)

    record = run_on(port, SHORT, progress=hit)
    spoilt(record, port)
    assert record.interrupted == "told to end (SIGTERM)"
    assert sum(isinstance(event, Live) for event in events) == 1


def break_after(frames: int, *, error: Exception) -> tuple[Callable[..., None], list[int]]:
    """A feed of an analysis that fails for good after so many calls; and what it counts."""
    feed, count = Analysis.feed, [0]

    def broken(self: Analysis, got: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        count[0] += 1
        if count[0] > frames:
            raise error
        feed(self, got, arrival_s)

    return broken, count


@pytest.mark.parametrize("frames", [0, 100, 150])
def test_a_listener_that_raises_again_and_again(frames: int, monkeypatch: pytest.MonkeyPatch) -> None:
    port = bench_port("EL")
    broken, count = break_after(frames, error=ZeroDivisionError("in the listener"))
    sent: list[int] = []

    def listen(self: Analysis, got: Sequence[SampleFrame | EventFrame], arrival_s: float) -> None:
        try:
            broken(self, got, arrival_s)
        except ZeroDivisionError:
            sent.append(len(port.sent))
            raise

    monkeypatch.setattr(Analysis, "feed", listen)
    record = run_on(port, SHORT)
    assert "ZeroDivisionError: in the listener" in (record.interrupted or "")
    assert port.sent[sent[0]] == OPENING
    assert port.all_open and count[0] == frames + 2, "it is asked once more, while everything is opened"
    assert not any(fault.code == "not-confirmed-open" for fault in record.bench_faults)


def test_a_progress_that_raises_is_told_nothing_before_all_is_open() -> None:
    port = bench_port("EL")
    sent: list[int] = []

    def broken(event: object) -> None:
        if isinstance(event, Live):
            sent.append(len(port.sent))
            raise OSError("the terminal is gone")

    record = run_on(port, SHORT, progress=broken)
    spoilt(record, port)
    assert port.sent[sent[0]] == OPENING and len(sent) == 1


def test_an_operator_that_fails() -> None:
    port = bench_port("EL")
    port.real = True
    at: list[int] = []

    class Hands:
        def do(self, action: Action, meanwhile: Meanwhile) -> None:
            at.append(len(port.sent))
            raise RuntimeError("out of hands")

    record = run_on(port, Procedure("p", "", "", (PromptStep("look", "Look", "Look."), *SHORT.steps)), operator=Hands())
    spoilt(record, port)
    assert port.sent[at[0]] == OPENING


def test_a_line_broken_off_in_the_middle_does_not_spoil_the_next() -> None:
    port = bench_port("EL")
    write = port.write
    broken: list[int] = []

    def half(data: bytes) -> None:
        if data.startswith(b"OUTP ON") and not broken:
            broken.append(len(port.sent) + 1)
            write(data)
            write(b"ROUT:CL")
            raise PortError("sending to sim://test: timed out")
        write(data)

    port.write = half  # type: ignore[method-assign]
    record = run_on(port, SHORT)
    spoilt(record, port)
    assert port.sent[broken[0] + 1] == b"\n" + OPENING
    assert not any(fault.code == "not-confirmed-open" for fault in record.bench_faults)


def test_a_clock_that_fails_while_everything_is_opened() -> None:
    port = bench_port("EL")
    client = BoardClient(port)
    client.open()
    client.close_loads((1,))
    client.switch_master(True)
    now_s = port.now_s

    def broken() -> float:
        raise OSError("no clock")

    port.now_s = broken  # type: ignore[method-assign]
    assert "OSError: no clock" in client.make_safe()
    port.now_s = now_s  # type: ignore[method-assign]
    assert port.all_open
    client.note(note="still written")


def test_a_board_that_hears_nothing_is_asked_for_some_seconds_and_no_longer() -> None:
    port = bench_port("EL")
    client = BoardClient(port)
    client.open()
    port.lose = lambda data: True
    before_s = port.now_s()
    assert "did not confirm" in client.make_safe()
    assert 2.0 < port.now_s() - before_s < 4.0


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_an_opening_that_is_lost_is_said_again_at_once(lost: int) -> None:
    port = bench_port("EL")
    client = BoardClient(port)
    client.open()
    client.close_loads((1,))
    client.switch_master(True)
    before_s, left = port.now_s(), [lost]

    def lose(data: bytes) -> bool:
        left[0] -= 1
        return left[0] >= 0

    port.lose = lose
    assert client.make_safe() == ""
    assert port.all_open and port.now_s() - before_s < 1.0


# --- captures


def test_a_capture_on_a_full_disk_costs_its_end_and_nothing_else() -> None:
    undisturbed = run_on(bench_port("EL"), SHORT)
    with Path("/dev/full").open("wb", buffering=0) as full:
        record = run_on(bench_port("EL"), SHORT, capture=full)
    assert record.interrupted is None
    assert record.notes == (f"{NOT_WHOLE} (No space left on device): it ends where that happened",)
    assert (record.measured, record.outcome) == (undisturbed.measured, undisturbed.outcome)


class FailingSink(io.BytesIO):
    """It takes so many bytes."""

    room = 5000

    def write(self, data: Any, /) -> int:
        piece = memoryview(data)[: min(self.room, 100)]
        if not piece:
            raise ValueError("I/O operation on closed file")
        self.room -= len(piece)
        return super().write(piece)


def test_a_capture_that_fails_in_the_middle_holds_what_came_before() -> None:
    whole, part = io.BytesIO(), FailingSink()
    run_on(bench_port("EL"), SHORT, capture=whole)
    record = run_on(bench_port("EL"), SHORT, capture=part)
    assert record.interrupted is None and record.notes[-1].startswith(NOT_WHOLE)
    assert len(part.getvalue()) == 5000
    assert whole.getvalue().startswith(part.getvalue())


def test_a_text_that_is_no_text_can_be_noted() -> None:
    """A file name of odd bytes, say, in what broke a test off."""
    port = bench_port("EL")

    def broken(event: object) -> None:
        if isinstance(event, Live):
            raise OSError("writing /tmp/\udcff")

    capture = io.BytesIO()
    record = run_on(port, SHORT, progress=broken, capture=capture)
    assert port.all_open and "\udcff" in (record.interrupted or "")
    assert b"/tmp/\\udcff" in capture.getvalue()


# --- the other conversations


@pytest.mark.parametrize("what", ["check", "standard"])
@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_checks_and_standards_open_first_too(what: str, share: float) -> None:
    def work(port: BenchPort) -> None:
        if what == "check":
            self_check(port, link=True, lamps=True)
        else:
            measure_link(port, Setup("link"), None)

    whole = counted(1 << 40)
    work(whole)
    port = counted(int(share * whole.calls), times=3)
    with pytest.raises(KeyboardInterrupt):
        work(port)
    assert port.after[0].removeprefix(b"\n") == OPENING
    assert port.all_open


def test_nothing_is_noted_of_a_test_that_ends_well() -> None:
    events: list[object] = []
    record = run_on(bench_port("EL"), SHORT, progress=events.append)
    assert record.notes == () and not any(isinstance(event, Noted) for event in events)
