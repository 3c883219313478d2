"""From the board's bytes to what was measured: any cut, losses, duplicates, two runs."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from functools import cache

import pytest
from waves import ACCURACY, CHANNELS, Wave, flashes

from bench.analysis import Analysis, Pipeline
from bench.clock import ClockComparison
from bench.measure import Conditions, Counts, Measured
from bench.simboard.board import SimulatedBoard
from bench.simboard.population import draw
from bench.simboard.rig import rig_description
from bench.simboard.world import World
from bench.uncertainty import Estimate, NotMeasured
from bench.wire import Decoder, EventFrame, SampleFrame, encode_event, encode_sample_frame

LAMPS = Conditions(12.0, (21.0, 21.0))


@cache
def stream(kind: str = "HWh", seconds: float = 9.0, mode: str = "FAST") -> bytes:
    """All bytes of one run of a unit on two lamps."""
    world = World(draw(kind, 3), seed=3)
    board = SimulatedBoard(world, seed=3)
    board.receive(f"SENS:VOLT:RANG 15\nSENS:MODE {mode}\nINIT\n".encode())
    found = [board.advance(0.5)]
    board.receive(b"ROUT:CLOS (@1,2)\n")
    found.append(board.advance(0.1))
    board.receive(b"OUTP ON\n")
    for _ in range(int(seconds / 0.25)):
        found.append(board.advance(0.25))
        board.receive(b"SYST:BEAT\n")
    board.receive(b"*RST\n")
    found.append(board.advance(0.1))
    return b"".join(found)


def cut(data: bytes, seed: int) -> Iterator[bytes]:
    rng = random.Random(seed)
    while data:
        n = rng.choice((1, 7, 100, 254, 1000, 40_000))
        yield data[:n]
        data = data[n:]


def fed(analysis: Analysis, pieces: Iterable[object]) -> None:
    """Frames arrive when their last sample is held, by a host's clock that goes as the board's."""
    frames = [p for p in pieces if isinstance(p, SampleFrame | EventFrame)]
    ends = [(p.stamp + 160) * (104e-6 if p.precise else 26e-6) for p in frames if isinstance(p, SampleFrame)]
    analysis.feed(frames, max(ends, default=0.0))


def analysed(pieces: Iterable[bytes], counts: Counts = Counts()) -> tuple[Analysis, Measured]:  # noqa: B008
    decoder, analysis = Decoder(), Analysis(rig_description(3), LAMPS)
    for piece in pieces:
        fed(analysis, decoder.feed(piece))
    return analysis, analysis.measured(counts)


def numbers(m: Measured) -> dict[str, float]:
    """The values that were measured; how often it was fed decides whether the clock's error is one of them."""
    return {name: v.value for name, v in m.values.items() if isinstance(v, Estimate) and name != "clock_error"}


def same(a: Measured, b: Measured) -> bool:
    # Sums over the same samples may round differently with their place in memory.
    return numbers(a) == pytest.approx(numbers(b), rel=1e-9, abs=1e-12) and a.facts == b.facts and a.bench_faults == b.bench_faults


@pytest.mark.parametrize("seed", range(3))
def test_the_cut_of_the_bytes_changes_nothing(seed: int) -> None:
    _, whole = analysed([stream()])
    analysis, pieces = analysed(cut(stream(), seed))
    assert same(pieces, whole)
    assert len(numbers(whole)) > 15
    assert analysis.cycles_complete > 6


def test_asking_in_between_changes_nothing() -> None:
    decoder, analysis = Decoder(), Analysis(rig_description(3), LAMPS)
    for piece in cut(stream(), 9):
        fed(analysis, decoder.feed(piece))
        if len(piece) > 1000:
            analysis.measured()
    _, whole = analysed([stream()])
    assert same(analysis.measured(), whole)


def without(frames: Sequence[bytes], drop: range) -> bytes:
    return b"\x00".join(piece for k, piece in enumerate(frames) if k not in drop)


