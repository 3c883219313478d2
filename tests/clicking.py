"""Sound of clicks at known instants, for tests: short bursts of two pitches in noise, nothing random but the noise."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np

from bench.clicks import Heard, Loudmeter, hear
from bench.samples import Array

RATE = 16000
NOISE = 0.01


def click(pitch_hz: float, loudness: float, rate: int = RATE) -> Array:
    t = np.arange(int(0.012 * rate)) / rate
    return np.asarray(loudness * np.exp(-t / 0.003) * np.sin(2.0 * np.pi * pitch_hz * t))


def clicking(
    firsts_s: Sequence[float],
    seconds_s: Sequence[float] = (),
    *,
    lasts_s: float = 20.0,
    first: Array | None = None,
    second: Array | None = None,
    noise: float = NOISE,
    covered_s: Sequence[tuple[float, float]] = (),
    rate: int = RATE,
    seed: int = 1,
) -> Array:
    """Shape (n,): one kind of click at `firsts_s`, the other at `seconds_s`, and a roar in each of the spans `covered_s`."""
    rng = np.random.default_rng(seed)
    sound = noise * rng.standard_normal(int(lasts_s * rate))
    for instants, one in ((firsts_s, click(2500.0, 0.3, rate) if first is None else first),
                          (seconds_s, click(3400.0, 0.2, rate) if second is None else second)):  # fmt: skip
        for instant in instants:
            at = round(instant * rate)
            sound[at : at + len(one)] += one[: len(sound) - at]
    for begun, ended in covered_s:
        roar = 0.3 * rng.standard_normal(int((ended - begun) * rate))
        ramp = np.minimum(1.0, np.minimum(np.arange(len(roar)), np.arange(len(roar))[::-1]) / (0.04 * rate))
        sound[int(begun * rate) : int(begun * rate) + len(roar)] += roar * ramp
    return sound


def every(period_s: float, *, begun_s: float = 0.5, until_s: float = 19.5, without: Sequence[int] = ()) -> list[float]:
    """Instants at a constant period; `without` the numbers of some."""
    count = int((until_s - begun_s) / period_s) + 1
    return [begun_s + k * period_s for k in range(count) if k not in without]


def heard(sound: Array, rate: int = RATE) -> Heard:
    meter = Loudmeter(rate)
    meter.feed(sound.reshape(len(sound), -1))
    return hear(meter.finish())


def wav(samples: Array, *, rate: int = RATE, bits: int = 16, floating: bool = False, extensible: bool = False) -> bytes:
    """A WAV file of samples of full scale 1, shape (n,) or (n, channels)."""
    shaped = samples.reshape(len(samples), -1)
    channels = shaped.shape[1]
    if floating:
        data = shaped.astype(f"<f{bits // 8}").tobytes()
    elif bits == 8:
        data = np.round(shaped * 127.0 + 128.0).astype(np.uint8).tobytes()
    else:
        whole = np.round(shaped * (2.0 ** (bits - 1) - 1.0)).astype("<i8")
        data = whole.reshape(-1, 1).view(np.uint8)[:, : bits // 8].tobytes()
    tag = 3 if floating else 1
    block = channels * bits // 8
    layout = struct.pack("<HHIIHH", 0xFFFE if extensible else tag, channels, rate, rate * block, block, bits)
    if extensible:
        layout += struct.pack("<HHIH", 22, bits, 0, tag) + bytes.fromhex("000000001000800000aa00389b71")
    return riff((b"fmt ", layout), (b"LIST", b"odd"), (b"data", data))


def riff(*chunks: tuple[bytes, bytes]) -> bytes:
    body = b"".join(name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2) for name, data in chunks)
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body
