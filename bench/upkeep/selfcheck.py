"""A look at the board without a unit: does it answer, are its channels alive, do standard, shorting link and lamps read right."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from bench.board import BoardClient
from bench.board.conversation import conversation
from bench.board.simulated_operator import attending, operator_at
from bench.board.watch import Watch, look
from bench.description import BoardDescription
from bench.errors import NoOperator, ZeroError
from bench.lamp_check import lamp_takes, supply_problem
from bench.manual_actions import FitLink, FitUnit, Operator
from bench.ports import Port
from bench.rounding import uncertainty_text
from bench.samples import accuracies
from bench.uncertainty import Component, Estimate, TypeA, combine
from bench.zero import KNOWN_ZERO, LinkReadings, apply_zero, converter_seen, converter_stated

_LOOK_S = 0.5
_SETTLE_S = 0.2
_LAMP_SETTLE_S = 1.0
_K = 3.0  # a reading further off than this many standard uncertainties is a finding


class CheckState(StrEnum):
    """How a check came out."""

    GOOD = "good"
    BAD = "bad"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One thing that was looked at, how it came out, and what was seen: a reading with its uncertainty, or in words (`text`).

    `should`: what it should have read, in the reading's unit. `noise`: standard deviation of its samples, and the most that is allowed.
    """

    what: str
    state: CheckState
    text: str = ""
    seen: Estimate | None = None
    should: float | None = None
    noise: tuple[float, float] | None = None


def self_check(
    port: Port,
    *,
    link: bool = False,
    lamps: bool = False,
    system_v: float = 12.0,
    operator: Operator | None = None,
    found: Callable[[CheckFinding], None] = lambda finding: None,
) -> tuple[CheckFinding, ...]:
    """Check the board behind `port`. BoardFault or PortError if there is no talking to it; everything is open afterwards.

    `link`: zero it with the shorting link, which `operator` fits (a simulated board does it by itself). `lamps`: light each lamp of
    the bank alone through the link. No lamp is lit while the supply is not that of `system_v`, the lamps' own. `found`: told each finding
    as it comes, so that none is lost if the check is broken off.
    """
    findings = []
    with conversation(port) as board, contextlib.closing(_findings(board, link, lamps, system_v, operator)) as coming:
        for finding in coming:
            findings.append(finding)
            found(finding)
    return tuple(findings)


def _findings(board: BoardClient, link: bool, lamps: bool, system_v: float, operator: Operator | None) -> Generator[CheckFinding]:
    identity, description, simulated_unit = board.make_contact()
    yield CheckFinding("identity", CheckState.GOOD, identity)
    has = f"{len(description.channels)} channels, {len(description.loads)} loads"
    calibrated = f"calibrated with a meter, {description.calibrated}" if description.calibrated else "built-in scales"
    yield CheckFinding("description", CheckState.GOOD, f"{has}, {calibrated}; its check fits")
    wrong = board.self_test()
    yield CheckFinding("self-test", CheckState.BAD if wrong else CheckState.GOOD, wrong or "the board finds nothing wrong")
    watch = Watch(description)
    with board.sampling(watch):
        watch.restart()
        board.attend(_LOOK_S)
        yield from _standards(description, watch.readings())
        yield from _at_rest(description, watch.readings())
        supply_v = _supply_v(board, watch)
        yield _supply(supply_v, system_v)
    if not (link or lamps):
        return
    what = "lamps" if lamps else "link"
    if supply_v is not None and (problem := supply_problem(supply_v, system_v)):
        yield CheckFinding(what, CheckState.NOT_DONE, f"no lamp was lit: {problem}")
        return
    try:
        with operator_at(board, simulated_unit, operator, "checking") as present:
            present.do(FitLink(), attending(board))
            with board.sampling(watch):
                yield from _link(board, description, watch) if link else ()
                yield from _lamps(board, description, watch, system_v) if lamps else ()
            present.do(FitUnit(""), attending(board))
    except NoOperator:
        yield CheckFinding(what, CheckState.NOT_DONE, "no operator was named to fit the shorting link")


