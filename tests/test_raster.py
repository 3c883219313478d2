"""Dots to characters, by patterns that anybody can check, and scales of round numbers."""

from __future__ import annotations

import unicodedata

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.tui.canvas import Canvas
from bench.tui.panes import GUTTER, VOLTS, DotColumns, draw_pane
from bench.tui.raster import ACROSS, BLOCKS, BRAILLE, FULL, INKS, Ink, characters, filled, joined, levels, text
from bench.tui.scale import axis_for, extent, round_step, scale_for, tick_text


def drawn(ink: Ink, *rows: str) -> list[str]:
    """The picture of `#` dots, as lines of characters."""
    dots = np.array([[c == "#" for c in row] for row in rows])
    return [text(row) for row in characters(dots, ink)]


def test_braille_cells() -> None:
    assert drawn(BRAILLE, "..", "..", "..", "..") == ["\u2800"]
    assert drawn(BRAILLE, "##", "##", "##", "##") == ["\u28ff"]
    assert drawn(BRAILLE, "#.##", "#...", "#...", "...#") == ["\u2807\u2889"]


@pytest.mark.parametrize("row", range(4))
@pytest.mark.parametrize("column", range(2))
def test_each_braille_dot_is_the_one_of_that_name(row: int, column: int) -> None:
    """Unicode names the patterns by their dots: 1 2 3 7 down the left column, 4 5 6 8 down the right one."""
    dots = np.zeros((4, 2), dtype=np.bool_)
    dots[row, column] = True
    name = unicodedata.name(text(characters(dots, BRAILLE)[0]))
    assert name == f"BRAILLE PATTERN DOTS-{('1237', '4568')[column][row]}"


def test_block_cells() -> None:
    assert drawn(BLOCKS, "..", "..") == [" "]
    assert drawn(BLOCKS, "##..##", "##..##") == ["█ █"]
    assert drawn(BLOCKS, "#..#....##..#.###.", "....#..#..##.#.#.#") == ["▘▝▖▗▀▄▚▜▚"]


def test_every_ink_has_a_character_for_each_pattern() -> None:
    for ink in INKS.values():
        assert len(ink.code) == 2 ** (ACROSS * ink.down)
        assert len(set(ink.code.tolist())) == (2 if ink is FULL else len(ink.code))


def test_levels_stay_on_the_scale() -> None:
    assert levels(np.array([0.0, 5.0, 10.0, -3.0, 12.0, np.nan]), 0.0, 10.0, 11).tolist() == [0, 5, 10, 0, 10, -1]


def picture(low: list[float], high: list[float]) -> list[str]:
    dots = 6
    reach = joined(levels(np.array(low), 0.0, 5.0, dots), levels(np.array(high), 0.0, 5.0, dots))
    return ["".join("#" if dot else "." for dot in row) for row in filled(*reach, dots)]


def test_a_step_is_joined_without_holes_and_without_touching_the_column_before() -> None:
    assert picture([0, 0, 5, 5, 0], [0, 0, 5, 5, 0]) == [
        "..##.",
        "..#.#",
        "..#.#",
        "..#.#",
        "..#.#",
        "##..#",
    ]


def test_columns_without_values_stay_empty_and_are_joined_to_nothing() -> None:
    assert picture([0, np.nan, 5], [1, np.nan, 5]) == ["..#", "...", "...", "...", "#..", "#.."]


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 9)), min_size=2, max_size=60))
def test_a_column_looks_the_same_whatever_comes_later(spans: list[tuple[int, int]]) -> None:
    low = np.array([a for a, _ in spans], dtype=np.int32)
    high = np.array([min(a + b, 31) for a, b in spans], dtype=np.int32)
    whole = filled(*joined(low, high), 32)
    part = filled(*joined(low[:-1], high[:-1]), 32)
    assert (whole[:, :-1] == part).all()
    for column in range(1, len(spans)):
        left, right = (set(np.flatnonzero(whole[:, c]).tolist()) for c in (column - 1, column))
        assert any(abs(a - b) <= 1 for a in left for b in right), "a hole between neighbours"


