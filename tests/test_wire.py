"""The wire against the published figures, the page's worked bytes and, by property, against every cut and every damage."""

from __future__ import annotations

import itertools
import re
import time
from dataclasses import asdict
from itertools import pairwise

import numpy as np
import pytest
import vectors
from cobs import cobs
from fuzz_wire import fuzz
from hypothesis import given
from hypothesis import strategies as st

from bench.wire import (
    SAMPLES_PER_FRAME,
    SCPI_ERRORS,
    STAMP_MODULUS,
    DamageCount,
    Decoder,
    EventFrame,
    EventKind,
    HeaderState,
    Reply,
    SampleFrame,
    crc16,
    encode_command,
    encode_event,
    encode_reply,
    encode_sample_frame,
    format_channels,
    format_number,
    pack_samples,
    parse_channels,
    parse_error,
    parse_number,
    unpack_samples,
)

RAMP = pack_samples(range(SAMPLES_PER_FRAME))


def samples_at(stamp: int, sequence: int = 0, run: int = 1) -> SampleFrame:
    return SampleFrame(sequence % 256, stamp % STAMP_MODULUS, 3, 0x21 | run << 6, 0, 0, RAMP)


def event_at(stamp: int, sequence: int = 0, run: int = 1, kind: int = EventKind.SWITCHED, state: int = 0x21) -> EventFrame:
    return EventFrame(sequence % 256, stamp % STAMP_MODULUS, 3, state | run << 6, 0, 0, kind, 0, 7, 1)


# --- vectors ---


@pytest.mark.parametrize(("name", "plain", "stuffed"), vectors.rows("cobs.txt"))
def test_cobs_vectors(name: str, plain: str, stuffed: str) -> None:
    assert cobs.encode(vectors.data(plain)) == vectors.data(stuffed)
    assert cobs.decode(vectors.data(stuffed)) == vectors.data(plain)


@pytest.mark.parametrize(("name", "content", "crc"), vectors.rows("crc.txt"))
def test_crc_vectors(name: str, content: str, crc: str) -> None:
    assert crc16(vectors.data(content)) == int(crc, 16)


@pytest.mark.parametrize(("name", "counts", "packed"), vectors.rows("packing.txt"))
def test_packing_vectors(name: str, counts: str, packed: str) -> None:
    assert pack_samples(vectors.samples(counts)) == vectors.data(packed)


@pytest.mark.parametrize(("name", "fields", "wire"), vectors.rows("events.txt"))
def test_event_vectors(name: str, fields: str, wire: str) -> None:
    frame = EventFrame(*vectors.numbers(fields))
    assert encode_event(frame) == vectors.data(wire)
    assert Decoder().feed(vectors.data(wire)) == [frame]


@pytest.mark.parametrize(("name", "fields", "counts", "wire"), vectors.rows("samples.txt"))
def test_sample_frame_vectors(name: str, fields: str, counts: str, wire: str) -> None:
    sequence, stamp, loads, state, flags, edges = vectors.numbers(fields)
    frame = SampleFrame(sequence, stamp, loads, state, flags, edges, pack_samples(vectors.samples(counts)))
    assert encode_sample_frame(frame) == vectors.data(wire)
    assert len(vectors.data(wire)) <= 254
    assert Decoder().feed(vectors.data(wire)) == [frame]
    assert unpack_samples([frame.body]).tolist() == [vectors.samples(counts)]


@pytest.mark.parametrize(("name", "text", "wire"), vectors.rows("replies.txt"))
def test_reply_vectors(name: str, text: str, wire: str) -> None:
    line = vectors.data(text).decode("ascii")
    assert encode_reply(line) == vectors.data(wire)
    assert Decoder().feed(vectors.data(wire)) == [Reply(line)]


@pytest.mark.parametrize(("name", "stream", "found"), vectors.rows("streams.txt"))
def test_stream_vectors(name: str, stream: str, found: str) -> None:
    decoder = Decoder()
    pieces = decoder.feed(vectors.data(stream))
    replies = sum(isinstance(piece, Reply) for piece in pieces)
    damage = asdict(decoder.damage)
    damage.pop("bytes_dropped")
    assert [len(pieces) - replies, replies, *damage.values()] == vectors.numbers(found)


