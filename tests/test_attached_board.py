"""The board of a station: asked for only when it is worth asking, and how long it has rested."""

from __future__ import annotations

import pytest
from bench_port import bench_port

from bench.errors import PortError
from bench.ports import Port
from bench.ports.serial_port import FoundPort
from bench.station import Attach
from bench.station.attached_board import AttachedBoard


def test_other_devices_are_not_asked_every_second(monkeypatch: pytest.MonkeyPatch) -> None:
    """`auto` asks all ports who they are, which may reset what hangs on them: only when one comes or goes, or after a while."""
    here: list[tuple[FoundPort, ...]] = [()]
    asked: list[str] = []

    def opener(address: str) -> Port:
        asked.append(address)
        raise PortError("looking for a board: none answered")

    monkeypatch.setattr("bench.station.attached_board.find_boards", lambda: here[0])
    monkeypatch.setattr("bench.station.attached_board.open_port", opener)
    now_s = [0.0]
    board = AttachedBoard(Attach("auto"), lambda news: None, lambda: now_s[0])
    for t_s, ports, count in (
        (0.0, (), 1),
        (1.0, (), 1),
        (2.0, (FoundPort("COM5", "", True),), 2),
        (3.0, here[0], 3),
        (22.0, (), 3),
        (24.0, (), 4),
    ):
        now_s[0], here[0] = t_s, ports
        board.look_after()
        assert len(asked) == count, t_s


def test_rest_between_tests_counts_as_cooling() -> None:
    """For the lamps as long as they need; for a unit only if it is the one that was on the bench."""
    board = AttachedBoard(Attach("auto"), lambda news: None, lambda: 0.0)
    port = bench_port("EL")
    port.line.read(4.0)
    board.was_used(port, "4711")
    port.line.read(6.0)
    assert board.rested_s(port, "4711") == board.rested_s(port, "4712") == pytest.approx(6.0, abs=0.1)
    port.line.read(294.0)
    assert board.rested_s(port, "4711") == pytest.approx(300.0, abs=0.1)
    assert board.rested_s(port, "4712") == 10.0
