"""A part of the catalogue on the simulated board and on the board's real program: the same verdicts, values that agree and hold the truth.

`reports/both_boards.py` does this for everything.
"""

from __future__ import annotations

import pytest

from reports.both_boards import Case, Compared, compare

ALIKE = (
    Case("bench-nc-2x21"),
    Case("bench-tc-2x21"),
    Case("bench-hw-hold"),
    Case("bench-el-outage"),
    Case("bench-nc-eroded"),
    Case("bench-nc-2x21", "lamp-dead"),
)


def same(found: Compared) -> None:
    assert found.outcomes[0] == found.outcomes[1]
    assert found.grades[0] == found.grades[1]
    assert found.different == []


@pytest.mark.parametrize("case", ALIKE, ids=str)
def test_both_boards_come_to_the_same(case: Case) -> None:
    found = compare(case)
    same(found)
    # One value in twenty may lie beyond its interval, by what a 95 % interval is.
    assert found.agree.total() >= 10
    assert found.disagree.total() <= 2, found.disagree
    if not case.fault:
        assert found.hold.total() >= 7
        assert found.miss.total() <= 1, found.miss


def test_both_boards_come_to_the_same_by_the_full_procedure() -> None:
    same(compare(Case("bench-el-plain", "", "full")))
