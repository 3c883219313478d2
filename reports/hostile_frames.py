"""Boards whose frames are wrong: headers, stamps, counts, and the clock behind them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeAlias

import numpy as np

from bench.wire import SAMPLES_PER_FRAME, STAMP_MODULUS, Frame, SampleFrame, pack_samples, unpack_samples
from reports.hostile_port import HostileLine, Mischief, Up

Rng: TypeAlias = random.Random
Maker: TypeAlias = Callable[[Rng], Mischief]
"""Draws a board's mischief, with its numbers and moments; its text says which."""

MASTER, TRIPPED, RANGE, PRECISE, SAMPLING, RUN = 1, 2, 12, 16, 32, 192
"""Bits of the state in a header (PROTOCOL.md section 3)."""
SLOTS = ("v_in", "v_out", "v_drop", "i_load", "the rest")
_LARGEST_COUNT = 4095
_TWO = 2 * SAMPLES_PER_FRAME


def moment(rng: Rng) -> float:
    """When it begins: at once, or in the midst of the test."""
    return rng.choice((0.0, rng.uniform(0.3, 8.0), rng.uniform(0.3, 8.0)))


# --- frames


def _headers(rng: Rng, what: str, change: Callable[[Frame], Frame], *, own: bool = False) -> Mischief:
    """Headers of all frames changed, from some moment on, in all of them or in some."""
    begin_s, part = moment(rng), rng.choice((1.0, 1.0, 0.3, 0.01))

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        return (change(of) if line.now_s >= begin_s and rng.random() < part else of,)

    return Mischief(f"{what}, from {begin_s:.1f} s, in {part:g} of the frames", frame=frame, own_sequence=own)


def state_bits(rng: Rng, what: str, mask: int, values: Iterable[int] = ()) -> Mischief:
    """Bits of the state changed: turned over, or one of these in their place."""
    chosen = rng.choice((None, *values))
    if chosen is None:
        return _headers(rng, f"{what} turned over", lambda f: f._replace(state=f.state ^ mask))
    return _headers(rng, f"{what} {chosen:#x}", lambda f: f._replace(state=f.state & ~mask | chosen))


def _loads(rng: Rng) -> Mischief:
    byte = rng.choice((0, 255, 1, 2, rng.randrange(256)))
    if rng.random() < 0.5:
        return _headers(rng, f"loads {byte:#x}", lambda f: f._replace(loads=byte))
    return _headers(rng, f"loads changed by {byte:#x}", lambda f: f._replace(loads=f.loads ^ byte))


def _run_number(rng: Rng) -> Mischief:
    how = rng.choice(("3 for ever", "any", "one more", "one less"))
    change: Mapping[str, Callable[[Frame], int]] = {
        "3 for ever": lambda f: 3, "any": lambda f: rng.randrange(4), "one more": lambda f: f.run + 1, "one less": lambda f: f.run - 1,
    }  # fmt: skip
    return _headers(rng, f"run number {how}", lambda f: f._replace(state=f.state & ~RUN | (change[how](f) & 3) << 6))


def _sequence(rng: Rng) -> Mischief:
    how = rng.choice(("0 for ever", "any", "backwards", "by two"))
    change: Mapping[str, Callable[[Frame], int]] = {
        "0 for ever": lambda f: 0, "any": lambda f: rng.randrange(256), "backwards": lambda f: -f.sequence,
        "by two": lambda f: 2 * f.sequence,
    }  # fmt: skip
    return _headers(rng, f"sequence numbers {how}", lambda f: f._replace(sequence=change[how](f) % 256), own=True)


def _flags(rng: Rng) -> Mischief:
    flags, edges = rng.choice((1, 2, 3, 4, 248, 255)), rng.choice((0, 255))
    return _headers(rng, f"flags changed by {flags}, edges {edges}", lambda f: f._replace(flags=f.flags ^ flags, edges=edges))


def _stamps(rng: Rng) -> Mischief:
    how = rng.choice(("one jump", "many jumps", "back", "same frame twice", "same stamp, other samples", "all equal", "all moved", "any"))
    begin_s = moment(rng)
    half = STAMP_MODULUS // 2
    far = rng.choice((half - 160, half, half - 1, STAMP_MODULUS - 160, 160_000, 1_600_000, 1, 159))
    every = rng.choice((2, 20, 200))
    moved, count, held = 0, 0, 0

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        nonlocal moved, count, held
        if line.now_s < begin_s:
            held = of.stamp
            return (of,)
        count += isinstance(of, SampleFrame)
        if how == "one jump" or how == "all moved":
            moved = far
        elif how == "many jumps" and isinstance(of, SampleFrame) and count % every == 0:
            moved += far
        elif how == "back" and count % every == 0:
            return (of._replace(stamp=(of.stamp - far) % STAMP_MODULUS),)
        elif how == "same frame twice" and isinstance(of, SampleFrame):
            return of, of
        elif how == "same stamp, other samples" and isinstance(of, SampleFrame) and count % every == 0:
            return of, of._replace(body=of.body[::-1])
        elif how == "all equal":
            return (of._replace(stamp=held),)
        elif how == "any":
            return (of._replace(stamp=rng.randrange(STAMP_MODULUS)),)
        return (of._replace(stamp=(of.stamp + moved) % STAMP_MODULUS),)

    return Mischief(f"stamps: {how}, by {far}, every {every}, from {begin_s:.1f} s", frame=frame)


