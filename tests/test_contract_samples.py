"""The contract, sections 3 to 5: frames, time, the scan plan, ranges, the comparator."""

from __future__ import annotations

import os
from itertools import pairwise

import numpy as np
import pytest
from contract_bench import SUPPLY_V, Bench, Hands
from contract_description import Loads, one, readings, settled_samples

from bench.description import BoardDescription, scan_plan
from bench.ports.opening import open_port
from bench.wire import SAMPLES_PER_FRAME, EventFrame, EventKind, Sequencer, format_number, unpack_samples

BURST_OVER_S = 0.02
FOLLOWS_S = 1e-3
LOSING = ("sim://LINK?seed=5&fault=board-overrun", *os.environ.get("MAKEBREAK_CONTRACT_LOSING", "").split())


def test_a_run_is_whole_and_in_order(bench: Bench) -> None:
    bench.do("INIT")
    bench.hold(0.5)
    bench.do("ABOR")
    stopped = bench.event(EventKind.STOPPED)
    stamps = [frame.stamp for frame in bench.frames]
    assert stamps == [SAMPLES_PER_FRAME * k for k in range(len(stamps))]
    assert stamps[-1] + SAMPLES_PER_FRAME <= stopped.stamp < stamps[-1] + 2 * SAMPLES_PER_FRAME
    assert (stopped.sampling, stopped.ticks, stopped.value, stopped.reason) == (False, 0, 0, 0)
    assert all(frame.sampling and not frame.precise and frame.range_number == 0 for frame in bench.frames)
    assert all(frame.run == stopped.run and frame.flags & 0b11111011 == 0 for frame in bench.frames)
    received = len(bench.frames)
    bench.listen(0.1)
    assert len(bench.frames) == received


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
def test_samples_come_at_the_stated_rate(bench: Bench, description: BoardDescription, mode: str) -> None:
    bench.do(f"SENS:MODE {mode}", "INIT")
    bench.hold(0.2)
    begin, first = bench.port.now_s(), len(bench.frames)
    bench.hold(4.0)
    took = bench.port.now_s() - begin
    rate = (len(bench.frames) - first) * SAMPLES_PER_FRAME / took
    tolerance = description.clock_half_width + 0.02
    assert rate == pytest.approx(1.0 / description.sample_period_s(mode), rel=tolerance)
    assert all(frame.precise == (mode == "PREC") for frame in bench.frames)


def test_counts_fit_the_converter(bench: Bench, description: BoardDescription) -> None:
    bench.do("INIT")
    bench.hold(0.2)
    counts = unpack_samples([frame.body for frame in bench.frames])
    assert counts.max() < 1 << description.modes["FAST"].bits


def test_runs_are_numbered_and_each_begins_at_zero(bench: Bench) -> None:
    runs = []
    for _ in range(6):
        bench.fresh()
        bench.do("INIT")
        bench.wait_for(lambda: len(bench.frames) > 2, 0.5)
        assert bench.frames[0].stamp == 0
        runs.append(bench.frames[0].run)
        bench.do("ABOR")
        assert bench.event(EventKind.STOPPED).run == runs[-1]
    assert [(b - a) % 4 for a, b in pairwise(runs)] == [1] * 5
    bench.do("*RST")
    bench.fresh()
    bench.do("INIT")
    bench.wait_for(lambda: bool(bench.frames), 0.5)
    assert (bench.frames[0].run - runs[-1]) % 4 == 1, "*RST leaves the run number alone"


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
def test_lines_that_come_while_a_run_begins_are_heard(bench: Bench, mode: str) -> None:
    bench.do(f"SENS:MODE {mode}")
    for waits in (5, 7, 9):
        bench.replies.clear()
        bench.send("\n".join(["INIT", "ABOR", "INIT", *["*WAI"] * waits, "*OPC?"]))
        bench.wait_for(lambda: bool(bench.replies), 0.5)
        bench.do("ABOR")


def test_the_sequence_counts_frames_of_any_type(bench: Bench, loads: Loads) -> None:
    bench.do("INIT")
    for _ in range(6):
        bench.do(f"ROUT:CLOS {one(loads.a)}", f"ROUT:OPEN {one(loads.a)}")
        bench.hold(0.2)
    bench.do("ABOR", "*RST")
    bench.listen(0.05)
    sequence = [piece.sequence for piece in bench.order if not hasattr(piece, "text")]
    assert len(sequence) > 60
    assert {(b - a) % 256 for a, b in pairwise(sequence)} == {1}