def _standards(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[CheckFinding]:
    for check in description.checks:
        seen = readings.get(check.channel)
        if seen is None:
            yield CheckFinding(check.channel, CheckState.NOT_DONE, "no sample of it came")
            continue
        r = description.channels[check.channel].range(0)
        u = combine(check.u, r.u_at(check.expected), seen.u)
        yield _within(check.channel, seen.mean, check.expected, u, description.channels[check.channel].unit)


def _at_rest(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[CheckFinding]:
    """Yield, with everything open, whether every channel is alive, its noise at most three times what is stated, and nothing flows."""
    known = accuracies(description, 0)
    for name, channel in description.channels.items():
        seen = readings.get(name)
        if seen is None:
            yield CheckFinding(f"{name} at rest", CheckState.NOT_DONE, "no sample of it came")
            continue
        r = channel.range(0)
        allowed = 3.0 * max(r.noise, r.scale)
        off = channel.unit == "A" and abs(seen.mean) > _K * r.u_at(0.0)
        state = CheckState.BAD if off or (channel.curve is None and seen.s > allowed) else CheckState.GOOD
        reading = Estimate(seen.mean, channel.unit, known[name].parts(name, seen.mean))
        yield CheckFinding(f"{name} at rest", state, seen=reading, should=0.0 if off else None, noise=(seen.s, allowed))


def _supply_v(board: BoardClient, watch: Watch) -> float | None:
    """Return the V at the unit's input with the supply on; None where the board does not read it."""
    seen = _look(board, watch, True, ()).get("v_in")
    return None if seen is None else seen.mean


def _supply(supply_v: float | None, system_v: float) -> CheckFinding:
    if supply_v is None:
        return CheckFinding("supply", CheckState.NOT_DONE, "the board has no channel v_in")
    problem = supply_problem(supply_v, system_v)
    text = problem or f"{supply_v:.2f} V at the unit's input, in a {system_v:g} V system"
    return CheckFinding("supply", CheckState.BAD if problem else CheckState.GOOD, text)


def _look(board: BoardClient, watch: Watch, master: bool, loads: Sequence[int]) -> Mapping[str, TypeA]:
    """Return readings with the switches so, after a while to settle; everything is open afterwards."""
    settle_s = _LAMP_SETTLE_S if loads else _SETTLE_S
    found = look(board, watch, master=master, loads=loads, settle_s=settle_s, seconds=_LOOK_S)
    board.all_open()
    return found


def _link(board: BoardClient, description: BoardDescription, watch: Watch) -> Iterator[CheckFinding]:
    """Yield zeros, common mode and converter as link and standard show them, against what the board states."""
    lamps = [n for n, load in sorted(description.loads.items()) if load.kind == "LAMP"][:2]
    readings = LinkReadings(*(_look(board, watch, master, loads) for master, loads in ((False, ()), (True, ()), (True, lamps))))
    try:
        after = apply_zero(description, readings)
    except ZeroError as error:
        yield CheckFinding("link", CheckState.BAD, str(error))
        return
    yield from _zeros_seen(description, readings)
    yield from _shares_seen(description, after, readings)
    yield from _converter_seen(description, readings)
    yield from _after_zeroing(description, after, readings)


def _zeros_seen(description: BoardDescription, readings: LinkReadings) -> Iterator[CheckFinding]:
    for name in KNOWN_ZERO:
        if name in description.channels and name in readings.rest:
            channel = description.channels[name]
            yield _within(f"{name} zero", readings.rest[name].mean, 0.0, channel.range(0).u_at(0.0), channel.unit)


def _shares_seen(description: BoardDescription, after: BoardDescription, readings: LinkReadings) -> Iterator[CheckFinding]:
    for name, channel in after.channels.items():
        for share, stated in zip(channel.common, description.channels[name].common, strict=True):
            if share != stated:
                yield _within(f"{name}'s share of {share.other}", share.part, 0.0, stated.u, "1")
    v_in, v_out = readings.off.get("v_in"), readings.off.get("v_out")
    if v_in is not None and v_out is not None:
        u = combine(*(description.channels[name].range(0).u_at(v_in.mean) for name in ("v_in", "v_out")))
        yield _within("output beside input", v_out.mean, v_in.mean, u, "V")


def _converter_seen(description: BoardDescription, readings: LinkReadings) -> Iterator[CheckFinding]:
    stated_converter, seen = converter_stated(description), converter_seen(description, readings.rest)
    if stated_converter is not None and seen is not None:
        yield _within("converter's scale", seen.scale, 0.0, stated_converter.scale_variance**0.5, "1")
        yield _within("converter's zero", seen.zero, 0.0, stated_converter.zero_variance**0.5, "counts")


def _after_zeroing(description: BoardDescription, after: BoardDescription, readings: LinkReadings) -> Iterator[CheckFinding]:
    v_in = readings.off.get("v_in")
    if v_in is not None and "v_drop" in description.channels:
        known = [_known_to(one, v_in.mean) for one in (description, after)]
        (volts_before, drop_before), (volts_after, drop_after) = known
        mv = [f"± {uncertainty_text(2e3 * u)} mV" for u in (volts_after, volts_before, drop_after, drop_before)]
        text = f"{v_in.mean:.1f} V is known to {mv[0]} (before: {mv[1]}), a drop to {mv[2]} (before: {mv[3]})"
        yield CheckFinding("after zeroing", CheckState.GOOD, text)


def _known_to(description: BoardDescription, volts: float) -> tuple[float, float]:
    """Return standard uncertainties, in V, of this voltage at the input and of a drop of half a volt."""
    known = accuracies(description, 0)
    parts = known["v_in"].parts("v_in", volts), known["v_drop"].parts("v_drop", 0.5, {"v_in": volts})
    return combine(*(c.u for c in parts[0])), combine(*(c.u for c in parts[1]))


def _within(what: str, value: float, should: float, u: float, unit: str) -> CheckFinding:
    state = CheckState.GOOD if abs(value - should) <= _K * u else CheckState.BAD
    return CheckFinding(what, state, seen=_estimate(value, u, unit), should=should)


def _estimate(value: float, u: float, unit: str) -> Estimate:
    """Return a reading with what the board states of it."""
    return Estimate(value, unit, (Component("stated by the board", u),))


def _lamps(board: BoardClient, description: BoardDescription, watch: Watch, system_v: float) -> Iterator[CheckFinding]:
    """Each lamp alone against what its wattage takes: within what is allowed to new lamps, their ageing, and the board's uncertainty."""
    rest = _look(board, watch, False, ())
    for number, load in sorted(description.loads.items()):
        if load.kind != "LAMP":
            continue
        taken = lamp_takes(description, load.nominal, system_v, rest, _look(board, watch, True, [number]))
        if taken is None:
            yield CheckFinding(f"lamp {number}", CheckState.NOT_DONE, "the board does not read current and voltage")
        else:
            yield CheckFinding(f"lamp {number}", CheckState.GOOD if taken.is_right else CheckState.BAD, taken.text)
