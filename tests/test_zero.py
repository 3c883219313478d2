"""Zeroing with the shorting link: what it puts right, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.simboard.rig import rig_description
from bench.uncertainty import TypeA
from bench.zero import LinkReadings, ZeroError, zeroed

REST = {"v_in": 0.01, "v_out": 0.01, "v_drop": 0.0012, "i_load": -0.11, "i_load_low": 0.021}
OFF = {**REST, "v_in": 12.9, "v_out": 12.9, "v_drop": 0.0012 - 0.012}
ON = {**OFF, "v_in": 12.85, "v_out": 12.84, "v_drop": OFF["v_drop"] + 0.002, "i_load": 3.49, "i_load_low": 3.61}


def readings(rest: dict[str, float] = REST, off: dict[str, float] = OFF, on: dict[str, float] = ON) -> LinkReadings:
    def of(values: dict[str, float]) -> dict[str, TypeA]:
        return {name: TypeA(value, 0.001, 4000) for name, value in values.items()}

    return LinkReadings(of(rest), of(off), of(on))


def test_zeros_and_the_common_mode_share_are_put_right() -> None:
    before = rig_description(1)
    after = zeroed(before, readings())
    drop, raw = after.channels["v_drop"], before.channels["v_drop"]
    assert drop.ranges[0].zero == pytest.approx(raw.ranges[0].zero + 0.0012 / 0.001)
    share = drop.common[0]
    assert share.part == pytest.approx(-0.012 / 12.9)
    # 13.5 mV of common-mode error at 12.8 V become less than 1 mV.
    assert raw.common[0].u * 12.8 == pytest.approx(0.0134, abs=2e-4)
    assert share.u * 12.8 < 1e-3
    low = after.channels["i_load_low"].ranges[0]
    assert (0.0 - low.zero) * low.scale == pytest.approx((0.0 - before.channels["i_load_low"].ranges[0].zero) * low.scale - 0.021)
    assert low.u_zero < before.channels["i_load_low"].ranges[0].u_zero
    assert after.channels["v_in"] == before.channels["v_in"]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"off": {**OFF, "v_in": 0.2, "v_out": 0.2}}, "switch the supply on"),
        ({"off": {**OFF, "v_out": 0.1}}, "the link is not fitted"),
        ({"on": {**ON, "i_load_low": 0.03}}, "a lamp or its plug is off"),
        ({"on": {**ON, "v_drop": 0.31}}, "clip the sense leads on the terminals"),
    ],
)
def test_readings_that_are_not_the_links_are_refused(changed: dict[str, dict[str, float]], says: str) -> None:
    with pytest.raises(ZeroError, match=says):
        zeroed(rig_description(1), readings(**changed))


def test_a_share_that_the_link_does_not_show_better_stays() -> None:
    description = rig_description(1)
    drop = description.channels["v_drop"]
    known = replace(drop, common=(drop.common[0]._replace(u=1e-6),))
    good = replace(description, channels={**description.channels, "v_drop": known})
    assert zeroed(good, readings()).channels["v_drop"].common == known.common
