"""Boards that do what they were not told, and do not do what they were: trips, restarts, deafness, other loads, floods of bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from cobs import cobs

from bench.wire import (
    EventFrame,
    EventKind,
    Frame,
    SampleFrame,
    TripCause,
    crc16,
    encode_event,
    encode_sample_frame,
    format_channels,
    pack_samples,
    parse_channels,
)
from reports.hostile_frames import MASTER, PRECISE, RUN, SAMPLING, TRIPPED, Maker, Rng, copies, moment
from reports.hostile_port import Heard, HostileLine, Mischief, Up, event
from reports.hostile_words import PASSED_DOWN

TRIP_CODES = (*(int(cause) for cause in TripCause), 6, 77, 255)


# --- what it does by itself


def _trip(rng: Rng) -> Mischief:
    """It says that it has tripped, once or again and again, and may go on as before."""
    code, begin_s, every_s = rng.choice(TRIP_CODES), rng.uniform(0.3, 8.0), rng.choice((1e9, 2.0, 0.05))
    opens, next_s = rng.random() < 0.3, begin_s

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal next_s
        if line.now_s < next_s:
            return ()
        next_s = line.now_s + every_s
        line.broken()
        if opens:
            line.board.switch(False, frozenset())
        state = (0 if line.last is None else line.last.state) & ~MASTER | TRIPPED
        return (event(line, EventKind.TRIP, code, loads=0, state=state),)

    text = f"trips unasked, code {code}, at {begin_s:.1f} s, every {every_s:g} s, {'opens' if opens else 'opens nothing'}"
    return Mischief(text, more=more)


def _trip_at_on(rng: Rng) -> Mischief:
    after_s, code, at_s = rng.choice((0.0, 0.02, 0.3)), rng.choice(TRIP_CODES), float("inf")

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal at_s
        if text == "OUTP ON":
            at_s = line.now_s + after_s
        return Heard((text,))

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal at_s
        if line.now_s < at_s:
            return ()
        at_s = float("inf")
        line.broken()
        line.board.switch(False, frozenset())
        return (event(line, EventKind.TRIP, code, 256, loads=0),)

    return Mischief(f"trips {after_s:g} s after every OUTP ON, code {code}", line=heard, more=more)


def _restart(rng: Rng) -> Mischief:
    reason, begin_s, every_s, truly = rng.choice((1, 2, 3, 4, 0, 9, 255)), rng.uniform(0.3, 8.0), rng.choice((1e9, 1.0)), rng.random() < 0.5
    next_s = begin_s

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal next_s
        if line.now_s < next_s:
            return ()
        next_s = line.now_s + every_s
        line.broken()
        if truly:
            line.board.link.board_reset_at_s = line.now_s
            return ()
        return (event(line, EventKind.STARTED, reason, stamp=0, loads=0, state=0),)

    text = "restarts" if truly else f"says that it restarts, reason {reason}"
    return Mischief(f"{text}, at {begin_s:.1f} s, every {every_s:g} s", more=more)


def _events(rng: Rng) -> Mischief:
    kind = rng.choice((0, 6, 77, 255, EventKind.SWITCHED, EventKind.BURST, EventKind.STOPPED))
    begin_s, part, stamp = moment(rng), rng.choice((1.0, 0.05, 0.002)), rng.choice((None, 0, 2**31, 2**32 - 1, 160_000_000))

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        if line.now_s < begin_s or rng.random() >= part or not isinstance(of, SampleFrame):
            return (of,)
        made = event(line, int(kind), rng.randrange(256), rng.randrange(65536), ticks=rng.randrange(65536))
        return of, made if stamp is None else made._replace(stamp=stamp)

    return Mischief(f"events of kind {int(kind)} behind {part:g} of the frames, stamp {stamp}, from {begin_s:.1f} s", frame=frame)


# --- what it does not do


def _deaf(rng: Rng) -> Mischief:
    """It says that it did, and did not: open, close, switch on. Frames tell the truth, or the same lie."""
    what = rng.choice(
        ("OUTP OFF", "OUTP OFF|*RST", "ROUT:OPEN", "ROUT:OPEN|*RST", "OUTP OFF|ROUT:OPEN|*RST", "OUTP ON", "ROUT:CLOS", "SENS:MODE")
    )
    begin_s, lies, words = moment(rng), rng.random() < 0.5, tuple(what.split("|"))
    master, loads = False, frozenset[int]()

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal master, loads
        if text in ("OUTP ON", "OUTP OFF"):
            master = text == "OUTP ON"
        elif text.startswith("ROUT:CLOS ("):
            loads |= parse_channels(text.split(" ", 1)[1])
        elif text.startswith("ROUT:OPEN ("):
            loads -= parse_channels(text.split(" ", 1)[1])
        elif text == "ROUT:OPEN:ALL":
            loads = frozenset()
        elif text == "*RST":
            master, loads = False, frozenset()
        if line.now_s < begin_s:
            return Heard((text,))
        if text == "OUTP?":
            return Heard((PASSED_DOWN,), ((0.002, str(int(master))),))
        if text == "ROUT:CLOS?":
            return Heard((PASSED_DOWN,), ((0.002, format_channels(loads)),))
        return Heard((PASSED_DOWN if text.startswith(words) and not text.endswith("?") else text,))

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        if not lies or line.now_s < begin_s:
            return (of,)
        return (of._replace(loads=sum(1 << n - 1 for n in loads), state=of.state & ~MASTER | int(master)),)

    return Mischief(f"does not do {what} and says it did{', in frames too' if lies else ''}, from {begin_s:.1f} s", line=heard, frame=frame)


def _other_loads(rng: Rng) -> Mischief:
    """It closes others than it was told and than it says."""
    extra, instead, lies = rng.randrange(1, 6), rng.random() < 0.5, rng.random() < 0.5
    said = frozenset[int]()

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal said
        if text.startswith("ROUT:CLOS ("):
            asked = parse_channels(text.split(" ", 1)[1])
            said |= asked
            closed = frozenset({extra}) if instead else asked | {extra}
            return Heard((f"ROUT:CLOS {format_channels(closed)}",))
        if text.startswith(("ROUT:OPEN", "*RST")):
            said = said - parse_channels(text.split(" ", 1)[1]) if "(" in text else frozenset()
            return Heard((text, "ROUT:OPEN:ALL") if not said and text != "*RST" else (text,))
        return Heard((PASSED_DOWN,), ((0.002, format_channels(said)),)) if text == "ROUT:CLOS?" else Heard((text,))

    def frame(_: HostileLine, of: Frame) -> Iterable[Up]:
        return (of._replace(loads=sum(1 << n - 1 for n in said)) if lies else of,)

    text = f"closes load {extra} {'in place of' if instead else 'beside'} what it says{', frames lie too' if lies else ''}"
    return Mischief(text, line=heard, frame=frame)


def _flashes(rng: Rng) -> Mischief:
    """It opens and closes what it was told to close, again and again, as if the unit did that; it says so or not."""
    half_s, begin_s, master, lies = rng.choice((0.05, 0.33, 0.6)), rng.choice((0.0, 2.5)), rng.random() < 0.5, rng.random() < 0.7
    told, is_open, next_s, shown = (False, frozenset[int]()), False, begin_s, 0

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal is_open
        if is_open and not text.endswith("?") and text != PASSED_DOWN:
            is_open = False
            line.board.switch(*told)
        return Heard((text,))

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal told, is_open, next_s
        board = line.board
        if line.now_s >= next_s and (is_open or (board.master and board.loads)):
            next_s, is_open = line.now_s + half_s, not is_open
            told = (board.master, board.loads) if is_open else told
            board.switch(*(((False, told[1]) if master else (told[0], frozenset[int]())) if is_open else told))
        return ()

    def frame(line: HostileLine, of: Frame) -> Iterable[Up]:
        nonlocal shown
        if not lies or not is_open:
            shown = of.loads or shown
            return (of,)
        return (of._replace(loads=shown, state=of.state | MASTER),) if isinstance(of, SampleFrame) else ()

    text = f"opens {'the master switch' if master else 'the loads'} by itself every {2 * half_s:g} s{', and hides it' if lies else ''}"
    return Mischief(f"{text}, from {begin_s:.1f} s", line=heard, more=more, frame=frame)


def _other_mode(rng: Rng) -> Mischief:
    """It samples otherwise than it was told; its frames tell, or hide it."""
    ranged, lies = rng.random() < 0.5, rng.random() < 0.5

    def heard(line: HostileLine, text: str) -> Heard:
        if text == "SENS:MODE?":
            return Heard((PASSED_DOWN,), ((0.002, "FAST"),))
        if text.startswith("SENS:VOLT:RANG ") and ranged:
            return Heard(("SENS:VOLT:RANG 0" if float(text.split()[1]) > 18.8 else "SENS:VOLT:RANG 36",))
        return Heard(("SENS:MODE PREC",) if text.startswith("SENS:MODE ") and not ranged else (text,))

    def frame(_: HostileLine, of: Frame) -> Iterable[Up]:
        return (of._replace(state=of.state ^ (4 if ranged else PRECISE)) if lies else of,)

    text = f"samples in another {'range' if ranged else 'mode'} than told{', and hides it' if lies else ''}"
    return Mischief(text, line=heard, frame=frame)


def _init(rng: Rng) -> Mischief:
    number = rng.choice((None, -213, -221, -200))
    refused = False

    def heard(line: HostileLine, text: str) -> Heard:
        nonlocal refused
        refused = refused or text == "INIT"
        if text == "SYST:ERR?" and refused and number is not None:
            refused = False
            return Heard((PASSED_DOWN,), ((0.002, f'{number},"No"'),))
        return Heard((PASSED_DOWN if text == "INIT" else text,))

    return Mischief(f"refuses INIT, error {number}", line=heard)


def _unasked(rng: Rng) -> Mischief:
    """Samples without INITiate, whatever the board does."""
    state, next_s, stamp, body = rng.choice((SAMPLING, 0, SAMPLING | RUN)), 0.0, 0, pack_samples([rng.randrange(1024) for _ in range(160)])

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal next_s, stamp
        while next_s <= line.now_s:
            next_s += 0.00416
            stamp += 160
            yield SampleFrame(0, stamp, 0, state, 0, 0, body)

    return Mischief(f"sends samples without INIT, state {state:#x}", more=more)


def _fast(rng: Rng) -> Mischief:
    factor, begin_s = rng.choice((3, 10, 30)), moment(rng)
    return copies(f"sends at {factor} times the rate, from {begin_s:.1f} s", lambda line: factor if line.now_s >= begin_s else 1)


# --- the port


def _gone(rng: Rng) -> Mischief:
    at_s = rng.uniform(0.0, 9.0)
    return Mischief(f"the port closes at {at_s:.1f} s", gone=lambda line: line.now_s >= at_s)


def _some_lines(rng: Rng) -> Mischief:
    """After so many lines it neither hears nor says anything."""
    left = rng.choice((0, 1, 5, 30, rng.randrange(60, 200)))
    text = f"answers {left} lines and then no more"

    def heard(line: HostileLine, said: str) -> Heard:
        nonlocal left
        left -= 1
        if left < 0:
            line.broken()
        return Heard((said,) if left >= 0 else ())

    return Mischief(
        text, line=heard, reply=lambda _, said: ((0.0, said),) if left >= 0 else (), frame=lambda _, of: (of,) if left >= 0 else ()
    )


_GARBAGE: Mapping[str, Callable[[Rng, int], bytes]] = {
    "any bytes but zero": lambda rng, n: bytes(rng.randrange(1, 256) for _ in range(n)),
    "any bytes": lambda rng, n: rng.randbytes(n),
    "zero bytes": lambda rng, n: bytes(n),
    "text without an end": lambda rng, n: b"x" * n,
    "lines of text": lambda rng, n: b'0,"No error"\n\0' * (n // 14 + 1),
    "one line of many": lambda rng, n: b"1\n" * (n // 2) + b"\0",
    "frames of an unknown kind": lambda rng, n: b"".join(
        _as_kind(rng.randrange(3, 9), encode_event(_any_event(rng))) for _ in range(n // 20 + 1)),
    "events": lambda rng, n: b"".join(encode_event(_any_event(rng)) for _ in range(n // 20 + 1)),
    "samples": lambda rng, n: b"".join(
        encode_sample_frame(SampleFrame(rng.randrange(256), rng.randrange(2**32), 3, 0x61, 0, 0, rng.randbytes(240)))
        for _ in range(n // 254 + 1)),
}  # fmt: skip


def _as_kind(kind: int, content: bytes) -> bytes:
    """A frame of another type, with its right sum."""
    of = cobs.decode(content[:-1])[:-2]
    changed = bytes((kind,)) + of[1:]
    return bytes(cobs.encode(changed + crc16(changed).to_bytes(2, "big"))) + b"\0"


def _any_event(rng: Rng) -> EventFrame:
    sequence, loads, state, flags, edges, kind, reason = rng.randbytes(7)
    return EventFrame(sequence, rng.randrange(2**32), loads, state, flags, edges, kind, reason, rng.randrange(65536), rng.randrange(65536))


def _garbage(rng: Rng) -> Mischief:
    """A flood from some moment on, beside what the board sends or in its place."""
    kind, begin_s, rate, alone = rng.choice(list(_GARBAGE)), moment(rng), rng.choice((2e3, 1e5, 1e6)), rng.random() < 0.5
    before_s = 0.0

    def more(line: HostileLine) -> Iterable[Up]:
        nonlocal before_s
        since_s, before_s = line.now_s - max(before_s, begin_s), line.now_s
        return (_GARBAGE[kind](rng, int(since_s * rate)),) if since_s > 0.0 else ()

    def silent(line: HostileLine) -> bool:
        return alone and line.now_s >= begin_s

    return Mischief(
        f"{kind} at {rate:g} bytes a second {'alone' if alone else 'besides'}, from {begin_s:.1f} s",
        more=more,
        reply=lambda line, said: () if silent(line) else ((0.0, said),),
        frame=lambda line, of: () if silent(line) else (of,),
    )


ITSELF: Mapping[str, tuple[Maker, ...]] = {
    "trips": (_trip, _trip_at_on),
    "restarts": (_restart,),
    "events": (_events,),
    "deaf": (_deaf,),
    "other loads": (_other_loads, _flashes),
    "other mode": (_other_mode,),
    "sampling": (_init, _unasked, _fast),
    "port": (_gone, _some_lines),
    "garbage": (_garbage,),
}
