"""Gauges: the band between its posts, the value as a diamond on the right side of them, words that say the same."""

from __future__ import annotations

import asyncio

import pytest
from rich.cells import cell_len
from sample_records import FLASHING, HOSTILE, estimate, good_values
from stub_screen import StubApp, play, text_of
from textual.pilot import Pilot

from bench import files
from bench.limits import LimitSet
from bench.measure import BenchFault, Measured
from bench.render.names import NOT_MEASURED
from bench.tui.gauge import Gauges, RowWidths, gauge_lines
from bench.tui.gauge_rows import Row, merged, placed, rows_of, rows_of_verdict
from bench.tui.gauge_scale import ABOVE, BELOW, POST, VALUE, VALUE_OUTSIDE, gauge, scale_for
from bench.uncertainty import Measurement, NotMeasured
from bench.verdict import Verdict, judge

USUAL = ("un-r48", "sae-j945")


def sets(*names: str) -> list[LimitSet]:
    return [files.named_limits(name)[1][0] for name in names]


def expected(*names: str) -> tuple[Row, ...]:
    return merged(row for one in sets(*names) for requirement in one.requirements for row in rows_of(requirement))


def judged(measured: Measured, *names: str) -> tuple[Verdict, ...]:
    return tuple(verdict for one in sets(*names) for verdict in judge(measured, one))


def lines(measured: Measured, *names: str, width: int = 78, height: int = 30) -> list[str]:
    verdicts = judged(measured, *names)
    rows = placed(expected(*names), merged(row for verdict in verdicts for row in rows_of_verdict(verdict)))
    return [line.plain for line in gauge_lines(rows, measured, 18, width, height, {})]


def of(found: list[str], title: str) -> str:
    return next(line for line in found if line.startswith(title))


def values(**changed: Measurement) -> Measured:
    return Measured({**good_values(), **changed}, FLASHING)


# One gauge.


def test_an_empty_gauge_shows_where_the_value_must_land() -> None:
    assert gauge(60.0, 120.0, 20).plain == "·····┃░░░░░░░░┃·····"
    assert gauge(60.0, 120.0, 20, edges=("60", "120")).plain == "···60┃░░░░░░░░┃120··"
    assert gauge(None, 0.5, 20).plain == "░░░░░░░░░░░░░┃······"
    assert gauge(60.0, None, 20).plain == "······┃░░░░░░░░░░░░░"


def test_value_and_uncertainty_by_hand() -> None:
    # Posts at cells 5 and 14: a cell is 60 / 9; 90 lies at 5.5 + 4.5 = 10.0.
    assert gauge(60.0, 120.0, 20, 90.0).plain == "·····┃░░░░◆░░░┃·····"
    assert gauge(60.0, 120.0, 20, 90.0, 14.0).plain == "·····┃░━━━◆━━░┃·····"
    # Of this U both ends reach over the posts, which stay.
    assert gauge(60.0, 120.0, 20, 90.0, 33.5).plain == "····━┃━━━━◆━━━┃━····"


@pytest.mark.parametrize("width", [9, 10, 17, 18, 40, 61])
@pytest.mark.parametrize(("low", "high"), [(60.0, 120.0), (None, 0.5), (60.0, None), (0.0, 0.0), (None, 0.0), (-3.0, -1.0), (0.3, 0.75)])
def test_the_diamond_stands_on_the_side_where_the_value_lies(low: float | None, high: float | None, width: int) -> None:
    scale = scale_for(low, high, width)
    for k in range(-20, 150):
        value = scale.start + k * scale.per_cell / 3.0 * width / 30.0
        text = gauge(low, high, width, value).plain
        assert len(text) == width
        assert text.count(POST) == (low is not None) + (high is not None)
        marks = [n for n, c in enumerate(text) if c in (VALUE, VALUE_OUTSIDE, BELOW, ABOVE)]
        assert len(marks) == 1
        inside = (low is None or value >= low) and (high is None or value <= high)
        if BELOW not in text and ABOVE not in text:
            assert inside == (scale.first_inside <= marks[0] <= scale.last_inside)
            assert text[marks[0]] == (VALUE if inside else VALUE_OUTSIDE), "told by shape too"
        else:
            assert marks[0] in (0, width - 1)


def test_a_value_off_the_scale_is_an_arrow_at_the_edge() -> None:
    assert gauge(60.0, 120.0, 20, 1000.0).plain[-1] == ABOVE
    assert gauge(60.0, 120.0, 20, -1000.0).plain[0] == BELOW
    assert gauge(60.0, 120.0, 20, 1000.0, edges=("60", "120")).plain == "···60┃░░░░░░░░┃120·►"


def test_a_number_gives_way_to_the_value() -> None:
    assert gauge(60.0, 120.0, 20, 130.0, edges=("60", "120")).plain == "···60┃░░░░░░░░┃·✗···"


# The rows.


