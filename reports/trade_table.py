"""The trade's table of how each mechanism behaves by load, supply and ambient, beside what the simulated bench does in each case.

    python -m reports.trade_table

The table's figures are common practice, no source: computed once, outside this program, from the constants in `bench.simboard.units`.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.simboard.filament import rated_filament
from bench.simboard.loads import LampBank, standard_bank
from bench.simboard.units import nominal
from bench.simboard.world import World


@dataclass(frozen=True)
class TradeCase:
    """A load (sockets), a supply, an ambient; by mechanism the rate per minute (None where it stays lit) and the on-time in percent."""

    title: str
    loads: tuple[int, ...]
    supply_v: float
    ambient_c: float
    expected: dict[str, tuple[float | None, float]]


@dataclass(frozen=True)
class FoundBehaviour:
    """What a unit did: rate per minute (None where it never opened), on-time in percent, first opening and first light in s."""

    rate_per_min: float | None
    on_percent: float
    opening_s: float | None
    light_s: float | None
    lit: bool


_KINDS = ("NC", "HWh", "HWp", "TC", "ELo")


def _case(title: str, loads: tuple[int, ...], supply_v: float, ambient_c: float, *row: tuple[float | None, float]) -> TradeCase:
    return TradeCase(title, loads, supply_v, ambient_c, dict(zip(_KINDS, row, strict=True)))


_STEADY = (None, 100.0)

CASES = (
    _case("2 x 21 W, 12.8 V", (1, 2), 12.8, 24.0, (88, 51), (85, 60), (89, 58), (87, 42), (90, 50)),
    _case("2 x 21 + 5 W", (1, 2, 5), 12.8, 24.0, (117, 34), (82, 61), (90, 59), (93, 40), (90, 50)),
    _case("3 x 21 W", (1, 2, 3), 12.8, 24.0, (133, 10), (75, 64), (92, 61), (110, 35), (90, 50)),
    _case("4 x 21 W", (1, 2, 3, 4), 12.8, 24.0, (97, 3), (70, 67), (95, 63), (127, 31), (90, 50)),
    _case("1 x 21 W", (1,), 12.8, 24.0, _STEADY, (110, 50), (81, 53), (47, 65), (198, 40)),
    _case("11 V", (1, 2), 11.0, 24.0, (59, 68), (68, 46), (68, 44), (93, 44), (90, 50)),
    _case("15 V", (1, 2), 15.0, 24.0, (110, 39), (96, 71), (105, 69), (82, 41), (90, 50)),
    _case("12.8 V, -17 degC", (1, 2), 12.8, -17.0, (79, 61), (87, 55), (91, 54), (104, 43), (90, 50)),
    _case("12.8 V, 50 degC", (1, 2), 12.8, 50.0, (92, 45), (82, 63), (87, 61), (84, 42), (90, 50)),
    _case("12.0 V, -17 degC", (1, 2), 12.0, -17.0, (63, 69), (79, 49), (81, 48), (107, 44), (90, 50)),
    _case("15.0 V, -17 degC", (1, 2), 15.0, -17.0, (108, 46), (102, 67), (111, 66), (99, 42), (90, 50)),
    _case("11.0 V, 50 degC", (1, 2), 11.0, 50.0, (68, 60), (68, 49), (68, 48), (90, 44), (90, 50)),
    _case("14.0 V, 50 degC", (1, 2), 14.0, 50.0, (103, 38), (88, 69), (95, 67), (80, 41), (90, 50)),
)


def behaviour(kind: str, case: TradeCase, seconds: float = 9.0) -> FoundBehaviour:
    """Return what the nominal unit of this kind does from cold, without scatter; rate and on-time over all flashes but the first two."""
    bank: LampBank = standard_bank().fitted(4, rated_filament(21.0, 12.0))
    world = World(nominal(kind), supply_v=case.supply_v, ambient_c=case.ambient_c, bank=bank, rated_loads=case.loads, scatter=False)
    world.switch(loads=frozenset(case.loads), master=True)
    world.advance(seconds)
    flashes = [(p.make_s, p.break_s) for p in world.pulses if p.break_s is not None]
    world.switch(master=False)
    opening_s, light_s = (flashes[0][1], flashes[0][0]) if flashes else (None, None)
    settled = flashes[2:]
    if len(settled) < 3:
        return FoundBehaviour(None, 100.0, opening_s, light_s, lit=len(world.pulses) > len(flashes))
    span_s = settled[-1][0] - settled[0][0]
    on_s = sum(end_s - start_s for start_s, end_s in settled[:-1])
    return FoundBehaviour(60.0 * (len(settled) - 1) / span_s, 100.0 * on_s / span_s, opening_s, light_s, lit=False)


def main() -> None:
    print("Rate per minute / percent on: the trade's figure -> the simulated bench's (difference of rates)\n")
    for case in CASES:
        print(case.title)
        for kind, (rate, on) in case.expected.items():
            found = behaviour(kind, case)
            if rate is None or found.rate_per_min is None:
                print(f"  {kind:4} {'steady' if rate is None else rate:>6} -> {'steady' if found.lit else found.rate_per_min}")
            else:
                error = found.rate_per_min / rate - 1.0
                print(f"  {kind:4} {rate:4.0f}/{on:2.0f} -> {found.rate_per_min:5.1f}/{found.on_percent:4.1f}  ({error:+.1%})")


if __name__ == "__main__":
    main()
