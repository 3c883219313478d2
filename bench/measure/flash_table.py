"""A run's flashes one by one: what was read of each, column by column.

The values are corrected as those of `bench.measure.values` are (clock, zero and common shares of the drop), so that their means agree. They
are readings, not judgements: the uncertainties stand with the means, and a bench at fault is named beside them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, TypeAlias

from bench.cycles import Cycle
from bench.measure.evidence import Evidence, correct, current_channel
from bench.readings import Reading

FlashColumn: TypeAlias = tuple[float | None, ...]
_S, _V, _A = 6, 4, 4
"""Decimals: 1 us is a fiftieth of a fast sample, 0.1 mV and 0.1 mA are below the noise of one reading (reference rig)."""


@dataclass(frozen=True)
class FlashTable:
    """One entry in each column for each complete flash, None where it was not read. Times in s, V and A.

    - `first`: number of the first flash in the run; more than 1 if the run had more flashes than are kept.
    - `from_supply`: `make_s` counts from the instant that voltage came to the unit; else from the run's first sample.
    - `make_s`: the make. `on_s`, `off_s`, `period_s`: to the break, from there to the next make, and both.
    - `drop_v`: the lowest while lit. `inrush_a`: at the instant of the make. `steady_a`, `supply_v`, `lamp_v`: at the end of the ON.
    - `bounce_make_s`, `bounce_break_s`: from the first crossing to the last.
    """

    first: int = 1
    from_supply: bool = False
    make_s: FlashColumn = ()
    on_s: FlashColumn = ()
    off_s: FlashColumn = ()
    period_s: FlashColumn = ()
    drop_v: FlashColumn = ()
    inrush_a: FlashColumn = ()
    steady_a: FlashColumn = ()
    supply_v: FlashColumn = ()
    lamp_v: FlashColumn = ()
    bounce_make_s: FlashColumn = ()
    bounce_break_s: FlashColumn = ()

    def __post_init__(self) -> None:
        lengths = {name: len(getattr(self, name)) for name in COLUMNS}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"the columns of the flashes differ in length: {', '.join(f'{n} {name}' for name, n in lengths.items())}")

    def __len__(self) -> int:
        return len(self.make_s)

    def without(self, names: Iterable[str]) -> FlashTable:
        """Return the table without the values of these columns."""
        blank: Mapping[str, Any] = {name: (None,) * len(self) for name in names}
        return replace(self, **blank)


COLUMNS = tuple(field.name for field in fields(FlashTable) if field.name not in ("first", "from_supply"))


def flash_table(e: Evidence, begin_s: float) -> FlashTable:
    """Return the complete flashes of a run whose first sample came at `begin_s`."""
    factor = 1.0 + e.clock.rel_error
    origin_s = begin_s if e.applied is None else e.applied.t_s
    lits = [cycle.lit for cycle in e.cycles]

    def seconds(values: Iterable[float]) -> FlashColumn:
        return tuple(round(value * factor, _S) for value in values)

    return FlashTable(
        first=e.cycles_before + 1,
        from_supply=e.applied is not None,
        make_s=seconds(cycle.begun.t_s - origin_s for cycle in e.cycles),
        on_s=seconds(cycle.on_s for cycle in e.cycles),
        off_s=seconds(cycle.off_s for cycle in e.cycles),
        period_s=seconds(cycle.period_s for cycle in e.cycles),
        drop_v=tuple(_drop_v(e, cycle) for cycle in e.cycles),
        inrush_a=tuple(_read(e, "", lit.peak, _A) for lit in lits),
        steady_a=tuple(_read(e, "", lit.steady, _A) for lit in lits),
        supply_v=tuple(_read(e, "v_in", lit.supply, _V) for lit in lits),
        lamp_v=tuple(_read(e, "v_out", lit.lamp, _V) for lit in lits),
        bounce_make_s=seconds(cycle.begun.bounce_s for cycle in e.cycles),
        bounce_break_s=seconds(cycle.broke.bounce_s for cycle in e.cycles),
    )


def _drop_v(e: Evidence, cycle: Cycle) -> float | None:
    lit = cycle.lit
    if lit.drop is None or lit.by_difference:
        return None if lit.drop is None else round(lit.drop.value, _V)
    return round(correct(e, "v_drop", lit.drop.value, {"v_in": lit.supply.value if lit.supply is not None else 0.0}), _V)


def _read(e: Evidence, channel: str, reading: Reading | None, decimals: int) -> float | None:
    """Return what was read while the contact was closed; of a current (no channel named) in the range that it is read in."""
    if reading is None:
        return None
    return round(correct(e, channel or current_channel(e, reading.value), reading.value), decimals)
