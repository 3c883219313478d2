"""What every board must do, tested through a port and nothing else: the simulated one, the firmware, a real board.

By itself this tests the simulated board, and the board's real program in its simulated microcontroller. `MAKEBREAK_CONTRACT` may name
further addresses, separated by spaces; at such a rig the shorting link must be in the socket, lamps in sockets 1 and 2, the supply at
12.8 V, and nothing may be touched meanwhile. Its calibration is out of force afterwards until it is reset.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
import pytest
import vectors

from bench.description import BoardDescription, description_crc, parse_description
from bench.ports import Port
from bench.ports.opening import open_port
from bench.wire import (
    SAMPLES_PER_FRAME,
    SCPI_ERRORS,
    DamageCount,
    Decoder,
    EventFrame,
    EventKind,
    Reply,
    ResetCause,
    SampleFrame,
    Sequencer,
    TripCause,
    format_number,
    parse_error,
    unpack_samples,
)
from firmware.simulator.port import register

register()
ADDRESSES = ("sim://LINK?seed=5", "firmware://LINK?seed=5", *os.environ.get("MAKEBREAK_CONTRACT", "").split())


class Bench:
    """A port with the host's half of the protocol around it: what it hears is kept in order."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.decoder = Decoder()
        self.sequencer = Sequencer()
        self.events: list[EventFrame] = []
        self.frames: list[SampleFrame] = []
        self.replies: list[str] = []

    def send(self, line: str | bytes) -> None:
        self.port.write((line.encode("ascii") if isinstance(line, str) else line) + b"\n")

    def listen(self, seconds: float) -> None:
        end = self.port.now_s() + seconds
        while (left := end - self.port.now_s()) > 0.0:
            self._take(self.port.read(left))

    def _take(self, data: bytes) -> None:
        for piece in self.decoder.feed(data):
            if isinstance(piece, Reply):
                self.replies.append(piece.text)
            else:
                assert self.sequencer.place(piece) is not None
                (self.frames if isinstance(piece, SampleFrame) else self.events).append(piece)  # type: ignore[arg-type]

    def wait_for(self, what: Callable[[], bool], patience_s: float) -> None:
        end = self.port.now_s() + patience_s
        while not what() and self.port.now_s() < end:
            self._take(self.port.read(0.05))
        assert what(), f"did not come within {patience_s} s"

    def ask(self, line: str, patience_s: float = 0.5) -> str:
        self.replies.clear()
        self.send(line)
        self.wait_for(lambda: bool(self.replies), patience_s)
        assert len(self.replies) == 1
        return self.replies[0]

    def error(self) -> int:
        return parse_error(self.ask("SYST:ERR?"))[0]

    def do(self, *lines: str) -> None:
        """Commands that must not fail."""
        for line in lines:
            self.send(line)
        assert self.error() == 0, lines

    def hold(self, seconds: float) -> None:
        """Listen, and keep the board from taking the host for dead."""
        end = self.port.now_s() + seconds
        while (left := end - self.port.now_s()) > 0.0:
            self.send("SYST:BEAT")
            self.listen(min(left, 0.2))

    def of_kind(self, kind: EventKind) -> list[EventFrame]:
        return [event for event in self.events if event.kind == kind]

    def event(self, kind: EventKind, patience_s: float = 0.5) -> EventFrame:
        """The one event of this kind since `fresh`."""
        self.wait_for(lambda: bool(self.of_kind(kind)), patience_s)
        (event,) = self.of_kind(kind)
        return event

    def fresh(self) -> None:
        """Let what is on its way arrive, then forget what was heard."""
        self.hold(0.06)
        self.events.clear()
        self.frames.clear()


@pytest.fixture(scope="module", params=ADDRESSES)
def port(request: pytest.FixtureRequest) -> Iterator[Port]:
    opened = open_port(request.param)
    yield opened
    opened.write(b"\n*RST\n")
    opened.close()


@pytest.fixture
def bench(port: Port) -> Iterator[Bench]:
    """A board reset and idle; afterwards nothing may have been damaged or lost on the way."""
    port.write(b"\n*RST\n*CLS\n*ESE 0\n*SRE 0\n")
    made = Bench(port)
    made.listen(0.1)
    made = Bench(port)
    yield made
    made.send("*RST")
    made.listen(0.1)
    assert made.decoder.damage == DamageCount()
    assert made.sequencer.count.frames_missing == 0
    assert made.sequencer.count.samples_lost == 0


