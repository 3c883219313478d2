"""The simulated board beyond the contract: what only a simulation can show, in a world whose every voltage is known."""

from __future__ import annotations

import numpy as np
import pytest
from plain_world import LOAD_OHM, PlainWorld, flasher

from bench.description import scan_plan
from bench.simboard.board import SimulatedBoard
from bench.simboard.link import Link
from bench.simboard.uplink import Uplink
from bench.wire import (
    STAMP_MODULUS,
    Decoder,
    EventFrame,
    EventKind,
    Placed,
    Reply,
    ResetCause,
    SampleFrame,
    Sequencer,
    TripCause,
    unpack_samples,
)


class Host:
    def __init__(self, board: SimulatedBoard) -> None:
        self.board = board
        self.decoder, self.sequencer = Decoder(), Sequencer()
        self.placed: list[Placed] = []
        self.replies: list[str] = []

    def hear(self, seconds: float, beat: bool = True) -> None:
        for _ in range(round(seconds / 0.1)):
            if beat:
                self.board.receive(b"SYST:BEAT\n")
            for piece in self.decoder.feed(self.board.advance(0.1)):
                if isinstance(piece, Reply):
                    self.replies.append(piece.text)
                else:
                    placed = self.sequencer.place(piece)
                    assert placed is not None
                    self.placed.append(placed)

    def ask(self, line: str) -> str:
        self.board.receive(line.encode() + b"\n")
        self.hear(0.1, beat=False)
        return self.replies[-1]

    def events(self, kind: EventKind) -> list[EventFrame]:
        return [p.frame for p in self.placed if isinstance(p.frame, EventFrame) and p.frame.kind == kind]

    def counts(self) -> np.ndarray:
        return np.concatenate([unpack_samples([p.frame.body])[0] for p in self.placed if isinstance(p.frame, SampleFrame)])


def run(board: SimulatedBoard, seconds: float) -> Host:
    host = Host(board)
    board.receive(b"ROUT:CLOS (@1,2)\nINIT\nOUTP ON\n")
    host.hear(seconds)
    return host


def test_after_power_up() -> None:
    host = Host(SimulatedBoard(PlainWorld()))
    host.hear(0.1, beat=False)
    (start,) = host.placed
    assert isinstance(start.frame, EventFrame)
    assert (start.frame.sequence, start.frame.kind, start.frame.reason, start.frame.state) == (0, EventKind.STARTED, 1, 0)
    assert host.ask("*ESR?") == "128"
    assert host.ask("SYST:CAUS?") == "NONE,POW"
    assert host.ask("SYST:ERR:COUN?") == "0"
    host.board.receive(b"INIT\n")
    host.hear(0.1)
    assert host.placed[-1].frame.run == 1


def test_readings_are_the_worlds_voltages_at_the_stated_instants() -> None:
    host = run(SimulatedBoard(PlainWorld(), ideal=True), 2.0)
    counts = host.counts()
    description = host.board.description
    t = np.arange(len(counts)) * description.sample_period_s("FAST")
    total_ohm = 0.1 + 1.0 / (1.0 / LOAD_OHM[1] + 1.0 / LOAD_OHM[2])
    plan = scan_plan(description)
    for channel, closed, opened in (
        ("v_in", 12.8, 12.8),
        ("v_out", 12.8 * (1 - 0.1 / total_ohm), 0.0),
        ("v_drop", 12.8 * 0.1 / total_ohm, 0.959),
        ("i_load", 12.8 / total_ohm, 0.0),
        ("i_load_low", 12.8 / total_ohm, 0.0),
    ):
        r = description.channels[channel].range(0)
        mine = np.isin(np.arange(len(counts)) % 320, plan[channel])
        values = (counts[mine].astype(float) - r.zero) * r.scale
        # Times of the world: sample 0 was held when the board was a moment old. Leave a millisecond about each edge.
        phase = t[mine] % 0.7
        on = (phase > 0.001) & (phase < 0.299)
        off = (phase > 0.301) & (phase < 0.699)
        assert np.abs(values[on] - closed).max() <= 0.5 * r.scale + 1e-9, channel
        assert np.abs(values[off] - opened).max() <= 0.5 * r.scale + 1e-9, channel


def test_edges_are_stamped_to_the_tick() -> None:
    host = run(SimulatedBoard(PlainWorld(), ideal=True), 3.0)
    bursts = host.events(EventKind.BURST)
    moments = [(e.stamp * 416 + e.ticks) / 16e6 for e in bursts]
    assert moments == pytest.approx([0.0, 0.3, 0.7, 1.0, 1.4, 1.7, 2.1, 2.4, 2.8], abs=1e-6)
    assert [e.reason for e in bursts] == [1, 0] * 4 + [1]