def test_lost_frames_cost_their_cycles_and_nothing_else() -> None:
    pieces = stream().split(b"\x00")
    analysis, damaged = analysed([without(pieces, range(1300, 1310))])
    _, whole = analysed([stream()])
    assert analysis.losses["samples_lost"] > 1000
    assert analysis.cycles_excluded == 1
    rate, truth = damaged.values["rate_per_min"], whole.values["rate_per_min"]
    assert isinstance(rate, Estimate) and isinstance(truth, Estimate)
    assert rate.n < truth.n
    assert rate.value == pytest.approx(truth.value, abs=3.0 * (rate.u + truth.u))
    assert damaged.facts == whole.facts


def test_doubled_frames_change_nothing() -> None:
    pieces = stream().split(b"\x00")
    doubled = b"\x00".join(piece for piece in pieces for _ in range(2))
    analysis, m = analysed([doubled])
    _, whole = analysed([stream()])
    assert analysis.losses["duplicates"] > 1000
    assert same(m, whole)


def _encoded(frame: SampleFrame | EventFrame) -> bytes:
    return encode_sample_frame(frame) if isinstance(frame, SampleFrame) else encode_event(frame)


def with_another_run(pieces: Sequence[bytes], kind: type[SampleFrame] | type[EventFrame], at: int) -> bytes:
    """The stream with one frame of this kind, the `at`th, that names another run, its check sum right."""
    decoder, found, seen = Decoder(), list(pieces), 0
    for k, piece in enumerate(pieces):
        for frame in decoder.feed(piece + b"\0"):
            if isinstance(frame, kind):
                seen += 1
                if seen == at:
                    found[k] = _encoded(frame._replace(state=frame.state ^ 0x80)).strip(b"\0")
    return b"\0".join(found)


@pytest.mark.parametrize(("kind", "at"), [(EventFrame, 3), (EventFrame, 9), (SampleFrame, 1), (SampleFrame, 2), (SampleFrame, 700)])
def test_one_frame_that_names_another_run_ends_none(kind: type[SampleFrame] | type[EventFrame], at: int) -> None:
    analysis, odd = analysed([with_another_run(stream().split(b"\x00"), kind, at)])
    whole, right = analysed([stream()])
    assert odd.facts == right.facts and odd.bench_faults == right.bench_faults
    if kind is EventFrame:
        assert same(odd, right)
    assert analysis.cycles_complete + analysis.cycles_excluded >= whole.cycles_complete - 1
    assert analysis.losses["frames_out_of_run"] == 1 or at == 1


def test_the_flash_at_hand_and_the_dark_after_it_are_read_as_far_as_they_are_known() -> None:
    """A break or a make shows in the samples some milliseconds before it is told: whoever asks meanwhile gets no mixture of both states."""
    line = Pipeline(ACCURACY, dict.fromkeys(CHANNELS, 0.0), LAMPS, ClockComparison(0.005), 0.005)
    lit_v, lit_a, dark_v, closed = [], [], [], []
    for block in Wave(flashes(5), 3.5).blocks(16):
        line.feed(block)
        now = line.evidence()
        if now.lit_now is not None and now.lit_now.settled_s > 0.15 and now.lit_now.lamp and now.lit_now.steady:
            lit_v.append(now.lit_now.lamp.value)
            lit_a.append(now.lit_now.steady.value)
        if now.applied is not None and now.dark_now is not None and now.dark_now.out is not None:
            dark_v.append(now.dark_now.out.value)
        closed.append(now.closed_now)
    assert len(lit_v) > 100 and len(dark_v) > 100 and closed.count(True) > 100
    assert min(lit_v) > 0.9 * max(lit_v) and min(lit_a) > 0.8 * max(lit_a) and max(dark_v) < 0.5


def test_precise_mode_measures_the_same_unit_alike() -> None:
    _, fast = analysed([stream()])
    _, precise = analysed([stream(mode="PREC")])
    for name in ("rate_per_min", "on_ratio", "drop_v", "steady_a", "start_s"):
        a, b = fast.values[name], precise.values[name]
        assert isinstance(a, Estimate) and isinstance(b, Estimate), name
        assert abs(a.value - b.value) <= 4.0 * (a.u**2 + b.u**2) ** 0.5, name


def test_nothing_yet_is_no_supply_and_no_value() -> None:
    m = Analysis(rig_description(3), LAMPS).measured()
    assert m.facts["behaviour"] == "no supply"
    assert all(isinstance(v, NotMeasured) for v in m.values.values())
