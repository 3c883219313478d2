"""Sampling as a context: frames for a listener inside, everything open and quiet after it; nothing done after an error."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from bench_port import bench_port

from bench.board import BoardClient
from bench.wire import EventFrame, EventKind, SampleFrame

Frames = Sequence[SampleFrame | EventFrame]


def test_frames_come_inside_and_everything_is_open_and_quiet_afterwards() -> None:
    port, heard = bench_port("EL"), list[SampleFrame | EventFrame]()
    board = BoardClient(port)
    board.open()
    with board.sampling(lambda frames, arrival_s: heard.extend(frames), linger_s=0.2):
        board.close_loads([1, 2])
        board.switch_master(True)
        board.attend(0.5)
        closed = len(heard)
    assert closed > 0 and port.all_open
    opened = [frame for frame in heard[closed:] if isinstance(frame, EventFrame) and frame.kind == EventKind.SWITCHED]
    assert opened, "what opening shows is heard too"
    assert board.listener is None
    count = len(heard)
    board.attend(0.5)
    assert len(heard) == count, "samples have stopped"


def test_after_an_error_nothing_is_said_and_the_listener_stays() -> None:
    """What opens everything then knows better how, and may still show what happened."""
    port, heard = bench_port("EL"), list[SampleFrame | EventFrame]()
    board = BoardClient(port)
    board.open()

    def listen(frames: Frames, arrival_s: float) -> None:
        heard.extend(frames)

    with pytest.raises(ZeroDivisionError), board.sampling(listen):
        board.switch_master(True)
        port.sent.clear()
        raise ZeroDivisionError
    assert port.sent == [] and board.listener is listen
    count = len(heard)
    assert board.make_safe() == ""
    assert port.sent[0] == b"*RST\n" and port.all_open and len(heard) > count
