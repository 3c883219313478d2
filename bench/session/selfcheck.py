"""A look at the board without a unit: does it answer, are its channels alive, do its standard and its lamps read right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from bench.description import BoardDescription
from bench.lamps import expected_current_a
from bench.ports import Port
from bench.session.board import BoardClient
from bench.session.operator import FitLink, FitUnit, Operator, SimulatedHands
from bench.session.watch import Watch
from bench.uncertainty import TypeA, combine

_LOOK_S = 0.5
_LAMP_SETTLE_S = 1.0
_LAMP_OFF = 0.14  # lamps are within 6 % of their wattage (UN R37), the rest is the current channel and ageing
_K = 3.0  # a reading further off than this many standard uncertainties is a finding


class State(StrEnum):
    """How a check came out."""

    GOOD = "good"
    BAD = "bad"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at, how it came out, and what was seen."""

    what: str
    state: State
    text: str


def self_check(
    port: Port, *, lamps: bool = False, system_v: float = 12.0, operator: Operator | None = None
) -> tuple[Finding, ...]:
    """Check the board behind `port`. BoardFault or PortError if there is no talking to it; everything is open afterwards.

    `lamps`: light each lamp of the bank alone through the shorting link, which `operator` fits (a simulated board does it by
    itself). Lamps of another system voltage than `system_v` burn out: the caller must have asked.
    """
    board = BoardClient(port)
    try:
        return tuple(_findings(board, lamps, system_v, operator))
    finally:
        board.make_safe()


def _findings(board: BoardClient, lamps: bool, system_v: float, operator: Operator | None) -> Iterator[Finding]:
    description = board.open()
    yield Finding("identity", State.GOOD, board.identity())
    has = f"{len(description.channels)} channels, {len(description.loads)} loads"
    yield Finding("description", State.GOOD, f"{has}, its check fits")
    wrong = board.self_test()
    yield Finding("self-test", State.BAD if wrong else State.GOOD, wrong or "the board finds nothing wrong")
    watch = Watch(description)
    board.listener = watch
    board.start_sampling()
    watch.restart()
    board.attend(_LOOK_S)
    yield from _standards(description, watch.readings())
    yield from _at_rest(description, watch.readings())
    yield from _supply(board, watch, system_v)
    if lamps:
        unit = board.simulated_unit()
        board.command("*CLS")
        hands = SimulatedHands(board, unit) if unit is not None else operator
        if hands is None:
            yield Finding("lamps", State.NOT_DONE, "nobody was named to fit the shorting link")
        else:
            board.stop_sampling()
            hands.do(FitLink())
            board.start_sampling()
            yield from _lamps(board, description, watch, system_v)
            board.stop_sampling()
            hands.do(FitUnit(unit or "the unit"))
    board.listener = None


def _standards(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[Finding]:
    for check in description.checks:
        seen = readings.get(check.channel)
        if seen is None:
            yield Finding(check.channel, State.NOT_DONE, "no sample of it came")
            continue
        r = description.channels[check.channel].range(0)
        u = combine(check.u, r.u_at(check.expected), seen.u)
        state = State.GOOD if abs(seen.mean - check.expected) <= _K * u else State.BAD
        yield Finding(check.channel, state, f"reads {seen.mean:.4f}, should read {check.expected:g} within {_K * u:.4f}")


def _at_rest(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[Finding]:
    """With everything open: every channel alive, its noise not above three times its own claim, nothing flows."""
    for name, channel in description.channels.items():
        seen = readings.get(name)
        if seen is None:
            yield Finding(f"{name} at rest", State.NOT_DONE, "no sample of it came")
            continue
        r = channel.range(0)
        allowed = 3.0 * max(r.noise, r.scale)
        text = f"reads {seen.mean:.4g} {channel.unit}, noise {seen.s:.2g} (at most {allowed:.2g})"
        off = channel.unit == "A" and abs(seen.mean) > _K * r.u_at(0.0)
        text += f"; with everything open it should be 0 within {_K * r.u_zero:.2g}" if off else ""
        yield Finding(f"{name} at rest", State.BAD if off or (channel.curve is None and seen.s > allowed) else State.GOOD, text)


def _supply(board: BoardClient, watch: Watch, system_v: float) -> Iterator[Finding]:
    board.switch_master(True)
    board.attend(0.1)
    watch.restart()
    board.attend(_LOOK_S)
    board.switch_master(False)
    seen = watch.readings().get("v_in")
    if seen is None:
        yield Finding("supply", State.NOT_DONE, "the board has no channel v_in")
        return
    there = 0.8 * system_v <= seen.mean <= 1.4 * system_v
    text = f"{seen.mean:.2f} V at the unit's input, in a {system_v:g} V system"
    yield Finding("supply", State.GOOD if there else State.BAD, text)


def _lamps(board: BoardClient, description: BoardDescription, watch: Watch, system_v: float) -> Iterator[Finding]:
    for number, load in sorted(description.loads.items()):
        if load.kind != "LAMP":
            continue
        board.close_loads([number])
        board.switch_master(True)
        board.attend(_LAMP_SETTLE_S)
        watch.restart()
        board.attend(_LOOK_S)
        board.all_open()
        readings = watch.readings()
        current = readings.get("i_load_low", readings.get("i_load"))
        volts = readings.get("v_out")
        if current is None or volts is None:
            yield Finding(f"lamp {number}", State.NOT_DONE, "the board does not read current and voltage")
            continue
        expected = expected_current_a([load.nominal], system_v, volts.mean)
        good = abs(current.mean - expected) <= _LAMP_OFF * expected
        text = f"takes {current.mean:.2f} A at {volts.mean:.2f} V, a {load.nominal:g} W lamp should take {expected:.2f} A"
        yield Finding(f"lamp {number}", State.GOOD if good else State.BAD, text)