@pytest.fixture(scope="module")
def description(port: Port) -> BoardDescription:
    bench = Bench(port)
    bench.listen(0.1)
    bench.sequencer = Sequencer()
    lines = [bench.ask(f"SYST:BOAR:LINE? {n}") for n in range(1, int(bench.ask("SYST:BOAR?")) + 1)]
    assert all(len(line) <= 120 and " " not in line for line in lines)
    assert int(bench.ask("SYST:BOAR:CHEC?")) == description_crc(lines)
    return parse_description(lines)


# --- text ---


@pytest.mark.parametrize(("number", "line"), vectors.command_lines())
def test_each_command_line_leaves_its_error(bench: Bench, number: int, line: bytes) -> None:
    bench.send(line)
    bench.send("*OPC?")
    bench.wait_for(lambda: bool(bench.replies), 2.5)
    bench.listen(0.01)
    query = line.strip(b" ").split(b" ")[0].endswith(b"?") and number == 0
    assert len(bench.replies) == 1 + query
    assert bench.replies[-1] == "1"
    # A query of the queue itself has taken the error it is to show.
    assert bench.error() == number


def test_identity(bench: Bench) -> None:
    word, model, serial, firmware = bench.ask("*IDN?").split(",")
    assert word == "makebreak"
    assert model and serial and firmware


def test_the_description_is_the_boards_own(bench: Bench, description: BoardDescription) -> None:
    _, model, serial, _ = bench.ask("*IDN?").split(",")
    assert (model, serial) == (description.model, description.serial)
    assert {"CURR", "DELAY", "TIME", "SIL"} <= description.limits.keys()
    assert "FAST" in description.modes


def test_replies_to_queries_have_their_form(bench: Bench) -> None:
    assert bench.ask("SYST:VERS?") == "1999.0"
    assert bench.ask("*OPC?") == "1"
    assert bench.ask("ROUT:CLOS?") == "(@)"
    assert bench.ask("OUTP?") == "0"
    assert bench.ask("SYST:STAM?") == "0,0"
    assert bench.ask("SYST:ERR?") == '0,"No error"'
    assert bench.ask("*TST?", 2.5) == "0"


def test_errors_queue_in_order_and_overflow_at_the_end(bench: Bench) -> None:
    for line in ("FOO", "OUTP", "OUTP ON,OFF"):
        bench.send(line)
    assert bench.ask("SYST:ERR:COUN?") == "3"
    for number in (-113, -109, -108):
        assert bench.ask("SYST:ERR?") == f'{number},"{SCPI_ERRORS[number]}"'
    for _ in range(9):
        bench.send("FOO")
    assert bench.ask("SYST:ERR:COUN?") == "8"
    assert [bench.error() for _ in range(9)] == [-113] * 7 + [-350, 0]
    for _ in range(3):
        bench.send("FOO")
    bench.do("*CLS")


def test_status_registers(bench: Bench) -> None:
    assert bench.ask("*ESR?") == "0"
    bench.send("FOO")
    bench.send("CURR:PROT 1000")
    bench.send(b"x" * 100)
    bench.send("*OPC")
    assert bench.ask("*STB?") == "4"
    bench.send("*ESE 32")
    bench.send("*SRE 32")
    assert bench.ask("*STB?") == str(4 + 32 + 64)
    assert bench.ask("*ESR?") == str(1 + 8 + 16 + 32)
    assert bench.ask("*ESR?") == "0"
    assert bench.ask("*STB?") == "4"
    bench.do("*CLS")
    assert (bench.ask("*ESE?"), bench.ask("*SRE?"), bench.ask("*STB?")) == ("32", "32", "0")


def test_an_overlong_line_is_dropped_to_its_end(bench: Bench) -> None:
    bench.send(b"OUTP ON" + b" " * 200 + b"X")
    assert bench.error() == -363
    assert bench.ask("OUTP?") == "0"
    # 79 characters and a line feed are still a line, and carriage returns do not count.
    bench.send(b"*OPC?" + b" " * 74 + b"\r")
    bench.wait_for(lambda: bench.replies[-1:] == ["1"], 0.5)
    assert bench.error() == 0


def test_a_lost_line_is_flagged_in_the_next_frame(bench: Bench) -> None:
    bench.send(b"x" * 100)
    bench.send("ROUT:CLOS (@1)")
    assert bench.event(EventKind.SWITCHED).line_lost
    bench.fresh()
    bench.send("ROUT:OPEN (@1)")
    assert not bench.event(EventKind.SWITCHED).line_lost


