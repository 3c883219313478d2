"""Zeroing with the shorting link: what a rig's zeros are, from readings with the unit's place bridged.

Pure. Worth more than a cheap meter: the drop amplifier's common-mode error, 13 mV of 12.8 V as built, is seen whole with the link
fitted and no load closed, since nothing flows and the true drop is 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from bench.description import BoardDescription, Channel, Share
from bench.uncertainty import TypeA

_SUPPLY_LEAST_V = 3.0
_LINK_DROP_V = 0.03  # a link of 0.5 mohm drops 2 mV at 4 A, 8 mV at 15 A


class ZeroError(Exception):
    """The readings can't be the link's. One line: what was read, what it should be, what to do."""


@dataclass(frozen=True, slots=True)
class LinkReadings:
    """Readings by channel with the link fitted: `rest` master off, `off` master on with no load closed, `on` with lamps lit."""

    rest: Mapping[str, TypeA]
    off: Mapping[str, TypeA]
    on: Mapping[str, TypeA]


def zeroed(description: BoardDescription, readings: LinkReadings) -> BoardDescription:
    """The description with the zeros of current and drop put right and their uncertainties made smaller.

    ZeroError if the readings are not those of a shorting link: no supply, no lamps, or a drop that no link has.
    """
    _check(readings)
    channels = dict(description.channels)
    for name, channel in channels.items():
        if name in ("i_load", "i_load_low", "v_drop") and name in readings.rest:
            channels[name] = _with_zero(channel, readings.rest[name])
    if "v_drop" in channels:
        shares = tuple(_with_share(channels["v_drop"], share, readings) for share in channels["v_drop"].common)
        channels["v_drop"] = replace(channels["v_drop"], common=shares)
    return replace(description, channels=channels)


def _with_zero(channel: Channel, rest: TypeA) -> Channel:
    ranges = tuple(replace(r, zero=r.zero + rest.mean / r.scale, u_zero=math.hypot(rest.u, r.u_line)) for r in channel.ranges)
    return replace(channel, ranges=ranges)


def _with_share(channel: Channel, share: Share, readings: LinkReadings) -> Share:
    """The share seen: what the channel reads more with the supply on, over what the other channel reads."""
    other = readings.off.get(share.other)
    seen, rest = readings.off.get(channel.name), readings.rest.get(channel.name)
    if other is None or seen is None or rest is None:
        return share
    part = (seen.mean - rest.mean) / other.mean
    line = channel.ranges[0].u_line
    u = math.sqrt(seen.u**2 + rest.u**2 + line**2) / abs(other.mean)
    return Share(share.other, u, part) if u < share.u else share


def _check(readings: LinkReadings) -> None:
    off, on = readings.off, readings.on
    supply = off["v_in"].mean if "v_in" in off else math.inf
    if supply < _SUPPLY_LEAST_V:
        raise _refused(f"{supply:.2f} V at the input; switch the supply on and try again")
    if "v_out" in off and off["v_out"].mean < 0.9 * supply:
        raise _refused(f"{off['v_out'].mean:.2f} V at the output of {supply:.2f} V; the link is not fitted, fit it and try again")
    name = "i_load_low" if "i_load_low" in on else "i_load"
    if name in on and name in off and on[name].mean - off[name].mean < 0.1:
        raise _refused(f"only {on[name].mean - off[name].mean:.2f} A with the lamps on; a lamp or its plug is off")
    if "v_drop" in on and on["v_drop"].mean - off["v_drop"].mean > _LINK_DROP_V:
        risen_mv = (on["v_drop"].mean - off["v_drop"].mean) * 1000.0
        raise _refused(f"the drop rises by {risen_mv:.0f} mV with the lamps on; clip the sense leads on the terminals themselves")


def _refused(what: str) -> ZeroError:
    return ZeroError(f"zeroing with the shorting link: {what}")