@pytest.mark.parametrize(
    ("low", "high", "least", "ticks"),
    [
        (0.0, 0.0, 1.0, (0.0, 0.5, 1.0)),
        (0.0, 13.2, 10.0, (0.0, 5.0, 10.0, 15.0)),
        (0.0, 26.4, 10.0, (0.0, 10.0, 20.0, 30.0)),
        (-0.02, 3.5, 1.0, (0.0, 1.0, 2.0, 3.0, 4.0)),
        (-2.0, 3.5, 1.0, (-2.0, 0.0, 2.0, 4.0)),
        (0.0, 0.3, 0.1, (0.0, 0.1, 0.2, 0.3)),
    ],
)
def test_scales_are_round_and_hold_what_was_seen(low: float, high: float, least: float, ticks: tuple[float, ...]) -> None:
    scale = scale_for(low, high, least)
    assert axis_for(scale, 2 * len(ticks) - 1).ticks == ticks
    assert (scale.bottom, scale.top) == (ticks[0], ticks[-1])


@given(st.floats(-100.0, 0.0), st.floats(0.0, 1e3), st.floats(0.01, 50.0))
def test_any_scale(low: float, high: float, least: float) -> None:
    scale = scale_for(low, high, least)
    assert scale.top >= max(high, least) * (1.0 - 1e-6)
    assert scale.bottom <= (low if low < -0.05 * max(high, least) else 0.0) + 1e-6
    assert 1 <= round((scale.top - scale.bottom) / scale.step) <= 4
    assert tick_text(scale.step).strip("0.") in ("1", "2", "5")


@given(st.floats(-100.0, 0.0), st.floats(0.0, 1e3), st.floats(0.01, 50.0), st.integers(1, 60))
def test_any_axis_shows_its_scale_on_the_rows_there_are(low: float, high: float, least: float, rows: int) -> None:
    scale = scale_for(low, high, least)
    axis = axis_for(scale, rows)
    slack = 1e-6 * (scale.top - scale.bottom)
    for ink in INKS.values():
        bottom, top = axis.reach(ink.down)
        if rows * ink.down == 1:
            continue  # one dot stands for everything
        assert bottom <= scale.bottom + slack and top >= scale.top - slack
    assert [axis.row(tick) for tick in axis.ticks] == [rows - 1 - i * axis.rows_a_step for i in range(len(axis.ticks))]
    assert axis.row(axis.ticks[-1]) >= 0


def test_what_does_not_last_opens_no_scale() -> None:
    current = np.array([0.0] * 30 + [9.0] + [3.5] * 30 + [-2.0] + [0.0] * 30)
    assert extent(current, current, 25) == (0.0, 3.5)
    assert extent(current, current) == (-2.0, 9.0)


def test_round_steps() -> None:
    assert [round_step(x) for x in (0.003, 0.1, 0.11, 2.0, 2.1, 9.0)] == [0.005, 0.1, 0.2, 2.0, 5.0, 10.0]


@pytest.mark.parametrize("ink", INKS.values(), ids=INKS)
@pytest.mark.parametrize("level_v", [0.0, 0.7, 6.4, 11.9, 13.2, 14.4])
@pytest.mark.parametrize("rows", [4, 5, 7, 8, 9, 11, 13, 17, 24])
def test_a_level_is_read_off_against_the_ticks_within_half_a_dot(rows: int, level_v: float, ink: Ink) -> None:
    canvas, cells = Canvas(rows, 40), 40 - GUTTER
    values = np.full((cells + 1) * ACROSS, level_v)
    columns = DotColumns(0, 0.01, {"v_out": values}, {"v_out": values}, np.zeros(cells + 1, dtype=np.bool_))
    draw_pane(canvas, 0, rows, VOLTS, scale_for(0.0, 1.1 * level_v, VOLTS.least_top), columns, ink)
    lines = [text(codes) for codes in canvas.codes]
    ticks = {float(line[: GUTTER - 1].strip(" ┤")): row for row, line in enumerate(lines) if "┤" in line}
    (zero_row, one_row), (zero_v, one_v) = [ticks[v] for v in sorted(ticks)[:2]], sorted(ticks)[:2]
    volts_a_row = (one_v - zero_v) / (zero_row - one_row)
    (place,) = {dot for dot, row in enumerate(dots_of(lines, ink)) if row}
    read_v = zero_v + (zero_row + 0.5 - (place + 0.5) / ink.down) * volts_a_row
    assert abs(read_v - level_v) <= 0.601 * volts_a_row / ink.down


def dots_of(lines: list[str], ink: Ink) -> list[bool]:
    """Row of dots by row of dots, whether one is set in the middle of the picture."""
    patterns = [list(ink.code).index(ord(line[GUTTER + 10])) if ord(line[GUTTER + 10]) in ink.code else 0 for line in lines]
    return [bool(pattern >> (2 * row) & 1) for pattern in patterns for row in range(ink.down)]