def test_settings_are_kept_and_reset(bench: Bench, description: BoardDescription) -> None:
    names = {"CURR:PROT": "CURR", "CURR:PROT:DEL": "DELAY", "OUTP:PROT:TIME": "TIME", "OUTP:PROT:SIL": "SIL"}
    for header, limit in names.items():
        assert float(bench.ask(f"{header}?")) == description.limits[limit].default
        for value in (description.limits[limit].low, description.limits[limit].high):
            bench.do(f"{header} {format_number(value)}")
            assert float(bench.ask(f"{header}?")) == value
        bench.do(f"{header} {format_number(description.limits[limit].low)}")
    bench.do("SENS:MODE PREC", "SENS:VOLT:RANG 10", "*RST")
    for header, limit in names.items():
        assert float(bench.ask(f"{header}?")) == description.limits[limit].default
    assert bench.ask("SENS:MODE?") == "FAST"
    assert bench.ask("SENS:VOLT:RANG?") == "0"


def test_the_range_is_the_smallest_that_reaches(bench: Bench, description: BoardDescription) -> None:
    ranges = sorted(description.channels["v_in"].ranges, key=lambda r: r.high)
    for r in ranges:
        bench.do(f"SENS:VOLT:RANG {format_number(r.high)}")
        assert bench.ask("SENS:VOLT:RANG?") == str(r.number)
    bench.do("SENS:VOLT:RANG 0")
    assert bench.ask("SENS:VOLT:RANG?") == str(ranges[0].number)


# --- switches ---


def test_loads_close_and_open_as_told(bench: Bench) -> None:
    bench.do("ROUT:CLOS (@1,3)")
    assert bench.ask("ROUT:CLOS?") == "(@1,3)"
    bench.do("ROUT:CLOS (@2)", "ROUT:OPEN (@3)")
    assert bench.ask("ROUT:CLOS?") == "(@1,2)"
    bench.do("OUTP ON", "ROUT:OPEN:ALL")
    assert (bench.ask("ROUT:CLOS?"), bench.ask("OUTP?")) == ("(@)", "1")
    bench.do("*RST")
    assert (bench.ask("ROUT:CLOS?"), bench.ask("OUTP?")) == ("(@)", "0")


def test_a_refused_line_changes_nothing(bench: Bench) -> None:
    bench.send("ROUT:CLOS (@1,9)")
    assert bench.error() == -222
    assert bench.ask("ROUT:CLOS?") == "(@)"
    assert bench.of_kind(EventKind.SWITCHED) == []


def test_switching_is_one_event_with_what_was_before(bench: Bench) -> None:
    bench.do("ROUT:CLOS (@1,2)")
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.master, event.value, event.reason) == (frozenset({1, 2}), False, 0, 0)
    assert (event.stamp, event.ticks, event.sampling) == (0, 0, False)
    bench.fresh()
    bench.do("ROUT:CLOS (@1,2)", "ROUT:OPEN (@5)", "OUTP OFF")
    bench.listen(0.05)
    assert bench.events == []
    bench.do("OUTP ON")
    assert (bench.event(EventKind.SWITCHED).master, bench.event(EventKind.SWITCHED).value) == (True, 3)
    bench.fresh()
    bench.do("*RST")
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.master, event.value) == (frozenset(), False, 0x103)


# --- samples and time ---


def test_a_run_is_whole_and_in_order(bench: Bench) -> None:
    bench.do("INIT")
    bench.hold(0.5)
    bench.do("ABOR")
    stopped = bench.event(EventKind.STOPPED)
    stamps = [frame.stamp for frame in bench.frames]
    assert stamps == [SAMPLES_PER_FRAME * k for k in range(len(stamps))]
    assert stamps[-1] + SAMPLES_PER_FRAME <= stopped.stamp < stamps[-1] + 2 * SAMPLES_PER_FRAME
    assert not stopped.sampling
    assert all(frame.sampling and not frame.precise and frame.range_number == 0 for frame in bench.frames)
    assert all(frame.run == stopped.run and frame.flags & 0b11111011 == 0 for frame in bench.frames)
    received = len(bench.frames)
    bench.listen(0.1)
    assert len(bench.frames) == received


@pytest.mark.parametrize(("mode", "word"), [("FAST", "FAST"), ("PREC", "PREC")])
def test_samples_come_at_the_stated_rate(bench: Bench, description: BoardDescription, mode: str, word: str) -> None:
    bench.do(f"SENS:MODE {word}", "INIT")
    bench.hold(0.2)
    begin, first = bench.port.now_s(), len(bench.frames)
    bench.hold(2.0)
    took = bench.port.now_s() - begin
    rate = (len(bench.frames) - first) * SAMPLES_PER_FRAME / took
    tolerance = description.clock_half_width + 0.03
    assert rate == pytest.approx(1.0 / description.sample_period_s(mode), rel=tolerance)
    assert all(frame.precise == (mode == "PREC") for frame in bench.frames)