def test_the_pages_worked_bytes_are_the_vectors() -> None:
    section = vectors.PAGE.read_text("utf-8").split("## 10. Worked bytes")[1]
    quoted = [bytes.fromhex(text) for text in re.findall(r"`((?:[0-9A-F]{2} )*[0-9A-F]{2})`", section)]
    first = {row[0]: row for name in ("events.txt", "samples.txt", "replies.txt") for row in vectors.rows(name)}
    event = vectors.data(first["page-1-switched"][-1])
    ramp = vectors.data(first["page-6-ramp"][-1])
    content = cobs.decode(event[:-1])
    for expected in (
        content[:-2],
        content[-2:],
        event,
        vectors.data(first["page-2"][-1]),
        vectors.data(first["page-3"][-1]),
        *(vectors.data(row[2]) for row in vectors.rows("packing.txt") if row[0].startswith("page")),
        bytes.fromhex("0311220233"),
        ramp[:24],
        cobs.decode(ramp[:-1])[-2:],
        vectors.data(first["page-7-opened"][-1]),
        vectors.data(first["page-7-closed"][-1]),
    ):
        assert expected in quoted


def test_the_pages_error_numbers_are_the_table() -> None:
    section = vectors.PAGE.read_text("utf-8").split("### Errors")[1].split("### Commands")[0]
    assert {int(n): text for n, text in re.findall(r"^\| (-?\d+) \| ([^|]+?) \|", section, re.MULTILINE)} == dict(SCPI_ERRORS)


# --- the decoder, whatever comes ---

frames = st.builds(
    lambda sequence, stamp, loads, state, flags, edges, counts: SampleFrame(
        sequence, stamp, loads, state, flags, edges, pack_samples([counts] * SAMPLES_PER_FRAME)
    ),
    *[st.integers(0, 255), st.integers(0, STAMP_MODULUS - 1), *[st.integers(0, 255)] * 4, st.integers(0, 0xFFF)],
)
events = st.builds(
    EventFrame,
    *[st.integers(0, 255), st.integers(0, STAMP_MODULUS - 1), *[st.integers(0, 255)] * 6, *[st.integers(0, 0xFFFF)] * 2],
)
replies = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=80).map(Reply)


def encode(piece: object) -> bytes:
    if isinstance(piece, SampleFrame):
        return encode_sample_frame(piece)
    return encode_event(piece) if isinstance(piece, EventFrame) else encode_reply(piece.text)  # type: ignore[attr-defined]


def cut(stream: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(stream), *(c % (len(stream) + 1) for c in cuts)})
    return [stream[a:b] for a, b in pairwise(places)]


@given(st.lists(frames | events | replies, max_size=8), st.lists(st.integers(0, 5000), max_size=10))
def test_what_was_encoded_comes_out_however_it_is_cut(pieces: list[object], cuts: list[int]) -> None:
    decoder = Decoder()
    stream = b"".join(encode(piece) for piece in pieces)
    assert [piece for part in cut(stream, cuts) for piece in decoder.feed(part)] == pieces
    assert decoder.damage == DamageCount()


