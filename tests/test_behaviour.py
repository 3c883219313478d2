"""What a unit does, in words: from evidence written by hand, on both sides of each limit."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hand_evidence import ACCURACY, TWO_LAMPS, cycles, dark, estimate, evidence, lit, measured, near, parts, reason
from scipy import stats

from bench.measure import Conditions, Counts, Measured, RestState
from bench.measure.behaviour import Start, behaviour, start_of
from bench.measure.film import Film, film_of
from bench.measure.mechanism import mechanism_of
from bench.readings import Reading
from bench.samples import Timing
from bench.transitions import SupplyEdge, Transition
from bench.uncertainty import Estimate

FLASHES = [(0.4, 0.3)] * 8


# The start. Voltage comes at 0.3 s.


def start(*instants_ms: float, seen_ms: float = 3000.0) -> Start:
    """The start of a unit that changes at these instants after the voltage, closing first."""
    events = [Transition(0.3 + t / 1000.0, k % 2 == 0, 1e-6 * (k + 1)) for k, t in enumerate(instants_ms)]
    return start_of(evidence([], starts=events, now_s=0.3 + seen_ms / 1000.0))


def at(t_ms: float, number: int) -> tuple[float, float]:
    return near(0.3 + t_ms / 1000.0), 1e-6 * number


@pytest.mark.parametrize(
    ("instants_ms", "rest", "light", "out", "done"),
    [
        ((0.0, 690.0), "closed", 1, 2, 2),
        ((4.0, 690.0), "closed", 1, 2, 2),  # it bounced as the voltage came
        ((6.0, 690.0), "open", 1, 2, 2),
        ((0.0, 101.0), "closed", 1, 2, 2),
        # SAE J2068-1999, after a public summary: closed for less than 0.10 s is open at rest. From 20 ms on there is light all the same.
        ((0.0, 99.0, 460.0, 750.0), "open", 1, 2, 4),
        ((0.0, 21.0, 460.0, 750.0), "open", 1, 2, 4),
        ((0.0, 19.0, 460.0, 750.0), "open", 3, 4, 4),
        ((470.0, 890.0), "open", 1, 2, 2),
        ((470.0, 530.0, 900.0, 1300.0), "open", 1, 2, 2),  # a short first flash, but none at once
        ((470.0,), "open", 1, 0, 0),
        ((0.0,), "closed", 1, 0, 0),
        ((0.0, 9.0), "open", 0, 0, 0),
        ((), "open", 0, 0, 0),
    ],
)
def test_how_a_unit_rests_and_when_its_start_ends(instants_ms: tuple[float, ...], rest: str, light: int, out: int, done: int) -> None:
    found = start(*instants_ms)
    assert found.rest == rest
    assert [found.light, found.extinction, found.done] == [at(instants_ms[k - 1], k) if k else None for k in (light, out, done)]


@pytest.mark.parametrize(
    ("closes_ms", "u_ms", "rest"),
    [
        (1.0, 1.9, "closed"),  # 1 ms and at most 3.8 more
        (1.2, 2.1, "closed"),  # perhaps later than 5 ms, but by no instrument more than at once
        (4.5, 0.5, "unknown"),
        (5.5, 0.5, "unknown"),
        (5.5, 0.2, "open"),
        (20.0, 24.0, "closed"),  # a slow instrument's first sample: no unit open at rest closes within 50 ms
        (20.0, 26.0, "unknown"),
    ],
)
def test_whether_it_closed_at_once_needs_two_uncertainties(closes_ms: float, u_ms: float, rest: str) -> None:
    make, broke, u_s = Transition(0.3 + closes_ms / 1000.0, True, 0.0), Transition(1.0, False, 0.0), u_ms / 1000.0
    exact = evidence([], starts=[make, broke], applied=SupplyEdge(0.3, True, 0.0), now_s=9.0)
    for doubtful in (
        replace(exact, starts=[replace(make, u_s=u_s), broke]),
        replace(exact, starts=[replace(make, soft_s=u_s), broke]),
        replace(exact, applied=SupplyEdge(0.3, True, u_s)),
        replace(exact, timing=Timing(skew_s=u_s * math.sqrt(3.0))),
    ):
        assert start_of(doubtful).rest == rest


def test_an_edge_that_takes_its_time_is_known_no_better() -> None:
    events = [Transition(0.8, True, 3e-4, soft_s=4e-4), Transition(1.2, False, 0.0, soft_s=2e-3)]
    found = start_of(evidence([], starts=events))
    assert (found.light, found.extinction) == ((0.8, near(5e-4)), (1.2, near(2e-3)))


def test_how_it_rests_is_not_known_within_a_tenth_of_a_second() -> None:
    assert start(0.0, seen_ms=99.0) == start(seen_ms=99.0) == Start(RestState.UNKNOWN)
    assert start(0.0, seen_ms=101.0).rest == "closed" and start(seen_ms=101.0) == Start(RestState.OPEN)
    assert start_of(evidence(cycles(FLASHES), applied=None)) == Start(RestState.UNKNOWN)


# The behaviour.


def doing(of: list[tuple[float, float]], counts: Counts | None = None, **changes: Any) -> str:
    return behaviour(evidence(cycles(of), **changes), counts or Counts(0, 3))


def test_flashing_needs_the_flashes_that_count() -> None:
    assert doing(FLASHES[:3]) == "flashing" and doing(FLASHES[:2]) == "too few"
    assert doing(FLASHES[:3], Counts(2, 3)) == "too few" and doing(FLASHES[:5], Counts(2, 3)) == "flashing"
    assert doing(FLASHES[:3], Counts(2, 3), cycles_before=2) == "flashing"


@pytest.mark.parametrize(("still_s", "usual_s", "stands"), [(4.9, 0.7, False), (5.1, 0.7, True), (5.9, 2.0, False), (6.1, 2.0, True)])
def test_a_state_stands_after_five_seconds_and_three_usual_periods(still_s: float, usual_s: float, stands: bool) -> None:
    of = [(0.5 * usual_s, 0.5 * usual_s)] * 5
    end_s = cycles(of)[-1].ended.t_s
    stays_lit = doing(of, now_s=end_s + still_s)
    broke = Transition(end_s + 0.1, False, 1e-6)
    goes_dark = doing(of, now_s=broke.t_s + still_s, closed_now=False, broke=broke, state_since_s=broke.t_s)
    after_gap = doing(of, begun=None, now_s=end_s + still_s)
    assert (stays_lit, goes_dark, after_gap) == (("steady on", "dark", "steady on") if stands else ("flashing",) * 3)


def test_the_usual_period_is_the_middle_one() -> None:
    of = [(0.5, 0.5)] * 4 + [(1.5, 1.5)]
    assert doing(of, now_s=cycles(of)[-1].ended.t_s + 6.0) == "steady on"


def test_it_ends_when_the_supply_is_taken_away() -> None:
    end_s = cycles(FLASHES)[-1].ended.t_s
    assert doing(FLASHES, now_s=end_s + 60.0, removed=SupplyEdge(end_s + 4.0, False, 1e-6)) == "flashing"


@pytest.mark.parametrize(("on_s", "word"), [(0.11, "one flash"), (0.09, "dark")])
def test_one_flash_is_a_tenth_of_a_second_at_least(on_s: float, word: str) -> None:
    begun, broke = Transition(0.8, True, 1e-6), Transition(0.8 + on_s, False, 1e-6)
    assert doing([], starts=[begun, broke], begun=begun, broke=broke, state_since_s=broke.t_s, now_s=9.0, closed_now=False) == word


def test_nothing_is_no_supply_only_where_nothing_was_seen() -> None:
    nothing: dict[str, Any] = {"applied": None, "supplied": False, "starts": [], "closed_now": False}
    assert doing([], **nothing) == "no supply"
    assert doing([], **(nothing | {"supplied": True})) == "too few"
    assert doing([], **(nothing | {"begun": Transition(0.8, True, 1e-6)})) == "too few"
    assert doing(FLASHES, **nothing) == doing(FLASHES, **nothing, begun=None) == "flashing"
    assert doing([], **(nothing | {"closed_now": True, "begun": None})) == "too few", "closed, without its supply being seen"


# The pilot terminal. Live is above 0.4 of 12 V.


@pytest.mark.parametrize(
    ("on_v", "off_v", "word"),
    [
        (4.9, 4.7, "in step"),
        (4.7, 4.9, "antiphase"),
        (4.9, 4.9, "steady"),
        (4.7, 4.7, "dead"),
        (None, 4.9, "unknown"),
        (4.9, None, "unknown"),
    ],
)
def test_the_pilot_terminal_against_the_lamps(on_v: float | None, off_v: float | None, word: str) -> None:
    levels = [lit(pilot=on_v)] * 7 + [lit(pilot=None)], [dark(pilot=off_v)] * 7 + [dark(pilot=None)]
    assert measured(cycles(FLASHES, *levels)).facts["pilot"] == word
    odd = [lit(pilot=on_v)] * 5 + [lit(pilot=12.0), lit(pilot=0.0), lit(pilot=12.0)]
    assert on_v is None or off_v is None or measured(cycles(FLASHES, odd, levels[1])).facts["pilot"] == word, "the middle one tells"
    odd_off = [dark(pilot=off_v)] * 5 + [dark(pilot=12.0), dark(pilot=0.0), dark(pilot=12.0)]
    assert on_v is None or off_v is None or measured(cycles(FLASHES, levels[0], odd_off)).facts["pilot"] == word


@pytest.mark.parametrize(("volts", "word"), [(6.1, "steady"), (5.9, "dead")])
def test_of_a_unit_that_stays_lit_half_the_system_voltage_is_live(volts: float, word: str) -> None:
    begun = Transition(0.3, True, 1e-6)
    still: dict[str, Any] = {"starts": [begun], "begun": begun, "now_s": 9.0, "closed_now": True}
    assert measured([], lit_now=lit(pilot=volts), **still).facts["pilot"] == word
    assert measured([], lit_now=lit(pilot=None), **still).facts["pilot"] == "unknown"
    assert measured([], lit_now=lit(pilot=volts), **(still | {"now_s": 2.0})).facts["pilot"] == "unknown", "it may go out yet"


def test_what_flashes_showed_of_the_pilot_stands_when_the_unit_stays_lit() -> None:
    end_s = cycles(FLASHES)[-1].ended.t_s
    m = measured(cycles(FLASHES), now_s=end_s + 9.0, lit_now=lit(pilot=0.0))
    assert (m.facts["behaviour"], m.facts["pilot"]) == ("steady on", "in step")


# Flashes that are missing, long, or unlike each other.


def counts_of(m: Measured) -> tuple[float, float, float, int]:
    missed = estimate(m, "missed")
    return missed.value, estimate(m, "stuck").value, estimate(m, "dropouts").value, missed.n


@pytest.mark.parametrize(("gap", "missed"), [(0.55, 0), (0.65, 1), (1.45, 1), (1.55, 2)])
def test_a_gap_longer_by_six_tenths_of_a_period_lacks_a_flash(gap: float, missed: int) -> None:
    of = [*FLASHES[:4], (0.4, 0.3 + gap * 0.7), *FLASHES[:4]]
    m = measured(cycles(of, first_s=0.35), dropouts=2)
    assert counts_of(m) == (missed, 0.0, 2.0, 9)
    assert m.facts["behaviour"] == ("irregular" if missed or gap > 0.5 else "flashing")


@pytest.mark.parametrize(("on_s", "stuck"), [(0.59, 0), (0.61, 1)])
def test_a_flash_is_long_from_one_and_a_half_times_the_usual(on_s: float, stuck: int) -> None:
    m = measured(cycles([*FLASHES[:4], (on_s, 0.3), *FLASHES[:4]], first_s=0.35))
    assert counts_of(m) == (0.0, stuck, 0.0, 9)
    end_s = cycles(FLASHES, first_s=0.35)[-1].ended.t_s
    at_hand = measured(cycles(FLASHES, first_s=0.35), now_s=end_s + on_s)
    assert counts_of(at_hand) == (0.0, stuck, 0.0, 8 + stuck)
    over = measured(cycles(FLASHES, first_s=0.35), now_s=end_s + on_s, broke=Transition(end_s + 0.4, False, 1e-6))
    assert counts_of(over) == (0.0, 0.0, 0.0, 8)


def test_alike_must_be_at_least_three() -> None:
    assert isinstance(measured(cycles(FLASHES[:3], first_s=0.35)).values["missed"], Estimate)
    assert reason(measured(cycles(FLASHES[:2], first_s=0.35), Counts(0, 2)), "stuck") == "too few cycles"


def test_which_first_flash_need_not_be_like_the_others() -> None:
    """A cold heater's (of a thermal unit, and of one that is not known but closed at rest), a blip; not that of an electronic unit."""
    long = [(0.8, 0.3), *FLASHES]
    assert counts_of(measured(cycles(long, first_s=0.3)))[1:] == (0.0, 0.0, 8), "thermal"
    assert counts_of(measured(cycles([(0.5, 0.3), *FLASHES], first_s=0.3)))[3] == 8, "closed at rest, but of no kind that is known"
    assert counts_of(measured(cycles(long, first_s=0.35)))[1:] == (1.0, 0.0, 9), "open at rest"
    assert counts_of(measured(cycles([(0.01, 0.4), *FLASHES], first_s=0.3)))[3] == 8, "a blip"
    assert counts_of(measured(cycles(long, first_s=0.3), cycles_before=3))[1] == 1.0, "it is not the first"
    assert counts_of(measured(cycles(long, first_s=0.3), applied=None, starts=[]))[1:] == (0.0, 0.0, 8), "it may be"


