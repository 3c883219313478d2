"""Zeroing with the shorting link and the built-in standard: what a rig's zeros and its converter are, without any meter.

Worth more than a cheap meter: the drop amplifier's common-mode error, 13 mV of 12.8 V as built, is seen whole with the link fitted
and no load closed, since nothing flows and the true drop is 0. The standard, and the channels that then read nothing but their zero, show
the converter's own errors of scale and zero, which all channels share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from bench.description import BoardDescription, Channel, ChannelName, CommonModeError, Range
from bench.errors import ZeroError
from bench.uncertainty import TypeA, combine, rectangular

KNOWN_ZERO: tuple[str, ...] = (ChannelName.I_LOAD, ChannelName.I_LOAD_LOW, ChannelName.V_DROP)
"""Channels that read 0 with the master switch off, whatever is in the socket."""
_SUPPLY_LEAST_V = 3.0  # half of the lowest system voltage: with less the supply is off
_LINK_DROP_V = 0.03  # a link of 0.5 mohm drops 2 mV at 4 A, 8 mV at 15 A
_ZERO_DRIFT = 0.25  # counts, half-width, until zeroing is repeated: 3.5 uV/K of the drop's op amp, 0.25 uV/K of the current's, over 5 K
_DRIFT = 0.05  # of a share as built may come back until zeroing is repeated: 0.1 % parts of 10 ppm/K over 5 K (data sheets)


@dataclass(frozen=True, slots=True)
class LinkReadings:
    """Readings by channel with the link fitted: `rest` master off, `off` master on with no load closed, `on` with lamps lit."""

    rest: Mapping[str, TypeA]
    off: Mapping[str, TypeA]
    on: Mapping[str, TypeA]


@dataclass(frozen=True, slots=True)
class Converter:
    """What is known of the converter's own errors: relative error of its scale, and of its zero in counts, with their covariance.

    `scale_variance` relative, `zero_variance` in counts squared.
    """

    scale: float
    zero: float
    scale_variance: float
    zero_variance: float
    covariance: float = 0.0

    def updated_with(self, of_scale: float, of_zero: float, seen: float, u: float) -> Converter:
        """Return what is known after `of_scale` x scale + `of_zero` x zero was seen to be `seen` within u (least squares, one reading
        more)."""
        gain_scale = of_scale * self.scale_variance + of_zero * self.covariance
        gain_zero = of_scale * self.covariance + of_zero * self.zero_variance
        variance = of_scale * gain_scale + of_zero * gain_zero + u * u
        if variance == 0.0:
            return self
        off = (seen - of_scale * self.scale - of_zero * self.zero) / variance
        return Converter(
            self.scale + gain_scale * off,
            self.zero + gain_zero * off,
            self.scale_variance - gain_scale * gain_scale / variance,
            self.zero_variance - gain_zero * gain_zero / variance,
            self.covariance - gain_scale * gain_zero / variance,
        )


def apply_zero(description: BoardDescription, readings: LinkReadings, seen: Converter | None = None) -> BoardDescription:
    """Return the description with zeros and scales put right, as far as link and standard show them, and their uncertainties made smaller.

    `description` must be as the board gave it, and the readings made with it: the standard's error may be taken off once only.
    `seen`: the converter, where more is known of it than these readings tell.
    ZeroError if the readings are not those of a shorting link: no supply, no lamps, or a drop that no link has.
    """
    _check(readings)
    stated = converter_stated(description)
    seen = seen or converter_seen(description, readings.rest)
    channels = dict(description.channels)
    for name, channel in description.channels.items():
        shares = tuple(_with_share(channel, share, readings) for share in channel.common)
        ranges = channel.ranges
        if stated is not None and seen is not None and channel.curve is None:
            ranges = tuple(_with_converter(r, stated, seen) for r in ranges)
        if name in KNOWN_ZERO and name in readings.rest:
            rest = readings.rest[name]
            ranges = tuple(_with_zero(r, was, rest) for r, was in zip(ranges, channel.ranges, strict=True))
        channels[name] = replace(channel, ranges=ranges, common=shares)
    return replace(description, channels=channels)


def converter_stated(description: BoardDescription) -> Converter | None:
    """Return the converter before anything was read: its errors are those of the standard's channel, which has no amplifier of its own.

    None without a standard, and on a calibrated board, whose scales have taken the converter's errors in.
    """
    if not description.checks or description.calibrated:
        return None
    r = description.channels[description.checks[0].channel].ranges[0]
    return Converter(0.0, 0.0, r.u_scale**2, (r.u_zero / r.scale) ** 2)


def converter_seen(description: BoardDescription, rest: Mapping[str, TypeA]) -> Converter | None:
    """Return the converter by its standard and by the zeros of currents and drop, all with the master switch off; None as above."""
    known = converter_stated(description)
    if known is None:
        return None
    u_zero = math.sqrt(known.zero_variance)
    for check in description.checks[:1]:
        if check.channel in rest:
            r, reading = description.channels[check.channel].ranges[0], rest[check.channel]
            u = combine(check.u, r.u_line, reading.u)
            known = known.updated_with(check.expected, r.scale, reading.mean - check.expected, u)
    for name in KNOWN_ZERO:
        if name in rest and name in description.channels:
            r, reading = description.channels[name].ranges[0], rest[name]
            u = combine(_less(r.u_zero, u_zero * r.scale), r.u_line, reading.u)
            known = known.updated_with(0.0, r.scale, reading.mean, u)
    return known


def updated_by_range(known: Converter, stated: Range, found: Range, u_zero: float) -> Converter:
    """Return what a range that was calibrated tells of the converter's zero. `u_zero`: of the converter as stated, in counts."""
    u = combine(_less(stated.u_zero / stated.scale, u_zero), found.u_zero / found.scale)
    return known.updated_with(0.0, 1.0, found.zero - stated.zero, u)


