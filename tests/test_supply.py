"""Supply and sense leads as the samples of a run show them, from blocks made by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bench.samples import Array, Block, Trace
from bench.supply import SupplyEvidence, SupplyWatch

SCAN_S = 130e-6
COLD_OHM = 0.24  # two 21 W lamps of a 12 V system
LAMPS_A = 3.5


def block(v_in: Array, v_out: Array, amps: Array, begin_s: float = 0.0) -> Block:
    """A block of these samples, one for each scan; the channels are read one after another."""
    t_s: Array = begin_s + np.arange(len(v_in), dtype=np.float64) * SCAN_S
    named = {"v_in": v_in, "v_out": v_out, "i_load": amps}
    traces = {name: Trace(t_s + i * SCAN_S / 5.0, values) for i, (name, values) in enumerate(named.items())}
    return Block(begin_s, begin_s + len(v_in) * SCAN_S, traces, False)


def watched(
    v_in: float, v_out: float, amps: float, *, seconds: float = 0.013, system_v: float = 12.0, cold_ohm: float | None = COLD_OHM
) -> SupplyEvidence:
    """What a stretch of constant samples shows."""
    n = round(seconds / SCAN_S)
    watch = SupplyWatch(system_v, cold_ohm)
    watch.feed(block(np.full(n, v_in), np.full(n, v_out), np.full(n, amps)))
    return watch.evidence


def seconds_of(evidence: SupplyEvidence) -> dict[str, bool]:
    """Which of the contradictions were seen for longer than any edge."""
    return {name: getattr(evidence, name) > 5e-3 for name in ("swapped_s", "input_lost_s", "output_lost_s")}


@pytest.mark.parametrize(
    ("what", "v_in", "v_out", "amps", "seen"),
    [
        ("lit", 12.8, 12.4, LAMPS_A, ()),
        ("dark", 12.8, 0.0, 0.0, ()),
        ("off", 0.0, 0.0, 0.0, ()),
        ("swapped, dark", 0.0, 12.8, 0.0, ("swapped_s",)),
        ("swapped, hot wire dark", 0.08, 12.8, 0.3, ("swapped_s",)),
        ("input lead off, lit", 0.0, 12.4, LAMPS_A, ("input_lost_s",)),
        ("output lead off, lit", 12.8, 0.0, LAMPS_A, ("output_lost_s",)),
        ("output lead off, inrush", 12.0, 0.0, 30.0, ("output_lost_s",)),
        ("hot wire dark", 12.8, 0.08, 0.33, ()),
        ("hot wire with its ballast shorted, dark", 12.8, 0.55, 2.3, ()),
        ("overloaded contact, lit", 12.8, 4.5, 15.0, ()),
    ],
)
def test_what_voltages_and_current_say_of_the_leads(what: str, v_in: float, v_out: float, amps: float, seen: tuple[str, ...]) -> None:
    """A unit's own current always shows the lamps' resistance behind it: cold lamps are the least that it can be."""
    assert [name for name, found in seconds_of(watched(v_in, v_out, amps)).items() if found] == list(seen), what


def test_a_hot_wire_for_6_v_is_no_lost_lead() -> None:
    """It draws twice what one for 12 V does, through lamps of a quarter of the resistance: what that leaves is lost in the counts."""
    assert watched(7.3, 0.004, 0.7, system_v=6.0, cold_ohm=0.06).output_lost_s == 0.0
    assert watched(7.3, 0.004, 7.0, system_v=6.0, cold_ohm=0.06).output_lost_s > 5e-3
    assert watched(7.3, 0.004, 0.7, system_v=6.0, cold_ohm=0.06).idle_v == 7.3, "which is no load to speak of"


def test_of_an_unknown_load_only_a_large_current_tells() -> None:
    assert watched(12.8, 0.0, 1.5, cold_ohm=None).output_lost_s == 0.0
    assert watched(12.8, 0.0, 3.5, cold_ohm=None).output_lost_s > 5e-3
    assert watched(12.8, 0.9, 3.5, cold_ohm=None).output_lost_s == 0.0


def test_how_long_is_counted_in_samples() -> None:
    """All but the two at the ends, which have no neighbour to be settled by."""
    assert watched(12.8, 0.0, LAMPS_A, seconds=100 * SCAN_S).output_lost_s == pytest.approx(98 * SCAN_S)


def inrush(ohm: float, open_v: float = 12.8) -> Block:
    """30 A falling to 3.5 A in some ms, behind a source of this resistance, after a stretch without load."""
    t_s = np.arange(600) * SCAN_S
    lit = t_s > 0.02
    amps = np.where(lit, LAMPS_A + 26.5 * np.exp(-(t_s - 0.02) / 8e-3), 0.0)
    v_in = open_v - ohm * amps
    return block(v_in, np.where(lit, v_in - 0.1 * amps, 0.0), amps)


@pytest.mark.parametrize("ohm", [0.05, 0.10, 0.3])
def test_how_far_the_supply_falls_for_each_ampere(ohm: float) -> None:
    watch = SupplyWatch(12.0, COLD_OHM)
    watch.feed(inrush(ohm))
    assert watch.evidence.source_ohm(12.8) == pytest.approx(ohm, rel=0.02)
    assert watch.evidence.source_ohm(None) == pytest.approx(ohm, rel=0.02), "what was seen without load serves too"
    assert watch.evidence.idle_v == pytest.approx(12.8)
    assert watch.evidence.loaded is not None
    volts, amps = watch.evidence.loaded
    assert volts == pytest.approx(12.8 - ohm * amps, abs=0.1)
    assert 25.0 < amps < 30.0, "the inrush itself, but not its first sample"


SLOW_S = 520e-6
# Slow samples of a make that bounces on cold lamps, as a simulated board gave them: v_in, v_out, i_load, i_load_low.
BOUNCING = (
    (13.138, 0.096, 0.45, 0.29), (13.119, 0.121, 0.43, 1.03), (13.119, 6.679, 13.79, 4.72), (12.862, 1.869, 23.87, 7.41),
    (11.058, 1.7, 5.62, 6.13), (11.242, 8.876, 1.82, 5.15), (11.794, 10.492, 3.94, 5.42), (11.482, 10.838, 11.86, 5.84),
    (11.574, 11.121, 22.75, 6.86), (11.721, 11.301, 20.93, 7.67), (11.813, 11.437, 19.41, 7.67), (11.886, 11.537, 18.19, 7.67),
)  # fmt: skip
BOUNCING_AGAIN = (
    (13.174, 0.0, -0.08, 0.0), (13.193, 0.0, -0.08, 0.4), (10.966, 3.916, -0.02, 2.38), (11.187, 8.722, 1.14, 3.6),
    (11.702, 9.693, 4.29, 1.75), (11.574, 7.504, 4.05, 1.01), (11.574, 9.546, 9.47, 4.71), (11.592, 10.488, 22.64, 7.67),
    (11.702, 10.738, 20.77, 7.67), (11.74, 10.8, 19.4, 7.67),
)  # fmt: skip


@pytest.mark.parametrize("rows", [BOUNCING, BOUNCING_AGAIN])
def test_slow_samples_of_a_bounce_are_no_supply_that_gives_way(rows: tuple[tuple[float, ...], ...]) -> None:
    """The input was read while the contact was closed, the current while it was open; a source of 0.07 ohm looks like one of 0.37."""
    columns = dict(zip(("v_in", "v_out", "i_load", "i_load_low"), np.array(rows).T, strict=True))
    t_s: Array = np.arange(len(rows), dtype=np.float64) * SLOW_S
    watch = SupplyWatch(12.0, COLD_OHM)
    watch.feed(Block(0.0, len(rows) * SLOW_S, {name: Trace(t_s, np.asarray(column, dtype=np.float64)) for name, column in columns.items()}))
    ohm = watch.evidence.source_ohm(13.12)
    assert ohm is not None and 0.05 < ohm < 0.09


def test_a_supply_that_limits_its_current() -> None:
    """10 A at most: it gives way by whatever it takes."""
    watch = SupplyWatch(12.0, COLD_OHM)
    whole = inrush(0.02)
    amps = np.minimum(whole.traces["i_load"].values, 10.0)
    v_in = np.where(amps >= 10.0, 4.0, 12.8)
    watch.feed(block(v_in, np.where(amps > 0.0, v_in - 1.0, 0.0), amps))
    assert watch.evidence.loaded == (4.0, 10.0)
    assert watch.evidence.source_ohm(12.8) == pytest.approx(0.88)


def test_without_load_nothing_is_known_of_the_supply() -> None:
    assert watched(12.8, 0.0, 0.0).source_ohm(12.8) is None
    assert watched(12.8, 12.6, 1.9).loaded is None, "below 2 A a fall is noise"
    assert SupplyEvidence((12.0, 3.0)).source_ohm(None) is None


def test_an_edge_that_one_channel_sees_first_is_no_contradiction() -> None:
    """The current rises one sample before the voltage: over and over, and never for two samples."""
    watch = SupplyWatch(12.0, COLD_OHM)
    lit = (np.arange(4000) // 20) % 2 == 1
    for shift in (-1, 1):
        amps = np.where(np.roll(lit, shift), LAMPS_A, 0.0)
        watch.feed(block(np.full(len(lit), 12.8), np.where(lit, 12.4, 0.0), amps))
    assert not any(seconds_of(watch.evidence).values())


@pytest.mark.parametrize("broken", [lambda b: Block(b.begin_s, b.end_s, {"v_in": b.traces["v_in"]}, False)])
def test_a_recording_without_current_shows_nothing(broken: Callable[[Block], Block]) -> None:
    watch = SupplyWatch(12.0, COLD_OHM)
    watch.feed(broken(inrush(0.5)))
    watch.feed(block(np.full(1, 12.8), np.zeros(1), np.full(1, LAMPS_A)))
    assert watch.evidence == SupplyEvidence()


def test_a_supply_that_goes_away_behind_a_closed_master_switch() -> None:
    """13 ms of 12.8 V and 26 ms of nothing. None is that of a unit that draws, a fed output, an open switch, no supply ever."""
    there, none = np.full(100, 12.8), np.zeros(200)
    v_in = np.concatenate((there, none))

    def gone_s(master: bool | None, v_out: float = 0.0, amps: float = 0.0, volts: Array = v_in) -> float:
        watch = SupplyWatch(12.0, COLD_OHM)
        one = block(volts, np.full(len(volts), v_out), np.full(len(volts), amps))
        watch.feed(replace(one, master=master))
        assert watch.evidence.gone_s == 0.0, "its last frame may hold samples of after the switch was opened"
        watch.feed(replace(block(there, there, np.zeros(100)), master=master))
        return watch.evidence.gone_s

    assert gone_s(True) == pytest.approx(198 * SCAN_S)
    others = gone_s(False), gone_s(None), gone_s(True, v_out=12.8), gone_s(True, amps=3.5), gone_s(True, volts=none)
    assert others == (0.0, 0.0, 0.0, 0.0, 0.0)
    watch = SupplyWatch(12.0, COLD_OHM)
    for volts, master in ((there, True), (none, True), (there, True), (none, True), (none, False), (none, True), (none, True)):
        watch.feed(replace(block(volts, np.zeros(len(volts)), np.zeros(len(volts))), master=master))
    assert watch.evidence.gone_s == pytest.approx(198 * SCAN_S), "what a switch took away is to come again first"


def test_an_output_that_jumps_while_nothing_else_does() -> None:
    """Noise of the output alone is no unit's; flashes and a recording are not counted but for the samples beside an edge."""
    volts, amps = np.full(1000, 12.8), np.full(1000, 3.5)

    def jumping_s(v_out: Array, amps: Array, master: bool | None = True) -> tuple[float, float]:
        watch = SupplyWatch(12.0, COLD_OHM)
        watch.feed(replace(block(volts, v_out, amps), master=master))
        return watch.evidence.jumping_s, watch.evidence.on_s

    noise = np.random.default_rng(1).uniform(0.0, 12.8, 1000)
    assert jumping_s(noise, amps) == pytest.approx((0.13, 998 * SCAN_S), abs=0.01)
    assert jumping_s(noise, amps, None) == jumping_s(noise, amps, False) == (0.0, 0.0)
    lit: Array = np.where((np.arange(1000) // 100) % 2 > 0, 1.0, 0.0)
    v_out: Array = 12.5 * lit
    now: Array = 3.5 * lit
    late: Array = np.roll(now, 1)
    assert jumping_s(v_out, now)[0] == 0.0
    assert 0.0 < jumping_s(v_out, late)[0] <= 20 * SCAN_S, "a current that was read later"


def test_blocks_add_up() -> None:
    watch = SupplyWatch(12.0, COLD_OHM)
    for k in range(3):
        watch.feed(block(np.full(50, 12.8 - k), np.zeros(50), np.full(50, LAMPS_A), k * 50 * SCAN_S))
    assert watch.evidence.output_lost_s == pytest.approx(3 * 48 * SCAN_S)
    assert watch.evidence.loaded == (10.8, LAMPS_A)
