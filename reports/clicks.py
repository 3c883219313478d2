"""How well a unit's clicks are heard: sounds made up, with their truth, listened to by what `makebreak judge clicks.wav` uses.

    python -m reports.clicks --files 300 --first 1000        six noises, at 20, 10 and 5 dB
    python -m reports.clicks --snr 10 --worst                also which recordings were wrong
    python -m reports.clicks --silent 300                    noise alone: how often clicks are heard where there are none

Right is: the rate within 0.5 a minute of that of the true clicks, counted alike; missed flashes right, and given. "Held": whether the 95 %
interval of the rate holds what the unit flashes at (of units without missed or long flashes, whose mean has no such truth). Where units
make fewer than ten flashes in the time drawn (8 to 60 s), the recording is longer. `reports/clicks_made.py` says what is drawn, and what
the signal-to-noise ratio is.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np

from bench.clicks import Heard, Loudmeter, hear
from bench.measure import Counts, Measured, measure_heard
from bench.uncertainty import Estimate
from reports.clicks_made import NOISES, SAMPLE_RATES, Array, Truth, noise_of, sound

RATIOS_DB = (20.0, 10.0, 5.0)
WITHIN_PER_MIN = 0.5


def listened(samples: Array, sample_rate: int) -> tuple[Heard, Measured]:
    meter = Loudmeter(sample_rate)
    meter.feed(samples)
    heard = hear(meter.finish())
    return heard, measure_heard(heard, Counts())


def rates_of(truth: Truth, heard: Heard) -> tuple[float, ...]:
    """Mean rates by the true makes and by the true breaks, over the flashes that were counted."""
    counted = heard.flashes[Counts().skip :]
    means = []
    for instants in (truth.makes_s, truth.breaks_s):
        first = [int(np.argmin(np.abs(instants - flash.begun_s))) for flash in counted]
        periods = [instants[n + 1] - instants[n] for n in first if n + 1 < len(instants)]
        means.append(float(np.mean(60.0 / np.array(periods))) if periods else 0.0)
    return tuple(means)


def one(seed: int, noise: str, ratio_db: float, worst: bool) -> Counter[str]:
    made = sound(np.random.default_rng(seed), noise, ratio_db)
    begun = time.perf_counter()
    heard, measured = listened(made.samples, made.sample_rate)
    took_s = time.perf_counter() - begun
    rate, missed = measured.values["rate_per_min"], measured.values["missed"]
    right = isinstance(rate, Estimate) and min(abs(rate.value - true) for true in rates_of(made.truth, heard)) <= WITHIN_PER_MIN
    right = right and abs(rate.value / made.truth.usual_per_min - 1.0) < 0.3  # type: ignore[union-attr]
    counted = isinstance(missed, Estimate) and round(missed.value) == made.truth.missed
    found = Counter({"n": 1, "rate": int(right), "missed": int(counted), "ms": round(1000.0 * took_s)})
    found["no rate"] = int(not isinstance(rate, Estimate))
    found["wrong count"] = int(isinstance(missed, Estimate) and not counted)
    found["sound ms"] = round(1000.0 * heard.lasted_s)
    if isinstance(rate, Estimate) and right and not made.truth.odd:
        low, high = rate.interval()
        found["held of"] = 1
        found["held"] = int(low <= made.truth.usual_per_min <= high)
    if worst and not (right and counted):
        said = f"{rate.value:.2f}" if isinstance(rate, Estimate) else "none"
        print(
            f"  seed {seed}, {noise}, {ratio_db:g} dB, {made.sample_rate} /s: rate {said}, true {made.truth.usual_per_min:.2f}; "
            f"missed {heard.missed}, covered {heard.covered}, true {made.truth.missed}; on-time {made.truth.on_ratio:.2f}"
            f"{', one click faint' if made.truth.faint else ''}"
        )
    return found


def row(name: str, found: Counter[str]) -> str:
    n, of = max(1, found["n"]), max(1, found["held of"])
    shares = (found["rate"] / n, found["missed"] / n, found["held"] / of, found["no rate"] / n, found["wrong count"] / n)
    return f"{name:<18}{n:>6}" + "".join(f"{100.0 * share:>14.1f} %" for share in shares)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=300, help="recordings at each signal-to-noise ratio")
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--snr", type=float, action="append", metavar="DB", help="instead of 20, 10 and 5")
    parser.add_argument("--worst", action="store_true", help="name the recordings that were wrong")
    parser.add_argument("--silent", type=int, metavar="FILES", help="noise alone, so many recordings")
    asked = parser.parse_args()
    if asked.silent:
        silent(asked.silent, asked.first)
        return
    print(f"{'':<24}{'rate right':>16}{'missed right':>16}{'held (95 %)':>16}{'no rate':>16}{'count wrong':>16}")
    total: Counter[str] = Counter()
    for ratio_db in asked.snr or RATIOS_DB:
        by_noise = {noise: Counter[str]() for noise in NOISES}
        for n in range(asked.files):
            noise = NOISES[n % len(NOISES)]
            by_noise[noise] += one(asked.first + n, noise, ratio_db, asked.worst)
        for noise, found in by_noise.items():
            print(row(f"{ratio_db:g} dB, {noise}", found))
        together = sum(by_noise.values(), Counter())
        print(row(f"{ratio_db:g} dB, all", together))
        total += together
    print(f"a minute of sound takes {60.0 * total['ms'] / max(1, total['sound ms']):.2f} s")


def silent(files: int, first: int) -> None:
    heard_in: Counter[str] = Counter()
    for n in range(files):
        rng = np.random.default_rng(first + n)
        noise, rate = NOISES[n % len(NOISES)], int(rng.choice(SAMPLE_RATES))
        samples = noise_of(rng, noise, rate, int(rate * rng.uniform(8.0, 60.0)))
        heard, _ = listened(0.5 * samples[:, None] / np.max(np.abs(samples)), rate)
        heard_in[noise] += int(not heard.reason)
    print(f"clicks heard in {sum(heard_in.values())} of {files} recordings without any: {dict(heard_in)}")


if __name__ == "__main__":
    main()
