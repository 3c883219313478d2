"""The contract, section 6: what the board does by itself, and how it starts."""

from __future__ import annotations

import pytest
from contract_bench import REPLY_S, SUPPLY_V, Bench, Hands
from contract_description import Loads, bits, one, readings, seconds

from bench.description import BoardDescription
from bench.wire import EventKind, ResetCause, TripCause, format_number
from bench.wire.answers import MODE

TRIP_S = 5e-3
SUPPLY_S = 0.01
SLACK_S = 1e-3  # for the stamp of the closing, and the comparator of the delay


def near(expected_s: float, within_s: float, description: BoardDescription) -> object:
    """Seconds by the board's own clock that are to be those of the page."""
    return pytest.approx(expected_s, abs=within_s + SLACK_S + description.clock_half_width * expected_s)


@pytest.mark.parametrize("part", [0.0, 0.5, 1.0])
def test_a_silent_host_opens_everything(bench: Bench, description: BoardDescription, loads: Loads, part: float) -> None:
    limit = description.limits["SIL"]
    silence = float(f"{limit.low + part * (limit.high - limit.low):.6g}")
    bench.do(f"OUTP:PROT:SIL {format_number(silence)}", "INIT")
    bench.fresh()
    bench.send(f"ROUT:CLOS {loads.both}")
    bench.send("OUTP ON")
    bench.listen(silence + 0.2)
    event = bench.tripped(TripCause.SIL, 0.5)
    assert event.value == 0x100 | loads.both_bits
    assert seconds(description, bench.master_on(), event) == near(silence, 0.1, description)


