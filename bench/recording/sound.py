"""Sound recordings: WAV files of any usual kind, read in pieces. RecordingError says in one line why a file can't be used."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from bench.clicks import LEAST_SAMPLE_RATE, Loudmeter, Loudness
from bench.errors import IntakeError, RecordingError
from bench.intake import RECORDING_MB, open_file
from bench.samples import Array

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE  # format tags of WAVE (Multimedia Programming Interface 1.0, 1991; WAVEFORMATEXTENSIBLE)
_MOST_CHANNELS = 8
_PIECE = 1 << 17  # samples of each channel read at a time


@dataclass(frozen=True)
class Sound:
    """How loud it was when, and what the file is, for notes."""

    path: Path
    loudness: Loudness
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Layout:
    is_float: bool
    channels: int
    sample_rate: int
    bits: int

    @property
    def frame(self) -> int:
        return self.channels * self.bits // 8


def is_sound(path: str | Path) -> bool:
    """Return whether the file begins as a WAV file does; one that can't be read does not."""
    try:
        with open_file(path, RECORDING_MB) as file:
            head = file.read(12)
    except (IntakeError, OSError):
        return False
    return head[:4] == b"RIFF" and head[8:] == b"WAVE"


def read_sound(path: str | Path) -> Sound:
    """Read a WAV file: PCM of 8, 16, 24 or 32 bits, or floating point. Its memory is that of `Loudness`, 1 MB a minute."""
    path = Path(path)
    where = f"sound recording {path.name}"
    with open_file(path, RECORDING_MB) as file:
        layout, size = _found_data(file, where)
        left = path.stat().st_size - file.tell()
        meter = Loudmeter(layout.sample_rate)
        low, high, wrong = np.inf, -np.inf, 0
        for samples in _samples(file, layout, min(size, left)):
            good = np.isfinite(samples)
            wrong += int(samples.size - np.count_nonzero(good))
            samples = np.where(good, samples, 0.0)
            low, high = min(low, float(samples.min())), max(high, float(samples.max()))
            meter.feed(samples)
    loudness = meter.finish()
    if loudness.lasted_s == 0.0:
        raise RecordingError(f"{where}: there is no sample in it; record again")
    if wrong:
        raise RecordingError(f"{where}: {wrong} of its samples are no numbers; save it again as 16-bit PCM")
    if high <= low:
        raise RecordingError(f"{where}: all silent, every sample is {high:g}; see whether the microphone was on, and record again")
    kind = f"{layout.bits}-bit {'floating point' if layout.is_float else 'PCM'}"
    notes = [f"{loudness.lasted_s:.1f} s of sound, {layout.sample_rate} samples a second, {_channels(layout.channels)}, {kind}"]
    if size > left and size < 0xFFFFFF00:  # a recorder that could not go back to write the size leaves it at its largest
        notes.append(f"the file breaks off: {left / layout.frame / layout.sample_rate:.1f} s of "
                     f"{size / layout.frame / layout.sample_rate:.1f} s are there")  # fmt: skip
    return Sound(path, loudness, tuple(notes))


def _channels(count: int) -> str:
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def _found_data(file: BinaryIO, where: str) -> tuple[_Layout, int]:
    """Return the layout, and the size of the data in bytes, of which the first is read next."""
    layout: _Layout | None = None
    file.seek(12)
    while len(head := file.read(8)) == 8:
        name, size = head[:4], int.from_bytes(head[4:], "little")
        if name == b"fmt ":
            layout = _layout(file.read(size + size % 2), where)
        elif name == b"data":
            if layout is None:
                break
            return layout, size
        else:
            file.seek(size + size % 2, 1)
    missing = "the data" if layout is not None else "the description of its samples (fmt)"
    raise RecordingError(f"{where}: {missing} is missing; the file is damaged or not whole, record or export it again")


def _layout(chunk: bytes, where: str) -> _Layout:
    if len(chunk) < 16:
        raise RecordingError(f"{where}: the description of its samples has {len(chunk)} bytes, wanted 16; the file is damaged")
    tag, channels, sample_rate, _, block, bits = struct.unpack("<HHIIHH", chunk[:16])
    if tag == _EXTENSIBLE and len(chunk) >= 26:
        tag = int.from_bytes(chunk[24:26], "little")
    allowed = {_PCM: (8, 16, 24, 32), _FLOAT: (32, 64)}
    if tag not in allowed:
        raise RecordingError(f"{where}: its sound is coded (format 0x{tag:04x}), not plain samples; save it as WAV, 16-bit PCM")
    if bits not in allowed[tag] or not 1 <= channels <= _MOST_CHANNELS or block != channels * bits // 8:
        raise RecordingError(
            f"{where}: {channels} channels of {bits} bits in {block} bytes, wanted 1 to {_MOST_CHANNELS} channels of "
            f"{', '.join(map(str, allowed[tag]))} bits; save it as WAV, 16-bit PCM"
        )
    if not LEAST_SAMPLE_RATE <= sample_rate <= 400_000:
        raise RecordingError(f"{where}: {sample_rate} samples a second, wanted {LEAST_SAMPLE_RATE:g} to 400000; record it at 44100")
    return _Layout(tag == _FLOAT, channels, sample_rate, bits)


def _samples(file: BinaryIO, layout: _Layout, size: int) -> Iterator[Array]:
    """Yield pieces, shape (n, channels), full scale 1; a last frame that is not whole is left out."""
    left = size // layout.frame
    while left > 0:
        raw = file.read(min(left, _PIECE) * layout.frame)
        count = len(raw) // layout.frame
        if count == 0:
            return
        left -= count
        yield _numbers(raw[: count * layout.frame], layout).reshape(count, layout.channels)


def _numbers(raw: bytes, layout: _Layout) -> Array:
    if layout.is_float:
        return np.frombuffer(raw, dtype=f"<f{layout.bits // 8}").astype(np.float64)
    if layout.bits == 8:
        return (np.frombuffer(raw, dtype=np.uint8).astype(np.float64) - 128.0) / 128.0
    if layout.bits == 24:
        wide = np.zeros((len(raw) // 3, 4), dtype=np.uint8)
        wide[:, 1:] = np.frombuffer(raw, dtype=np.uint8).reshape(-1, 3)
        return wide.view("<i4").ravel().astype(np.float64) / 2.0**31
    return np.frombuffer(raw, dtype=f"<i{layout.bits // 8}").astype(np.float64) / 2.0 ** (layout.bits - 1)
