"""The contract, section 2: loads and the master switch, also live; *RST; the events that tell of it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from contract_bench import Bench, Hands
from contract_description import SYSTEM_V, Loads, bits, current_channel, loop_ohm, one, readings, seconds, settled_samples

from bench.description import BoardDescription
from bench.lamps import cold_conductance
from bench.wire import SAMPLES_PER_FRAME, EventFrame, EventKind, SampleFrame, TripCause, format_channels, format_number

COOL_S = 6.0


def test_loads_close_and_open_as_told(bench: Bench, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {format_channels((loads.a, loads.other))}")
    assert bench.closed() == {loads.a, loads.other}
    bench.do(f"ROUT:CLOS {one(loads.b)}", f"ROUT:OPEN {one(loads.other)}")
    assert bench.closed() == {loads.a, loads.b}
    bench.do("OUTP ON", "ROUT:OPEN:ALL")
    assert (bench.closed(), bench.is_on("OUTP?")) == (frozenset(), True)
    bench.do("*RST")
    assert (bench.closed(), bench.is_on("OUTP?")) == (frozenset(), False)


def test_each_load_has_its_own_bit(bench: Bench, loads: Loads) -> None:
    for n in loads.all:
        bench.fresh()
        bench.do(f"ROUT:CLOS {one(n)}")
        assert bench.event(EventKind.SWITCHED).loads == bits(*(m for m in loads.all if m <= n))
    assert bench.closed() == set(loads.all)


def test_a_refused_line_changes_nothing(bench: Bench, loads: Loads) -> None:
    bench.do(f"ROUT:CLOS {one(loads.b)}")
    bench.fresh()
    for line in (f"ROUT:CLOS (@{loads.a},{loads.lacking})", f"ROUT:OPEN (@{loads.b},{loads.lacking})"):
        bench.refused(line, -222)
    assert bench.closed() == {loads.b}
    assert bench.of_kind(EventKind.SWITCHED) == []


def test_switching_is_one_event_with_what_was_before(bench: Bench, loads: Loads) -> None:
    both = frozenset((loads.a, loads.b))
    bench.do(f"ROUT:CLOS {loads.both}")
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.master, event.value, event.reason) == (both, False, 0, 0)
    assert (event.stamp, event.ticks, event.sampling) == (0, 0, False)
    bench.fresh()
    bench.do(f"ROUT:CLOS {loads.both}", f"ROUT:OPEN {one(loads.other)}", "OUTP OFF")
    bench.listen(0.05)
    assert bench.events == []
    bench.do("OUTP ON")
    assert (bench.event(EventKind.SWITCHED).master, bench.event(EventKind.SWITCHED).value) == (True, loads.both_bits)
    bench.fresh()
    bench.do("OUTP ON", "*RST")
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.master, event.value) == (frozenset(), False, 0x100 | loads.both_bits)
    bench.fresh()
    bench.do("*RST")
    assert bench.events == []


def test_rst_opens_first_and_then_stops_sampling(bench: Bench, loads: Loads) -> None:
    bench.do("INIT", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
    bench.hold(0.1)
    bench.fresh()
    bench.do("*RST")
    bench.listen(0.05)
    opened, stopped = (e for e in bench.events if e.kind != EventKind.BURST)
    assert (opened.kind, opened.loads, opened.master, opened.sampling) == (EventKind.SWITCHED, 0, False, True)
    assert opened.value == 0x100 | bits(loads.a)
    assert (stopped.kind, stopped.sampling, stopped.ticks, stopped.reason, stopped.value) == (EventKind.STOPPED, False, 0, 0, 0)
    assert 0 < opened.stamp < stopped.stamp


# --- loads switched while master is on and while sampling ---


def lit(bench: Bench, channels: str, for_s: float = 1.0) -> None:
    """Sampling, master on, these loads lit for so long; then forget what was heard."""
    bench.do("INIT", f"ROUT:CLOS {channels}", "OUTP ON")
    bench.hold(for_s)
    bench.fresh()


def assert_the_run_goes_on(bench: Bench, switched: list[EventFrame]) -> None:
    """Frames without a gap, one run, master on, no trip, no change of the comparator; headers with the loads at their first sample."""
    stamps = [frame.stamp for frame in bench.frames]
    assert [b - a for a, b in pairwise(stamps)] == [SAMPLES_PER_FRAME] * (len(stamps) - 1)
    heard: list[SampleFrame | EventFrame] = [*bench.frames, *bench.events]
    assert len({frame.run for frame in heard}) == 1
    assert all(frame.master and frame.sampling and not frame.tripped and frame.edges == 0 for frame in heard)
    assert bench.events == switched
    # A chain of before and after, and in between the frames.
    assert [e.value & 0xFF for e in switched[1:]] == [e.loads for e in switched[:-1]]
    assert all(e.value & 0x100 and e.reason == 0 and e.value & 0xFF != e.loads for e in switched)
    moments = [(e.stamp, e.ticks) for e in switched]
    assert moments == sorted(moments)
    for frame in bench.frames:
        past = [e.loads for e in switched if e.stamp < frame.stamp]
        assert frame.loads == (past[-1] if past else switched[0].value & 0xFF)
    assert stamps[0] <= switched[0].stamp and switched[-1].stamp < stamps[-1]


def volts_at_lamps(bench: Bench, description: BoardDescription) -> float:
    return float(np.mean(list(readings(bench.frames, description, "v_out").values())))


def test_lamps_take_what_their_watts_say(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """Within the tolerance of new lamps of 6 %, small ones of 10 % and of either objective, and as much for age and the board's errors."""
    channel = description.channels[current_channel(description)]
    # Against a small lamp's current the zero of a wide range counts.
    wide = 2.0 * channel.range(0).u_zero if channel.name == "i_load" else 0.0
    for n, load in description.loads.items():
        if load.kind != "LAMP":
            continue
        lit(bench, one(n), 0.5)
        bench.hold(0.3)
        found = float(np.mean(list(readings(bench.frames, description, channel.name).values())))
        expected = loads.amps(volts_at_lamps(bench, description), n)
        assert 0.8 * expected - wide < found < (1.12 if load.nominal > 10.0 else 1.4) * expected + wide, f"load {n}"
        bench.do("*RST")


