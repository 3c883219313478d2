"""The result of a test for notebooks: tables are pandas frames, values are pint quantities."""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.errors import UnknownQuantity, UnmeasuredQuantity
from bench.limits import Limit
from bench.measure import QUANTITIES
from bench.measure.flash_table import COLUMNS
from bench.outcome import Outcome
from bench.record import TestRecord
from bench.record_json import to_json
from bench.render.flashes import TITLES, flash_rows
from bench.render.quantities import quantity_of, uncertainty_of
from bench.render.report import report_text
from bench.render.rows import judged_rows, measured_rows
from bench.uncertainty import Estimate, Measurement, NotMeasured
from bench.verdict import Verdict

if TYPE_CHECKING:
    import pandas as pd
    from pint import Quantity

_COLUMNS = (
    "value", "unit", "u", "U95", "n", "low", "high", "limit_set", "verdict", "p_wrong", "source", "basis", "why_not",
)  # fmt: skip


@dataclass(frozen=True)
class Result:
    """What a test or a recording showed. `record` holds everything; the rest are views of it.

    >>> result = bench.test("sim://bench-el-plain")
    >>> result.outcome
    <Outcome.GOOD: 'good'>
    >>> result["rate_per_min"].to("Hz")
    <Quantity(1.5, 'hertz')>
    >>> result.table[["value", "U95", "unit", "verdict"]]
    """

    record: TestRecord

    @property
    def outcome(self) -> Outcome:
        """The one outcome of the test."""
        return self.record.outcome

    @property
    def reason(self) -> str:
        """One sentence for people."""
        return self.record.reason

    @property
    def table(self) -> pd.DataFrame:
        """One row for each quantity, and for each limit on it if there is one; SI units, uncertainties in the unit of the value.

        Columns: value, unit, u (standard), U95 (expanded), n, low, high, limit_set, verdict, p_wrong, source, basis, why_not.
        What is missing is NaN or None, as pandas has it.
        """
        import pandas as pd

        judged = [pair for verdict in self.record.verdicts for pair in _simple(verdict)]
        rows = [{"quantity": limit.quantity, **_numbers(v.found), **_judgement(limit, v)} for limit, v in judged]
        seen = {limit.quantity for limit, _ in judged}
        rows += [{"quantity": name, **_numbers(found)} for name, found in self.record.measured.values.items() if name not in seen]
        return pd.DataFrame(rows, columns=["quantity", *_COLUMNS]).set_index("quantity")

    @property
    def steps(self) -> pd.DataFrame:
        """One row for each run and quantity that it showed: step, load, supply_v, quantity, value, unit, u, U95, n."""
        import pandas as pd

        columns = ["step", "load", "supply_v", "quantity", "value", "unit", "u", "U95", "n", "why_not"]
        rows = [
            {"step": step.name, "load": step.load_text, "supply_v": step.supply_v, "quantity": name, **_numbers(found)}
            for step in self.record.steps
            for name, found in step.measured.values.items()
        ]
        return pd.DataFrame(rows, columns=columns)

    @property
    def flashes(self) -> pd.DataFrame:
        """One row for each complete flash of each run: run, flash (its number in the run), make_s, on_s, off_s, period_s, drop_v, inrush_a,
        steady_a, supply_v, lamp_v, bounce_make_s, bounce_break_s (`bench.measure.flash_table.FlashTable`). What was not read is NaN.

        >>> bench.test("sim://bench-el-plain").flashes.groupby("run").drop_v.max()
        """
        import pandas as pd

        return pd.DataFrame(flash_rows(self.record), columns=list(TITLES)).astype(dict.fromkeys(COLUMNS, float))

    def __getitem__(self, quantity: str) -> Quantity[Any]:
        """Return the value of a quantity, as pint has it. UnknownQuantity if there is no such quantity, UnmeasuredQuantity if it has no
        value."""
        return quantity_of(self.estimate(quantity))

    def u(self, quantity: str) -> Quantity[Any]:
        """Return the standard uncertainty (k = 1) of a quantity, as pint has it."""
        return uncertainty_of(self.estimate(quantity))

    def estimate(self, quantity: str) -> Estimate:
        """Return the value with its whole budget. Errors as for `result[quantity]`."""
        if quantity not in QUANTITIES:
            raise UnknownQuantity(f"no quantity is called {quantity!r}; there are: {', '.join(QUANTITIES)}")
        found: Measurement = self.record.measured.values.get(quantity, NotMeasured("not part of this test"))
        if isinstance(found, NotMeasured):
            raise UnmeasuredQuantity(f"{quantity} was not measured: {found.reason}")
        return found

    def to_json(self) -> str:
        """Return the record as JSON (`makebreak schema` prints its schema)."""
        return to_json(self.record)

    def __str__(self) -> str:
        return report_text(self.record)

    def _repr_html_(self) -> str:
        """Return the result for notebooks. Every text is escaped: a label may hold anything."""
        judged = [(r.title, r.value, r.limit, r.verdict, r.risk) for r in judged_rows(self.record)]
        besides = [(r.title, r.value, "", "", "") for r in measured_rows(self.record)]
        head = f"<p><b>{html.escape(self.outcome.value)}</b> {html.escape(self.record.unit)}: {html.escape(self.reason)}</p>"
        titles = _html_row(("quantity", "value (95 %)", "limit", "verdict", "risk"), "th")
        return f"{head}<table>{titles}{''.join(_html_row(row, 'td') for row in (*judged, *besides))}</table>"


def _simple(verdict: Verdict) -> Iterator[tuple[Limit, Verdict]]:
    """Yield the verdicts on plain bands, those inside alternatives included."""
    if isinstance(verdict.limit, Limit):
        yield verdict.limit, verdict
    for part in verdict.parts:
        yield from _simple(part)


def _numbers(found: Measurement | None) -> dict[str, Any]:
    if isinstance(found, Estimate):
        return {"value": found.value, "unit": found.unit, "u": found.u, "U95": found.expanded(), "n": found.n, "why_not": None}
    return {"why_not": None if found is None else found.reason}


def _judgement(limit: Limit, verdict: Verdict) -> dict[str, Any]:
    where = f"{limit.source.text}, {limit.source.clause}" if limit.source.clause else limit.source.text
    return {
        "low": limit.low,
        "high": limit.high,
        "limit_set": verdict.limit_set,
        "verdict": verdict.conformity.value,
        "p_wrong": verdict.p_wrong,
        "source": where,
        "basis": limit.source.basis,
    }


def _html_row(cells: Sequence[str], tag: str) -> str:
    return f"<tr>{''.join(f'<{tag}>{html.escape(cell)}</{tag}>' for cell in cells)}</tr>"
