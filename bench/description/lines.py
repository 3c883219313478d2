"""A description as its lines, and their check."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bench.description.contents import BoardDescription
from bench.wire.frames import crc16
from bench.wire.text import format_number

PROTOCOL_VERSION = 1


def description_lines(d: BoardDescription) -> tuple[str, ...]:
    """Return the lines of a description, in the order of PROTOCOL.md section 8; without the channels that this program can't read."""
    return tuple(",".join(x if isinstance(x, str) else format_number(x) for x in fields) for fields in _fields(d))


def _fields(d: BoardDescription) -> Iterator[tuple[str | float, ...]]:
    yield "board", PROTOCOL_VERSION, d.model, d.serial
    if d.calibrated:
        yield "calibrated", d.calibrated
    yield "clock", d.clock_hz, d.clock_half_width
    for m in d.modes.values():
        yield "mode", m.name, m.ticks_per_sample, m.slots, m.bits
    for c in d.channels.values():
        yield "channel", c.name, c.unit, c.slot, c.first, c.every, c.delay_s
    for c in d.channels.values():
        for r in c.ranges:
            yield "range", c.name, r.number, r.zero, r.scale, r.low, r.high, r.u_scale, r.u_zero, r.u_line, r.noise
    for c in d.channels.values():
        for share in c.common:
            yield "common", c.name, share.other, share.u
    for c in d.channels.values():
        if c.curve is not None:
            yield "curve", c.name, "NTC", c.curve.series_ohm, c.curve.r25_ohm, c.curve.b_k
    for check in d.checks:
        yield "check", check.channel, check.expected, check.u
    if d.loop is not None:
        yield "loop", d.loop.ohm, d.loop.u_ohm
    for load in d.loads.values():
        yield "load", load.number, load.kind, load.nominal
    for limit in d.limits.values():
        yield "limit", limit.name, limit.low, limit.high, limit.default


def description_crc(lines: Iterable[str]) -> int:
    """Return the answer to `SYSTem:BOARd:CHECk?` for these lines."""
    return crc16("".join(line + "\n" for line in lines).encode("ascii", "replace"))