@given(
    st.lists(st.binary(max_size=400) | (frames | events | replies).map(encode), max_size=6),
    st.lists(st.integers(0, 3000), max_size=9),
)
def test_any_cut_of_any_bytes_gives_the_same(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    whole, pieces, single = Decoder(), Decoder(), Decoder()
    expected = whole.feed(stream)
    assert [piece for part in cut(stream, cuts) for piece in pieces.feed(part)] == expected
    assert [piece for byte in stream for piece in single.feed(bytes([byte]))] == expected
    assert whole.damage == pieces.damage == single.damage


@given(frames | events, st.data())
def test_a_frame_with_up_to_three_bits_flipped_is_never_accepted_as_another(frame: SampleFrame | EventFrame, data: st.DataObject) -> None:
    """A CRC of 16 bits finds every error of up to three bits in so short a frame, if the stuffing is left whole."""
    content = bytearray(cobs.decode(encode(frame)[:-1]))
    for bit in data.draw(st.sets(st.integers(0, 8 * len(content) - 1), min_size=1, max_size=3)):
        content[bit // 8] ^= 1 << bit % 8
    assert Decoder().feed(cobs.encode(bytes(content)) + b"\0") == []


def test_memory_stays_bounded_without_a_zero_byte() -> None:
    decoder = Decoder()
    for _ in range(1000):
        decoder.feed(b"\x01" * 997)
    assert decoder.damage == DamageCount(overlong=1, bytes_dropped=997_000)
    assert decoder.feed(b"\0" + encode_reply("1")) == [Reply("1")]
    assert len(decoder._tail) <= 300


def test_a_short_fuzz_run_accepts_nothing_wrong() -> None:
    result = fuzz(chunks=20_000, seed=7)
    assert result.wrong == 0
    assert result.accepted > 1000
    assert result.damaged > 1000


def test_a_frame_costs_little() -> None:
    """The aim is 5 us on a quiet machine; a test machine may be busy, so the best of several runs and a wide margin."""
    stream = b"".join(encode_sample_frame(samples_at(160 * k, k)) for k in range(500))
    best = 1.0
    for _ in range(5):
        begin = time.perf_counter()
        Decoder().feed(stream)
        best = min(best, time.perf_counter() - begin)
    assert best / 500 < 50e-6


def test_unpacking_is_the_inverse_of_packing() -> None:
    counts = np.random.default_rng(1).integers(0, 4096, (7, SAMPLES_PER_FRAME))
    unpacked = unpack_samples([pack_samples(row) for row in counts])
    assert unpacked.dtype == np.uint16
    assert (unpacked == counts).all()
    assert unpack_samples([]).shape == (0, SAMPLES_PER_FRAME)


@pytest.mark.parametrize("bad", [[1], [-1, 0], [4096, 0]])
def test_packing_refuses_what_has_no_place(bad: list[int]) -> None:
    with pytest.raises(ValueError, match="even number"):
        pack_samples(bad)


def test_encoders_refuse_what_no_board_sends() -> None:
    with pytest.raises(ValueError, match="240 bytes"):
        encode_sample_frame(samples_at(0)._replace(body=b""))
    with pytest.raises(ValueError, match="printable"):
        encode_reply("a\nb")


def test_header_bits() -> None:
    frame = EventFrame(0, 0, 0b10000101, 0b10_1_1_10_1_1, 0b111, 0, 1, 0, 0, 0)
    assert frame.closed_loads == {1, 3, 8}
    assert (frame.master, frame.tripped, frame.range_number, frame.precise, frame.sampling, frame.run) == (
        True,
        True,
        2,
        True,
        True,
        2,
    )
    assert frame.samples_lost and frame.line_lost and frame.comparator
    assert frame.mode == "PREC"


def test_both_ends_have_one_layout_of_a_headers_bits() -> None:
    for state, flags in itertools.product(range(256), range(8)):
        frame = SampleFrame(0, 0, 0, state, flags | 0xF8, 0, bytes(240))  # bits that no board of this version sets
        said = HeaderState(
            frame.master, frame.tripped, frame.range_number, frame.precise, frame.sampling, frame.run, frame.samples_lost, frame.line_lost,
            frame.comparator,
        )  # fmt: skip
        assert said.encode() == (state, flags)
    assert HeaderState(master=True, range_number=3, run=1, line_lost=True).encode() == (0b01_0_0_11_0_1, 0b010)


# --- text ---


@pytest.mark.parametrize(
    ("text", "channels"),
    [("(@)", set()), ("(@1)", {1}), ("(@1,3:5)", {1, 3, 4, 5}), ("(@5:3)", {3, 4, 5}), ("( @ 2 , 2 )", {2})],
)
def test_channel_lists(text: str, channels: set[int]) -> None:
    assert parse_channels(text) == channels


@given(st.sets(st.integers(1, 8)))
def test_channel_lists_read_back(channels: set[int]) -> None:
    assert parse_channels(format_channels(channels)) == channels


@pytest.mark.parametrize("text", ["", "1", "(1)", "(@1", "(@1,)", "(@,)", "(@1:)", "(@-1)", "(@1.5)", "(@1:2:3)", "(@1234)", "(@1)x"])
def test_bad_channel_lists(text: str) -> None:
    with pytest.raises(ValueError, match="not a channel list"):
        parse_channels(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_read_back(value: float) -> None:
    assert parse_number(format_number(value)) == value


@pytest.mark.parametrize(("value", "text"), [(75.0, "75"), (0.05, "0.05"), (4.7e-5, "4.7E-5"), (1e22, "1E22"), (-0.512, "-0.512")])
def test_number_format(value: float, text: str) -> None:
    assert format_number(value) == text


@pytest.mark.parametrize("text", ["", "nan", "inf", "1e999", "0x10", "1_000", "1,5", "1 ", "E5", "."])
def test_bad_numbers(text: str) -> None:
    with pytest.raises(ValueError):
        parse_number(text)


def test_command_lines() -> None:
    assert encode_command("OUTP ON") == b"OUTP ON\n"
    for bad in ("x" * 80, "a\nb", "ä"):
        with pytest.raises(ValueError, match="command line"):
            encode_command(bad)


def test_error_replies() -> None:
    assert parse_error('-113,"Undefined header"') == (-113, "Undefined header")
    with pytest.raises(ValueError, match="an error is"):
        parse_error("0")
