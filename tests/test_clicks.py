"""Clicks in sound: when they came, which flashes did not, and what is said where sound cannot tell. Truth by construction."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from clicking import NOISE, RATE, click, clicking, every, heard

from bench.clicks import Flash, Heard, Loudmeter, hear
from bench.clicks.alternation import alternation
from bench.clicks.kind import ClickKind, flashes_in_gap, is_regular
from bench.clicks.template import learn
from bench.measure import QUANTITIES, Counts, measure_heard, notes_of
from bench.uncertainty import Estimate, NotMeasured


def periods(found: Heard) -> list[float]:
    return [flash.period_s for flash in found.flashes]


def test_both_clicks_of_every_flash_are_heard() -> None:
    firsts = every(0.7)
    found = heard(clicking(firsts, [t + 0.3 for t in firsts]))
    assert found.reason == "" and found.has_both and (found.missed, found.covered, found.long) == (0, 0, 0)
    assert periods(found) == pytest.approx([0.7] * (len(firsts) - 1), abs=2e-3)
    delays = [flash.other_s for flash in found.flashes]
    assert delays == pytest.approx([0.3] * len(delays), abs=3e-3) or delays == pytest.approx([0.4] * len(delays), abs=3e-3)
    assert found.first_s == pytest.approx(0.5, abs=0.31) and found.last_s == pytest.approx(firsts[-1], abs=0.41)


def test_instants_are_known_to_a_millisecond_or_so() -> None:
    rng = np.random.default_rng(5)
    firsts = 0.5 + np.cumsum(0.7 + 0.02 * rng.standard_normal(26))
    found = heard(clicking(firsts.tolist()))
    assert np.std(np.array(periods(found)) - np.diff(firsts)) < 1.5e-3


@pytest.mark.parametrize("per_min", [40.0, 75.0, 120.0, 160.0])
def test_a_click_that_comes_once_a_flash(per_min: float) -> None:
    found = heard(clicking(every(60.0 / per_min)))
    assert not found.has_both
    assert 60.0 / np.median(periods(found)) == pytest.approx(per_min, abs=0.2)


@pytest.mark.parametrize("per_min", [45.0, 80.0, 150.0])
def test_make_and_break_alike_but_not_half_a_period_apart(per_min: float) -> None:
    period_s, same = 60.0 / per_min, click(2500.0, 0.3)
    firsts = every(period_s)
    found = heard(clicking(firsts, [t + 0.45 * period_s for t in firsts], first=same, second=same))
    assert found.has_both
    assert 60.0 / np.median(periods(found)) == pytest.approx(per_min, abs=0.2)


def test_make_and_break_half_a_period_apart_but_not_of_one_loudness() -> None:
    firsts = every(0.8)
    found = heard(clicking(firsts, [t + 0.4 for t in firsts], first=click(2500.0, 0.3), second=click(2500.0, 0.2)))
    assert found.has_both
    assert np.median(periods(found)) == pytest.approx(0.8, abs=2e-3)


@pytest.mark.parametrize("gone", [(9,), (9, 10), (5, 14)])
@pytest.mark.parametrize("faint", [False, True])
def test_flashes_that_did_not_come_are_counted(gone: tuple[int, ...], faint: bool) -> None:
    firsts = every(0.7, without=gone)
    found = heard(clicking(firsts, [] if faint else [t + 0.3 for t in firsts]))
    assert (found.missed, found.covered) == (len(gone), 0)
    assert sum(round(period / 0.7) - 1 for period in periods(found)) == len(gone)


def test_a_flash_under_a_louder_noise_is_not_called_missed() -> None:
    firsts = every(0.7)
    at = firsts[10]
    found = heard(clicking(firsts, covered_s=[(at - 0.15, at + 0.15)]))
    assert found.missed == 0 and found.covered == 1
    assert max(periods(found)) < 0.75, "a period across what was not heard is none"


def test_a_flash_that_did_not_come_under_a_louder_noise_is_not_called_missed_either() -> None:
    firsts = every(0.7)
    at = firsts.pop(10)
    found = heard(clicking(firsts, covered_s=[(at - 0.15, at + 0.15)]))
    assert (found.missed, found.covered) == (0, 1)


def test_of_a_flash_one_click_is_enough() -> None:
    firsts = every(0.9)
    at = firsts[8]
    found = heard(clicking(firsts, [t + 0.4 for t in firsts], covered_s=[(at - 0.12, at + 0.12)]))
    assert (found.missed, found.covered) == (0, 0)
    assert max(periods(found)) < 0.95


def test_a_flash_of_which_only_the_other_click_came_did_come() -> None:
    firsts = every(0.9)
    found = heard(clicking(firsts[:8] + firsts[9:], [t + 0.4 for t in firsts]))
    assert (found.missed, found.covered) == (0, 0)
    found = heard(clicking(firsts, [t + 0.4 for k, t in enumerate(firsts) if k != 8]))
    assert (found.missed, found.covered) == (0, 0)


class Kind(ClickKind):
    """Clicks of which is said what can be told of them: places (numbers of flashes) where one came, or surely did not; or a trace of it."""

    def __init__(self, came: tuple[int, ...] = (), absent: tuple[int, ...] = (), trace: float = 0.0) -> None:
        self._came, self._absent, self._trace = came, absent, trace

    def is_at(self, due_s: float, reach_s: float) -> bool:
        return int(due_s) in self._came

    def is_absent(self, due_s: float, reach_s: float) -> bool:
        return int(due_s) in self._absent

    def trace(self, due_s: float, reach_s: float) -> float:
        return self._trace


@pytest.mark.parametrize(
    ("mine", "its", "count", "told"),
    [
        (Kind(absent=(1,)), None, 2, (1, 0)),
        (Kind(), None, 2, (0, 1)),
        (Kind(absent=(1,)), None, 3, (0, 2)),
        (Kind(trace=5.0), None, 3, (0, 0)),
        (Kind(absent=(1,)), Kind(came=(0,)), 2, (1, 0)),
        (Kind(absent=(1,)), Kind(came=(1,)), 2, (1, 0)),
        (Kind(), Kind(came=(0,), absent=(1,)), 2, (1, 0)),
        (Kind(absent=(1,)), Kind(came=(0, 1)), 2, (0, 0)),
        (Kind(), Kind(came=(0, 1), absent=(2,)), 3, (1, 0)),
        (Kind(), Kind(came=(0, 1)), 3, (0, 1)),
        (Kind(trace=3.5), Kind(trace=3.5), 2, (0, 0)),
        (Kind(trace=2.0), Kind(trace=2.0), 2, (0, 1)),
    ],
)
def test_what_is_told_of_a_gap(mine: Kind, its: Kind | None, count: int, told: tuple[int, int]) -> None:
    assert flashes_in_gap(mine, its, 0.0, 1.0, count, 0.5) == told


@pytest.mark.parametrize(("roar", "told"), [(0.0, True), (0.03, True), (0.05, False), (0.08, False), (0.3, False)])
def test_a_click_is_absent_only_where_it_would_have_been_heard(roar: float, told: bool) -> None:
    firsts = every(0.7)[:20]
    sound = clicking(firsts)
    sound[15 * RATE :] += roar * np.random.default_rng(2).standard_normal(len(sound) - 15 * RATE)
    meter = Loudmeter(RATE)
    meter.feed(sound[:, None])
    loudness = meter.finish()
    steps = np.round((np.array(firsts) - loudness.first_s) / loudness.step_s).astype(np.int64) + 2
    kind = ClickKind(loudness.log_energy, loudness.step_s, learn(loudness.log_energy, steps), steps)
    assert [kind.is_absent(due, 0.08) for due in (15.6, 16.4, 17.6, 18.4)] == [told] * 4
    assert not kind.is_absent(firsts[8], 0.08)


def test_many_steady_clicks_are_a_train_though_half_covered() -> None:
    def kind(typical: float, times_s: list[float]) -> Kind:
        made = Kind()
        made.typical, made.times_s = typical, np.array(times_s)
        return made

    steady = every(0.7)
    wild = [t + 0.08 * (k % 3) for k, t in enumerate(steady)]
    assert is_regular(kind(0.6, steady), 0.7) and is_regular(kind(0.9, steady), 0.7)
    assert not is_regular(kind(0.4, steady), 0.7) and not is_regular(kind(0.6, steady[:8]), 0.7)
    assert not is_regular(kind(0.6, wild), 0.7) and not is_regular(kind(0.9, wild), 0.7)
    assert not is_regular(kind(0.9, steady[:5]), 0.7)
    assert not is_regular(kind(0.9, every(2.0)), 2.0) and not is_regular(kind(0.9, every(0.3)), 0.3), "slower or faster than any unit"
    assert not is_regular(kind(0.9, [t for k, t in enumerate(steady) if k % 2]), 0.7), "half of the clicks are not there"


def test_clicks_faster_than_any_unit_are_make_and_break() -> None:
    firsts, same = every(0.4), click(2500.0, 0.3)
    found = heard(clicking(firsts, [t + 0.2 for t in firsts], first=same, second=same))
    assert found.has_both and np.median(periods(found)) == pytest.approx(0.4, abs=2e-3)


def test_make_and_break_two_to_three_apart_are_no_train_of_a_fifth() -> None:
    firsts, same = every(1.25), click(2500.0, 0.3)
    found = heard(clicking(firsts, [t + 0.5 for t in firsts], first=same, second=same))
    assert found.has_both and np.median(periods(found)) == pytest.approx(1.25, abs=2e-3)


def test_kinds_are_told_across_a_long_flash() -> None:
    firsts = [t + (0.3 if k > 9 else 0.0) for k, t in enumerate(every(0.8, until_s=18.5))]
    seconds = [t + 0.4 + (0.3 if k == 9 else 0.0) for k, t in enumerate(firsts)]
    meter = Loudmeter(RATE)
    meter.feed(clicking(firsts, seconds)[:, None])
    loudness = meter.finish()
    times = np.sort([*firsts, *seconds])
    steps = np.round((times - loudness.first_s) / loudness.step_s).astype(np.int64) + 2
    kinds = alternation(loudness.log_energy, loudness.step_s, steps, 0.4, learn(loudness.log_energy, steps))
    assert kinds is not None
    assert len({int(kind) for kind, t in zip(kinds, times, strict=True) if t in firsts}) == 1
    assert len({int(kind) for kind, t in zip(kinds, times, strict=True) if t in seconds}) == 1


def test_a_flash_that_lasts_longer_is_no_missed_one() -> None:
    firsts = [t + (0.3 if k > 9 else 0.0) for k, t in enumerate(every(0.8, until_s=18.5))]
    found = heard(clicking(firsts, [t + 0.4 + (0.3 if k == 9 else 0.0) for k, t in enumerate(firsts)]))
    assert (found.missed, found.covered, found.long) == (0, 0, 1)


def test_a_unit_that_was_switched_off_and_on_again_missed_nothing() -> None:
    firsts = [*every(0.7, until_s=8.0), *every(0.7, begun_s=14.2)]
    found = heard(clicking(firsts))
    assert found.missed == 0
    assert len(found.pauses_s) == 1 and 7.0 < found.pauses_s[0] < 8.1
    assert max(periods(found)) < 0.75


def test_a_rate_that_drifts_is_followed() -> None:
    firsts = 0.5 + np.cumsum(np.linspace(0.6, 0.72, 28))
    found = heard(clicking(firsts.tolist()))
    assert periods(found) == pytest.approx(np.diff(firsts).tolist(), abs=4e-3)


def test_where_no_unit_clicks_none_is_heard() -> None:
    assert heard(clicking([])).reason == "no regular clicks were found"
    rng = np.random.default_rng(3)
    irregular = np.sort(rng.uniform(0.5, 19.0, 25)).tolist()
    assert heard(clicking(irregular)).reason
    assert heard(clicking(every(0.7, until_s=2.0), lasts_s=3.0)).reason, "four clicks are no train"
    assert heard(np.zeros(100)).reason


def test_a_channel_that_is_silent_or_turned_round_does_no_harm() -> None:
    sound = clicking(every(0.7))
    for other in (np.zeros_like(sound), -sound):
        assert np.median(periods(heard(np.stack((sound, other), axis=1)))) == pytest.approx(0.7, abs=1e-3)


@pytest.mark.parametrize("rate", [8000, 11025, 48000])
def test_sample_rates(rate: int) -> None:
    assert np.median(periods(heard(clicking(every(0.7), rate=rate), rate))) == pytest.approx(0.7, abs=1e-3)


def test_loudness_does_not_depend_on_how_samples_come() -> None:
    sound = clicking(every(0.7), lasts_s=4.0)[:, None]
    whole, pieces = Loudmeter(RATE), Loudmeter(RATE)
    whole.feed(sound)
    at = 0
    for size in (1, 7, 31, 900, 5000, 12345, 10**6):
        pieces.feed(sound[at : at + size])
        at += size
    a, b = whole.finish(), pieces.finish()
    assert len(a.log_energy) == (4 * RATE - 128) // 32 + 1
    assert np.array_equal(a.log_energy, b.log_energy) and a.lasted_s == b.lasted_s == 4.0


def test_loudness_of_a_tone_is_its_power() -> None:
    t = np.arange(RATE) / RATE
    meter = Loudmeter(RATE)
    meter.feed(0.5 * np.sin(2.0 * np.pi * 1200.0 * t)[:, None])
    loudness = meter.finish()
    assert loudness.step_s == 2e-3 and loudness.time_s(10) == pytest.approx(0.024)
    spread = loudness.log_energy[100] - loudness.log_energy[100].max()
    assert np.count_nonzero(spread > -3.0) <= 2, "a tone is in its own band, and at most beside it"
    with pytest.raises(ValueError, match="at least 6000"):
        Loudmeter(4000)


# What is made of it.


def flashes(period_s: list[float], other: float | None = 0.4) -> tuple[Flash, ...]:
    begun = np.concatenate(([0.0], np.cumsum(period_s)[:-1]))
    return tuple(Flash(t, p, None if other is None else other * p) for t, p in zip(begun.tolist(), period_s, strict=True))


def estimate(found: object) -> Estimate:
    assert isinstance(found, Estimate), found
    return found


def reason(found: object) -> str:
    assert isinstance(found, NotMeasured), found
    return found.reason


STEADY = [0.70, 0.71, 0.69, 0.70, 0.72, 0.68] * 3


def test_rate_is_the_mean_of_the_cycles_counted() -> None:
    values = measure_heard(Heard(20.0, "", flashes(STEADY), has_both=True), Counts(5, 3)).values
    rate, total = estimate(values["rate_per_min"]), estimate(values["rate_total_per_min"])
    counted = np.array(STEADY[5:])
    assert rate.value == pytest.approx(np.mean(60.0 / counted)) and rate.n == 13
    assert total.value == pytest.approx(60.0 / np.mean(counted))
    parts = {c.source: c.u for c in rate.budget}
    assert parts["clock of the recorder"] == pytest.approx(1e-4 * rate.value / 3.0**0.5)
    assert parts["instants of the clicks"] == pytest.approx(rate.value * 1e-3 * 2.0**0.5 / counted.sum())
    assert parts["scatter of 13 cycle rates"] >= np.std(60.0 / counted, ddof=1) / 13.0**0.5
    spread = estimate(values["period_spread"])
    # Of the scatter that is read the instants of two clicks, 1 ms each, are not the unit's.
    assert spread.value == pytest.approx(np.sqrt(np.var(counted, ddof=1) - 2e-6) / np.mean(counted))


def test_few_flashes_give_no_rate() -> None:
    values = measure_heard(Heard(20.0, "", flashes(STEADY[:7])), Counts(5, 3)).values
    assert reason(values["rate_per_min"]) == "7 whole flashes heard, 8 needed"


def test_make_is_not_told_from_break() -> None:
    values = measure_heard(Heard(20.0, "", flashes(STEADY), has_both=True), Counts()).values
    assert reason(values["on_ratio"]) == "sound does not tell make from break: 40 % or 60 %"
    assert reason(values["on_s"]) == reason(values["off_s"]) == "sound does not tell make from break: 0.28 s or 0.42 s"
    one = Heard(20.0, "", flashes(STEADY, None))
    assert reason(measure_heard(one, Counts()).values["on_ratio"]) == "only one of the two clicks of a flash is heard"


def test_one_click_of_each_flash_says_what_was_taken_for_granted() -> None:
    one = Heard(20.0, "", flashes(STEADY, None))
    assert "half of this" in estimate(measure_heard(one, Counts()).values["rate_per_min"]).note
    assert any("half of this" in note for note in notes_of(one))
    both = Heard(20.0, "", flashes(STEADY), has_both=True)
    assert estimate(measure_heard(both, Counts()).values["rate_per_min"]).note == ""


def test_long_flashes_are_excluded_only_where_sound_can() -> None:
    def stuck(found: Heard) -> object:
        return measure_heard(found, Counts()).values["stuck"]

    assert estimate(stuck(Heard(20.0, "", flashes(STEADY), has_both=True))).value == 0.0
    assert "long flash" in reason(stuck(Heard(20.0, "", flashes(STEADY), missed=1, has_both=True)))
    assert "long flash" in reason(stuck(Heard(20.0, "", flashes(STEADY), long=1, has_both=True)))
    odd = (*flashes(STEADY), Flash(13.0, 0.8, 0.45))
    assert "long flash" in reason(stuck(Heard(20.0, "", odd, has_both=True))), "1.6 times the usual, in a period that is hardly longer"
    assert "only one" in reason(stuck(Heard(20.0, "", flashes(STEADY, None))))


def test_missed_flashes_are_given_unless_some_were_covered() -> None:
    found = measure_heard(Heard(20.0, "", flashes([*STEADY, 1.4]), missed=1, has_both=True), Counts())
    assert estimate(found.values["missed"]).value == 1.0 and found.facts["behaviour"] == "irregular"
    hidden = measure_heard(Heard(20.0, "", flashes(STEADY), missed=1, covered=2, has_both=True), Counts())
    assert reason(hidden.values["missed"]) == "something louder covered 2 flashes; without them 1 missed"


def test_everything_is_said_and_nothing_proved() -> None:
    found = measure_heard(Heard(20.0, "", flashes(STEADY), has_both=True), Counts())
    assert set(found.values) == set(QUANTITIES)
    measured = {name for name, value in found.values.items() if isinstance(value, Estimate)}
    assert measured == {"rate_per_min", "rate_total_per_min", "missed", "stuck", "period_spread", "rate_drift_per_min2"}
    assert "when voltage came" in reason(found.values["start_s"]) and "volts" in reason(found.values["drop_v"])
    assert "currents" in reason(found.values["steady_a"])
    assert {proof.item for proof in found.proofs} == {"lamps", "supply", "sense leads"}
    assert not any(proof.proved for proof in found.proofs)
    assert found.facts["behaviour"] == "flashing"


def test_nothing_heard_is_no_word_against_the_unit() -> None:
    found = measure_heard(Heard(20.0, "no regular clicks were found"), Counts())
    assert all(isinstance(value, NotMeasured) for value in found.values.values())
    assert found.facts["behaviour"] == "unknown"
    assert "electronic unit" in reason(found.values["rate_per_min"])


def test_noise_of_the_tests_is_ten_decibels_below_the_clicks_or_more() -> None:
    quietest = click(3400.0, 0.2)
    assert np.mean(quietest**2) > 10.0 * NOISE**2


def test_memory_grows_with_the_length_of_a_recording_and_not_with_its_square() -> None:
    meter = Loudmeter(8000)
    minute = clicking(every(0.6, until_s=59.0), lasts_s=60.0, rate=8000)[:, None]
    for _ in range(6):
        meter.feed(minute)
    loudness = meter.finish()
    tracemalloc.start()
    found = hear(loudness)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(found.flashes) > 580
    assert peak < 60e6