@pytest.mark.parametrize(("sway_s", "word"), [(0.02, "flashing"), (0.04, "flashing"), (0.08, "irregular")])
def test_a_period_that_scatters_by_a_twentieth_beyond_doubt_is_irregular(sway_s: float, word: str) -> None:
    """Of 12 periods that take turns the spread is 1.04 x sway / 0.7 s: 0.03, 0.06 and 0.10; the second may be 0.05 or less."""
    of = [(0.4, 0.3 + sway_s * (-1) ** k) for k in range(12)]
    m = measured(cycles(of, first_s=0.35))
    assert estimate(m, "period_spread").value == near(sway_s / 0.7 * math.sqrt(12 / 11))
    assert m.facts["behaviour"] == word


# The mechanism.


def kind(of: list[tuple[float, float]], first_ms: float, dark_a: float = 0.0, **changes: Any) -> str:
    made = cycles(of, darks=dark(current=Reading(dark_a, 1e-4, 100)), first_s=0.3 + first_ms / 1000.0)
    return mechanism_of(evidence(made, **changes), made)


@pytest.mark.parametrize(
    ("first_on_s", "first_ms", "dark_a", "word"),
    [
        (0.58, 0.4, 0.0, "thermal, closed at rest"),
        (0.54, 0.4, 0.0, "unknown"),  # a cold heater makes it 1.4 times as long
        (0.58, 0.6, 0.0, "unknown"),  # nor does such a unit wait
        (0.54, 0.6, 0.0, "electronic"),
        (0.4, 60.0, 0.11, "hot wire"),
        (0.4, 60.0, 0.09, "electronic"),
        (0.4, 40.0, 0.11, "unknown"),
        (0.045, 40.0, 0.0, "two-coil"),
        (0.055, 40.0, 0.0, "electronic"),
        (0.045, 60.0, 0.0, "electronic"),
    ],
)
def test_the_mechanism_by_its_first_moments(first_on_s: float, first_ms: float, dark_a: float, word: str) -> None:
    assert kind([(first_on_s, 0.3), *FLASHES[:4]], first_ms, dark_a) == word


