"""Link faults: each does what its name says, its moments follow the seed, and the wire lives through all of them."""

from __future__ import annotations

import pytest
from plain_world import PlainWorld

from bench.simboard.board import SimulatedBoard
from bench.simboard.link import LINK_FAULTS, Link, faulty_link
from bench.wire import Decoder, EventFrame, EventKind, Placed, Reply, ResetCause, SampleFrame, Sequencer

SECONDS = 12


def board(*faults: str, seed: int = 1) -> SimulatedBoard:
    return SimulatedBoard(PlainWorld(step_s=0.01), seed=seed, ideal=True, link=faulty_link(faults, seed))


class Heard:
    """A run of some seconds over a link: what a host makes of it."""

    def __init__(self, *faults: str, seed: int = 1) -> None:
        made = board(*faults, seed=seed)
        made.receive(b"ROUT:CLOS (@1)\nINIT\nOUTP ON\n")
        decoder, sequencer = Decoder(), Sequencer()
        self.placed: list[Placed] = []
        self.replies: list[str] = []
        self.quiet_s = self._quiet = 0.0
        self.stream = b""
        for _ in range(SECONDS * 20):
            made.receive(b"*OPC?\n")
            data = made.advance(0.05)
            self.stream += data
            self._quiet = 0.0 if data else self._quiet + 0.05
            self.quiet_s = max(self.quiet_s, self._quiet)
            for piece in decoder.feed(data):
                if isinstance(piece, Reply):
                    self.replies.append(piece.text)
                elif (placed := sequencer.place(piece)) is not None:
                    self.placed.append(placed)
        self.damage, self.count = decoder.damage, sequencer.count
        self.board = made

    def samples(self) -> list[Placed]:
        return [p for p in self.placed if isinstance(p.frame, SampleFrame)]


@pytest.fixture(scope="module")
def sound() -> Heard:
    return Heard()


def test_a_sound_link_loses_nothing(sound: Heard) -> None:
    assert sound.damage.pieces == sound.count.samples_lost == sound.count.duplicates == sound.count.backwards == 0
    assert len(sound.samples()) == pytest.approx(SECONDS / 0.00416, abs=2)
    assert len(sound.replies) == SECONDS * 20


@pytest.mark.parametrize("fault", ["bytes-lost", "bytes-damaged", "noise-burst"])
def test_damage_is_counted_and_what_is_left_is_right(sound: Heard, fault: str) -> None:
    heard = Heard(fault)
    assert heard.damage.pieces > 5
    assert heard.count.samples_lost == sum(p.lost_before for p in heard.samples())
    true = {p.stamp: p.frame for p in sound.samples()}
    bodies = [(true[p.stamp].body, p.frame.body) for p in heard.samples() if p.stamp in true]  # type: ignore[union-attr]
    assert len(bodies) > 2000
    assert all(a == b for a, b in bodies)


def test_lost_bytes_are_gaps_of_the_right_length(sound: Heard) -> None:
    heard = Heard("bytes-lost")
    assert heard.count.samples_lost > 0
    assert len(heard.samples()) * 160 + heard.count.samples_lost == pytest.approx(len(sound.samples()) * 160, abs=480)


def test_duplicates_are_dropped(sound: Heard) -> None:
    heard = Heard("bytes-duplicated")
    assert heard.count.duplicates + heard.count.backwards > 3
    stamps = [p.stamp for p in heard.samples()]
    assert stamps == sorted(set(stamps))


def test_a_stall_is_three_seconds_of_nothing_and_loses_nothing(sound: Heard) -> None:
    heard = Heard("stall")
    assert heard.quiet_s == pytest.approx(3.0, abs=0.1)
    assert heard.count.samples_lost == 0
    assert [p.stamp for p in heard.samples()] == [p.stamp for p in sound.samples()]


def test_a_slow_bridge_only_delays(sound: Heard) -> None:
    heard = Heard("slow-bridge")
    assert heard.damage.pieces == heard.count.samples_lost == 0
    assert sound.stream.startswith(heard.stream)


def test_damaged_commands_become_errors_or_nothing(sound: Heard) -> None:
    heard = Heard("commands-damaged")
    assert heard.damage.pieces == 0
    assert SECONDS * 20 * 0.8 < len(heard.replies) < SECONDS * 20
    assert heard.board.status.errors


def test_a_reset_board_says_so_opens_everything_and_samples_no_more() -> None:
    heard = Heard("board-reset")
    starts = [p for p in heard.placed if isinstance(p.frame, EventFrame) and p.frame.kind == EventKind.STARTED]
    assert [p.frame.reason for p in starts] == [ResetCause.POW, ResetCause.EXT]  # type: ignore[union-attr]
    assert not heard.placed[-1].frame.sampling
    assert not heard.board.master and not heard.board.loads
    assert heard.count.frames_missing == 0


def test_an_unplugged_link_has_its_moment() -> None:
    assert 3.0 <= board("unplug").link.unplugged_at_s <= 10.0


def test_moments_follow_the_seed() -> None:
    assert Heard("bytes-lost", seed=3).stream == Heard("bytes-lost", seed=3).stream
    assert faulty_link(["unplug"], 1).unplugged_at_s != faulty_link(["unplug"], 2).unplugged_at_s
    with pytest.raises(KeyError):
        faulty_link(["gremlins"], 1)


def test_all_faults_at_once_are_lived_through() -> None:
    heard = Heard(*LINK_FAULTS)
    assert heard.damage.pieces > 0
    stamps = [(p.run, p.stamp) for p in heard.samples()]
    assert stamps == sorted(set(stamps))


def test_there_are_at_least_six_and_all_are_described() -> None:
    assert len(LINK_FAULTS) >= 6
    assert all(fault.text and fault.name == name for name, fault in LINK_FAULTS.items())
    assert Link().carry_up(1.0, b"x") == [(1.0, b"x")]