def test_the_loop_costs_no_more_than_the_description_says(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """As much of it as lies before the unit's output is seen there: the fall between no load and two lamps, by their current."""
    loop, channel = description.loop, description.channels["v_out"].range(0)
    if loop is None:
        return
    means = []
    for channels in ("(@)", loads.both):
        lit(bench, channels, 0.7)
        bench.hold(0.3)
        means.append([float(np.mean(list(readings(bench.frames, description, name).values()))) for name in ("v_in", "v_out", "i_load")])
        bench.do("*RST")
    (idle_v, _, _), (_, lit_v, amps) = means
    u_v = 2.0 * channel.u_at(idle_v)
    assert 0.3 * loop.ohm * amps - 3.0 * u_v < idle_v - lit_v < 1.06 * (loop.ohm + 3.0 * loop.u_ohm) * amps + 3.0 * u_v


def test_a_load_opened_live_takes_its_current_away_at_its_stamp(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    lit(bench, loads.both)
    bench.do(f"ROUT:OPEN {one(loads.b)}")
    bench.hold(0.1)
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.value) == (frozenset({loads.a}), 0x100 | loads.both_bits)
    assert 0 <= event.ticks < description.modes["FAST"].ticks_per_sample
    assert_the_run_goes_on(bench, [event])
    current = readings(bench.frames, description, "i_load")
    before = np.array([a for s, a in current.items() if s <= event.stamp])
    after = np.array([a for s, a in current.items() if s > event.stamp + settled_samples(description)])
    # What stays gets what the loop no longer costs.
    both, alone = float(before.mean()), float(after.mean())
    volts = volts_at_lamps(bench, description)
    share = loads.amps(volts, loads.a) / loads.amps(volts, loads.a, loads.b)
    assert both == pytest.approx(loads.amps(volts, loads.a, loads.b), rel=0.25)
    assert alone == pytest.approx(share * both, abs=0.08 * both)
    assert before.min() > 0.5 * (both + alone) > after.max()


def test_a_cold_load_closed_live_adds_its_inrush_and_then_a_lamps_current(
    bench: Bench, description: BoardDescription, loads: Loads
) -> None:
    """What the over-current level covers at a start with both lamps cold it covers when one is lit."""
    level, delay = description.limits["CURR"], description.limits["DELAY"]
    bench.do("INIT", f"ROUT:CLOS {loads.both}")
    bench.hold(COOL_S)
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.2)
    most = max(readings(bench.frames, description, "i_load").values())
    idle_v = max(readings(bench.frames, description, "v_in").values())
    assert level.low < 0.9 * most < level.high
    bench.do(f"ROUT:OPEN {one(loads.b)}", f"CURR:PROT {format_number(0.9 * most)}", f"CURR:PROT:DEL {format_number(delay.low)}")
    bench.hold(COOL_S)
    bench.fresh()
    bench.do(f"ROUT:CLOS {one(loads.b)}")
    bench.hold(1.0)
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.value) == (frozenset({loads.a, loads.b}), 0x100 | bits(loads.a))
    assert_the_run_goes_on(bench, [event])
    current = readings(bench.frames, description, "i_load")
    period = description.sample_period_s("FAST")
    alone = float(np.mean([a for s, a in current.items() if s <= event.stamp]))
    early = [a for s, a in current.items() if 0 < s - event.stamp <= 0.003 / period]
    late = [a for s, a in current.items() if s - event.stamp > 0.8 / period]
    # The cold lamp's conductance beside the lit one's, both behind the loop; it warms up from the first sample on.
    siemens = cold_conductance([description.loads[loads.b].nominal], SYSTEM_V) + alone / idle_v
    inrush = idle_v * siemens / (1.0 + loop_ohm(description) * siemens)
    assert max(a for s, a in current.items() if s <= event.stamp) < 1.2 * alone
    assert 0.7 * inrush < max(early) == max(current.values()) < min(1.1 * inrush, 0.9 * most)
    assert max(early) > 5.0 * alone
    volts = volts_at_lamps(bench, description)
    assert float(np.mean(late)) == pytest.approx(alone * loads.amps(volts, loads.a, loads.b) / loads.amps(volts, loads.a), rel=0.08)
    first = min(s for s, a in current.items() if a > 2.0 * alone)
    assert 0 < first - event.stamp <= 2 * description.slots


