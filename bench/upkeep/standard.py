"""A kept standard, measured before a session: does the rig read today what it read the other day?

Two kinds: the shorting link with lamps of the bank, or a good electronic unit that is used for nothing else. What is measured depends as
little as can be on the supply. Readings are the board's own, with nothing zeroed, so that nothing hides what has drifted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from bench.board import BoardClient
from bench.board.conversation import conversation
from bench.board.simulated_operator import attending, operator_at
from bench.board.watch import Watch, look
from bench.description import BoardDescription
from bench.errors import BoardFault, Cancelled
from bench.lamp_check import supply_problem
from bench.lamps import CURRENT_EXPONENT
from bench.manual_actions import FitLink, FitUnit, Operator
from bench.outcome import Outcome
from bench.ports import Port
from bench.procedure import Procedure
from bench.samples import Accuracy, accuracies
from bench.session.conduct import run_test
from bench.session.progress import Asked, Progress
from bench.setup import Setup, range_reach_v
from bench.uncertainty import Component, Estimate, TypeA

UNIT_QUANTITIES = ("rate_per_min", "on_ratio", "drop_v", "steady_a", "clock_error")
"""Of a kept unit's record."""
TITLES: Mapping[str, str] = {
    "self_check_v": "built-in standard",
    "current_zero_a": "zero of the current, wide range",
    "current_zero_low_a": "zero of the current, low range",
    "drop_share": "what the drop reads of the supply",
    "out_over_in": "output over input with the link",
    "lamp_a": "current of the lamps at nominal voltage",
    "low_over_wide": "low over wide current range",
    "rate_per_min": "flash rate of the kept unit",
    "on_ratio": "on-time of the kept unit",
    "drop_v": "contact drop of the kept unit",
    "steady_a": "current with the kept unit",
    "clock_error": "board's clock, slow by",
}
_SETTLE_S = 0.3
_LAMP_SETTLE_S = 2.0
_LOOK_S = 2.0
_LAMPS = 2


@dataclass(frozen=True)
class StandardReading:
    """A kept standard as it was measured: values by quantity, the board's serial number, and the day of its calibration (20261125; 0 for
    none)."""

    board: str
    calibrated: int
    values: Mapping[str, Estimate]


def measure_link(port: Port, setup: Setup, operator: Operator | None, progress: Progress = lambda event: None) -> StandardReading:
    """Return the board's readings with the link fitted and two lamps of the bank. BoardFault or PortError if that can't be done."""
    with conversation(port) as board:
        _, description, simulated_unit = board.make_contact()
        with operator_at(board, simulated_unit, operator, "measuring a standard on") as present:
            progress(Asked(FitLink()))
            present.do(FitLink(), attending(board))
            lamps = [n for n, load in sorted(description.loads.items()) if load.kind == "LAMP"][:_LAMPS]
            number = board.select_range(round(range_reach_v(setup, [setup.nominal_v]), 2))
            watch = Watch(description)
            with board.sampling(watch):
                rest = _look(board, watch, False, [])
                off = _look(board, watch, True, [])
                if problem := supply_problem(off["v_in"].mean, setup.system_v) if "v_in" in off else "":
                    raise BoardFault(f"measuring a standard on the board at {port.address}: {problem}")
                on = _look(board, watch, True, lamps)
            progress(Asked(FitUnit("")))
            present.do(FitUnit(""), attending(board))
    values = link_quantities(description, number, setup.nominal_v, rest, off, on)
    return StandardReading(description.serial, description.calibrated, values)


def _look(board: BoardClient, watch: Watch, master: bool, lamps: list[int]) -> Mapping[str, TypeA]:
    settle_s = _LAMP_SETTLE_S if lamps else _SETTLE_S
    found = look(board, watch, master=master, loads=lamps, settle_s=settle_s, seconds=_LOOK_S)
    board.all_open()
    return found


