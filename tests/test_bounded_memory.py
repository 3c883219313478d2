"""However long a run lasts, the line keeps no more of it: the peak of memory of a later span of 20 s is that of an earlier one."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator
from itertools import count

import pytest

from bench.analysis import Analysis
from bench.measure import Conditions
from bench.simboard.rig import rig_description
from bench.wire import SAMPLES_PER_FRAME, Decoder, Reply, SampleFrame, encode_sample_frame, pack_samples

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
    assert analysis.losses == {"duplicates": 0, "backwards": 0, "frames_missing": 0, "samples_lost": 0}
    assert (cycles[2] > 80) == (behaviour == "flashing")
    assert peaks[2] - peaks[1] < SLACK_BYTES + CYCLE_BYTES * (cycles[2] - cycles[1])
