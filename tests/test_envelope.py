"""Bins of least and greatest values: by hand, against a plain loop, and the same however the stream is cut."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.envelope import BIN_S, Bins, Envelope, extremes
from bench.samples import Block, Trace


def block(begin_s: float, end_s: float, gap: bool = False, **channels: Sequence[tuple[float, float]]) -> Block:
    traces = {
        name: Trace(np.array([t for t, _ in some], dtype=np.float64), np.array([v for _, v in some], dtype=np.float64))
        for name, some in channels.items()
    }
    return Block(begin_s, end_s, traces, gap)


def together(pieces: Sequence[Bins | None]) -> dict[int, dict[str, tuple[float, float]]]:
    """Bin number to channel to extent; a bin twice would be a fault."""
    found: dict[int, dict[str, tuple[float, float]]] = {}
    for bins in pieces:
        for i in range(len(bins) if bins is not None else 0):
            assert bins is not None
            assert bins.first + i not in found
            found[bins.first + i] = {name: (float(bins.low[name][i]), float(bins.high[name][i])) for name in bins.low}
    return found


def test_a_block_by_hand() -> None:
    bins = Envelope(0.01).feed(block(0.0, 0.03, v_out=[(0.001, 1.0), (0.009, 5.0), (0.01, -2.0), (0.0299, 7.0)]))
    assert bins is not None
    assert (bins.first, bins.bin_s, len(bins)) == (0, 0.01, 3)
    assert bins.low["v_out"].tolist() == [1.0, -2.0, 7.0]
    assert bins.high["v_out"].tolist() == [5.0, -2.0, 7.0]


def test_a_bin_waits_until_it_is_whole() -> None:
    envelope = Envelope(0.01)
    assert envelope.feed(block(0.0, 0.005, v_out=[(0.001, 1.0)])) is None
    bins = envelope.feed(block(0.005, 0.012, v_out=[(0.006, 3.0), (0.011, 9.0)]))
    assert bins is not None
    assert (bins.low["v_out"].tolist(), bins.high["v_out"].tolist()) == ([1.0], [3.0])


def test_bins_inside_a_gap_are_there_and_empty() -> None:
    envelope = Envelope(0.01)
    first = envelope.feed(block(0.0, 0.015, v_out=[(0.001, 1.0), (0.012, 2.0)]))
    second = envelope.feed(block(0.041, 0.05, True, v_out=[(0.042, 4.0)]))
    assert first is not None and second is not None
    assert (first.first, len(first), second.first, len(second)) == (0, 1, 1, 4)
    low = second.low["v_out"].tolist()
    assert [low[0], low[3]] == [2.0, 4.0]
    assert all(math.isnan(x) for x in low[1:3])


def test_a_long_gap_costs_no_bins() -> None:
    """A stamp that jumps by half its range is 15 hours ahead."""
    envelope = Envelope(0.01)
    envelope.feed(block(0.0, 0.015, v_out=[(0.001, 1.0), (0.012, 2.0)]))
    later = envelope.feed(block(55834.0, 55834.025, True, v_out=[(55834.001, 4.0), (55834.012, 5.0)]))
    assert later is not None
    assert (later.first, later.low["v_out"].tolist()) == (5583400, [4.0, 5.0])


def test_the_first_block_may_begin_anywhere_and_channels_may_be_sparse() -> None:
    bins = Envelope(0.01).feed(block(1.234, 1.26, v_out=[(1.24, 1.0), (1.251, 2.0)], temperature=[(1.255, 21.0)]))
    assert bins is not None
    assert (bins.first, len(bins)) == (123, 3)
    assert math.isnan(bins.low["v_out"][0])
    assert [math.isnan(x) for x in bins.high["temperature"]] == [True, True, False]


def test_no_bins_of_an_empty_stream() -> None:
    assert Envelope().feed(Block(0.0, 0.001, {})) is None
    assert len(Bins(0, BIN_S, {}, {})) == 0


@pytest.mark.parametrize("frames", [25, 50, 100, 4175, 6400])
def test_a_bin_is_not_closed_by_rounding(frames: int) -> None:
    """So many frames of 160 samples of 26 us end just before a bin's edge, but divided by the bin's length they give a whole number."""
    end_s = frames * 160 * 26e-6
    assert math.floor(end_s / BIN_S) * BIN_S > end_s, "not the case that this is about"
    envelope = Envelope()
    pieces = [
        envelope.feed(block(0.0, end_s, v_out=[(0.0, 0.0)])),
        envelope.feed(block(end_s, end_s + 0.01, v_out=[(end_s, 1.0)])),
    ]
    assert 1.0 in {extent["v_out"][1] for extent in together(pieces).values()}


@given(
    gaps_us=st.lists(st.integers(20, 30_000), min_size=2, max_size=120),
    values=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(0, 120), max_size=12),
)
def test_the_cut_of_the_stream_does_not_matter(gaps_us: list[int], values: int, cuts: list[int]) -> None:
    t_s = np.cumsum(np.array(gaps_us)) * 1e-6
    v = np.random.default_rng(values).normal(size=len(t_s))
    edges = sorted({0, len(t_s), *(min(cut, len(t_s)) for cut in cuts)})
    bounds = [0.0, *(float(t_s[edge]) if edge < len(t_s) else float(t_s[-1]) + 0.02 for edge in edges[1:])]
    envelope = Envelope()
    pieces = [
        envelope.feed(Block(bounds[i], bounds[i + 1], {"v_out": Trace(t_s[a:b], v[a:b])})) for i, (a, b) in enumerate(pairwise(edges))
    ]
    whole = Envelope().feed(Block(0.0, bounds[-1], {"v_out": Trace(t_s, v)}))
    assert repr(together(pieces)) == repr(together([whole]))
    for number, extent in together([whole]).items():
        inside = [float(x) for t, x in zip(t_s, v, strict=True) if number * BIN_S <= t < (number + 1) * BIN_S]
        wanted = (min(inside), max(inside)) if inside else (math.nan, math.nan)
        assert extent["v_out"] == pytest.approx(wanted, abs=0.0, nan_ok=True)


def test_extremes_count_each_sample_once_from_its_edge_on() -> None:
    trace = Trace(np.array([0.0, 1.0, 2.0, 3.0]), np.array([4.0, 1.0, 2.0, 8.0]))
    low, high = extremes(trace, np.array([1.0, 2.0, 2.0, 5.0, 9.0]))
    assert low[[0, 2]].tolist() == [1.0, 2.0]
    assert high[[0, 2]].tolist() == [1.0, 8.0]
    assert np.isnan(low[[1, 3]]).all()
    assert all(np.isnan(part).all() for part in extremes(Trace(np.empty(0), np.empty(0)), np.array([0.0, 1.0])))