def test_what_a_mechanism_is_not_told_by() -> None:
    of = FLASHES[:3]
    assert kind(of, 1.0) == "electronic" and kind(of[:2], 1.0) == "unknown"
    needed: list[dict[str, Any]] = [{"applied": None}, {"lost_at_start": True}, {"starts": []}, {"cycles_before": 1}]
    for lacking in needed:
        assert kind(of, 1.0, **lacking) == "unknown", lacking
    # The wire of a 6 V unit passes twice as much.
    assert [kind(of, 60.0, 0.15, conditions=Conditions(v)) for v in (6.0, 12.0, 24.0)] == ["electronic", "hot wire", "hot wire"]
    leaky = cycles(of, darks=[dark(current=Reading(a, 1e-4, 9)) for a in (0.0, 0.0, 0.5)], first_s=0.4)
    assert mechanism_of(evidence(leaky), leaky) == "electronic", "the middle one tells"
    unread = cycles(of, darks=[dark(current=None), *[dark(current=Reading(0.3, 1e-4, 9))] * 2], first_s=0.4)
    assert mechanism_of(evidence(unread), unread) == "hot wire"
    unknown = cycles(of, darks=dark(current=None), first_s=0.302)
    assert mechanism_of(evidence(unknown), unknown) == "electronic", "no current was recorded"
    assert kind([(0.58, 0.3), (0.4, 0.3), (0.4, 0.3), (0.8, 0.3)], 0.1) == "thermal, closed at rest"
    assert kind([(0.045, 0.3), (0.045, 0.3), (0.045, 0.3), (0.4, 0.3)], 40.0) == "electronic"
    blips = cycles([(0.045, 0.3)] * 4, first_s=0.34)
    assert mechanism_of(evidence(blips), blips) == "electronic", "all its flashes are so short"