def copies(text: str, how_many: Callable[[HostileLine], int]) -> Mischief:
    """Each two sample frames so many times, as if that were what was sampled: the stamps hide it, and the scan plan, which repeats after
    two frames, does not show it."""
    shift, run = 0, -1
    held: SampleFrame | None = None

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        nonlocal shift, run, held
        if of.run != run or not of.sampling:
            shift, run, held = 0, of.run, None
        if not isinstance(of, SampleFrame):
            return (of._replace(stamp=(of.stamp + shift) % STAMP_MODULUS),)
        if held is None:
            held = of
            return ()
        two, held = (held, of), None
        count = how_many(line)
        made = [one._replace(stamp=(one.stamp + shift + _TWO * n) % STAMP_MODULUS) for n in range(count) for one in two]
        shift += _TWO * (count - 1)
        return made

    def reply(line: HostileLine, said: str) -> Iterable[tuple[float, str]]:
        stamp, comma, ticks = said.partition(",")
        if line.asked == "SYST:STAM?" and stamp.isdigit():
            said = f"{(int(stamp) + shift) % STAMP_MODULUS}{comma}{ticks}"
        return ((0.0, said),)

    return Mischief(text, frame=frame, reply=reply)


def _spread(rng: Rng, mean: float) -> int:
    """A whole number, this one on the average."""
    return int(mean) + (rng.random() < mean - int(mean))


# --- the clock


def true_rate(rng: Rng) -> Mischief:
    factor = rng.choice((rng.uniform(0.5, 2.0), 1.0 + rng.choice((-1, 1)) * rng.uniform(0.006, 0.1)))

    def begin(line: HostileLine) -> None:
        line.board.rig.hidden = replace(line.board.rig.hidden, clock_error=factor - 1.0)

    # With `more` time passes in short steps: the simulation's own are to hold no more samples than at the usual rate.
    return Mischief(f"its clock runs at {factor:.4f} of what it says", begin=begin, more=lambda _: ())


def _time_stolen(rng: Rng) -> Mischief:
    begin_s, lasts_s, factor = rng.uniform(1.0, 6.0), rng.choice((0.3, 2.0, 1e9)), rng.choice((0.0, 0.5, 0.9, 0.97, 1.03, 1.1, 2.0))
    text = f"{factor:g} of its frames, hidden by the stamps, from {begin_s:.1f} s for {lasts_s:g} s"
    return copies(text, lambda line: _spread(rng, factor) if begin_s <= line.now_s < begin_s + lasts_s else 1)


def _drift(rng: Rng) -> Mischief:
    rate = rng.choice((-0.02, -0.005, 0.005, 0.02))
    return copies(
        f"its clock drifts by {rate:g} a second, hidden by the stamps",
        lambda line: _spread(rng, min(2.0, max(0.5, 1.0 + rate * line.now_s))),
    )


# --- counts


def _counts(rng: Rng) -> Mischief:
    how = rng.choice(("frozen", "stuck", "shifted", "swapped", "bits", "scaled", "saturated", "zero", "noise", "late", "upside down"))
    begin_s, slot, other = moment(rng), rng.randrange(5), rng.randrange(4)
    other += other >= slot
    factor, bit, by = rng.choice((0.2, 0.5, 0.8, 1.25, 2.0)), 1 << rng.randrange(12), rng.randrange(1, 160)
    kept: list[bytes] = []

    def changed(body: bytes) -> bytes:
        if how == "frozen":
            kept.append(body)
            return kept[0]
        if how == "late":
            kept.append(body)
            return kept.pop(0) if len(kept) > by else kept[0]
        counts = unpack_samples([body])[0].copy()
        mine = counts[slot::5]
        if how == "stuck":
            kept.append(body)
            mine[:] = unpack_samples(kept[:1])[0][slot::5]
            del kept[1:]
        elif how == "shifted":
            counts = np.roll(counts, by)
        elif how == "swapped":
            mine[:], counts[other::5] = counts[other::5].copy(), mine.copy()
        elif how == "bits":
            mine ^= bit
        elif how == "scaled":
            mine[:] = np.minimum(mine * factor, _LARGEST_COUNT).astype(np.uint16)
        elif how == "saturated":
            mine[:] = rng.choice((1023, _LARGEST_COUNT))
        elif how == "zero":
            counts[:] = 0
        elif how == "noise":
            mine[:] = [rng.randrange(1024) for _ in mine]
        else:
            mine[:] = 1023 - np.minimum(mine, 1023)
        return pack_samples(counts)

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        return (of._replace(body=changed(of.body)) if isinstance(of, SampleFrame) and line.now_s >= begin_s else of,)

    name = SLOTS[slot]
    of_what = {
        "swapped": f" {name} and {SLOTS[other]}", "scaled": f" {name} by {factor:g}", "bits": f" {name} {bit:#x}", "frozen": "", "zero": "",
        "shifted": f" by {by}", "late": f" by {by} frames",
    }  # fmt: skip
    return Mischief(f"counts {how}{of_what.get(how, ' ' + name)}, from {begin_s:.1f} s", frame=frame)


FRAMES: Mapping[str, tuple[Maker, ...]] = {
    "clock": (true_rate, true_rate, _time_stolen, _drift),
    "mode bit": (lambda rng: state_bits(rng, "precise bit", PRECISE, (PRECISE, 0)),),
    "range bits": (lambda rng: state_bits(rng, "range bits", RANGE, (0, 4, 8, 12)),),
    "loads byte": (_loads,),
    "master bit": (lambda rng: state_bits(rng, "master bit", MASTER, (MASTER, 0)),),
    "tripped bit": (lambda rng: state_bits(rng, "tripped bit", TRIPPED, (TRIPPED,)),),
    "sampling bit": (lambda rng: state_bits(rng, "sampling bit", SAMPLING, (0,)),),
    "run number": (_run_number,),
    "sequence": (_sequence,),
    "flags": (_flags,),
    "counts": (_counts,),
    "stamps": (_stamps,),
}