def test_counts_fit_the_converter(bench: Bench, description: BoardDescription) -> None:
    bench.do("INIT")
    bench.hold(0.2)
    counts = unpack_samples([frame.body for frame in bench.frames])
    assert counts.max() < 1 << description.modes["FAST"].bits


def test_runs_are_numbered_and_each_begins_at_zero(bench: Bench) -> None:
    runs = []
    for _ in range(5):
        bench.fresh()
        bench.do("INIT")
        bench.wait_for(lambda: len(bench.frames) > 2, 0.5)
        assert bench.frames[0].stamp == 0
        runs.append(bench.frames[0].run)
        bench.do("ABOR")
        bench.event(EventKind.STOPPED)
    assert [(b - a) % 4 for a, b in pairwise(runs)] == [1] * 4


def test_what_is_refused_while_sampling(bench: Bench) -> None:
    bench.do("INIT")
    for line, number in (("INIT", -213), ("SENS:MODE PREC", -221), ("SENS:VOLT:RANG 10", -221), ("*TST?", -221)):
        bench.send(line)
        assert bench.error() == number
    assert bench.ask("SENS:MODE?") == "FAST"
    bench.do("ABOR", "ABOR", "SENS:MODE PREC")


def test_the_range_is_shown_in_every_frame(bench: Bench, description: BoardDescription) -> None:
    smallest = min(description.channels["v_in"].ranges, key=lambda r: r.high)
    bench.do(f"SENS:VOLT:RANG {format_number(smallest.high)}", "INIT")
    bench.wait_for(lambda: len(bench.frames) > 2, 0.5)
    assert all(frame.range_number == smallest.number for frame in bench.frames)


def test_the_stamp_asked_for_is_now(bench: Bench, description: BoardDescription) -> None:
    bench.do("INIT")
    bench.hold(0.3)
    first = [int(x) for x in bench.ask("SYST:STAM?").split(",")]
    bench.hold(0.3)
    second = [int(x) for x in bench.ask("SYST:STAM?").split(",")]
    ticks = description.modes["FAST"].ticks_per_sample
    assert all(0 <= part < ticks for part in (first[1], second[1]))
    assert (second[0] - first[0]) * description.sample_period_s("FAST") == pytest.approx(0.3, abs=0.1)


def test_switching_is_stamped_within_its_run(bench: Bench, description: BoardDescription) -> None:
    """The voltage at the unit's input must be dead before the stamp of `OUTP ON` and alive after it."""
    bench.do("ROUT:CLOS (@1)", "INIT")
    bench.hold(0.1)
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.1)
    event = bench.event(EventKind.SWITCHED)
    assert event.master and event.sampling and event.value == 1
    assert 0 <= event.ticks < description.modes["FAST"].ticks_per_sample
    counts = {f.stamp + k: c for f in bench.frames for k, c in enumerate(unpack_samples([f.body])[0].tolist())}
    channel = description.channels["v_in"]
    r = channel.range(0)
    volts = {s: (c - r.zero) * r.scale for s, c in counts.items() if s % description.slots == channel.slot}
    before = [v for s, v in volts.items() if s <= event.stamp]
    # The input's filter takes some of its time constants.
    settled = event.stamp + 1 + 10 * channel.delay_s / description.sample_period_s("FAST")
    after = [v for s, v in volts.items() if s > settled]
    assert len(before) > 3 and max(before) < 1.0
    assert len(after) > 3 and min(after) > 5.0
    assert all(f.master == (f.stamp > event.stamp) for f in bench.frames)


def test_the_comparator_marks_make_and_break(bench: Bench) -> None:
    bench.do("ROUT:CLOS (@1)", "INIT")
    bench.hold(0.1)
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.1)
    on, high = bench.event(EventKind.SWITCHED), bench.event(EventKind.BURST)
    assert (high.reason, high.comparator) == (1, True)
    assert high.value % 2 == 1
    assert on.stamp <= high.stamp <= on.stamp + 40
    assert bench.frames[-1].comparator
    edges = sum(f.edges for f in bench.frames) + sum(e.edges for e in bench.events)
    assert edges == high.value
    bench.fresh()
    bench.do("OUTP OFF")
    bench.hold(0.1)
    low = bench.event(EventKind.BURST)
    assert (low.reason, low.comparator) == (0, False)
    assert low.value % 2 == 1