# A film on the contacts.


def filmed(volts: list[float], counts: Counts | None = None, on_s: float = 0.4, **changes: Any) -> Measured:
    lits = [lit(drop=Reading(v, 1e-3, 20)) for v in volts]
    return measured(cycles([(on_s, 0.3)] * len(volts), lits), counts or Counts(2, 3), **changes)


def test_a_film_is_the_highest_of_the_first_less_the_middle_of_the_later_drops() -> None:
    later = [0.30, 0.31, 0.29, 0.30, 0.32]
    found = estimate(filmed([0.5, 0.6, *later]), "film_v")
    assert (found.value, found.n) == (near(0.3), 2)
    by_source = parts(found)
    scatter = by_source.pop("scatter of 5 later drops")
    # The median of normal values scatters by sqrt(pi / 2) more than their mean.
    assert (scatter.u, scatter.dof, scatter.kind) == (near(math.sqrt(math.pi / 2.0) * stats.sem(later)), 4.0, "A")
    assert by_source.pop("counts").u == near(ACCURACY["v_drop"].u_apart)
    assert [c.u for c in by_source.values()] == [1e-3]
    unskipped = estimate(filmed([0.37, 0.33, *later], Counts(0, 3)), "film_v")
    assert (unskipped.value, unskipped.n) == (near(0.37 - 0.31), 1), "where none is skipped it is the first"


