"""`BoardClient.switch_loads`: the loads of a unit that goes on flashing, over sound and damaged links."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from bench_port import BenchPort, bench_port
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.board import BoardClient
from bench.errors import BoardRefused, BoardTripped
from bench.simboard.link import faulty_link
from bench.wire import EventFrame, EventKind, SampleFrame

SOME_LOADS = st.sets(st.integers(1, 6))


class Bench:
    """A client in the middle of a run, and the switch events that it hears."""

    def __init__(self, port: BenchPort, loads: Sequence[int], seconds: float = 0.5) -> None:
        self.port = port
        self.switched: list[EventFrame] = []
        self.board = BoardClient(port)
        self.board.open()
        self.board.listener = self._hear
        self.board.start_sampling()
        self.board.close_loads(loads)
        self.board.switch_master(True)
        self.board.attend(seconds)
        self.forget()

    def forget(self) -> None:
        self.switched.clear()
        self.port.sent.clear()

    def _hear(self, frames: Sequence[SampleFrame | EventFrame], now_s: float) -> None:
        self.switched += [f for f in frames if isinstance(f, EventFrame) and f.kind == EventKind.SWITCHED]

    def switch(self, loads: Sequence[int]) -> None:
        self.board.switch_loads(loads)
        self.board.attend(0.1)

    @property
    def told(self) -> list[str]:
        """Commands that switch loads, as they were sent."""
        lines = [data.decode().strip() for data in self.port.sent]
        return [line for line in lines if line.startswith(("ROUT:OPEN", "ROUT:CLOS "))]


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ([1, 2], [1], ["ROUT:OPEN (@2)"]),
        ([1], [2, 1], ["ROUT:CLOS (@2)"]),
        ([1, 2], [1, 3], ["ROUT:OPEN (@2)", "ROUT:CLOS (@3)"]),
        ([1, 2], [3, 4], ["ROUT:CLOS (@3,4)", "ROUT:OPEN (@1,2)"]),
        ([1, 2], [2, 1], []),
        ([1, 2], [], ["ROUT:OPEN (@1,2)"]),
        ([], [3], ["ROUT:CLOS (@3)"]),
    ],
)
def test_only_what_differs_is_switched(before: list[int], after: list[int], told: list[str]) -> None:
    bench = Bench(bench_port("NC"), before)
    bench.switch(after)
    assert bench.told == told
    assert bench.port.board.loads == frozenset(after) and bench.port.board.master
    assert len(bench.switched) == len(told)
    assert bench.board.retries == 0


@settings(max_examples=15, deadline=None)
@given(st.lists(SOME_LOADS, min_size=2, max_size=6))
def test_what_stays_is_never_opened(wanted: list[set[int]]) -> None:
    bench = Bench(bench_port("NC"), sorted(wanted[0]), 0.0)
    for before, after in pairwise(wanted):
        bench.forget()
        bench.switch(sorted(after))
        assert bench.port.board.loads == after
        for event in bench.switched:
            assert event.closed_loads >= before & after
            assert event.closed_loads or not (before and after)


def test_a_unit_flashes_on_and_its_pulses_are_whole() -> None:
    bench = Bench(bench_port("NC"), [1, 2], 3.0)
    world = bench.port.board.world
    for loads in ([1], [1, 2], [1, 3], [1, 2, 3], [1, 2]):
        bench.switch(loads)
        bench.board.attend(1.5)
    pulses = list(world.pulses)  # type: ignore[attr-defined]
    assert len(pulses) > 8 and all(pulse.break_s is not None for pulse in pulses)
    assert all(pulse.dark_a is not None for pulse in pulses[:-1])


def test_damaged_commands_are_put_right() -> None:
    retries = 0
    for seed in range(6):
        bench = Bench(bench_port("TC", seed=seed, link=faulty_link(["commands-damaged"], seed)), [1, 2])
        bench.board.retries = 0
        for loads in ([1], [1, 2], [1, 3], [1, 2, 3], [1, 2]) * 4:
            bench.switch(loads)
            assert bench.port.board.loads == frozenset(loads) and bench.port.board.master
        retries += bench.board.retries
    # 120 changes of three or more lines each, one in twenty of them damaged.
    assert retries > 10


@pytest.mark.parametrize("fault", ["bytes-lost", "bytes-damaged"])
def test_damaged_replies_are_asked_for_again(fault: str) -> None:
    bench = Bench(bench_port("TC", link=faulty_link([fault], 3)), [1, 2])
    for loads in ([1], [1, 2], [1, 3]) * 15:
        bench.switch(loads)
        assert bench.port.board.loads == frozenset(loads)
    assert bench.board.retries > 0


def test_a_line_that_switched_something_else_is_undone() -> None:
    """`ROUT:CLOS (@2)` arrives as `ROUT:CLOS (@6)`: no error, and yet wrong."""
    bench = Bench(bench_port("NC"), [1])
    arrives = iter([b"ROUT:CLOS (@6)\n"])
    bench.port.board.link.down.append(lambda data: next(arrives, data) if data == b"ROUT:CLOS (@2)\n" else data)
    bench.switch([1, 2])
    assert bench.port.board.loads == frozenset({1, 2})
    assert bench.told == ["ROUT:CLOS (@2)", "ROUT:OPEN (@6)", "ROUT:CLOS (@2)"]
    assert bench.board.retries == 1


def test_an_old_error_in_the_queue_is_no_hindrance() -> None:
    bench = Bench(bench_port("NC"), [1])
    bench.board.send("FOO")
    bench.switch([1, 2])
    assert bench.told == ["ROUT:CLOS (@2)"]
    assert bench.port.board.loads == frozenset({1, 2})


def test_a_board_that_does_not_do_it_is_refused_in_one_line() -> None:
    bench = Bench(bench_port("NC"), [1, 2])
    bench.port.lose = lambda data: data.startswith(b"ROUT:OPEN")
    with pytest.raises(BoardRefused) as refused:
        bench.board.switch_loads([1])
    assert str(refused.value) == ("switching the loads of the board at sim://test to (@1): ROUT:CLOS? answers (@1,2), not (@1)")


def test_a_load_that_the_board_lacks_is_refused() -> None:
    bench = Bench(bench_port("NC"), [1, 2])
    with pytest.raises(BoardRefused, match=r"to \(@1,9\): error -222 Data out of range"):
        bench.board.switch_loads([1, 9])


def test_a_trip_comes_as_a_trip() -> None:
    bench = Bench(bench_port("NC"), [1])
    bench.port.a_second_later()
    with pytest.raises(BoardTripped):
        bench.board.switch_loads([1, 2])
    assert bench.port.all_open