def test_before_a_test_every_row_says_not_yet() -> None:
    found = [line.plain for line in gauge_lines(expected(*USUAL), None, 0, 78, 12, {})]
    assert found[0] == "starting time not yet   first light not yet   first extinction not yet"
    assert "no flash yet" in found[1]
    assert len(found) == 6
    assert all(line.count("not yet") == 2 for line in found[2:])
    assert all(cell_len(line) == 78 for line in found[1:])


def test_two_sets_that_ask_the_same_share_a_row() -> None:
    rates = [row for row in expected(*USUAL) if "flash rate" in row.requirement.title]
    assert len(rates) == 1


def test_the_words_repeat_the_gauge() -> None:
    measured = values(
        rate_per_min=estimate(136.8, "1/min", 0.07),
        drop_v=estimate(0.499, "V", 0.03),
        drop_largest_v=estimate(0.81, "V", 0.05),
        start_largest_s=NotMeasured("samples were lost during the start", "bench"),
        first_light_s=NotMeasured("the lamps did not light"),
    )
    found = lines(measured, *USUAL)
    assert "18 flashes counted" in found[1]
    assert of(found, "flash rate").rstrip().endswith("✗ outside")
    assert "136.80 ± 0.15 /min" in of(found, "flash rate")
    assert of(found, "on-time").rstrip().endswith("✓ inside")
    assert of(found, "contact drop").rstrip().endswith("○ near the edge")
    assert of(found, "largest contact drop").rstrip().endswith("△ near the edge")
    assert "first light not yet" in found[0] and "steady current" in found[6]


@pytest.mark.parametrize("width", [78, 90, 103, 104, 118, 160, 220])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    for names in (USUAL, ("outage-qct501", "us-turn-open"), ("iso-4082",)):
        assert all(cell_len(line) <= width for line in lines(values(), *names, width=width))
    columns = RowWidths.of(width)
    assert columns.gauge >= 9


def test_rows_that_have_no_room_are_counted_and_the_worst_is_named() -> None:
    found = lines(values(drop_largest_v=estimate(0.9, "V", 0.001)), *USUAL, height=4)
    assert len(found) == 4
    assert found[-1] == "and 2 more; the worst: largest contact drop ✗ outside"
    assert "not yet" in [line.plain for line in gauge_lines(expected(*USUAL), None, 0, 78, 4, {})][-1]


def test_the_times_share_a_line_and_the_worst_is_never_left_out() -> None:
    measured = values(
        start_s=estimate(1.6, "s", 0.001), start_largest_s=NotMeasured("samples were lost during the start", "bench"),
        first_light_s=estimate(0.0021, "s", 0.0001), first_extinction_s=estimate(0.35, "s", 0.0005),
    )  # fmt: skip
    wide = lines(measured, *USUAL, width=160)[0]
    assert wide == (
        f"starting time 1600.0 ms ✗ outside   first light 2 ms ✓   first extinction 350.0 ms ✓   longest starting time {NOT_MEASURED}"
    )
    assert lines(measured, *USUAL, width=80)[0] == f"starting time 1600.0 ms ✗ outside   longest starting time {NOT_MEASURED}"
    assert lines(measured, *USUAL, width=45)[0] == "starting time 1600.0 ms ✗ outside"


def test_rows_keep_their_places_and_new_ones_come_last() -> None:
    verdicts = judged(values(), "sae-j945", "us-turn-closed-2")
    rows = placed(expected(*USUAL), merged(row for verdict in verdicts for row in rows_of_verdict(verdict)))
    assert [row.key for row in rows][: len(expected(*USUAL))] == [row.key for row in expected(*USUAL)]
    assert len(rows) > len(expected(*USUAL))


def test_alternatives_and_facts_have_rows() -> None:
    found = lines(values(), "outage-qct501")
    assert any(line.startswith("    flash rate, lamp out") for line in found)
    dark = Measured({}, {"behaviour": "dark", "rest": "open", "pilot": "dead"})
    assert "the lamps stay dark" in of(lines(dark, *USUAL), "flash rate")
    assert "not as asked" in of(lines(dark, *USUAL), "flash rate")


def test_a_bench_fault_takes_the_word() -> None:
    fault = BenchFault("lamp", "the current is that of one lamp")
    found = lines(Measured(good_values(), FLASHING, (fault,)), *USUAL)
    assert of(found, "flash rate").rstrip().endswith("! bench fault")


def test_outside_text_is_no_markup() -> None:
    found = lines(values(drop_v=NotMeasured(HOSTILE, "bench")), *USUAL, width=160)
    assert "[/b]\\x1b[2J" in of(found, "contact drop")


def test_the_widget_shows_bands_first_and_then_values() -> None:
    gauges = Gauges()

    async def script(app: StubApp, pilot: Pilot[None]) -> None:
        gauges.expect(sets(*USUAL))
        await pilot.pause()
        assert "no flash yet" in text_of(app)
        assert VALUE not in text_of(app)
        measured = values()
        gauges.show(judged(measured, *USUAL), measured, 18)
        await pilot.pause()
        assert "107.93 ± 0.11 /min" in text_of(app)
        assert VALUE in text_of(app)

    asyncio.run(play(StubApp(lambda _: gauges), script, (80, 16)))