def test_channels_stand_where_the_plan_says(bench: Bench, description: BoardDescription) -> None:
    """The self-check channel reads its standard, and temperature something like a room's."""
    from bench.description import scan_plan

    bench.do("INIT")
    bench.hold(0.3)
    counts = np.concatenate([unpack_samples([f.body])[0] for f in bench.frames])
    plan = scan_plan(description)
    period = 64 * description.slots
    whole = counts[: len(counts) // period * period].reshape(-1, period)
    for check in description.checks:
        r = description.channels[check.channel].range(0)
        reading = (whole[:, plan[check.channel]].mean() - r.zero) * r.scale
        u = np.hypot(check.u, np.hypot(r.u_scale * check.expected, np.hypot(r.u_zero, r.u_line)))
        assert abs(reading - check.expected) < 5 * u
    curve = description.channels["temperature"].curve
    assert curve is not None
    ratio = float(whole[:, plan["temperature"]].mean()) / (1 << description.modes["FAST"].bits)
    assert -20.0 < curve.temperature_c(ratio) < 60.0


# --- what the board does by itself ---


def tripped(bench: Bench, cause: TripCause, patience_s: float) -> EventFrame:
    event = bench.event(EventKind.TRIP, patience_s)
    assert event.reason == cause
    assert event.tripped and not event.master and event.closed_loads == frozenset()
    assert bench.ask("SYST:CAUS?").split(",")[0] == cause.name
    assert bench.ask("CURR:PROT:TRIP?") == "1"
    assert (bench.ask("OUTP?"), bench.ask("ROUT:CLOS?")) == ("0", "(@)")
    return event


def seconds(description: BoardDescription, begin: EventFrame, end: EventFrame) -> float:
    """Time between two events of a run by the board's own stamps."""
    ticks = description.modes["FAST"].ticks_per_sample
    return ((end.stamp - begin.stamp) * ticks + end.ticks - begin.ticks) / description.clock_hz


@pytest.mark.parametrize("silence", [0.2, 0.6, 1.0])
def test_a_silent_host_opens_everything(bench: Bench, description: BoardDescription, silence: float) -> None:
    bench.do(f"OUTP:PROT:SIL {silence}", "INIT", "ROUT:CLOS (@1,2)")
    bench.fresh()
    bench.send("OUTP ON")
    bench.listen(silence + 0.2)
    event = tripped(bench, TripCause.SIL, 0.5)
    assert event.value == 0x103
    (on,) = [e for e in bench.of_kind(EventKind.SWITCHED) if e.master]
    assert seconds(description, on, event) == pytest.approx(silence, abs=0.1 + silence * description.clock_half_width)


def test_loads_alone_are_opened_too_and_an_idle_board_does_not_trip(bench: Bench) -> None:
    bench.do("OUTP:PROT:SIL 0.2")
    bench.listen(0.5)
    assert bench.ask("CURR:PROT:TRIP?") == "0"
    bench.send("ROUT:CLOS (@8)")
    bench.listen(0.5)
    tripped(bench, TripCause.SIL, 0.1)


def test_lines_with_errors_do_not_keep_a_board_closed(bench: Bench) -> None:
    bench.do("OUTP:PROT:SIL 0.4", "ROUT:CLOS (@1)")
    for _ in range(8):
        bench.send("FOO")
        bench.send("")
        bench.listen(0.1)
    tripped(bench, TripCause.SIL, 0.1)


def test_any_good_line_keeps_it_closed(bench: Bench) -> None:
    bench.do("OUTP:PROT:SIL 0.4", "ROUT:CLOS (@1)", "OUTP ON")
    for _ in range(10):
        bench.send("SYST:BEAT")
        bench.listen(0.2)
    assert bench.ask("CURR:PROT:TRIP?") == "0"
    assert bench.ask("ROUT:CLOS?") == "(@1)"


def test_the_master_switch_has_a_longest_time(bench: Bench, description: BoardDescription) -> None:
    bench.do("OUTP:PROT:TIME 1", "INIT")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(1.2)
    event = tripped(bench, TripCause.TIME, 0.1)
    (on,) = [e for e in bench.of_kind(EventKind.SWITCHED) if e.master]
    assert seconds(description, on, event) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("delay", [0.05, 0.3])
def test_too_much_current_opens_everything_after_the_delay(bench: Bench, description: BoardDescription, delay: float) -> None:
    """Two 21 W lamps with the link in the socket: some 3.6 A, more while cold."""
    bench.do("CURR:PROT 2", f"CURR:PROT:DEL {delay}", "INIT", "ROUT:CLOS (@1,2)")
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(delay + 0.1)
    event = tripped(bench, TripCause.CURR, 0.1)
    (on,) = [e for e in bench.of_kind(EventKind.SWITCHED) if e.master]
    assert seconds(description, on, event) == pytest.approx(delay, abs=0.006)


def test_current_below_the_level_does_not_trip(bench: Bench) -> None:
    bench.do("CURR:PROT 75", "CURR:PROT:DEL 0.05", "ROUT:CLOS (@1,2)", "OUTP ON")
    bench.hold(0.5)
    assert bench.ask("CURR:PROT:TRIP?") == "0"


def test_while_tripped_nothing_closes_and_clearing_closes_nothing(bench: Bench) -> None:
    bench.do("INIT", "OUTP:PROT:SIL 0.2", "ROUT:CLOS (@1)", "OUTP ON")
    bench.listen(0.4)
    tripped(bench, TripCause.SIL, 0.1)
    for line in ("OUTP ON", "ROUT:CLOS (@1)"):
        bench.send(line)
        assert bench.error() == -221
    bench.do("OUTP OFF", "ROUT:OPEN (@1)", "ROUT:OPEN:ALL")
    frames = len(bench.frames)
    bench.hold(0.1)
    assert len(bench.frames) > frames and bench.frames[-1].tripped
    bench.do("OUTP:PROT:CLE")
    assert bench.ask("CURR:PROT:TRIP?") == "0"
    assert (bench.ask("OUTP?"), bench.ask("ROUT:CLOS?")) == ("0", "(@)")
    assert bench.ask("SYST:CAUS?").split(",")[0] == "SIL"
    bench.do("ROUT:CLOS (@1)")


def test_reset_clears_a_trip(bench: Bench) -> None:
    bench.do("OUTP:PROT:SIL 0.2", "ROUT:CLOS (@1)")
    bench.listen(0.4)
    tripped(bench, TripCause.SIL, 0.1)
    bench.do("*RST")
    assert bench.ask("CURR:PROT:TRIP?") == "0"
    bench.do("ROUT:CLOS (@1)")


def test_the_cause_of_the_last_start_is_known(bench: Bench) -> None:
    assert bench.ask("SYST:CAUS?").split(",")[1] in ResetCause.__members__


# --- calibration ---


def lines_of(bench: Bench) -> list[str]:
    return [bench.ask(f"SYST:BOAR:LINE? {n}") for n in range(1, int(bench.ask("SYST:BOAR?")) + 1)]


def test_the_description_says_what_calibration_has_set(bench: Bench, description: BoardDescription) -> None:
    bench.do("CAL:CLE")
    before = lines_of(bench)
    built_in = parse_description(before)
    r = built_in.channels["v_in"].ranges[0]
    scale = r.scale * 1.01
    bench.do(f"CAL:RANG v_in,{r.number},{r.zero + 1.25},{format_number(scale)},1.5E-4,0.0025,0.011")
    bench.do("CAL:CLOC 16003421,4.5E-5", "CAL:DATE 20261125")
    lines = lines_of(bench)
    assert int(bench.ask("SYST:BOAR:CHEC?")) == description_crc(lines)
    said = parse_description(lines)
    changed = said.channels["v_in"].range(r.number)
    assert changed.zero == pytest.approx(r.zero + 1.25, rel=1e-5)
    assert changed.scale == pytest.approx(scale, rel=1e-5)
    assert (changed.u_scale, changed.u_zero, changed.u_line) == pytest.approx((1.5e-4, 0.0025, 0.011), rel=1e-5)
    # Counts at either end of the converter must read as clipped, their neighbours not.
    top = (1 << built_in.modes["FAST"].bits) - 1
    assert (0 - changed.zero) * changed.scale < changed.low < (1 - changed.zero) * changed.scale
    assert (top - 1 - changed.zero) * changed.scale < changed.high < (top - changed.zero) * changed.scale
    assert said.clock_hz == 16003421
    assert said.clock_half_width == pytest.approx(4.5e-5, rel=1e-5)
    assert said.calibrated == 20261125
    assert said.channels["v_out"] == built_in.channels["v_out"]
    # With all the digits that a board keeps, the lines are at their longest.
    bench.do("CAL:RANG i_load_low,0,64.4918,0.00795082,1.23456E-4,0.00296123,0.00412345")
    bench.do("CAL:RANG i_load,0,63.1234,0.0801234,0.00612345,0.0312345,0.0412345")
    bench.do("CAL:RANG v_pilot,0,-1.23456,0.0184123,1.23456E-4,0.0123456,0.0112345")
    longest = lines_of(bench)
    assert int(bench.ask("SYST:BOAR:CHEC?")) == description_crc(longest)
    assert parse_description(longest).channels["i_load_low"].ranges[0].u_line == pytest.approx(0.00412345, rel=1e-5)
    lines = longest
    bench.do("*RST")
    assert lines_of(bench) == lines
    bench.do("CAL:CLE")
    assert lines_of(bench) == before


def test_the_serial_number_can_be_set(bench: Bench, description: BoardDescription) -> None:
    bench.do("CAL:SER A4711")
    assert bench.ask("*IDN?").split(",")[2] == "A4711"
    assert parse_description(lines_of(bench)).serial == "A4711"
    bench.do("CAL:CLE")
    assert bench.ask("*IDN?").split(",")[2] == "A4711"
    bench.do(f"CAL:SER {description.serial}")
    assert bench.ask("*IDN?").split(",")[2] == description.serial


@pytest.mark.parametrize("busy", ["INIT", "ROUT:CLOS (@8)", "OUTP ON"])
def test_calibration_is_refused_in_the_middle_of_things(bench: Bench, busy: str) -> None:
    before = lines_of(bench)
    bench.do(busy)
    for line in ("CAL:RANG v_in,0,0,0.036,0,0,0", "CAL:CLOC 16000000,0", "CAL:SER A1", "CAL:DATE 0", "CAL:STOR", "CAL:CLE"):
        bench.send(line)
        assert bench.error() == -221, line
    # Values come before the state.
    bench.send("CAL:DATE -1")
    assert bench.error() == -222
    bench.do("*RST")
    assert lines_of(bench) == before


# --- loads switched while master is on and while sampling ---


def amperes(bench: Bench, description: BoardDescription) -> dict[int, float]:
    """Current through the unit in A by stamp, from the frames heard since `fresh`."""
    channel = description.channels["i_load"]
    r = channel.range(0)
    counts = {f.stamp + k: c for f in bench.frames for k, c in enumerate(unpack_samples([f.body])[0].tolist())}
    return {s: (c - r.zero) * r.scale for s, c in counts.items() if s % description.slots == channel.slot}


def settled_samples(description: BoardDescription) -> int:
    """Samples after which a step has passed the current channel's input filter: ten time constants, and one."""
    return 1 + round(10.0 * description.channels["i_load"].delay_s / description.sample_period_s("FAST"))


def lit(bench: Bench, loads: str, seconds: float = 1.0) -> None:
    """Sampling, master on, these loads lit for so long; then forget what was heard."""
    bench.do("INIT", f"ROUT:CLOS {loads}", "OUTP ON")
    bench.hold(seconds)
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


def test_a_load_opened_live_takes_its_current_away_at_its_stamp(bench: Bench, description: BoardDescription) -> None:
    lit(bench, "(@1,2)")
    bench.do("ROUT:OPEN (@2)")
    bench.hold(0.1)
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.value) == (frozenset({1}), 0x103)
    assert 0 <= event.ticks < description.modes["FAST"].ticks_per_sample
    assert_the_run_goes_on(bench, [event])
    current = amperes(bench, description)
    before = np.array([a for s, a in current.items() if s <= event.stamp])
    after = np.array([a for s, a in current.items() if s > event.stamp + settled_samples(description)])
    # One of two equal lamps stays, and gets what the loop no longer costs.
    both, one = float(before.mean()), float(after.mean())
    assert 2.5 < both < 4.5
    assert one == pytest.approx(0.5 * both, abs=0.08 * both)
    assert before.min() > 0.5 * (both + one) > after.max()


