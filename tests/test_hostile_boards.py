"""The report on hostile boards: that it changes what it says it changes, notices what is wrong, and finds nothing wrong with a handful."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.description import description_crc, description_lines
from bench.ports.address import parse_sim_address
from bench.ports.simulated import SimulatedLine, open_line
from bench.wire import Decoder, EventFrame, Frame, Piece, Reply, encode_command
from reports.hostile_boards import NAMES, OPEN_S, UNITS, Came, Said, drawn, tried, wrong
from reports.hostile_port import Heard, HostileLine, Mischief, event

COMMANDS = ("*CLS", "*IDN?", "INIT", "ROUT:CLOS (@1,2)", "OUTP ON", "ROUT:CLOS?", "OUTP?", "SYST:ERR?", "ABOR", "OUTP OFF", "ROUT:OPEN:ALL")


def line_of(*mischiefs: Mischief) -> HostileLine:
    return HostileLine(open_line(parse_sim_address("sim://bench-nc-2x21?seed=1")), mischiefs)


def came_up(line: SimulatedLine | HostileLine, commands: tuple[str, ...] = COMMANDS) -> list[Piece]:
    """All that the board says to these commands, a tenth of a second each."""
    decoder, pieces = Decoder(), list[Piece]()
    for command in commands:
        line.write(encode_command(command))
        end_s = line.now_s + 0.1
        while line.now_s < end_s:
            pieces += decoder.feed(line.read(end_s - line.now_s))
    assert not decoder.damage.pieces
    return pieces


def test_without_mischief_it_is_the_line_beneath() -> None:
    assert came_up(line_of()) == came_up(open_line(parse_sim_address("sim://bench-nc-2x21?seed=1")))


def test_what_is_changed_goes_up_with_a_right_sum() -> None:
    frames, replies = list[Frame](), list[str]()

    def seen(_: HostileLine, of: Frame) -> list[Frame]:
        frames.append(of)
        return [of._replace(loads=7)]

    def heard(_: HostileLine, said: str) -> list[tuple[float, str]]:
        replies.append(said)
        return [(0.05, said + "!")]

    pieces = came_up(line_of(Mischief("", frame=seen, reply=heard)))
    assert [p for p in pieces if not isinstance(p, Reply)] == [f._replace(loads=7) for f in frames]
    assert [p.text for p in pieces if isinstance(p, Reply)] == [f"{said}!" for said in replies]
    assert len(frames) > 50
    assert len(replies) == 4


def test_frames_put_in_do_not_show_in_the_sequence() -> None:
    doubled = Mischief("", frame=lambda line, of: (of, event(line, 77)))
    frames = [p for p in came_up(line_of(doubled)) if not isinstance(p, Reply)]
    assert [f.sequence for f in frames] == [n % 256 for n in range(len(frames))]
    assert sum(isinstance(f, EventFrame) and f.kind == 77 for f in frames) == len(frames) // 2 > 50


def test_lines_can_be_kept_from_the_board_and_answered_for_it() -> None:
    deaf = Mischief("", line=lambda _, text: Heard((), ((0.01, "no"),)) if text == "OUTP?" else Heard(("OUTP OFF",)))
    line = line_of(deaf)
    assert [p.text for p in came_up(line) if isinstance(p, Reply)] == ["no"]
    assert line.all_open


def test_the_switches_are_watched() -> None:
    line = line_of()
    came_up(line, ("ROUT:CLOS (@1)", "OUTP ON"))
    assert not line.all_open
    now_s = line.now_s
    line.let_go(2.0)
    assert line.all_open
    after_s = line.open_after(now_s)
    assert after_s is not None
    assert 0.85 < after_s < OPEN_S
    assert line.open_after(now_s + 1.5) == 0.0


def test_every_family_draws_boards_and_the_same_ones_again() -> None:
    for seed in range(10 * len(NAMES)):
        board, again = drawn(seed), drawn(seed)
        assert (board.text, board.unit, board.address) == (again.text, again.unit, again.address)
        assert board.text
        assert board.family == NAMES[seed % len(NAMES)]


def test_descriptions_are_served_whole_with_the_right_check() -> None:
    lines = description_lines(line_of().board.description)
    board = next(drawn(seed) for seed in range(5000) if drawn(seed).text.startswith("description: no line check"))
    asked = ("SYST:BOAR?", *(f"SYST:BOAR:LINE? {n}" for n in range(1, len(lines))), "SYST:BOAR:CHEC?")
    count, *served, check = [p.text for p in came_up(line_of(*board.mischiefs), asked) if isinstance(p, Reply)]
    assert served == [one for one in lines if not one.startswith("check")]
    assert (int(count), int(check)) == (len(served), description_crc(served))


GOOD = Came(Said("good", "Good", values={"rate_per_min": (90.0, 1.0)}))
SLOW = Came(Said("not good", "Rejected", frozenset({"rate"}), {"rate_per_min": (45.0, 1.0)}))
BENCH = Came(Said("bench fault", "The bench is at fault"))


@pytest.mark.parametrize(
    ("came", "honest", "column"),
    [
        (GOOD, GOOD, None),
        (BENCH, GOOD, None),
        (BENCH, SLOW, None),
        (SLOW, SLOW, None),
        (GOOD, SLOW, "wrong pass"),
        (SLOW, GOOD, "charged"),
        (replace(SLOW, said=Said("not good", "Rejected", frozenset({"rate", "it does not flash"}))), SLOW, "charged"),
        (replace(GOOD, said=Said("good, but not for this load", "Not for 2 x 21 W")), GOOD, "charged"),
        (replace(GOOD, said=Said("good", "Good", values={"rate_per_min": (93.1, 1.0)})), GOOD, "value off"),
        (replace(GOOD, said=Said("good", "Good", values={"rate_per_min": (92.9, 1.0)})), GOOD, None),
        (replace(GOOD, crash="ValueError"), GOOD, "crash"),
        (replace(GOOD, memory_mb=201.0), GOOD, "memory"),
        (replace(GOOD, lasted_s=61.0), GOOD, "time"),
        (replace(GOOD, endless=True), GOOD, "time"),
        (replace(GOOD, closed_s=None), GOOD, "closed"),
        (replace(GOOD, closed_s=1.2), GOOD, "closed"),
    ],
)
def test_what_is_wrong_is_told(came: Came, honest: Came, column: str | None) -> None:
    assert list(wrong(came, honest)) == ([] if column is None else [column])


EXPECTED = {
    "good": "good", "good, electronic": "good", "good, hot wire": "good", "slow": "not good", "dead": "not good", "welded": "not good",
}  # fmt: skip


@pytest.mark.parametrize("unit", UNITS)
def test_what_an_honest_board_says(unit: str) -> None:
    board = next(drawn(seed) for seed in range(500) if drawn(seed).unit == unit and drawn(seed).procedure == "quick")
    came = tried(board, honest=True)
    assert came.said is not None
    assert (came.said.outcome, came.crash, came.closed_s) == (EXPECTED[unit], "", 0.0)
    assert not wrong(came, came)