def link_quantities(
    description: BoardDescription,
    range_number: int,
    nominal_v: float,
    rest: Mapping[str, TypeA],
    off: Mapping[str, TypeA],
    on: Mapping[str, TypeA],
) -> dict[str, Estimate]:
    """Return what these readings say; what the board lacks is left out. Current of the lamps is that at nominal_v by their law."""
    known = accuracies(description, range_number)
    found: dict[str, Estimate] = {}
    for check in description.checks[:1]:
        if check.channel in rest:
            own = Component("the standard itself", check.u)
            found["self_check_v"] = _with(_reading(known, check.channel, rest[check.channel], "V"), own)
    for name, channel in (("current_zero_a", "i_load"), ("current_zero_low_a", "i_load_low")):
        if channel in rest:
            found[name] = _reading(known, channel, rest[channel], "A")
    if "v_drop" in rest and "v_drop" in off and "v_in" in off:
        risen = off["v_drop"].mean - rest["v_drop"].mean
        parts = known["v_drop"].parts("v_drop", risen, {"v_in": off["v_in"].mean}, rest["v_drop"].u)
        found["drop_share"] = Estimate(risen, "V", (*parts, Component("noise", off["v_drop"].u))).scaled(1.0 / off["v_in"].mean, "1")
    if "v_out" in off and "v_in" in off:
        found["out_over_in"] = _ratio(_reading(known, "v_out", off["v_out"], "V"), _reading(known, "v_in", off["v_in"], "V"))
    return found | _lamp_quantities(known, nominal_v, rest, on)


def _lamp_quantities(
    known: Mapping[str, Accuracy], nominal_v: float, rest: Mapping[str, TypeA], on: Mapping[str, TypeA]
) -> dict[str, Estimate]:
    """Return what the currents of the lit lamps say."""
    found: dict[str, Estimate] = {}
    currents: dict[str, Estimate] = {}
    for channel in ("i_load", "i_load_low"):
        if channel in on and channel in rest:
            amperes = on[channel].mean - rest[channel].mean
            others = {name: reading.mean for name, reading in on.items()}
            parts = known[channel].parts(channel, amperes, others, rest[channel].u)
            currents[channel] = Estimate(amperes, "A", (*parts, Component("noise", on[channel].u)))
    best = currents.get("i_load_low", currents.get("i_load"))
    if best is not None and "v_out" in on and on["v_out"].mean > 0.0:
        volts = _reading(known, "v_out", on["v_out"], "V")
        by_law = (nominal_v / volts.value) ** CURRENT_EXPONENT
        at_nominal = best.scaled(by_law, "A")
        found["lamp_a"] = _with(at_nominal, Component("voltage at the lamps", at_nominal.value * CURRENT_EXPONENT * volts.u / volts.value))
    if len(currents) == 2 and currents["i_load"].value > 0.0:
        found["low_over_wide"] = _ratio(currents["i_load_low"], currents["i_load"])
    return found


def _reading(known: Mapping[str, Accuracy], channel: str, reading: TypeA, unit: str) -> Estimate:
    return Estimate(reading.mean, unit, (*known[channel].parts(channel, reading.mean), Component("noise", reading.u)))


def _with(estimate: Estimate, part: Component) -> Estimate:
    return replace(estimate, budget=(*estimate.budget, part))


def _ratio(a: Estimate, b: Estimate) -> Estimate:
    """Return the ratio of two independent values."""
    return _with(a.scaled(1.0 / b.value, "1"), Component("divisor", abs(a.value / b.value) * b.u / abs(b.value)))


def measure_unit(
    port: Port, procedure: Procedure, setup: Setup, operator: Operator | None, when: str, software: str, progress: Progress
) -> StandardReading:
    """Return what a kept unit does today. BoardFault if the bench was at fault or the unit did not flash, Cancelled if it was broken
    off."""
    record = run_test(port, procedure, setup, operator=operator, progress=progress, when=when, software=software)
    values = record.measured.values
    found = {name: value for name in UNIT_QUANTITIES if isinstance(value := values.get(name), Estimate)}
    doing = f"measuring the kept unit {setup.unit}"
    if record.outcome is Outcome.BENCH_FAULT:
        raise BoardFault(f"{doing}: {record.reason}")
    if record.interrupted is not None:
        raise Cancelled(f"{doing}: {record.interrupted}; nothing of it is kept")
    if record.board is None or "rate_per_min" not in found:
        raise BoardFault(f"{doing}: it does not flash as a kept unit must")
    return StandardReading(record.board.serial, int((record.board.calibrated or "0").replace("-", "")), found)