def test_the_range_is_shown_in_every_frame_and_every_channel_follows_it(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """The same volts through each range that reaches so far, by its own scale and zero."""
    found = {}
    for r in description.channels["v_in"].ranges:
        if r.high < 1.1 * SUPPLY_V:
            continue
        bench.fresh()
        bench.do(f"SENS:VOLT:RANG {format_number(r.high)}", "INIT", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
        bench.hold(0.6)
        bench.fresh()
        bench.hold(0.3)
        assert all(frame.range_number == r.number for frame in bench.frames)
        for name in ("v_in", "v_out"):
            mean = float(np.mean(list(readings(bench.frames, description, name).values())))
            found[r.number, name] = mean, description.channels[name].range(r.number).u_at(mean)
        bench.do("*RST")
    assert found
    for (number, name), (mean, u) in found.items():
        other, u_other = found[0, name]
        assert mean == pytest.approx(other, abs=5.0 * float(np.hypot(u, u_other))), f"{name} in range {number}"
        assert mean == pytest.approx(SUPPLY_V, abs=0.6)


def test_the_stamp_asked_for_is_now(bench: Bench, description: BoardDescription) -> None:
    """A moment between question and answer, however late that comes: behind the frames heard before, not ahead of those heard since."""
    bench.do("INIT")
    period, ticks = description.sample_period_s("FAST"), description.modes["FAST"].ticks_per_sample
    found = []
    for _ in range(2):
        bench.hold(0.3)
        before_s, heard = bench.port.now_s(), bench.frames[-1].stamp
        stamp, part = bench.numbers("SYST:STAM?")
        found.append((before_s, stamp * period, bench.port.now_s()))
        assert 0 <= part < ticks
        assert heard + SAMPLES_PER_FRAME - 1 <= stamp <= bench.frames[-1].stamp + 4 * SAMPLES_PER_FRAME
    (asked_s, first_s, told_s), (again_s, second_s, end_s) = found
    slack_s = 0.005 + description.clock_half_width * (end_s - asked_s)
    assert again_s - told_s - slack_s <= second_s - first_s <= end_s - asked_s + slack_s


def test_ticks_tell_parts_of_an_interval(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """Of switching at moments that have nothing to do with the samples, and of stamps asked for, ticks lie anywhere within an interval."""
    bench.do("INIT", f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    asked = []
    for k in range(16):
        bench.do(f"OUTP {'OFF' if k % 2 else 'ON'}")
        bench.listen(0.0253137)
        asked.append(bench.numbers("SYST:STAM?")[1])
    bench.hold(0.1)
    full = description.modes["FAST"].ticks_per_sample
    for ticks in ([e.ticks for e in bench.of_kind(EventKind.SWITCHED)], [e.ticks for e in bench.of_kind(EventKind.BURST)], asked):
        assert len(ticks) == 16
        assert all(0 <= t < full for t in ticks)
        # A program looks at its lines in step with its samples, so not anywhere with the same probability.
        # A clock may have few ticks in an interval, or one.
        assert len(set(ticks)) > min(6, full // 2) and max(ticks) - min(ticks) >= 0.15 * (full - 1)


def test_switching_is_stamped_within_its_run(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """The voltage at the unit's input must be dead before the stamp of `OUTP ON` and alive after it."""
    bench.do(f"ROUT:CLOS {one(loads.a)}", "INIT")
    bench.hold(0.1)
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.1)
    event = bench.event(EventKind.SWITCHED)
    assert event.master and event.sampling and event.value == 1 << (loads.a - 1)
    assert 0 <= event.ticks < description.modes["FAST"].ticks_per_sample
    volts = readings(bench.frames, description, "v_in")
    before = [v for s, v in volts.items() if s <= event.stamp]
    # The input's filter takes some of its time constants.
    after = [v for s, v in volts.items() if s > event.stamp + settled_samples(description, "v_in")]
    assert len(before) > 3 and max(before) < 1.0
    assert len(after) > 3 and min(after) > 5.0
    first = min(s for s, v in volts.items() if v > 2.0)
    assert first - event.stamp <= description.slots + settled_samples(description, "v_in")
    assert all(f.master == (f.stamp > event.stamp) for f in bench.frames)


def test_the_header_is_that_of_the_first_sample(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """Comparator, master and loads, at many places within a frame."""
    bench.do("INIT", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
    bench.fresh()
    for k in range(20):
        bench.do(f"OUTP {'ON' if k % 2 else 'OFF'}")
        bench.listen(0.024 + 0.0003 * k)
    bench.hold(0.1)
    switched = bench.of_kind(EventKind.SWITCHED)
    within = round(FOLLOWS_S / description.sample_period_s("FAST"))
    for frame in bench.frames:
        past = [e.master for e in switched if e.stamp < frame.stamp]
        assert frame.master == (past[-1] if past else True)
        if not any(0 <= frame.stamp - e.stamp <= within for e in switched):
            assert frame.comparator == frame.master


@pytest.mark.parametrize("mode", ["FAST", "PREC"])
def test_channels_stand_where_the_plan_says(bench: Bench, description: BoardDescription, mode: str) -> None:
    """The self-check channel reads its standard, and temperature something like a room's."""
    bench.do(f"SENS:MODE {mode}", "INIT")
    bench.hold(0.3 if mode == "FAST" else 1.0)
    counts = np.concatenate([unpack_samples([f.body])[0] for f in bench.frames])
    plan = scan_plan(description)
    period = 64 * description.slots
    whole = counts[: len(counts) // period * period].reshape(-1, period)
    for check in description.checks:
        r = description.channels[check.channel].range(0)
        reading = (whole[:, plan[check.channel]].mean() - r.zero) * r.scale
        u = np.hypot(check.u, np.hypot(r.u_scale * check.expected, np.hypot(r.u_zero, r.u_line)))
        assert abs(reading - check.expected) < 5 * u
    temperature = description.channels.get("temperature")
    if temperature is not None and temperature.curve is not None:
        ratio = float(whole[:, plan["temperature"]].mean()) / (1 << description.modes[mode].bits)
        assert -20.0 < temperature.curve.temperature_c(ratio) < 60.0


def test_channels_at_rest_read_nothing(bench: Bench, description: BoardDescription) -> None:
    """With everything open, voltages and currents lie at zero within five times what the description allows them."""
    bench.do("INIT")
    bench.hold(0.4)
    for name in ("v_in", "v_out", "v_drop", "i_load", "i_load_low", "v_pilot"):
        if name in description.channels:
            r = description.channels[name].range(0)
            mean = float(np.mean(list(readings(bench.frames, description, name).values())))
            assert abs(mean) < 5.0 * r.u_at(0.0) + r.scale, name


# --- the comparator ---


def moment(event: EventFrame, description: BoardDescription) -> float:
    return (event.stamp + event.ticks / description.modes["FAST"].ticks_per_sample) * description.sample_period_s("FAST")


def test_the_comparator_marks_make_and_break(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {one(loads.a)}", "INIT")
    bench.hold(0.1)
    for word, level in (("ON", True), ("OFF", False)):
        bench.fresh()
        bench.do(f"OUTP {word}")
        bench.hold(0.1)
        switched, burst = bench.event(EventKind.SWITCHED), bench.event(EventKind.BURST)
        assert (burst.reason, burst.comparator) == (int(level), level)
        assert burst.value % 2 == 1
        assert 0.0 <= moment(burst, description) - moment(switched, description) <= FOLLOWS_S
        assert bench.frames[-1].comparator == level
        assert sum(f.edges for f in bench.frames) + sum(e.edges for e in bench.events) == burst.value
        order = [piece for piece in bench.order if isinstance(piece, EventFrame)]
        assert order == [switched, burst]


def test_a_burst_is_stamped_at_its_first_change_and_counts_them_all(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """On, off and on again within 20 ms are one burst; where the cable's delays put more between them, several."""
    bench.do(f"ROUT:CLOS {one(loads.a)}", "INIT")
    bench.hold(0.1)
    bench.fresh()
    for word in ("ON", "OFF", "ON", "OFF", "ON"):
        bench.send(f"OUTP {word}")
        bench.listen(0.006)
    bench.hold(0.1)
    groups: list[list[EventFrame]] = []
    for event in bench.of_kind(EventKind.SWITCHED):
        if groups and moment(event, description) - moment(groups[-1][-1], description) < BURST_OVER_S:
            groups[-1].append(event)
        else:
            groups.append([event])
    bursts = bench.of_kind(EventKind.BURST)
    assert sum(len(group) for group in groups) == 5
    assert len(bursts) == len(groups)
    for burst, group in zip(bursts, groups, strict=True):
        assert 0.0 <= moment(burst, description) - moment(group[0], description) <= FOLLOWS_S
        assert burst.value >= len(group) and (burst.value - len(group)) % 2 == 0
        assert burst.comparator == group[-1].master == bool(burst.reason)
    assert sum(f.edges for f in bench.frames) + sum(e.edges for e in bench.events) == sum(burst.value for burst in bursts)


def test_a_burst_that_is_not_over_is_not_reported_nor_one_before_the_run(bench: Bench, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    bench.send("OUTP ON")
    bench.listen(0.005)
    bench.do("INIT")
    bench.hold(0.1)
    bench.send("OUTP OFF")
    bench.listen(0.005)
    bench.do("ABOR")
    bench.hold(0.1)
    bench.do("OUTP ON")
    bench.hold(0.1)
    assert bench.of_kind(EventKind.BURST) == []


def test_edges_are_counted_while_not_sampling_too(bench: Bench, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.05)
    bench.do("OUTP OFF")
    bench.hold(0.05)
    bench.do("OUTP ON")
    bench.hold(0.05)
    assert bench.of_kind(EventKind.BURST) == []
    bench.do("*RST")
    bench.hold(0.05)
    # The last switch's own change may come before its event is ready, or with the next frame.
    assert sum(e.edges for e in bench.of_kind(EventKind.SWITCHED)) in (3, 4)


def test_the_comparator_is_high_above_half_the_input(
    bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads
) -> None:
    """A lamp behind a resistor: cold it has a small part of the input, lit more than half, and on its way it crosses the half slowly."""
    if hands is None:
        return
    hot_ohm = SUPPLY_V / loads.amps(SUPPLY_V, loads.a)
    with hands.resistor(0.5 * hot_ohm):
        bench.do(f"ROUT:CLOS {one(loads.a)}", "INIT")
        bench.fresh()
        bench.do("OUTP ON")
        bench.hold(2.0)
        bench.do("ABOR")
    (burst,) = bench.of_kind(EventKind.BURST)
    v_in, v_out = (readings(bench.frames, description, name) for name in ("v_in", "v_out"))
    within = 4 * description.slots
    ratio = np.mean([v for s, v in v_out.items() if abs(s - burst.stamp) <= within]) / np.mean(
        [v for s, v in v_in.items() if abs(s - burst.stamp) <= within]
    )
    assert ratio == pytest.approx(0.5, abs=0.03)
    assert (burst.reason, burst.value % 2) == (1, 1)


def test_the_comparators_input_counts_as_a_volt_at_least(
    bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads
) -> None:
    """Where nearly nothing is at the input, its half is nearly nothing too: half a volt is asked for, in the smallest range."""
    if hands is None:
        return
    smallest = min(description.channels["v_in"].ranges, key=lambda r: r.high)
    high = {}
    for volts in (0.2, 0.42, 0.6, 1.5, 5.0):
        with hands.supply(volts):
            bench.do(f"SENS:VOLT:RANG {format_number(smallest.high)}", f"ROUT:CLOS {one(loads.a)}", "OUTP ON", "INIT")
            bench.hold(1.0)
            high[volts] = bench.frames[-1].comparator
            bench.do("*RST")
    assert high == {0.2: False, 0.42: False, 0.6: True, 1.5: True, 5.0: True}


# --- samples lost ---


@pytest.mark.parametrize("address", LOSING)
def test_lost_samples_are_said_by_the_next_frame(address: str) -> None:
    """Of a board that loses frames. (That no other frame says so is seen in every test.)"""
    bench = Bench(open_port(address))
    bench.listen(0.1)
    bench.sequencer = Sequencer()
    bench.do("*RST", "*CLS", "INIT")
    bench.hold(3.0)
    assert bench.sequencer.count.samples_lost > 0
    assert bench.sequencer.count.frames_missing == 0, "what was never sent takes no number"
