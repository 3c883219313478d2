"""The line and the plain script, whose speeds `reports/speed.py` compares, find the same: values only, nothing is timed here."""

from __future__ import annotations

import pytest

from reports import plain_script, speed


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_both_ways_find_the_same(seed: int) -> None:
    capture = speed.captured(16.0, seed=seed)
    ours = speed.measured(capture.description, speed.decoded(capture.reads))
    plain, facts = plain_script.measure(plain_script.decode(capture.reads))
    compared = speed.agreements(ours, plain)
    assert len(compared) >= 28
    assert [row.name for row in compared if not row.holds] == []
    assert facts == ours.facts


def test_a_value_that_is_off_is_noticed() -> None:
    capture = speed.captured(16.0)
    ours = speed.measured(capture.description, speed.decoded(capture.reads))
    plain, _ = plain_script.measure(plain_script.decode(capture.reads))
    plain["start_s"] = (plain["start_s"][0] + 1e-3, plain["start_s"][1])
    assert [row.name for row in speed.agreements(ours, plain) if not row.holds] == ["start_s"]
    del plain["drop_v"]
    with pytest.raises(ValueError, match="drop_v"):
        speed.agreements(ours, plain)


def test_a_live_stream_is_judged_as_it_comes() -> None:
    capture = speed.captured(16.0)
    limits = speed.limits()
    assert speed.watched(capture, limits) == pytest.approx(4 * 16 * sum(len(one.requirements) for one in limits), rel=0.03)