def test_what_a_film_needs_to_be_seen() -> None:
    volts = [0.5, 0.6, 0.3, 0.3, 0.3]
    both = "the first flashes and enough later ones were not both seen"
    assert reason(filmed(volts[:4]), "film_v") == reason(filmed(volts, applied=None), "film_v") == both
    assert reason(filmed(volts, cycles_before=1), "film_v") == both
    blips = cycles([(0.04, 0.3)] * 2 + [(0.4, 0.3)] * 3, [lit(drop=Reading(v, 1e-3, 20)) for v in volts])
    assert reason(measured(blips, Counts(2, 3)), "film_v") == "the first flashes show no readable drop"


@pytest.mark.parametrize(
    ("first", "later", "fact"),
    [
        (0.19, [0.1] * 4, "none"),  # a tenth of a volt
        (0.21, [0.1] * 4, "recovered"),
        (0.74, [0.6] * 4, "none"),  # and a quarter of the drop
        (0.76, [0.6] * 4, "recovered"),
        (0.5, [0.1, 0.3, 0.1, 0.2, 0.3, 0.1], "none"),  # and four times the scatter, 0.1 V
        (0.65, [0.1, 0.3, 0.1, 0.2, 0.3, 0.1], "recovered"),
    ],
)
def test_a_film_is_clearly_higher(first: float, later: list[float], fact: str) -> None:
    assert filmed([first, *later], Counts(1, 3)).facts["film"] == fact
    if later[0] == later[1]:
        assert filmed([first, first, *later]).facts["film"] == {"none": "none", "recovered": "going"}[fact], "four say little of a fall"
        assert filmed([first, first, *later, later[0]]).facts["film"] == fact, "five say that it ended"


