"""Sound of flasher units made up, with its truth: clicks of decaying resonances and bounce, in rooms and noises. Nothing here is used
by what listens.

Signal-to-noise ratio: mean power of a click of the louder kind over its own duration (from its first sample until nine tenths of its
energy have come, before the room adds its echo), over the mean power of the noise in the whole band of the recording.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Rng = np.random.Generator

NOISES = ("white", "pink", "hum", "speech", "music", "engine")
SAMPLE_RATES = (8000, 11025, 16000, 22050, 32000, 44100, 48000)
MISSED_AT = 0.6  # of a period, as bench.measure counts


@dataclass(frozen=True)
class Truth:
    """`makes_s`, `breaks_s`: instants of the clicks. `usual_per_min`: what the unit flashes at, without jitter, missed and long flashes, as
    a mean over the cycles from the sixth on. `faint`: one of the two kinds of clicks is hardly there."""

    makes_s: Array
    breaks_s: Array
    missed: int
    long: int
    on_ratio: float
    usual_per_min: float
    faint: bool
    odd: bool  # whether flashes are missing or long


@dataclass(frozen=True)
class Sound:
    samples: Array  # (n, channels), full scale 1
    sample_rate: int
    truth: Truth
    noise: str


def sound(rng: Rng, noise: str, snr_db: float, *, faint: bool | None = None, missing: bool | None = None) -> Sound:
    """One recording drawn at random. `faint`, `missing`: forced where given."""
    rate = int(rng.choice(SAMPLE_RATES))
    per_min = float(rng.uniform(40.0, 160.0))
    lasts_s = max(float(rng.uniform(8.0, 60.0)), 11.5 * 60.0 / per_min)  # ten whole flashes: five skipped and three averaged, at least
    hushed = bool(rng.random() < 0.25) if faint is None else faint
    truth = _flashes(rng, per_min, lasts_s, hushed, bool(rng.random() < 0.3) if missing is None else missing)
    dry, wet = _clicks(rng, rate, lasts_s, truth)
    background = noise_of(rng, noise, rate, len(wet))
    power = dry / 10.0 ** (snr_db / 10.0)
    mixed = wet + background * math.sqrt(power / np.mean(background**2))
    loud = mixed * rng.uniform(0.05, 0.9) / np.max(np.abs(mixed))
    channels = [loud]
    if rng.random() < 0.4:
        lag = int(rng.integers(0, max(1, rate // 2000)))  # two microphones 17 cm apart, at the most
        channels.append(rng.uniform(0.3, 1.0) * np.roll(loud, lag))
    return Sound(np.stack(channels, axis=1), rate, truth, noise)


def _flashes(rng: Rng, per_min: float, lasts_s: float, faint: bool, missing: bool) -> Truth:
    usual_s, on_ratio = 60.0 / per_min, float(rng.uniform(0.35, 0.65))
    jitter = float(rng.choice([0.0, 0.003, 0.01, 0.02]))
    drift = float(rng.uniform(-0.08, 0.08)) if rng.random() < 0.4 else 0.0
    began_s = float(rng.uniform(0.1, 1.0))
    makes: list[float] = []
    breaks: list[float] = []
    usual: list[float] = []
    missed = long = 0
    t = began_s
    while t < lasts_s - 0.1:
        period_s = usual_s * (1.0 + drift * t / lasts_s)
        on_s = on_ratio * period_s * (1.0 + jitter * rng.standard_normal())
        off_s = (1.0 - on_ratio) * period_s * (1.0 + jitter * rng.standard_normal())
        odd = missing and len(makes) > 2 and rng.random() < 0.06
        usual.append(60.0 / period_s)
        makes.append(t)
        if odd and rng.random() < 0.3 and t + on_s + 0.45 * period_s < lasts_s - 0.1:
            on_s += float(rng.uniform(0.55, 0.8)) * on_s if on_ratio < 0.55 else 0.52 * on_s
            long += 1
        elif odd and t + on_s + off_s + 3.0 * period_s < lasts_s - 0.1:
            gone = 1 if rng.random() < 0.7 else 2
            off_s += gone * period_s
            missed += gone
        if t + on_s < lasts_s - 0.1:
            breaks.append(t + on_s)
        t += on_s + off_s
    counted = usual[5:-1]
    return Truth(np.array(makes), np.array(breaks), missed, long, on_ratio, float(np.mean(counted)), faint, missed + long > 0)


def _clicks(rng: Rng, rate: int, lasts_s: float, truth: Truth) -> tuple[float, Array]:
    """Power of a click of the louder kind over its own duration, and all of them in their room."""
    body = [_ring(rng, rate) for _ in range(2)]  # what the housing adds to both
    kinds = [[*body, *(_ring(rng, rate) for _ in range(int(rng.integers(2, 5))))] for _ in range(2)]
    quieter = 10.0 ** (-float(rng.uniform(18.0, 30.0) if truth.faint else rng.uniform(0.0, 10.0)) / 20.0)
    loud = int(rng.integers(0, 2))
    line = np.zeros(int(lasts_s * rate))
    models = [_impact(rng, rings, rate) for rings in kinds]
    models = [m / math.sqrt(_power(m)) for m in models]
    for number, instants in enumerate((truth.makes_s, truth.breaks_s)):
        for instant in instants:
            level = (1.0 if number == loud else quieter) * 10.0 ** (rng.normal(0.0, 1.0) / 20.0)
            again = _bounced(rng, models[number], rate)
            first = int(instant * rate)
            part = again[: len(line) - first]
            line[first : first + len(part)] += level * part
    bounced = [_power(_bounced(rng, models[loud], rate)) for _ in range(20)]
    return float(np.mean(bounced)), _in_room(rng, line, rate)


def _ring(rng: Rng, rate: int) -> tuple[float, float, float, float]:
    """Pitch in Hz, decay in s, amplitude, phase of one resonance."""
    pitch = float(np.exp(rng.uniform(math.log(1000.0), math.log(min(6000.0, 0.42 * rate)))))
    return pitch, float(rng.uniform(0.8e-3, 5e-3)), float(rng.uniform(0.3, 1.0)), float(rng.uniform(0.0, 2.0 * math.pi))


def _impact(rng: Rng, rings: list[tuple[float, float, float, float]], rate: int) -> Array:
    t = np.arange(int(0.03 * rate)) / rate
    parts = [a * np.exp(-t / tau) * np.sin(2.0 * math.pi * f * t + phase) for f, tau, a, phase in rings]
    return np.asarray(np.sum(parts, axis=0))


def _bounced(rng: Rng, impact: Array, rate: int) -> Array:
    """The contact strikes once to four times, a little differently each time."""
    out = np.zeros(len(impact) + int(0.012 * rate))
    at, strength = 0.0, 1.0
    for _ in range(int(rng.integers(1, 5))):
        first = int(at * rate)
        out[first : first + len(impact)] += strength * impact
        at += float(rng.uniform(0.3e-3, 2.5e-3))
        strength *= float(rng.uniform(0.2, 0.6))
    return out


def _power(click: Array) -> float:
    """Mean power until nine tenths of the energy have come."""
    energy = np.cumsum(click**2)
    last = int(np.searchsorted(energy, 0.9 * energy[-1])) + 1
    return float(energy[last - 1] / last)


def _in_room(rng: Rng, line: Array, rate: int) -> Array:
    if rng.random() < 0.35:
        return line
    decay_s = float(rng.uniform(0.1, 0.5))  # to a thousandth in amplitude: a car to a bare workshop (common practice, no source)
    t = np.arange(int(0.6 * decay_s * rate)) / rate
    tail = rng.standard_normal(len(t)) * np.exp(-6.9 * t / decay_s) * (t > 2e-3)
    tail *= math.sqrt(10.0 ** (rng.uniform(-12.0, 0.0) / 10.0) / np.sum(tail**2))  # against the direct sound
    tail[0] = 1.0
    return np.asarray(_convolved(line, tail)[: len(line)])


def _convolved(a: Array, b: Array) -> Array:
    size = 1 << (len(a) + len(b) - 1).bit_length()
    return np.fft.irfft(np.fft.rfft(a, size) * np.fft.rfft(b, size), size)


# Noises, of any power.


def noise_of(rng: Rng, kind: str, rate: int, size: int) -> Array:
    return {"white": _white, "pink": _pink, "hum": _hum, "speech": _speech, "music": _music, "engine": _engine}[kind](rng, rate, size)


def _white(rng: Rng, rate: int, size: int) -> Array:
    return rng.standard_normal(size)


def _shaped(rng: Rng, rate: int, size: int, slope: float, least_hz: float = 20.0) -> Array:
    """Noise whose power falls as f to the `slope`."""
    whole = 1 << size.bit_length()  # a transform of any other length may take a hundred times as long
    spectrum = np.fft.rfft(rng.standard_normal(whole))
    f = np.maximum(np.fft.rfftfreq(whole, 1.0 / rate), least_hz)
    return np.asarray(np.fft.irfft(spectrum * f ** (-0.5 * slope), whole)[:size])


def _unit(signal: Array) -> Array:
    return np.asarray(signal / np.sqrt(np.mean(signal**2)))


def _pink(rng: Rng, rate: int, size: int) -> Array:
    return _shaped(rng, rate, size, 1.0)


def _hum(rng: Rng, rate: int, size: int) -> Array:
    t = np.arange(size) / rate
    mains = float(rng.choice([50.0, 60.0])) * (1.0 + 1e-3 * rng.standard_normal())
    tones = np.zeros(size)
    for k in (*range(1, 11), 12, 14, 16, 20, 24, 30):
        tones += k ** -float(rng.uniform(0.7, 1.5)) * np.sin(2.0 * math.pi * (mains * k * t + rng.random()))
    return _unit(tones) + 0.1 * _unit(_pink(rng, rate, size))


def _gaps(rng: Rng, size: int, rate: int, on_s: tuple[float, float], off_s: tuple[float, float]) -> list[tuple[int, int]]:
    parts, at = [], float(rng.uniform(0.0, off_s[1]))
    while at * rate < size:
        lasts = float(rng.uniform(*on_s))
        parts.append((int(at * rate), min(size, int((at + lasts) * rate))))
        at += lasts + float(rng.uniform(*off_s))
    return parts


def _speech(rng: Rng, rate: int, size: int) -> Array:
    """Syllables of 80 to 300 ms in phrases with pauses: a buzz or a hiss through three formants."""
    out = np.zeros(size)
    for begun, ended in _gaps(rng, size, rate, (0.6, 3.0), (0.2, 1.5)):
        pitch = float(rng.uniform(90.0, 240.0))
        for first, last in _gaps(rng, ended - begun, rate, (0.08, 0.3), (0.02, 0.12)):
            n = last - first
            if n < 0.03 * rate:
                continue
            t = np.arange(n) / rate
            if rng.random() < 0.25:
                source = _shaped(rng, rate, n, -1.0) * 0.25
                formants = [(float(rng.uniform(0.25, 0.45)) * rate, 0.1 * rate)]
            else:
                glide = pitch * float(rng.uniform(0.85, 1.2)) * (1.0 + 0.1 * t / t[-1])
                source = np.diff(np.floor(np.cumsum(glide) / rate), prepend=0.0) + 0.01 * rng.standard_normal(n)
                bands = ((300.0, 900.0, 80.0), (900.0, 2400.0, 120.0), (2300.0, 3300.0, 200.0))
                formants = [(float(rng.uniform(low, high)), width) for low, high, width in bands]
            f = np.fft.rfftfreq(n, 1.0 / rate)
            shape = sum(1.0 / (1.0 + ((f - centre) / width) ** 2) / (k + 1.0) for k, (centre, width) in enumerate(formants))
            voice = np.fft.irfft(np.fft.rfft(source) * shape, n)
            rise = float(rng.uniform(0.01, 0.05))
            envelope = np.minimum(1.0, np.minimum(t, t[-1] - t) / rise)
            out[begun + first : begun + last] += _unit(voice) * envelope * float(rng.uniform(0.3, 1.0))
    return out + 0.03 * _unit(_pink(rng, rate, size))


def _music(rng: Rng, rate: int, size: int) -> Array:
    """Chords with an attack of 5 to 30 ms, not in time with anything."""
    out = np.zeros(size)
    at = 0.0
    while at * rate < size:
        first, lasts = int(at * rate), float(rng.uniform(0.3, 1.5))
        n = min(size - first, int(lasts * rate))
        t = np.arange(n) / rate
        envelope = np.minimum(1.0, t / float(rng.uniform(5e-3, 30e-3))) * np.exp(-t / (0.5 * lasts))
        for _ in range(int(rng.integers(1, 4))):
            pitch = 110.0 * 2.0 ** (int(rng.integers(0, 36)) / 12.0)
            for k in range(1, 9):
                if pitch * k < 0.45 * rate:
                    out[first : first + n] += envelope / k**1.3 * np.sin(2.0 * math.pi * (pitch * k * t + rng.random()))
        at += float(rng.choice([0.125, 0.25, 0.25, 0.5])) * float(rng.uniform(0.9, 1.1))
    return np.asarray(out + 0.03 * np.sqrt(np.mean(out**2)) * _unit(_pink(rng, rate, size)))


def _engine(rng: Rng, rate: int, size: int) -> Array:
    """Firing at 25 to 60 a second that wanders, with the rush of air and belts that follows it."""
    wander = np.cumsum(rng.standard_normal(size // 1000 + 2)) * 0.004
    firing = float(rng.uniform(25.0, 60.0)) * (1.0 + np.interp(np.arange(size) / 1000.0, np.arange(len(wander)), wander - wander.mean()))
    phase = np.cumsum(firing) / rate
    tones = sum(np.sin(2.0 * math.pi * (k * phase + rng.random())) / k for k in (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0))
    pulses = 1.0 + 0.7 * np.sin(2.0 * math.pi * phase)
    return _unit(np.asarray(tones)) + 0.4 * pulses * _unit(_shaped(rng, rate, size, 1.2))