def test_loads_alone_are_opened_too_and_an_idle_board_does_not_trip(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    silence = description.limits["SIL"].low
    bench.do(f"OUTP:PROT:SIL {format_number(silence)}")
    bench.listen(2.5 * silence)
    assert not bench.is_on("CURR:PROT:TRIP?")
    bench.send(f"ROUT:CLOS {one(loads.other)}")
    bench.listen(silence + 0.2)
    assert bench.tripped(TripCause.SIL).value == bits(loads.other)


def test_the_master_alone_is_opened_too(bench: Bench, description: BoardDescription) -> None:
    silence = description.limits["SIL"].low
    bench.do(f"OUTP:PROT:SIL {format_number(silence)}")
    bench.send("OUTP ON")
    bench.listen(silence + 0.2)
    assert bench.tripped(TripCause.SIL).value == 0x100


@pytest.mark.parametrize("line", ["FOO", "", "OUTP MAYBE", "ROUT:OPEN (@9)", "INIT 1", "x" * 90])
def test_lines_with_errors_do_not_keep_a_board_closed(bench: Bench, loads: Loads, line: str) -> None:
    bench.do("OUTP:PROT:SIL 0.5", f"ROUT:CLOS {one(loads.a)}")
    for _ in range(8):
        bench.send(line)
        bench.listen(0.1)
    bench.tripped(TripCause.SIL)


def test_any_good_line_keeps_it_closed(bench: Bench, loads: Loads) -> None:
    bench.do("OUTP:PROT:SIL 0.5", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
    for line in ("SYST:BEAT", "*OPC?", "*WAI", f"ROUT:CLOS {one(loads.a)}", "CURR:PROT?") * 2:
        bench.send(line)
        bench.listen(0.25)
    bench.hold(REPLY_S)
    assert not bench.is_on("CURR:PROT:TRIP?")
    assert bench.closed() == {loads.a}


def test_the_master_switch_has_a_longest_time(bench: Bench, description: BoardDescription) -> None:
    longest = description.limits["TIME"].low
    bench.do(f"OUTP:PROT:TIME {format_number(longest)}", "INIT")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(longest + 0.2)
    event = bench.tripped(TripCause.TIME)
    assert seconds(description, bench.master_on(), event) == near(longest, 0.1, description)


def test_a_break_begins_the_longest_time_anew_and_closing_what_is_closed_does_not(bench: Bench, description: BoardDescription) -> None:
    longest = description.limits["TIME"].low
    bench.do(f"OUTP:PROT:TIME {format_number(longest)}", "INIT")
    bench.send("OUTP ON")
    bench.hold(0.7 * longest)
    bench.send("OUTP OFF")
    bench.hold(0.1)
    bench.fresh()
    bench.send("OUTP ON")
    bench.hold(0.7 * longest)
    assert bench.of_kind(EventKind.TRIP) == []
    bench.send("OUTP ON")
    bench.hold(0.3 * longest + 0.2)
    event = bench.tripped(TripCause.TIME)
    assert seconds(description, bench.master_on(), event) == near(longest, 0.1, description)


def test_another_protection_setting_holds_at_once(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    longest, silence = description.limits["TIME"].low, description.limits["SIL"]
    bench.do("INIT", f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    bench.send("OUTP ON")
    bench.hold(longest + 0.5)
    bench.do(f"OUTP:PROT:TIME {format_number(longest)}")
    bench.listen(0.15)
    event = bench.tripped(TripCause.TIME)
    assert longest + 0.4 < seconds(description, bench.master_on(), event) < longest + 0.9
    bench.do("*RST", f"OUTP:PROT:SIL {format_number(silence.high)}", f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    bench.send(f"OUTP:PROT:SIL {format_number(silence.low)}")
    bench.listen(silence.low + 0.12)
    bench.tripped(TripCause.SIL)


@pytest.mark.parametrize("delay_s", [0.05, 0.3])
def test_too_much_current_opens_everything_after_the_delay(
    bench: Bench, description: BoardDescription, loads: Loads, delay_s: float
) -> None:
    """Two lamps with the link in the socket, more while cold; the level a little above half of what they take when hot."""
    level = 0.55 * loads.amps(SUPPLY_V, loads.a, loads.b)
    limit = description.limits["CURR"]
    assert limit.low <= level <= limit.high
    bench.do(f"CURR:PROT {format_number(level)}", f"CURR:PROT:DEL {delay_s}", "INIT", f"ROUT:CLOS {loads.both}")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(delay_s + 0.1)
    event = bench.tripped(TripCause.CURR)
    assert event.value == 0x100 | loads.both_bits
    assert seconds(description, bench.master_on(), event) == near(delay_s, TRIP_S, description)


def test_current_below_the_level_does_not_trip(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    bench.do(f"CURR:PROT {format_number(description.limits['CURR'].high)}", f"ROUT:CLOS {loads.both}", "OUTP ON")
    bench.hold(0.5)
    assert not bench.is_on("CURR:PROT:TRIP?")


def test_too_much_current_for_less_than_the_delay_does_not_trip(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    """Cold lamps take more than twice their current for less than half a second; the delay begins anew each time."""
    level = 2.0 * loads.amps(SUPPLY_V, loads.a, loads.b)
    bench.do(f"CURR:PROT {format_number(level)}", "CURR:PROT:DEL 0.5", "INIT", f"ROUT:CLOS {loads.both}")
    bench.hold(4.0)  # lamps of the test before cool
    for _ in range(3):
        bench.fresh()
        bench.do("OUTP ON")
        bench.hold(0.4)
        assert max(readings(bench.frames, description, "i_load").values()) > 1.2 * level
        bench.do("OUTP OFF")
        bench.hold(1.0)
    assert not bench.is_on("CURR:PROT:TRIP?")
    bench.do(f"CURR:PROT {format_number(0.25 * level)}", "OUTP ON")
    bench.hold(0.7)
    bench.tripped(TripCause.CURR)


def test_a_supply_beyond_the_range_opens_everything(bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads) -> None:
    """In the smallest range, for 10 ms: at or above its highest reading; and not below it, and not in a range that reaches."""
    ranges = sorted(description.channels["v_in"].ranges, key=lambda r: r.high)
    if hands is None:
        return
    smallest = ranges[0]
    u_v = 5.0 * smallest.u_at(smallest.high)
    assert 1.04 * smallest.high + u_v < 32.0
    with hands.supply(0.95 * smallest.high - u_v):
        bench.do(f"SENS:VOLT:RANG {format_number(smallest.high)}", "INIT", "OUTP ON")
        bench.hold(0.3)
        assert not bench.is_on("CURR:PROT:TRIP?")
        bench.do("*RST")
    with hands.supply(1.03 * smallest.high + u_v):
        bench.do(f"SENS:VOLT:RANG {format_number(smallest.high)}", f"ROUT:CLOS {one(loads.other)}", "INIT")
        bench.fresh()
        bench.do("OUTP ON")
        bench.hold(0.1)
        event = bench.tripped(TripCause.SUPP)
        assert event.value == 0x100 | bits(loads.other)
        assert seconds(description, bench.master_on(), event) == near(SUPPLY_S, TRIP_S, description)
        # With everything open the input is back in range.
        bench.do("OUTP:PROT:CLE")
        assert not bench.is_on("CURR:PROT:TRIP?")
        bench.do("*RST")
        if ranges[-1].high > 1.2 * smallest.high:
            bench.do(f"SENS:VOLT:RANG {format_number(ranges[-1].high)}", "OUTP ON")
            bench.hold(0.3)
            assert not bench.is_on("CURR:PROT:TRIP?")
        # A board watches whether it is sampling or not.
        bench.do("*RST", f"SENS:VOLT:RANG {format_number(smallest.high)}")
        bench.fresh()
        bench.do("OUTP ON")
        bench.hold(0.1)
        bench.tripped(TripCause.SUPP)
        bench.do("*RST")


def test_current_trips_without_sampling_too(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    level = 0.55 * loads.amps(SUPPLY_V, loads.a, loads.b)
    bench.do(f"CURR:PROT {format_number(level)}", f"ROUT:CLOS {loads.both}")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(description.limits["DELAY"].default + 0.1)
    event = bench.tripped(TripCause.CURR)
    assert (event.stamp, event.ticks, event.sampling) == (0, 0, False)


def test_while_tripped_nothing_closes_and_clearing_closes_nothing(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    limit = description.limits["SIL"]
    silence = limit.low
    bench.do("INIT", f"OUTP:PROT:SIL {format_number(silence)}", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
    bench.listen(silence + 0.2)
    bench.tripped(TripCause.SIL)
    for line in ("OUTP ON", f"ROUT:CLOS {one(loads.a)}", "ROUT:CLOS (@)"):
        bench.refused(line, -221)
    bench.do("OUTP OFF", f"ROUT:OPEN {one(loads.a)}", "ROUT:OPEN:ALL")
    frames = len(bench.frames)
    bench.hold(0.1)
    assert len(bench.frames) > frames and bench.frames[-1].tripped and bench.frames[-1].sampling
    bench.do("OUTP:PROT:CLE")
    assert not bench.is_on("CURR:PROT:TRIP?")
    assert (bench.is_on("OUTP?"), bench.closed()) == (False, frozenset())
    assert bench.number("OUTP:PROT:SIL?") == silence
    bench.do("OUTP:PROT:CLE", f"OUTP:PROT:SIL {format_number(limit.high)}", f"ROUT:CLOS {one(loads.a)}")
    bench.fresh()
    bench.hold(0.1)
    assert not bench.frames[-1].tripped


def test_reset_clears_a_trip_and_the_cause_stays_until_the_next(bench: Bench, description: BoardDescription, loads: Loads) -> None:
    silence, longest = description.limits["SIL"].low, description.limits["TIME"].low
    bench.do(f"OUTP:PROT:SIL {format_number(silence)}", f"ROUT:CLOS {one(loads.a)}")
    bench.listen(silence + 0.2)
    bench.tripped(TripCause.SIL)
    bench.do("*RST")
    assert not bench.is_on("CURR:PROT:TRIP?")
    assert bench.ask("SYST:CAUS?").split(",")[0] == "SIL"
    bench.do(f"ROUT:CLOS {one(loads.a)}", "*CLS", "OUTP:PROT:CLE")
    assert bench.ask("SYST:CAUS?").split(",")[0] == "SIL"
    bench.do(f"OUTP:PROT:TIME {format_number(longest)}")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(longest + 0.2)
    bench.tripped(TripCause.TIME)


def test_the_cause_of_the_last_start_is_known(bench: Bench) -> None:
    assert bench.ask("SYST:CAUS?").split(",")[1] in ResetCause.__members__


# --- starts, where hands can bring them about ---


@pytest.mark.parametrize("cause", [ResetCause.POW, ResetCause.EXT])
def test_a_start_is_told_and_all_is_as_the_page_has_it(
    bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads, cause: ResetCause
) -> None:
    if hands is None:
        return
    silence = description.limits["SIL"].low
    bench.do(f"ROUT:CLOS {one(loads.a)}", f"OUTP:PROT:SIL {format_number(silence)}")
    bench.listen(silence + 0.2)
    bench.tripped(TripCause.SIL)
    top_v = max(r.high for r in description.channels["v_in"].ranges)
    bench.do("*RST", "SENS:MODE PREC", f"SENS:VOLT:RANG {format_number(top_v)}", "OUTP:PROT:TIME 10", "*ESE 4", "*SRE 8")
    bench.do("INIT", "ABOR", "INIT", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
    bench.send("FOO")
    event = bench.start_anew(hands, cause)
    assert (event.sequence, event.stamp, event.ticks, event.value, event.loads, event.state) == (0, 0, 0, 0, 0, 0)
    assert event.reason == cause
    assert bench.number("*ESR?") == 128
    assert (bench.number("*ESE?"), bench.number("*SRE?"), bench.number("SYST:ERR:COUN?")) == (0, 0, 0)
    assert bench.ask("SYST:CAUS?") == ("NONE" if cause is ResetCause.POW else "SIL") + "," + cause.name
    assert (bench.is_on("OUTP?"), bench.closed(), bench.answer("SENS:MODE?", MODE)) == (False, frozenset(), "FAST")
    assert (bench.number("SENS:VOLT:RANG?"), bench.numbers("SYST:STAM?")) == (0, [0, 0])
    assert bench.number("OUTP:PROT:TIME?") == description.limits["TIME"].default
    bench.fresh()
    bench.do("INIT")
    bench.wait_for(lambda: bool(bench.frames), 0.5)
    assert (bench.frames[0].sequence, bench.frames[0].run, bench.frames[0].stamp) == (1, 1, 0)
    assert not bench.frames[0].tripped
