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
from bench.samples import accuracies
from bench.uncertainty import TypeA, combine
from bench.zero import KNOWN_ZERO, LinkReadings, converter_seen, converter_stated, zeroed

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
    """One thing that was looked at, how it came out, and what was seen."""

    what: str
    state: CheckState
    text: str


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
    if supply_v is not None and (problem := supply_problem(supply_v, system_v)):
        yield CheckFinding("lamps" if lamps else "link", CheckState.NOT_DONE, f"no lamp was lit: {problem}")
        return
    try:
        with operator_at(board, simulated_unit, operator, "checking") as hands:
            hands.do(FitLink(), attending(board))
            with board.sampling(watch):
                if link:
                    yield from _link(board, description, watch)
                if lamps:
                    yield from _lamps(board, description, watch, system_v)
            hands.do(FitUnit(""), attending(board))
    except NoOperator:
        yield CheckFinding("lamps" if lamps else "link", CheckState.NOT_DONE, "nobody was named to fit the shorting link")


def _standards(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[CheckFinding]:
    for check in description.checks:
        seen = readings.get(check.channel)
        if seen is None:
            yield CheckFinding(check.channel, CheckState.NOT_DONE, "no sample of it came")
            continue
        r = description.channels[check.channel].range(0)
        u = combine(check.u, r.u_at(check.expected), seen.u)
        state = CheckState.GOOD if abs(seen.mean - check.expected) <= _K * u else CheckState.BAD
        yield CheckFinding(check.channel, state, f"reads {seen.mean:.4f}, should read {check.expected:g} within {_K * u:.4f}")


def _at_rest(description: BoardDescription, readings: Mapping[str, TypeA]) -> Iterator[CheckFinding]:
    """With everything open: every channel alive, its noise not above three times its own claim, nothing flows."""
    for name, channel in description.channels.items():
        seen = readings.get(name)
        if seen is None:
            yield CheckFinding(f"{name} at rest", CheckState.NOT_DONE, "no sample of it came")
            continue
        r = channel.range(0)
        allowed = 3.0 * max(r.noise, r.scale)
        text = f"reads {seen.mean:.4g} {channel.unit}, noise {seen.s:.2g} (at most {allowed:.2g})"
        off = channel.unit == "A" and abs(seen.mean) > _K * r.u_at(0.0)
        text += f"; with everything open it should be 0 within {_K * r.u_zero:.2g}" if off else ""
        yield CheckFinding(
            f"{name} at rest", CheckState.BAD if off or (channel.curve is None and seen.s > allowed) else CheckState.GOOD, text
        )


def _supply_v(board: BoardClient, watch: Watch) -> float | None:
    """V at the unit's input with the supply on; None where the board does not read it."""
    seen = _look(board, watch, True, ()).get("v_in")
    return None if seen is None else seen.mean


def _supply(supply_v: float | None, system_v: float) -> CheckFinding:
    if supply_v is None:
        return CheckFinding("supply", CheckState.NOT_DONE, "the board has no channel v_in")
    problem = supply_problem(supply_v, system_v)
    text = problem or f"{supply_v:.2f} V at the unit's input, in a {system_v:g} V system"
    return CheckFinding("supply", CheckState.BAD if problem else CheckState.GOOD, text)


def _look(board: BoardClient, watch: Watch, master: bool, loads: Sequence[int]) -> Mapping[str, TypeA]:
    """Readings with the switches so, after a while to settle; everything is open afterwards."""
    settle_s = _LAMP_SETTLE_S if loads else _SETTLE_S
    found = look(board, watch, master=master, loads=loads, settle_s=settle_s, seconds=_LOOK_S)
    board.all_open()
    return found


def _link(board: BoardClient, description: BoardDescription, watch: Watch) -> Iterator[CheckFinding]:
    """Zeros, common mode and converter as the link and the standard show them, against what the board states."""
    lamps = [n for n, load in sorted(description.loads.items()) if load.kind == "LAMP"][:2]
    readings = LinkReadings(*(_look(board, watch, master, loads) for master, loads in ((False, ()), (True, ()), (True, lamps))))
    try:
        after = zeroed(description, readings)
    except ZeroError as error:
        yield CheckFinding("link", CheckState.BAD, str(error))
        return
    for name in KNOWN_ZERO:
        if name in description.channels and name in readings.rest:
            channel = description.channels[name]
            yield _within(f"{name} zero", readings.rest[name].mean, 0.0, channel.range(0).u_at(0.0), channel.unit)
    for name, channel in after.channels.items():
        for share, stated in zip(channel.common, description.channels[name].common, strict=True):
            if share != stated:
                yield _within(f"{name}'s share of {share.other}", share.part, 0.0, stated.u, "")
    v_in, v_out = readings.off.get("v_in"), readings.off.get("v_out")
    if v_in is not None and v_out is not None:
        u = combine(*(description.channels[name].range(0).u_at(v_in.mean) for name in ("v_in", "v_out")))
        yield _within("output beside input", v_out.mean, v_in.mean, u, "V")
    stated_converter, seen = converter_stated(description), converter_seen(description, readings.rest)
    if stated_converter is not None and seen is not None:
        yield _within("converter's scale", 100.0 * seen.scale, 0.0, 100.0 * stated_converter.scale_variance**0.5, "%")
        yield _within("converter's zero", seen.zero, 0.0, stated_converter.zero_variance**0.5, "counts")
    if v_in is not None and "v_drop" in description.channels:
        known = [_known_to(one, v_in.mean) for one in (description, after)]
        (volts_before, drop_before), (volts_after, drop_after) = known
        of_volts = f"{v_in.mean:.1f} V is known to {volts_after:.2g} V ({volts_before:.2g} before)"
        yield CheckFinding("after zeroing", CheckState.GOOD, f"{of_volts}, a drop to {drop_after:.2g} V ({drop_before:.2g})")


def _known_to(description: BoardDescription, volts: float) -> tuple[float, float]:
    """Standard uncertainties, in V, of this voltage at the input and of a drop of half a volt."""
    known = accuracies(description, 0)
    parts = known["v_in"].parts("v_in", volts), known["v_drop"].parts("v_drop", 0.5, {"v_in": volts})
    return combine(*(c.u for c in parts[0])), combine(*(c.u for c in parts[1]))


def _within(what: str, value: float, should: float, u: float, unit: str) -> CheckFinding:
    state = CheckState.GOOD if abs(value - should) <= _K * u else CheckState.BAD
    return CheckFinding(what, state, f"{value:.4g} {unit}, should be {should:.4g} within {_K * u:.2g} {unit}".replace(" ,", ",").rstrip())


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
