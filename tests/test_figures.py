"""Large figures: hollow until the value counts, solid then, each on the right side of its limit; only completed flashes feed them."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len
from sample_records import FLASHING, estimate, good_values
from screens import at_screen

from bench import files
from bench.claims import Claims
from bench.measure import BenchFault, Measured
from bench.session import Live, StepBegan
from bench.setup import Setup
from bench.simboard.rig import rig_description
from bench.tui.choices import Choices
from bench.tui.figures import LINES, SHORT_LINES, Figure, figure_text, figures_lines, figures_of
from bench.tui.gauge_rows import Row, merged, placed, rows_of, rows_of_verdict
from bench.tui.large import large, outlined
from bench.tui.panes import PILOT_CHANNEL
from bench.tui.running import expected_sets, figures_height, tightest_drop_v, traced_channels
from bench.tui.state import Phase, Underway
from bench.uncertainty import Measurement, NotMeasured
from bench.verdict import judge

SETS = [files.named_limits(name)[1][0] for name in ("un-r48", "sae-j945")]
COLOURS: dict[str, str] = {}


def underway(cycles: int, measured: Measured, provisional: Measured | None = None, step: str = "rated", live: bool = False) -> Underway:
    return Underway(
        Setup("X"), files.procedure("decide"), step=StepBegan(step, "A step", "", 1, 3, live=live),
        live=Live(9.0, 9.0, cycles, 8, True, {}), measured=measured, provisional=provisional, early=False,
    )  # fmt: skip


def rows(measured: Measured) -> tuple[Row, ...]:
    expected = merged(row for one in SETS for requirement in one.requirements for row in rows_of(requirement))
    return placed(expected, merged(row for one in SETS for verdict in judge(measured, one) for row in rows_of_verdict(verdict)))


def values(**changed: Measurement) -> Measured:
    return Measured({**good_values(), **changed}, FLASHING)


def shown(test: Underway, judged: Measured, width: int = 118, height: int = LINES) -> str:
    found = [line.plain for line in figures_lines(figures_of(test, rows(judged)), width, height, COLOURS)]
    assert len(found) == height and all(cell_len(line) <= width for line in found)
    return "\n".join(found)


def has(text: str, drawn: list[str]) -> bool:
    """Whether these letters stand there, all rows one below the other at the same place."""
    lines = text.split("\n")
    starts = {lines[n].find(drawn[0].rstrip()) for n in range(len(lines))} - {-1}
    return any(
        all(row.rstrip() in lines[top + n] for n, row in enumerate(drawn)) for top in range(len(lines) - len(drawn) + 1) for _ in starts
    )


def test_values_are_hollow_until_those_that_count_are_there() -> None:
    few = values(rate_per_min=NotMeasured("3 complete cycles seen, 8 needed"), drop_v=NotMeasured("too few flashes"))
    provisional = values(rate_per_min=estimate(91.2, "1/min", 0.7), drop_v=estimate(0.123, "V", 0.003))
    before = shown(underway(3, few, provisional), few)
    assert before.count("provisional") == 2 and "█" not in before
    assert has(before, outlined("91", 40)), "the tenths are not known yet"
    assert has(before, outlined("123", 40))
    counted = values(rate_per_min=estimate(91.2, "1/min", 0.07), drop_v=estimate(0.123, "V", 0.003))
    after = shown(underway(8, counted), counted)
    assert after.count("✓ inside") == 2 and "provisional" not in after
    assert has(after, large("91.2", 40, 7)) and has(after, large("123", 40, 7))
    assert not has(after, outlined("91.2", 40))


@pytest.mark.parametrize("cycles", [0, 1])
def test_before_the_second_flash_nothing_is_shown(cycles: int) -> None:
    text = shown(underway(cycles, values(), values()), values())
    assert not set("█┌▀") & set(text) and text.count("not yet") == 2


def test_on_a_new_load_only_its_own_flashes_count() -> None:
    rate_of_two = values(rate_per_min=estimate(170.0, "1/min", 0.07))
    test = underway(4, rate_of_two, None, "one-out", live=True)
    text = shown(test, values())
    assert "flash rate, lamp out" in text and has(text, large("170", 60, 7))
    assert "no limit" in text and "outside" not in text, "the limit is for the rated load"
    assert underway(0, rate_of_two, None, "one-out", live=True).values is None


@pytest.mark.parametrize(
    ("value", "text"), [(119.96, "119.96"), (120.04, "120.04"), (119.999, "119.999"), (59.98, "59.98"), (90.04, "90.0")]
)
def test_a_large_figure_does_not_lie_about_its_side(value: float, text: str) -> None:
    row = next(row for row in rows(values()) if "rate_per_min" in str(row.requirement))
    figure = Figure("rate_per_min", "1/min", row, estimate(value, "1/min", 0.6), True)
    assert figure_text(figure) == text


def test_the_worst_limit_gives_the_band_and_the_word() -> None:
    slow = values(rate_per_min=estimate(48.2, "1/min", 0.07), drop_v=estimate(0.499, "V", 0.03))
    text = shown(underway(9, slow), slow)
    assert "✗ outside" in text and "○ near the edge" in text
    spoilt = replace(slow, bench_faults=(BenchFault("lamp", "the current is that of one lamp"),))
    assert shown(underway(9, spoilt), spoilt).count("! bench fault") == 2


def test_small_terminals_have_both_figures_seven_rows_tall() -> None:
    counted = values(rate_per_min=estimate(91.2, "1/min", 0.07), drop_v=estimate(0.123, "V", 0.003))
    text = shown(underway(8, counted), counted, 78, SHORT_LINES)
    assert has(text, large("91.2", 33, 7)) and has(text, large("123", 33, 7))
    last = text.split("\n")[-1]
    assert last.startswith("flash rate") and "contact drop" in last and last.count("◆") == 2
    assert figures_height(78, 21) == SHORT_LINES and figures_height(118, 37) == LINES
    assert figures_height(78, 12) == figures_height(30, 40) == 0
    alone = figures_lines(figures_of(underway(8, counted), rows(counted)), 50, SHORT_LINES, COLOURS)
    assert alone[-1].plain.startswith("flash rate") and "drop" not in alone[-1].plain


# What the trace shows beside them.


def test_no_lane_for_a_pilot_that_is_not_there() -> None:
    board = rig_description(1)
    assert PILOT_CHANNEL in traced_channels(board, Setup("X"))
    assert PILOT_CHANNEL not in traced_channels(board, Setup("X", claims=Claims(terminals=2)))
    assert PILOT_CHANNEL not in traced_channels(board, Setup("X", claims=Claims(terminals=3, pilot="none")))
    assert PILOT_CHANNEL in traced_channels(board, Setup("X", claims=Claims(terminals=3, pilot="in step")))
    assert "v_drop" in traced_channels(board, Setup("X", claims=Claims(terminals=2)))


def test_the_lane_s_limit_is_the_tightest_drop() -> None:
    assert tightest_drop_v(SETS) == 0.5
    assert tightest_drop_v(expected_sets(Setup("X", limits=(files.named_limits("un-r48"),)))) is None


def test_hollow_first_and_solid_later_on_the_screen(tmp_path: Path) -> None:
    """The whole way from the board: flashes are provisional from the second on, and count from the eighth on."""

    async def main() -> None:
        choices = Choices(procedure="decide", limits=("un-r48", "sae-j945"), claims=Claims(terminals=2))
        async with at_screen("sim://bench-nc-2x21?seed=3", tmp_path, choices=choices) as at:
            told: list[tuple[int, bool, bool]] = []
            gauges_show = at.app.work.running.gauges.show

            def show(verdicts: object, measured: Measured | None, flashes: int) -> None:
                test = at.app.state.test
                if test is not None and test.values is not None and test.step is not None and test.step.name == "rated":
                    figures = figures_of(test, ())
                    told.append((flashes, figures[0].found is not None, figures[0].counts))
                gauges_show(verdicts, measured, flashes)  # type: ignore[arg-type]

            at.app.work.running.gauges.show = show  # type: ignore[method-assign]
            await at.scan("4711")
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            assert told and all(found for flashes, found, _ in told if flashes >= 3)
            assert not any(found for flashes, found, _ in told if flashes < 2)
            assert not any(counts for flashes, found, counts in told if flashes < 7)
            assert all(counts for flashes, found, counts in told if flashes > 12)

    asyncio.run(main())