def test_a_cold_load_closed_live_adds_its_inrush_and_then_a_lamps_current(bench: Bench, description: BoardDescription) -> None:
    """What the over-current level covers at a start with both lamps cold it covers when one is lit."""
    bench.do("INIT", "ROUT:CLOS (@1,2)")
    bench.hold(6.0)
    bench.fresh()
    bench.do("OUTP ON")
    bench.hold(0.2)
    most = max(amperes(bench, description).values())
    bench.do("ROUT:OPEN (@2)", f"CURR:PROT {format_number(0.9 * most)}", "CURR:PROT:DEL 0.001")
    bench.hold(6.0)
    bench.fresh()
    bench.do("ROUT:CLOS (@2)")
    bench.hold(1.0)
    event = bench.event(EventKind.SWITCHED)
    assert (event.closed_loads, event.value) == (frozenset({1, 2}), 0x101)
    assert_the_run_goes_on(bench, [event])
    current = amperes(bench, description)
    period = description.sample_period_s("FAST")
    one = float(np.mean([a for s, a in current.items() if s <= event.stamp]))
    early = [a for s, a in current.items() if 0 < s - event.stamp <= 0.003 / period]
    late = [a for s, a in current.items() if s - event.stamp > 0.8 / period]
    # Cold tungsten has less than a tenth of its resistance when lit; the loop has its share. The lit lamp has no inrush.
    assert max(a for s, a in current.items() if s <= event.stamp) < 1.2 * one
    assert 5.0 * one < max(early) == max(current.values()) < 0.8 * most
    assert float(np.mean(late)) == pytest.approx(2.0 * one, rel=0.08)
    first = min(s for s, a in current.items() if a > 2.0 * one)
    assert 0 < first - event.stamp <= 2 * description.slots