def _with_converter(r: Range, stated: Converter, seen: Converter) -> Range:
    """Return the range without the converter's errors, as far as they were seen."""
    scale = r.scale / (1.0 + seen.scale)
    u_scale = combine(_less(r.u_scale, math.sqrt(stated.scale_variance)), math.sqrt(seen.scale_variance))
    u_zero = combine(_less(r.u_zero, math.sqrt(stated.zero_variance) * r.scale), math.sqrt(seen.zero_variance) * r.scale)
    return replace(shift_range(r, r.zero + seen.zero, scale), u_scale=min(u_scale, r.u_scale), u_zero=min(u_zero, r.u_zero))


def _with_zero(r: Range, was: Range, rest: TypeA) -> Range:
    """Return the range with the zero that was read by the range it was."""
    u_zero = combine(rest.u, r.u_line, rectangular(_ZERO_DRIFT) * r.scale)
    return replace(shift_range(r, was.zero + rest.mean / was.scale, r.scale), u_zero=u_zero)


def shift_range(r: Range, zero: float, scale: float) -> Range:
    """Return another zero and scale; what is clipped stays clipped, since that is a matter of counts."""
    low, high = ((limit / r.scale + r.zero - zero) * scale for limit in (r.low, r.high))
    return replace(r, zero=zero, scale=scale, low=low, high=high)


def _less(u: float, part: float) -> float:
    """Return sqrt(u^2 - part^2), at least 0: u without a part of it that is independent of the rest."""
    return math.sqrt(max(u * u - part * part, 0.0))


def _with_share(channel: Channel, share: CommonModeError, readings: LinkReadings) -> CommonModeError:
    """Return the share seen: what the channel reads more with the supply on, over what the other channel reads."""
    other = readings.off.get(share.other)
    seen, rest = readings.off.get(channel.name), readings.rest.get(channel.name)
    if other is None or not other.mean or seen is None or rest is None or channel.name not in KNOWN_ZERO:
        return share
    part = (seen.mean - rest.mean) / other.mean
    u = combine(combine(seen.u, rest.u, channel.ranges[0].u_line) / abs(other.mean), _DRIFT * share.u)
    return CommonModeError(share.other, u, part) if u < share.u else share


def _check(readings: LinkReadings) -> None:
    off, on = readings.off, readings.on
    supply = off[ChannelName.V_IN].mean if ChannelName.V_IN in off else math.inf
    if supply < _SUPPLY_LEAST_V:
        raise _refused(f"{supply:.2f} V at the input; switch the supply on and try again")
    if ChannelName.V_IN in off and ChannelName.V_OUT in off and off[ChannelName.V_OUT].mean < 0.9 * supply:
        raise _refused(f"{off[ChannelName.V_OUT].mean:.2f} V at the output of {supply:.2f} V; the link is not fitted, fit it and try again")
    name = ChannelName.I_LOAD_LOW if ChannelName.I_LOAD_LOW in on else ChannelName.I_LOAD
    if name in on and name in off and on[name].mean - off[name].mean < 0.1:
        raise _refused(f"only {on[name].mean - off[name].mean:.2f} A with the lamps on; a lamp or its plug is off")
    if ChannelName.V_DROP in on and on[ChannelName.V_DROP].mean - off[ChannelName.V_DROP].mean > _LINK_DROP_V:
        risen_mv = (on[ChannelName.V_DROP].mean - off[ChannelName.V_DROP].mean) * 1000.0
        raise _refused(f"the drop rises by {risen_mv:.0f} mV with the lamps on; clip the sense leads on the terminals themselves")


def _refused(what: str) -> ZeroError:
    return ZeroError(f"zeroing with the shorting link: {what}")