@pytest.mark.parametrize("at_once", [False, True])
def test_several_live_toggles_in_a_row(bench: Bench, loads: Loads, at_once: bool) -> None:
    lit(bench, loads.both, 0.5)
    lines = [f"ROUT:{word} {one(loads.b)}" for _ in range(3) for word in ("OPEN", "CLOS")]
    rounds = 8
    for k in range(rounds):
        # At another place in a frame each time.
        bench.hold(0.03 + 0.0005 * k)
        if at_once:
            bench.send("\n".join(lines))
            assert bench.error() == 0
        else:
            bench.do(*lines[:3])
            bench.do(*lines[3:])
    bench.hold(0.1)
    switched = bench.of_kind(EventKind.SWITCHED)
    assert [e.loads for e in switched] == [bits(loads.a), loads.both_bits] * 3 * rounds
    assert_the_run_goes_on(bench, switched)


def test_loads_toggled_at_ten_hertz(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    lit(bench, loads.both, 0.5)
    # The host's clock before each line, and when the first and the last event had come.
    sent_s, heard_s = [], []
    for k in range(40):
        sent_s.append(bench.port.now_s())
        bench.send(f"ROUT:{'CLOS' if k % 2 else 'OPEN'} {one(loads.b)}")
        if k in (0, 39):
            bench.wait_for(lambda k=k: len(bench.of_kind(EventKind.SWITCHED)) > k, 0.5)  # type: ignore[misc]
            heard_s.append(bench.port.now_s())
        bench.listen(sent_s[-1] + 0.05 - bench.port.now_s())
    bench.hold(0.1)
    assert bench.error() == 0
    switched = bench.of_kind(EventKind.SWITCHED)
    assert [e.loads for e in switched] == [bits(loads.a), loads.both_bits] * 20
    assert_the_run_goes_on(bench, switched)
    least_s, most_s = sent_s[-1] - heard_s[0], heard_s[-1] - sent_s[0]
    slack_s = 0.005 + description.clock_half_width * most_s
    assert least_s - slack_s <= seconds(description, switched[0], switched[-1]) <= most_s + slack_s
    current = readings(bench.frames, description, "i_load")
    settled = settled_samples(description)
    volts = volts_at_lamps(bench, description)
    alone, both = loads.amps(volts, loads.a), loads.amps(volts, loads.a, loads.b)
    for begin, end in pairwise(switched):
        found = [a for s, a in current.items() if begin.stamp + settled < s <= end.stamp]
        if found and begin.loads == bits(loads.a):
            assert min(found) > 0.67 * alone and max(found) < 1.33 * alone
        elif found:
            assert min(found) > 0.78 * both


def test_what_a_line_does_not_name_stays_without_the_shortest_break(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """The lamp that stays lit has its current in every sample, whatever is switched beside it."""
    lit(bench, one(loads.a), 0.7)
    for k in range(12):
        for word in ("CLOS", "OPEN"):
            bench.do(f"ROUT:{word} {one(loads.other)}")
            bench.hold(0.02 + 0.0007 * k)
    bench.hold(0.1)
    current = np.array(list(readings(bench.frames, description, "i_load").values()))
    assert len(bench.of_kind(EventKind.SWITCHED)) == 24
    assert current.min() > 0.5 * loads.amps(volts_at_lamps(bench, description), loads.a)


def test_opening_what_is_open_live_is_nothing(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    lit(bench, one(loads.a), 0.5)
    bench.do(f"ROUT:OPEN {one(loads.b)}", "ROUT:OPEN (@)", f"ROUT:CLOS {one(loads.a)}", "ROUT:CLOS (@)", "OUTP ON")
    bench.hold(0.1)
    assert bench.events == []
    assert bench.closed() == {loads.a}
    assert all(frame.loads == bits(loads.a) and frame.master for frame in bench.frames)
    current = list(readings(bench.frames, description, "i_load").values())
    assert len(current) > 0.08 / description.sample_period_s("FAST") / description.slots
    # Four standard deviations and a half to either side, and the lamp's slow settling.
    assert max(current) - min(current) < 9.0 * description.channels["i_load"].range(0).noise + 0.35


def test_the_last_load_opened_live_leaves_the_master_on(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    lit(bench, one(loads.a), 0.5)
    bench.do(f"ROUT:OPEN {one(loads.a)}")
    bench.hold(0.1)
    opened = bench.event(EventKind.SWITCHED)
    assert (opened.loads, opened.value, opened.master) == (0, 0x100 | bits(loads.a), True)
    bench.do(f"ROUT:CLOS {one(loads.a)}")
    bench.hold(0.1)
    switched = bench.of_kind(EventKind.SWITCHED)
    assert [e.loads for e in switched] == [0, bits(loads.a)]
    assert_the_run_goes_on(bench, switched)
    current = readings(bench.frames, description, "i_load")
    dark = [a for s, a in current.items() if opened.stamp + settled_samples(description) < s <= switched[1].stamp]
    r = description.channels["i_load"].range(0)
    assert len(dark) > 100 and abs(float(np.mean(dark))) < 3.0 * r.u_at(0.0) + 0.01


def test_the_time_since_the_master_was_closed_goes_on_over_live_switching(
    bench: Bench, description: BoardDescription, loads: Loads
) -> None:
    longest = description.limits["TIME"].low
    bench.do(f"OUTP:PROT:TIME {format_number(longest)}", "INIT", f"ROUT:CLOS {loads.both}")
    bench.fresh()
    bench.send("OUTP ON")
    for _ in range(3):
        bench.hold(0.3 * longest)
        bench.send(f"ROUT:OPEN {one(loads.b)}")
        bench.send(f"ROUT:CLOS {one(loads.b)}")
    bench.hold(0.1 * longest + 0.2)
    event = bench.tripped(TripCause.TIME)
    assert len(bench.of_kind(EventKind.SWITCHED)) == 7
    assert seconds(description, bench.master_on(), event) == pytest.approx(longest, abs=0.1)


def test_closing_live_under_a_trip_is_refused(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    silence = description.limits["SIL"].low
    lit(bench, one(loads.a), 0.2)
    bench.do(f"OUTP:PROT:SIL {format_number(silence)}")
    bench.listen(silence + 0.2)
    assert bench.tripped(TripCause.SIL).value == 0x100 | bits(loads.a)
    bench.hold(0.05)
    bench.fresh()
    bench.refused(f"ROUT:CLOS {one(loads.b)}", -221)
    bench.refused("ROUT:CLOS (@)", -221)
    bench.do(f"ROUT:OPEN {one(loads.b)}")
    bench.hold(0.1)
    assert bench.events == []
    assert (bench.is_on("OUTP?"), bench.closed()) == (False, frozenset())
    assert len(bench.frames) > 10 and all(frame.loads == 0 and frame.tripped and frame.sampling for frame in bench.frames)


def test_a_resistor_in_the_units_place_shares_the_volts(
    bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads
) -> None:
    """Where hands can put it there: `v_in - v_out` is what the current leaves on it."""
    if hands is None:
        return
    ohm, channel = 2.0, description.channels[current_channel(description)]
    with hands.resistor(ohm):
        lit(bench, one(loads.a), 1.0)
        bench.hold(0.2)
        bench.do("*RST")
    v_in, v_out, amps = (
        float(np.mean(list(readings(bench.frames, description, name).values()))) for name in ("v_in", "v_out", channel.name)
    )
    u_v = description.channels["v_in"].range(0).u_at(v_in)
    wide = 3.0 * channel.range(0).u_at(amps) if channel.name == "i_load" else 0.0
    assert v_in - v_out == pytest.approx(ohm * amps, abs=6.0 * u_v + ohm * (0.03 * amps + wide))