def test_bounces_are_counted_and_the_first_is_stamped() -> None:
    def bouncing(t: float) -> bool:
        """Closes at 1.000 s, opens for a millisecond twice, and stays."""
        return t >= 1.0 and not (1.001 <= t < 1.002 or 1.005 <= t < 1.006)

    host = run(SimulatedBoard(PlainWorld(contact=bouncing), ideal=True), 1.5)
    (burst,) = host.events(EventKind.BURST)
    assert (burst.value, burst.reason) == (5, 1)
    assert (burst.stamp * 416 + burst.ticks) / 16e6 == pytest.approx(1.0, abs=1e-6)


def test_the_boards_clock_is_off_by_its_hidden_error() -> None:
    board = SimulatedBoard(PlainWorld(), seed=11)
    error = board.rig.hidden.clock_error
    assert 1e-4 < abs(error) <= 0.005
    host = run(board, 20.0)
    edges = [(e.stamp * 416 + e.ticks) / 16e6 for e in host.events(EventKind.BURST) if e.reason == 1]
    periods = np.diff(edges) / 0.7 - 1.0
    assert periods.mean() == pytest.approx(error, abs=2e-6)


def test_stamps_wrap_and_nothing_is_lost() -> None:
    first = STAMP_MODULUS - 320 * 40
    host = run(SimulatedBoard(PlainWorld(), ideal=True, first_stamp=first), 1.0)
    stamps = [p.stamp for p in host.placed if isinstance(p.frame, SampleFrame)]
    assert [stamps[0], stamps[-1]] == [first, first + 160 * (len(stamps) - 1)]
    assert stamps[-1] > STAMP_MODULUS
    assert {p.lost_before for p in host.placed[4:]} == {0}
    # The scan plan goes on across the wrap, although 2^32 is no multiple of it.
    counts = host.counts()
    check = counts[(319 - first) % 320 :: 320]
    assert all(abs(int(c) - 960) <= 1 for c in check)


def test_the_stream_does_not_depend_on_how_time_was_cut() -> None:
    streams = []
    for step in (0.25, 0.05, 0.013):
        board = SimulatedBoard(PlainWorld(), seed=3)
        board.receive(b"OUTP:PROT:SIL 1\nROUT:CLOS (@1)\nINIT\nOUTP ON\n")
        stream = b""
        while board.now_s < 0.9:
            stream += board.advance(step)
        streams.append(stream)
    shortest = min(len(s) for s in streams)
    assert shortest > 40_000
    assert streams[0][:shortest] == streams[1][:shortest] == streams[2][:shortest]


def test_the_same_seed_is_the_same_board_and_another_is_another() -> None:
    def stream(seed: int) -> bytes:
        board = SimulatedBoard(PlainWorld(), seed=seed)
        board.receive(b"ROUT:CLOS (@1)\nINIT\nOUTP ON\n")
        return board.advance(0.5)

    assert stream(1) == stream(1)
    assert stream(1) != stream(2)


def test_a_short_trips_the_latch_at_once_and_is_cleared_when_it_has_recovered() -> None:
    host = Host(SimulatedBoard(PlainWorld(contact=lambda t: t > 0.5, contact_ohm=0.01), ideal=True))
    LOAD_OHM[1], kept = 0.1, LOAD_OHM[1]
    try:
        host.board.receive(b"ROUT:CLOS (@1)\nINIT\nOUTP ON\n")
        host.hear(1.0)
    finally:
        LOAD_OHM[1] = kept
    (trip,) = host.events(EventKind.TRIP)
    assert trip.reason == TripCause.LATC and trip.value == 0x101
    assert (trip.stamp * 416 + trip.ticks) / 16e6 == pytest.approx(0.5, abs=0.0011)
    assert host.ask("CURR:PROT:TRIP?") == "1"
    host.board.receive(b"OUTP:PROT:CLE\n")
    assert host.ask("CURR:PROT:TRIP?") == "0"


def test_a_board_that_cannot_keep_up_says_so() -> None:
    host = run(SimulatedBoard(PlainWorld(step_s=0.01), faults=["board-overrun"]), 5.0)
    flagged = [p for p in host.placed if p.frame.samples_lost]
    gaps = [p for p in host.placed if p.lost_before]
    assert gaps == flagged and len(gaps) > 3
    assert host.sequencer.count.frames_missing == 0


