"""However long a run lasts, the line keeps no more of it: the peak of memory of a later span of 20 s is that of an earlier one. And
whatever stamps come, it stays small."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator, Sequence
from itertools import count, islice

import pytest

from bench.analysis import Analysis
from bench.description import NEEDED, description_lines, parse_description
from bench.envelope import Envelope
from bench.measure import Conditions
from bench.samples import Block
from bench.simboard.rig import rig_description
from bench.transitions import Change
from bench.wire import SAMPLES_PER_FRAME, STAMP_MODULUS, Decoder, Reply, SampleFrame, encode_sample_frame, pack_samples

FRAME_S = SAMPLES_PER_FRAME * 26e-6
SPAN = round(20.0 / FRAME_S)
REST = round(1.0 / FRAME_S)
HALF_PERIOD = round(0.34 / FRAME_S)
READ = 10  # frames
SLACK_BYTES = 20_000
CYCLE_BYTES = 4_000  # at most, of each cycle kept; the newest 5000 are

# Counts of the five slots: input, output, drop, current, current (narrow range) or pilot.
OPEN, DARK, LIT, BETWEEN = (0, 0, 64, 64, 64), (700, 0, 1023, 64, 64), (700, 690, 250, 108, 500), (700, 350, 1023, 66, 80)


def body_of(counts: tuple[int, ...], rng: random.Random) -> bytes:
    noisy = [min(max(counts[n % 5] + rng.choice((-1, 0, 0, 1)), 0), 1023) for n in range(SAMPLES_PER_FRAME)]
    return pack_samples(noisy)


def stream(behaviour: str) -> Iterator[bytes]:
    """Reads without end: a second without supply, then what the unit does for ever."""
    rng = random.Random(1)
    bodies = {counts: [body_of(counts, rng) for _ in range(16)] for counts in (OPEN, DARK, LIT, BETWEEN)}
    steady = {"welded": LIT, "dark": DARK, "leaking": BETWEEN, "no supply": OPEN}
    for first in count(step=READ):
        read = b""
        for number in range(first, first + READ):
            counts = steady.get(behaviour, DARK if number // HALF_PERIOD % 2 else LIT) if number >= REST else OPEN
            frame = SampleFrame(number % 256, number * SAMPLES_PER_FRAME, 3, 0x65, 0, 0, rng.choice(bodies[counts]))
            read += encode_sample_frame(frame)
        yield read


@pytest.mark.parametrize("behaviour", ["welded", "dark", "leaking", "no supply", "flashing"])
def test_memory_stays_as_it_is(behaviour: str) -> None:
    decoder, analysis = Decoder(), Analysis(rig_description(1), Conditions(12.0, (21.0, 21.0)))
    reads, now_s = stream(behaviour), 0.0
    peaks, cycles = [], []
    tracemalloc.start()
    try:
        for _span in range(3):
            tracemalloc.reset_peak()
            for number in range(SPAN // READ):
                now_s += READ * FRAME_S
                analysis.feed([p for p in decoder.feed(next(reads)) if not isinstance(p, Reply)], now_s)
                if number % 100 == 0:
                    analysis.measured()
            peaks.append(tracemalloc.get_traced_memory()[1])
            cycles.append(analysis.cycles_complete)
    finally:
        tracemalloc.stop()
    assert analysis.losses == {"duplicates": 0, "backwards": 0, "frames_missing": 0, "samples_lost": 0, "frames_out_of_run": 0}
    assert (cycles[2] > 80) == (behaviour == "flashing")
    assert peaks[2] - peaks[1] < SLACK_BYTES + CYCLE_BYTES * (cycles[2] - cycles[1])


HOSTILE_BYTES = 20_000_000
QUICKEST = (
    "board,1,quick,1", "clock,10000000,0.005", "mode,FAST,100,1,12", "mode,PREC,100,1,12",
    "channel,v_in,V,0,0,2,0", "channel,v_out,V,0,1,2,0", "channel,i_load,A,0,3,4,0",
    *(f"range,{name},0,0,0.01,0,40,0,0,0,0" for name in NEEDED),
)  # fmt: skip
"""As many samples a second as a description may have."""


def hostile(how: str, rng: random.Random) -> Iterator[SampleFrame]:
    """Frames without end whose stamps are no honest board's."""
    stamp, bodies = 0, [body_of(counts, rng) for counts in (OPEN, DARK, LIT, BETWEEN)]
    for number in count():
        stamp += {"one jump": (number == 50) * (2**31 - 200), "jumps": 2**31 - 200, "gaps": rng.randint(0, 5) * 160}.get(how, 0)
        stamp = rng.getrandbits(32) if how == "random" else stamp
        state = 0x61 | (rng.getrandbits(3) << 2 if how == "ranges and modes" else 0)
        yield SampleFrame(number % 256, stamp % STAMP_MODULUS, 3, state, 0, 0, bodies[number // 40 % 4])
        stamp += SAMPLES_PER_FRAME


@pytest.mark.parametrize("how", ["one jump", "jumps", "gaps", "random", "ranges and modes"])
@pytest.mark.parametrize("lines", [description_lines(rig_description(1)), QUICKEST], ids=["rig", "quickest"])
def test_no_sequence_of_stamps_costs_much_memory(lines: tuple[str, ...], how: str) -> None:
    envelope = Envelope()

    def draw(block: Block, changes: Sequence[Change]) -> None:
        envelope.feed(block)

    analysis = Analysis(parse_description(lines), Conditions(12.0, (21.0, 21.0)), observer=draw)
    tracemalloc.start()
    try:
        for number, frame in enumerate(islice(hostile(how, random.Random(1)), 200)):
            analysis.feed([frame], number * FRAME_S)
            if number % READ == 0:
                analysis.catch_up()
        analysis.measured()
        assert tracemalloc.get_traced_memory()[1] < HOSTILE_BYTES
    finally:
        tracemalloc.stop()