def test_a_film_is_less_in_a_6_volt_unit() -> None:
    six = replace(TWO_LAMPS, system_v=6.0)
    volts = (0.145, 0.155, 0.195)
    assert [filmed([v, *[0.1] * 5], Counts(1, 3), conditions=six).facts["film"] for v in volts] == ["none", "recovered", "recovered"]
    assert [filmed([v, v, *[0.1] * 5], conditions=six).facts["film"] for v in volts] == ["none", "recovered", "recovered"]
    assert [filmed([v, v, *[0.1] * 5]).facts["film"] for v in volts] == ["none"] * 3


@pytest.mark.parametrize(
    ("volts", "film"),
    [
        ([0.5, 0.5, 0.4, 0.3, *[0.2] * 8], "recovered"),
        ([0.5, 0.5, 0.4, 0.3, *[0.2] * 5, 0.25, 0.25, 0.25], "none"),  # it rises again at the end, by more than 0.04 V
        ([0.5, 0.5, 0.4, 0.3, *[0.2] * 6, 0.25, 0.25], "none"),
        ([0.5, 0.5, 0.4, 0.3, *[0.2] * 5, 0.23, 0.23, 0.23], "recovered"),
    ],
)
def test_a_film_falls_and_does_not_come_back(volts: list[float], film: str) -> None:
    made = cycles([(0.4, 0.3)] * len(volts), [lit(drop=Reading(v, 1e-3, 20)) for v in volts])
    assert (film_of(evidence(made), made) != Film()) == (film == "recovered")


def test_the_film_of_a_6_volt_unit_is_half_as_high_all_the_way() -> None:
    """It has gone within 0.025 V of the last ones, and is none if it rises again by 0.02 V."""
    volts = [0.25, 0.25, 0.2, 0.15, 0.138, 0.13, 0.122, *[0.1] * 8]
    for scale, system_v in ((1.0, 6.0), (2.0, 12.0)):
        made = cycles([(0.4, 0.3)] * len(volts), [lit(drop=Reading(scale * v, 1e-3, 20)) for v in volts])
        assert film_of(evidence(made, conditions=Conditions(system_v)), made) == Film(gone_at=6), system_v
    back = [0.25, 0.25, 0.2, *[0.1] * 5, *[0.13] * 5]
    made = cycles([(0.4, 0.3)] * len(back), [lit(drop=Reading(v, 1e-3, 20)) for v in back])
    assert film_of(evidence(made, conditions=Conditions(6.0)), made) == Film()
    assert film_of(evidence(made, conditions=Conditions(12.0)), made) != Film()


def test_of_a_drop_that_too_few_flashes_show_no_film_is_known() -> None:
    lits = [lit(drop=Reading(v, 1e-3, 20)) if v else lit(drop=None) for v in (0.3, 0.3, 0.3, 0.0, 0.3, 0.0, 0.3)]
    m = measured(cycles([(0.4, 0.3)] * 7, lits), Counts(2, 5))
    assert isinstance(m.values["film_v"], Estimate) and m.facts["film"] == "unknown"


def test_while_a_film_goes_away_all_that_it_moves_is_in_the_uncertainty() -> None:
    """A drop may fall by all of it, a rate by as much as it moved: within +- that, anywhere alike."""
    volts = [0.9, 0.8, 0.7, 0.6, 0.5, 0.45]
    ons = [0.40, 0.41, 0.42, 0.43, 0.44, 0.45]
    made = cycles([(on, 0.3) for on in ons], [lit(drop=Reading(v, 1e-3, 20), drop_a=3.6) for v in volts])
    m = measured(made)
    assert m.facts["film"] == "going"
    source, last_v = "a film still going away", 0.45 - 0.002 * 12.81
    expected = {
        "drop_v": last_v / math.sqrt(3.0), "drop_largest_v": last_v / math.sqrt(3.0),
        "rate_per_min": (60.0 / 0.70 - 60.0 / 0.75) / math.sqrt(3.0), "rate_total_per_min": (60.0 / 0.70 - 60.0 / 0.75) / math.sqrt(3.0),
        "on_ratio": (0.45 / 0.75 - 0.40 / 0.70) / math.sqrt(3.0),
    }  # fmt: skip
    for name, u in expected.items():
        found = parts(estimate(m, name))[source]
        assert (found.u, found.kind, found.shape) == (near(u), "B", "rectangular"), name
    assert reason(m, "missed") == "too few cycles"
