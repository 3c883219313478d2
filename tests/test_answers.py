"""Kinds of answers: every form that the protocol's page allows is read, everything else is of another kind."""

from __future__ import annotations

from typing import Any

import pytest

from bench.wire.answers import (
    CHANNELS,
    DESCRIPTION_LINE,
    DONE,
    ERROR,
    IDENTITY,
    MODE,
    NAME,
    NUMBER,
    STAMP,
    SWITCH,
    Answer,
    same_number,
    whole,
)

SIX = 1.0 / 3.0, 0.333333  # a value, and what a board keeps of it


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        (NUMBER, "4.880000E+01", 48.8),
        (NUMBER, "+48.8", 48.8),
        (NUMBER, "4.88e1", 48.8),
        (NUMBER, "-.5", -0.5),
        (whole(0, 999), "480.0", 480),
        (whole(0, 999), "+4.8E2", 480),
        (whole(0, 999), "999", 999),
        (SWITCH, "+1", True),
        (SWITCH, "0.0", False),
        (DONE, "1.", 1),
        (CHANNELS, "(@1,2,7)", {1, 2, 7}),
        (CHANNELS, "(@ 7, 1:2 )", {1, 2, 7}),
        (CHANNELS, "(@)", frozenset()),
        (ERROR, '0,"No error"', (0, "No error")),
        (ERROR, '-113.0, "Undefined header; ""X"""', (-113, 'Undefined header; ""X""')),
        (STAMP, "4294967295,65535", (4294967295, 65535)),
        (STAMP, "+2.01E4,3E2", (20100, 300)),
        (MODE, "FAST", "FAST"),
        (MODE, "precise", "PREC"),
        (NAME, "bench-nc_2x21", "bench-nc_2x21"),
        (IDENTITY, "makebreak,rig-328,SIM00001,1.0", "makebreak,rig-328,SIM00001,1.0"),
        (DESCRIPTION_LINE, "X2-foo", "X2-foo"),
    ],
)
def test_allowed_forms_are_read(kind: Answer[Any], text: str, value: object) -> None:
    assert kind.read(text) == value


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (NUMBER, ""), (NUMBER, "48.8 V"), (NUMBER, "inf"), (NUMBER, "nan"), (NUMBER, "1E999"), (NUMBER, "0x10"), (NUMBER, "1_0"),
        (whole(0, 999), "480.5"), (whole(0, 999), "1000"), (whole(0, 999), "-1"), (whole(1, 200), "0"),
        (SWITCH, "2"), (SWITCH, "ON"), (SWITCH, "0.5"), (DONE, "0"), (DONE, '0,"No error"'),
        (CHANNELS, "1,2"), (CHANNELS, "(@1"), (CHANNELS, "(@a)"), (CHANNELS, "(@1234)"),
        (ERROR, "0"), (ERROR, "No error"), (ERROR, '0,No error'), (ERROR, '0.5,"x"'), (ERROR, '99999,"x"'),
        (STAMP, "5"), (STAMP, "4294967296,0"), (STAMP, "0,65536"), (STAMP, "0,0,0"), (STAMP, "-1,0"),
        (MODE, "PRECI"), (MODE, "0"), (NAME, "a b"), (NAME, ""), (IDENTITY, "makebreak,x,y"), (IDENTITY, "makebreak,,y,z"),
        (DESCRIPTION_LINE, "16000000"), (DESCRIPTION_LINE, ""), (DESCRIPTION_LINE, '0,"No error"'), (DESCRIPTION_LINE, "(@1)"),
    ],
)  # fmt: skip
def test_everything_else_is_of_another_kind(kind: Answer[Any], text: str) -> None:
    with pytest.raises(ValueError):
        kind.read(text)


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [(*SIX, True), (0.0, 0.0, True), (0.0, 1e-12, False), (48.8, 48.8004, True), (48.8, 48.801, False), (1.0, -1.0, False),
     (1e300, 1e-300, False), (-75.0, -75.0000001, True)],
)  # fmt: skip
def test_numbers_are_the_same_to_six_significant_digits(a: float, b: float, same: bool) -> None:
    assert same_number(a, b) == same_number(b, a) == same
    assert NUMBER.same(a, b) == same
