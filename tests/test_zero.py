"""Zeroing with the shorting link: what it puts right, and what it refuses."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from bench.errors import ZeroError
from bench.simboard.hidden import draw_hidden
from bench.simboard.rig import rig_description
from bench.uncertainty import TypeA
from bench.zero import Converter, LinkReadings, apply_zero, converter_seen, converter_stated

REST = {"v_in": 0.01, "v_out": 0.01, "v_drop": 0.0012, "i_load": -0.11, "i_load_low": 0.021}
OFF = {**REST, "v_in": 12.9, "v_out": 12.9, "v_drop": 0.0012 - 0.012}
ON = {**OFF, "v_in": 12.85, "v_out": 12.84, "v_drop": OFF["v_drop"] + 0.002, "i_load": 3.49, "i_load_low": 3.61}


def readings(rest: dict[str, float] = REST, off: dict[str, float] = OFF, on: dict[str, float] = ON) -> LinkReadings:
    def of(values: dict[str, float]) -> dict[str, TypeA]:
        return {name: TypeA(value, 0.001, 4000) for name, value in values.items()}

    return LinkReadings(of(rest), of(off), of(on))


def test_zeros_and_the_common_mode_share_are_put_right() -> None:
    before = rig_description(1)
    after = apply_zero(before, readings())
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
    for name, channel in after.channels.items():
        for r, was in zip(channel.ranges, before.channels[name].ranges, strict=True):
            assert r.u_scale <= was.u_scale and r.u_zero <= was.u_zero and r.u_line == was.u_line, name


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
        apply_zero(rig_description(1), readings(**changed))


def test_a_share_that_the_link_does_not_show_better_stays() -> None:
    description = rig_description(1)
    drop = description.channels["v_drop"]
    known = replace(drop, common=(drop.common[0]._replace(u=1e-6),))
    good = replace(description, channels={**description.channels, "v_drop": known})
    assert apply_zero(good, readings()).channels["v_drop"].common == known.common


# --- the converter by the built-in standard


def test_one_reading_more_by_hand() -> None:
    """Scale known to 3, zero to 0: a reading of the scale alone within 4 weighs 9/25; a zero that is known is not moved."""
    known = Converter(0.0, 0.0, 9.0, 0.0).updated_with(1.0, 1.0, 5.0, 4.0)
    assert known.scale == pytest.approx(5.0 * 9.0 / 25.0)
    assert known.scale_variance == pytest.approx(9.0 * 16.0 / 25.0)
    assert (known.zero, known.zero_variance, known.covariance) == (0.0, 0.0, 0.0)


def test_readings_may_come_in_any_order_and_are_least_squares() -> None:
    """Against numpy: the same as one least-squares solution with what was known before as two readings more."""
    told = [(3.84, 0.004, 0.006, 0.002), (0.0, 0.08, -0.11, 0.07), (0.0, 0.008, 0.02, 0.02)]
    start = Converter(0.0, 0.0, 1e-6, 1.0)
    one = two = start
    for row in told:
        one = one.updated_with(*row)
    for row in reversed(told):
        two = two.updated_with(*row)
    design = np.array([[1e3, 0.0], [0.0, 1.0], *([a / u, b / u] for a, b, _, u in told)])
    target = np.array([0.0, 0.0, *(seen / u for *_, seen, u in told)])
    solution, *_ = np.linalg.lstsq(design, target, rcond=None)
    covariance = np.linalg.inv(design.T @ design)
    for known in (one, two):
        assert known.scale == pytest.approx(solution[0])
        assert known.zero == pytest.approx(solution[1])
        assert known.scale_variance == pytest.approx(covariance[0, 0])
        assert known.zero_variance == pytest.approx(covariance[1, 1])
        assert known.covariance == pytest.approx(covariance[0, 1])


def test_a_converter_that_reads_high_is_put_right_in_every_channel() -> None:
    before = rig_description(1)
    check = before.checks[0]
    rest = {name: value for name, value in REST.items()} | {"i_load": 0.0, "i_load_low": 0.0, "v_drop": 0.0}
    after = apply_zero(before, readings(rest={**rest, check.channel: check.expected * 1.002}))
    for name in ("v_in", "v_out", "i_load_low", "v_drop", "v_pilot"):
        assert after.channels[name].ranges[0].scale < before.channels[name].ranges[0].scale * 0.9995, name
    standard, old = after.channels[check.channel].ranges[0], before.channels[check.channel].ranges[0]
    count = old.zero + check.expected * 1.002 / old.scale
    assert abs((count - standard.zero) * standard.scale - check.expected) < 0.2 * 0.002 * check.expected, "what is left may be linearity"
    assert after.channels["temperature"] == before.channels["temperature"]
    volts, was = after.channels["v_in"].range(1), before.channels["v_in"].range(1)
    assert volts.u_at(12.8) < 0.8 * was.u_at(12.8)
    top = (1022.6 - volts.zero) * volts.scale
    assert top > volts.high, "what is clipped stays clipped"


def test_a_calibrated_board_and_one_without_a_standard_keep_their_scales() -> None:
    board = rig_description(1)
    with_standard = readings(rest={**REST, "self_check": 3.85})
    for one in (replace(board, calibrated=20260101), replace(board, checks=())):
        assert converter_stated(one) is None and converter_seen(one, with_standard.rest) is None
        assert apply_zero(one, with_standard).channels["v_in"] == one.channels["v_in"]


def test_what_zeroing_states_holds_what_is_hidden() -> None:
    """A thousand rigs drawn from the description: scale and zero of the voltages after zeroing, within twice the stated u in 95 of 100."""
    board = rig_description(1)
    check = board.checks[0]
    held: Counter[str] = Counter()
    for seed in range(1000):
        hidden = draw_hidden(board, np.random.default_rng(seed))

        def read(name: str, true: float, hidden: object = hidden) -> TypeA:
            errors, r = hidden.ranges[name, board.channels[name].ranges[0].number], board.channels[name].ranges[0]  # type: ignore[attr-defined]
            count = min(max(round(r.zero + true / r.scale), 0), 1023)
            return TypeA(true * (1.0 + errors.gain) + errors.zero + errors.line[count], r.noise, 1000)

        rest = {name: read(name, 0.0) for name in ("i_load", "i_load_low", "v_drop")}
        rest[check.channel] = read(check.channel, hidden.checks[check.channel])
        found = apply_zero(board, replace(readings(), rest=rest))
        r, errors = found.channels["v_in"].range(1), hidden.ranges["v_in", 1]
        was = board.channels["v_in"].range(1)
        held["scale"] += abs(r.scale * (1.0 + errors.gain) / was.scale - 1.0) <= 1.96 * r.u_scale
        held["zero"] += abs((was.zero + errors.zero / was.scale - r.zero) * r.scale) <= 1.96 * r.u_zero
        count = was.zero + (12.8 * (1.0 + errors.gain) + errors.zero) / was.scale
        error = (count + errors.line[round(count)] / was.scale - r.zero) * r.scale - 12.8
        held["12.8 V"] += abs(error) <= 1.96 * math.hypot(r.u_scale * 12.8, r.u_zero, r.u_line)
    # 950 expected; 6.9 is the standard deviation of such a count.
    assert all(930 <= held[name] <= 990 for name in held), held
