"""The wire: bytes to frames and replies and back, without I/O. The law is firmware/PROTOCOL.md.

`Decoder` makes pieces from bytes, `Sequencer` puts frames in their place in a run, `unpack_samples` opens many frames at once.
"""

from bench.wire.decoder import DamageCount, Decoder
from bench.wire.frames import (
    SAMPLES_PER_FRAME,
    STAMP_MODULUS,
    EventFrame,
    EventKind,
    Frame,
    Piece,
    Reply,
    ResetCause,
    SampleFrame,
    TripCause,
    cause_word,
    crc16,
    encode_event,
    encode_reply,
    encode_sample_frame,
    pack_samples,
    unpack_samples,
)
from bench.wire.header import MODE_NAMES, HeaderState, ModeName
from bench.wire.sequence import Placed, SequenceCount, Sequencer
from bench.wire.text import (
    LONGEST_LINE,
    SCPI_ERRORS,
    encode_command,
    format_channels,
    format_number,
    parse_channels,
    parse_error,
    parse_number,
    parse_whole,
)

__all__ = [
    "LONGEST_LINE",
    "MODE_NAMES",
    "SAMPLES_PER_FRAME",
    "SCPI_ERRORS",
    "STAMP_MODULUS",
    "DamageCount",
    "Decoder",
    "EventFrame",
    "EventKind",
    "Frame",
    "HeaderState",
    "ModeName",
    "Piece",
    "Placed",
    "Reply",
    "ResetCause",
    "SampleFrame",
    "SequenceCount",
    "Sequencer",
    "TripCause",
    "cause_word",
    "crc16",
    "encode_command",
    "encode_event",
    "encode_reply",
    "encode_sample_frame",
    "format_channels",
    "format_number",
    "pack_samples",
    "parse_channels",
    "parse_error",
    "parse_number",
    "parse_whole",
    "unpack_samples",
]