@pytest.mark.parametrize("at_once", [False, True])
def test_several_live_toggles_in_a_row(bench: Bench, at_once: bool) -> None:
    lit(bench, "(@1,2)", 0.5)
    lines = [f"ROUT:{word} (@2)" for _ in range(3) for word in ("OPEN", "CLOS")]
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
    assert [e.loads for e in switched] == [0b01, 0b11] * 3 * rounds
    assert_the_run_goes_on(bench, switched)


def test_loads_toggled_at_ten_hertz(bench: Bench, description: BoardDescription) -> None:
    lit(bench, "(@1,2)", 0.5)
    for _ in range(20):
        for word in ("OPEN", "CLOS"):
            bench.send(f"ROUT:{word} (@2)")
            bench.listen(0.05)
    bench.hold(0.1)
    assert bench.error() == 0
    switched = bench.of_kind(EventKind.SWITCHED)
    assert [e.loads for e in switched] == [0b01, 0b11] * 20
    assert_the_run_goes_on(bench, switched)
    assert seconds(description, switched[0], switched[-1]) == pytest.approx(39 * 0.05, abs=0.1)
    current = amperes(bench, description)
    settled = settled_samples(description)
    for begin, end in pairwise(switched):
        found = [a for s, a in current.items() if begin.stamp + settled < s <= end.stamp]
        if found and begin.loads == 0b01:
            assert min(found) > 1.2 and max(found) < 2.4
        elif found:
            assert min(found) > 2.8