def test_simulation_words() -> None:
    world = PlainWorld()
    units = {"NONE": None, "LINK": "link", "example": "a unit"}
    host = Host(SimulatedBoard(world, find_unit=units.__getitem__))
    assert host.ask("SIM:UNIT?") == "NONE"
    host.board.receive(b"SIM:UNIT LINK\n")
    assert (host.ask("SIM:UNIT?"), world.unit) == ("LINK", "link")
    host.board.receive(b"SIM:UNIT example\nSIMULATION:SUPPLY 13.5\nSIM:AMB -10\nSIM:WAIT 600\n")
    assert (world.unit, world.supply_v, world.ambient_c) == ("a unit", 13.5, -10.0)
    assert host.ask("SIM:UNIT?") == "example"
    assert (host.ask("SIM:SUPP?"), host.ask("SIM:AMB?")) == ("13.5", "-10")
    assert world.t_s > 600.0 and host.board.now_s < 1.0
    assert world.supply_loads is None, "without a list: the loads that the unit is rated for"
    for text, loads in (("SIM:SUPP 12.5,(@1,6:7)", frozenset({1, 6, 7})), ("SIMulation:SUPPly 12.5 , (@)", frozenset())):
        host.board.receive(text.encode() + b"\n")
        assert world.supply_v == 12.5
        assert world.supply_loads == loads
        assert host.ask("SIM:SUPP?") == "12.5"
    for line, number in (
        ("SIM:UNIT nobody", -224),
        ("SIM:UNIT", -109),
        ("SIM:SUPP 40", -222),
        ("SIM:SUPP", -109),
        ("SIM:SUPP 12,(@1),(@2)", -108),
        ("SIM:SUPP 12,1", -104),
        ("SIM:SUPP 12,(@0)", -222),
        ("SIM:SUPP 12,", -109),
        ("SIM:AMB 100", -222),
        ("SIM:WAIT -1", -222),
    ):
        host.board.receive(line.encode() + b"\n")
        assert host.ask("SYST:ERR?").startswith(f"{number},"), line
    for setup in ("ROUT:CLOS (@1)", "OUTP ON"):
        host.board.receive(setup.encode() + b"\n")
        for line in ("SIM:UNIT LINK", "SIM:WAIT 1"):
            host.board.receive(line.encode() + b"\n")
            assert host.ask("SYST:ERR?").startswith("-221,")
        host.board.receive(b"*RST\n")
    host.board.receive(b"INIT\nSIM:WAIT 1\n")
    assert host.ask("SYST:ERR?").startswith("-221,")


def test_a_calibration_lasts_only_if_stored() -> None:
    host = Host(SimulatedBoard(PlainWorld()))
    host.board.receive(b"CAL:DATE 20260101\nCAL:STOR\nCAL:DATE 20260102\nCAL:CLOC 16000100,1E-4\n")
    assert host.ask("CAL:DATE?") == "20260102"
    host.board.power_up(ResetCause.EXT)
    assert host.ask("CAL:DATE?") == "20260101"
    assert host.board.scales.description.clock_hz == 16e6


def test_a_meter_shows_the_truth_within_its_accuracy_and_always_the_same() -> None:
    world = PlainWorld(contact=lambda t: True)
    host = Host(SimulatedBoard(world, seed=3))
    host.board.receive(b"ROUT:CLOS (@1)\nOUTP ON\n")
    amperes = 12.8 / (0.1 + 6.4)
    for channel, true in (("v_in", 12.8), ("v_drop", amperes * 0.1), ("i_load", amperes)):
        assert float(host.ask(f"SIM:MET? {channel},0,0")) == pytest.approx(true, rel=1e-9)
        reading = float(host.ask(f"SIM:MET? {channel},0.01,0.02"))
        assert 0.0 < abs(reading - true) <= 0.01 * true + 0.02
        assert reading == float(host.ask(f"SIM:MET? {channel},0.01,0.02"))
    for line in ("SIM:MET? self_check,0,0", "SIM:MET? v_in,2,0", "SIM:MET? v_in,0,-1"):
        host.board.receive(line.encode() + b"\n")
        assert host.ask("SYST:ERR?").startswith("-222,"), line


def test_a_wait_leaves_no_mark_in_the_boards_time() -> None:
    board = SimulatedBoard(PlainWorld(contact=lambda t: flasher(t - 600.0)), ideal=True)
    board.receive(b"SIM:WAIT 600\n")
    host = run(board, 1.0)
    edges = [(e.stamp * 416 + e.ticks) / 16e6 for e in host.events(EventKind.BURST)]
    assert edges == pytest.approx([0.0, 0.3, 0.7], abs=1e-6)


def test_bytes_take_their_time_and_come_in_order() -> None:
    uplink = Uplink(np.random.default_rng(1), Link())
    ready = np.cumsum(np.random.default_rng(2).exponential(0.002, 500))
    for k, t in enumerate(ready):
        uplink.send(float(t), bytes([k % 256]) * 100)
    arrivals = []
    while (arrival := uplink.next_arrival()) is not None:
        data = uplink.take(arrival)
        arrivals += [arrival] * (len(data) // 100)
    assert len(arrivals) == 500
    assert arrivals == sorted(arrivals)
    late = np.array(arrivals) - ready
    # At least its own transmission; after that at most what stands before it on the line, the bridge's delay and its period.
    assert late.min() >= 0.001
    assert 0.001 < np.median(late) < 0.006
