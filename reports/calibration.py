"""How often calibration holds the truth: simulated rigs with hidden errors, calibrated with simulated meters by the guided procedure.

For every quantity that is stated afterwards: how many of the rigs' hidden values lie within the stated 95 % interval, and how far off they
are. The rigs' errors are drawn from what their description states, the meters' evenly within their accuracy.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from bench.calibration import MeterAccuracy
from bench.description import BoardDescription
from bench.ports.address import parse_sim_address
from bench.ports.simulated import SimulatedPort, open_line
from bench.simboard.board import SimulatedBoard
from bench.simboard.hidden import Hidden
from bench.upkeep.apply_calibration import store_calibration
from bench.upkeep.calibrate import calibrate_board
from bench.upkeep.calibration_plan import Wanted

METERS: Mapping[str, Mapping[str, MeterAccuracy]] = {
    "good": {"V": MeterAccuracy(5e-4, 2e-3), "A": MeterAccuracy(5e-4, 2e-3)},
    "cheap": {"V": MeterAccuracy(5e-3, 2e-2), "A": MeterAccuracy(5e-3, 2e-2)},
}
CLOCK_S = 120.0
_K = 1.96
_RECTANGULAR = 0.95  # of the half-width holds 95 %
PLACES: Mapping[str, tuple[float, ...]] = {
    "v_in": (6.4, 12.8),
    "v_out": (12.8,),
    "v_drop": (0.45,),
    "i_load": (25.0,),
    "i_load_low": (0.4, 4.0),
}
"""Values at which a reading is compared as well."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Error and half-width of the stated 95 % interval; the same before, from what was built in."""

    error: float
    half: float
    error_before: float
    half_before: float


def calibrated_rig(seed: int, meters: Mapping[str, MeterAccuracy], clock_s: float = CLOCK_S) -> dict[str, Outcome]:
    """One rig by its seed, calibrated and asked."""
    line = open_line(parse_sim_address(f"sim://LINK?seed={seed}"))
    board = line.board
    assert isinstance(board, SimulatedBoard)
    port = SimulatedPort("sim://LINK", line)
    found = calibrate_board(port, Wanted(meters, clock_s=clock_s), None, 20260101)
    said = store_calibration(port, found.board, found.lines)
    return outcomes(board.description, said, board.rig.hidden)


def outcomes(built_in: BoardDescription, said: BoardDescription, hidden: Hidden) -> dict[str, Outcome]:
    """What the board says now, and what it said, against what is hidden in it."""
    rows: dict[str, Outcome] = {}
    for name, channel in said.channels.items():
        if channel.curve is not None or name not in PLACES:
            continue
        for r in channel.ranges:
            errors, old = hidden.ranges[name, r.number], built_in.channels[name].range(r.number)
            scale, zero = old.scale / (1.0 + errors.gain), old.zero + errors.zero / old.scale
            key = f"{name} {r.number}"
            rows[f"{key} scale"] = Outcome(r.scale / scale - 1.0, _K * r.u_scale, old.scale / scale - 1.0, _K * old.u_scale)
            rows[f"{key} zero"] = Outcome((zero - r.zero) * r.scale, _K * r.u_zero, (zero - old.zero) * old.scale, _K * old.u_zero)
            for value in PLACES[name]:
                if value < 0.95 * r.high:
                    count = zero + value / scale
                    count += errors.line[round(count)] / old.scale
                    rows[f"{key} at {value:g}"] = Outcome(
                        (count - r.zero) * r.scale - value, _K * r.u_at(value), (count - old.zero) * old.scale - value, _K * old.u_at(value)
                    )
    hz = built_in.clock_hz * (1.0 + hidden.clock_error)
    now, before = ((one.clock_hz / hz - 1.0, _RECTANGULAR * one.clock_half_width) for one in (said, built_in))
    rows["clock"] = Outcome(*now, *before)
    return rows


def survey(rigs: int, seed: int, meters: str, workers: int = 2, progress: Callable[[int], None] | None = None) -> list[dict[str, Outcome]]:
    seeds = range(1000 * seed, 1000 * seed + rigs)
    found = []
    with ProcessPoolExecutor(workers) as pool:
        for rows in pool.map(calibrated_rig, seeds, [METERS[meters]] * rigs, chunksize=2):
            found.append(rows)
            if progress is not None:
                progress(len(found))
    return found


def held(found: Sequence[Mapping[str, Outcome]], name: str) -> int:
    return sum(abs(rows[name].error) <= rows[name].half for rows in found)


def table(found: Sequence[Mapping[str, Outcome]]) -> str:
    titles = f"{'quantity':<22} {'hold truth':>10} {'median U95':>11} {'rms error':>10} {'U95 before':>11} {'rms before':>11}"
    lines = [titles]
    for name in found[0]:
        some = [rows[name] for rows in found]
        lines.append(
            f"{name:<22} {held(found, name):>4} of {len(found):<3} {statistics.median(o.half for o in some):>10.3g} "
            f"{_rms([o.error for o in some]):>10.3g} {statistics.median(o.half_before for o in some):>11.3g} "
            f"{_rms([o.error_before for o in some]):>11.3g}"
        )
    least = min(found[0], key=lambda name: held(found, name))
    lines.append(
        f"least: {least}, {held(found, least)} of {len(found)}; all together "
        f"{100.0 * sum(held(found, name) for name in found[0]) / len(found) / len(found[0]):.1f} %"
    )
    return "\n".join(lines)


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(statistics.fmean(v * v for v in values))


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rigs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--meter", choices=sorted(METERS), default="good")
    options = parser.parse_args(arguments)

    def progress(done: int) -> None:
        print(f"\r{done} of {options.rigs} rigs", end="", file=sys.stderr, flush=True)

    found = survey(options.rigs, options.seed, options.meter, options.workers, progress)
    meter = ", ".join(f"{100.0 * m.part:g} % + {m.rest:g} {unit}" for unit, m in METERS[options.meter].items())
    print(f"\n{options.rigs} rigs, seed {options.seed}, meter {meter}\n{table(found)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