def test_opening_what_is_open_live_is_nothing(bench: Bench, description: BoardDescription) -> None:
    lit(bench, "(@1)", 0.5)
    bench.do("ROUT:OPEN (@2)", "ROUT:OPEN (@)", "ROUT:CLOS (@1)", "ROUT:CLOS (@)")
    bench.hold(0.1)
    assert bench.events == []
    assert bench.ask("ROUT:CLOS?") == "(@1)"
    assert all(frame.loads == 0b01 and frame.master for frame in bench.frames)
    current = list(amperes(bench, description).values())
    assert len(current) > 500 and max(current) - min(current) < 0.7


def test_the_last_load_opened_live_leaves_the_master_on(bench: Bench, description: BoardDescription) -> None:
    lit(bench, "(@1)", 0.5)
    bench.do("ROUT:OPEN (@1)")
    bench.hold(0.1)
    opened = bench.event(EventKind.SWITCHED)
    assert (opened.loads, opened.value, opened.master) == (0, 0x101, True)
    bench.do("ROUT:CLOS (@1)")
    bench.hold(0.1)
    switched = bench.of_kind(EventKind.SWITCHED)
    assert [e.loads for e in switched] == [0b00, 0b01]
    assert_the_run_goes_on(bench, switched)
    current = amperes(bench, description)
    dark = [a for s, a in current.items() if opened.stamp + settled_samples(description) < s <= switched[1].stamp]
    assert len(dark) > 100 and abs(float(np.mean(dark))) < 0.4


def test_closing_live_under_a_trip_is_refused(bench: Bench) -> None:
    lit(bench, "(@1)", 0.2)
    bench.do("OUTP:PROT:SIL 0.2")
    bench.listen(0.4)
    assert tripped(bench, TripCause.SIL, 0.1).value == 0x101
    bench.hold(0.05)
    bench.fresh()
    bench.send("ROUT:CLOS (@2)")
    assert bench.error() == -221
    bench.do("ROUT:OPEN (@2)")
    bench.hold(0.1)
    assert bench.events == []
    assert (bench.ask("OUTP?"), bench.ask("ROUT:CLOS?")) == ("0", "(@)")
    assert len(bench.frames) > 10 and all(frame.loads == 0 and frame.tripped and frame.sampling for frame in bench.frames)
