"""Lamps switched while the unit flashes, as the screen shows it: one trace that goes on, the load of each step, what was judged before."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from bench_port import bench_port, run_on, setup
from screens import at_screen, run
from stub_screen import StubApp, text_of

from bench.claims import Claims
from bench.files import procedure
from bench.procedure import Procedure
from bench.session import Event, Live, StepBegan, Traced
from bench.simboard.rig import rig_description
from bench.tui.choices import Choices
from bench.tui.panes import LOST
from bench.tui.running import expected_sets, lamps_line, note_line, step_line
from bench.tui.state import Phase, Underway
from bench.tui.theme import THEMES
from bench.tui.trace import LiveTrace

COLOURS = dict(THEMES["dark"].variables)


def brief_decide() -> Procedure:
    """Three flashes on the rated load, then the live steps of the usual procedure."""
    decide = procedure("decide")
    rated, *live = decide.runs[:3]
    return replace(decide, steps=(replace(rated, until_decided=False, cycles=8), *live))


def told() -> list[Event]:
    events: list[Event] = []
    run_on(bench_port("EL"), brief_decide(), progress=events.append)
    return events


def test_steps_tell_their_load_and_whether_they_carry_on() -> None:
    steps = [event for event in told() if isinstance(event, StepBegan)]
    assert [(step.name, step.load, step.lamps, step.live) for step in steps] == [
        ("rated", "2 x 21 W", 2, False), ("one-out", "21 W", 1, True), ("trailer", "3 x 21 W", 3, True),
    ]  # fmt: skip


@pytest.mark.parametrize("size", [(120, 40), (80, 24)])
def test_the_trace_goes_on_where_the_load_is_switched(size: tuple[int, int]) -> None:
    events = told()

    async def main() -> None:
        trace = LiveTrace()
        app = StubApp(lambda _: trace)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            trace.begin({name: channel.unit for name, channel in rig_description(1).channels.items()})
            came_s = 0.0
            since_s = None
            for event in events:
                if isinstance(event, StepBegan) and event.live:
                    trace.mark(f"load {event.load}")
                    since_s = came_s
                if isinstance(event, Traced):
                    assert event.now_s >= came_s, "the board's time goes on"
                    came_s = event.now_s
                    trace.add(event.bins, event.changes)
                if since_s is not None and came_s - since_s > 2.0:
                    break
            await pilot.pause()
            rows = text_of(app).splitlines()
            lamps = next(row for row in rows if row.startswith("lamps"))
            seconds = next(row for row in rows if row.startswith("seconds"))
            assert "└load 21 W" in seconds
            at = seconds.index("└load 21 W")
            assert any(mark in lamps[8:at] for mark in "█▁") and any(mark in lamps[at:] for mark in "█▁"), "both sides are on show"
            assert not any(LOST in row for row in rows), "nothing was lost"
            numbers = [float(word) for word in seconds.replace("└", " ").replace("┘", " ").split() if word.replace(".", "").isdigit()]
            times = [number for number in numbers if number != 21]
            assert times == sorted(times) and times[-1] > 4.0, "seconds since the supply came"

    asyncio.run(main())


def test_a_step_says_what_is_done_on_which_load() -> None:
    events = told()
    steps = {event.name: event for event in events if isinstance(event, StepBegan)}
    live = next(event for event in events if isinstance(event, Live) and event.closed)
    test = Underway(setup(), brief_decide(), step=steps["one-out"], live=replace(live, on_s=1.5))
    for width in (80, 120):
        assert step_line(test, width).plain.startswith("Step 2 of 3: One lamp out, live")
        assert "1.5 s so far" in step_line(test, width).plain
        assert note_line(test, width).plain.startswith("load 21 W   As if one lamp had failed")
        assert lamps_line(test, width, COLOURS).plain.startswith("█ LAMPS LIT")
        assert lamps_line(replace_step(test, steps["trailer"]), width, COLOURS).plain.startswith("███ LAMPS LIT")
        assert f"{live.latest['v_in']:.2f} V" in lamps_line(replace_step(test, steps["trailer"]), width, COLOURS).plain
    test.note = "look at it"
    assert note_line(test, 80).plain == "load 21 W   note: look at it"


def replace_step(test: Underway, step: StepBegan) -> Underway:
    return replace(test, step=step)


def test_what_is_claimed_has_a_row_before_it_is_judged() -> None:
    wanted = expected_sets(setup(claims=Claims(pilot="in step")))
    assert [one.name for one in wanted] == ["un-r48", "claims"]
    assert [one.name for one in expected_sets(setup())] == ["un-r48"]
    assert expected_sets(setup(limits=(), claims=Claims(pilot="in step"))) == []


def test_a_whole_test_on_the_screen_has_one_trace(tmp_path: Path) -> None:
    async def main() -> None:
        async with at_screen("sim://bench-el-plain?seed=3", tmp_path, choices=Choices(procedure="decide")) as at:
            begun: list[str] = []
            running = at.app.work.running
            begin, carry_on = running.begin, running.carry_on
            running.begin = lambda: (begun.append("anew"), begin())  # type: ignore[method-assign, assignment, func-returns-value]
            running.carry_on = lambda step: (begun.append(step.name), carry_on(step))  # type: ignore[method-assign, assignment, func-returns-value]
            await at.scan("4711")
            await at.press("enter")
            await at.phase(Phase.VERDICT)
            assert begun == ["anew", "one-out", "trailer"]

    run(main)


def test_a_simulated_bench_is_taken_with_its_bank(tmp_path: Path) -> None:
    async def main() -> None:
        choices = Choices(procedure="quick", led=True, lamps=(2, 0, 0))
        async with at_screen("sim://bench-el-plain?bank=led", tmp_path, choices=choices) as at:
            await at.graded("4711")
            record = at.app.state.session[-1].record
            assert record.load == "2 x LED 0.15 A"
            assert record.setup.bank is not None and record.setup.bank.name == "led"

    run(main)
