"""What a part is said to be: files there and back, refusals in one line, and the functions that are asked for."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.claims import CLAIMS, LED_DARK_A, PILOTS, Claims, claims_set, claims_text, contradiction_in, parse_claims
from bench.errors import TableError
from bench.files import limit_sets
from bench.limits import FactLimit, Limit
from bench.measure import Measured
from bench.uncertainty import Component, Estimate
from bench.verdict import Conformity, judge

AVERAGING = limit_sets()[0].averaging
YES = st.sampled_from((None, True, False))
ANY = st.builds(
    Claims,
    part=st.text(max_size=30),
    system_v=st.sampled_from((None, 6.0, 12.0, 24.0)),
    rated=st.none() | st.lists(st.sampled_from((1.2, 5.0, 18.4, 21.0, 26.9)), min_size=1, max_size=4).map(tuple),
    load=st.sampled_from((None, "fixed", "variable")),
    terminals=st.sampled_from((None, 2, 3, 4)),
    pilot=st.sampled_from((None, *PILOTS)),
    pilot_lamp_out=st.sampled_from((None, "in step", "dead")),
    outage=YES,
    led=YES,
    trailer=YES,
).filter(lambda claims: not contradiction_in(claims))


def parse(text: str) -> Claims:
    return parse_claims(tomllib.loads(text), "claims 77-1")


@given(claims=ANY)
def test_there_and_back(claims: Claims) -> None:
    text = claims_text(claims)
    assert text.isascii()
    assert parse(text) == claims


def test_what_is_not_known_is_not_written() -> None:
    assert claims_text(Claims("77-1")) == 'format = 1\npart = "77-1"\n'
    assert claims_text(Claims()) == "format = 1\n"
    assert claims_text(Claims(outage=False, rated=(21.0, 5.0))) == "format = 1\nrated = [21, 5]\noutage = false\n"


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("format = 2", "claims 77-1: format: got 2; this version reads format 1"),
        ("system_v = 48", "claims 77-1: system_v: got 48; it must be one of 6, 12, 24"),
        ("rated = []", "claims 77-1: rated: got []"),
        ("rated = [0]", "claims 77-1: rated: got [0.0]; it must be the watts of each lamp, such as [21, 21]"),
        ("rated = [2100]", "claims 77-1: rated: got [2100.0]"),
        ('rated = "2x21"', "claims 77-1: rated: got '2x21'"),
        ("terminals = 5", "claims 77-1: terminals: got 5; it must be 2, 3 or 4"),
        ("terminals = 1", "claims 77-1: terminals: got 1"),
        ('load = "any"', "claims 77-1: load: got 'any'; it must be one of fixed, variable"),
        ('pilot = "dead"', "claims 77-1: pilot: got 'dead'; it must be one of in step, antiphase, none"),
        ('pilot_lamp_out = "none"', "claims 77-1: pilot_lamp_out: got 'none'; it must be one of in step, dead"),
        ('outage = "yes"', "claims 77-1: outage: got 'yes'"),
        ("led = 1", "claims 77-1: led: got 1"),
        ("colour = 3", "claims 77-1: colour: unknown key"),
    ],
)
def test_a_bad_file_is_refused_in_one_line(line: str, says: str) -> None:
    head = "" if line.startswith("format") else "format = 1\n"
    with pytest.raises(TableError) as caught:
        parse(f"{head}{line}\n")
    assert str(caught.value).startswith(says), str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_pilot_needs_a_third_terminal() -> None:
    with pytest.raises(TableError, match="for two terminals; a pilot is a third one"):
        parse('format = 1\nterminals = 2\npilot = "in step"\n')


# The functions asked for.


def asked(claims: Claims) -> dict[str, tuple[str, ...] | float | None]:
    """What the limit set asks for: the words allowed for each fact, and the upper limit of each quantity."""
    found = claims_set(claims, AVERAGING)
    requirements = () if found is None else found.requirements
    assert all(isinstance(r, FactLimit | Limit) for r in requirements)
    return {
        **{r.fact: r.allowed for r in requirements if isinstance(r, FactLimit)},
        **{r.quantity: r.high for r in requirements if isinstance(r, Limit)},
    }


@pytest.mark.parametrize(
    ("claims", "wanted"),
    [
        (Claims(), {}),
        (Claims("77-1", 12.0, (21.0, 21.0), "fixed", 2, "none", outage=False, led=False, trailer=False), {"pilot": ("absent",)}),
        (Claims(pilot="in step"), {"pilot": ("in step",)}),
        (Claims(pilot="antiphase"), {"pilot": ("antiphase",)}),
        (Claims(pilot_lamp_out="dead"), {"pilot, lamp out": ("dead",)}),
        (Claims(outage=True), {"lamp out": ("shown",)}),
        (Claims(outage=False), {"lamp out": ("not shown",)}),
        (Claims(terminals=2), {"pilot": ("absent",)}),
        (Claims(terminals=3), {}),
        (Claims(load="variable"), {"outage": ("flashing",), "trailer": ("flashing",), "trailer_rate_per_min": 120.0}),
        (Claims(load="fixed", trailer=True), {"trailer": ("flashing",), "trailer_rate_per_min": 120.0}),
        (Claims(led=True), {"dark_a": LED_DARK_A}),
    ],
)
def test_what_is_claimed_is_asked_for_and_nothing_else(claims: Claims, wanted: dict[str, object]) -> None:
    assert asked(claims) == wanted
    assert (claims_set(claims, AVERAGING) is None) == (not wanted)


def test_its_basis_is_what_somebody_said_of_the_part() -> None:
    found = claims_set(Claims("77-1", outage=True), AVERAGING)
    assert found is not None and found.name == CLAIMS
    (asked_for,) = found.requirements
    assert isinstance(asked_for, FactLimit)
    assert (asked_for.source.basis, asked_for.source.text) == ("own", "what part 77-1 is said to be")
    assert found.averaging is AVERAGING, "no other cycles are counted than by the other sets"


@pytest.mark.parametrize(
    ("facts", "conformity"),
    [
        ({"pilot": "in step"}, Conformity.PASS),
        ({"pilot": "dead"}, Conformity.FAIL),
        ({"pilot": "antiphase"}, Conformity.FAIL),
        ({"pilot": "unknown"}, Conformity.NOT_MEASURED),
        ({}, Conformity.NOT_MEASURED),
    ],
)
def test_a_function_is_judged_like_any_limit(facts: dict[str, str], conformity: Conformity) -> None:
    found = claims_set(Claims(pilot="in step"), AVERAGING)
    assert found is not None
    (verdict,) = judge(Measured({}, facts), found)
    assert verdict.conformity is conformity


def test_an_led_lamp_stays_dark_below_its_limit() -> None:
    found = claims_set(Claims(led=True), AVERAGING)
    assert found is not None
    for amps, conformity in ((0.0099, Conformity.CONDITIONAL_PASS), (0.003, Conformity.PASS), (0.02, Conformity.FAIL)):
        dark = Estimate(amps, "A", (Component("zero", 0.0005),), 8)
        assert [v.conformity for v in judge(Measured({"dark_a": dark}), found)] == [conformity]


# What no rig sees.


@pytest.mark.parametrize(
    ("claims", "facts"),
    [
        (Claims(), {}),
        (Claims(pilot="none"), {"pilot": "absent"}),
        (Claims(terminals=2), {"pilot": "absent"}),
        (Claims(terminals=3), {}),
        (Claims(terminals=2, pilot="in step"), {}),
    ],
)
def test_a_unit_without_a_pilot_terminal_has_none_to_look_at(claims: Claims, facts: dict[str, str]) -> None:
    assert claims.facts == facts
