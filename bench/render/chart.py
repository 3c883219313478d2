"""A control chart in characters: one line for each value, limits as bars, the centre as a colon."""

from __future__ import annotations

from collections.abc import Sequence

from bench.control_chart import ChartFinding, ChartState
from bench.render.values import in_shown_unit, readable_text
from bench.rounding import rounded, unit_text
from bench.uncertainty import Component, Estimate

_MOST = 20
_SPAN = 31

STATES = {
    ChartState.STEADY: "steady",
    ChartState.MOVED: "MOVED, and its stated uncertainty still covers that",
    ChartState.DRIFTED: "DRIFTED, beyond its scatter and its stated uncertainty",
    ChartState.UNTOLD: "can't be told yet",
}


def sentence(title: str, whens: Sequence[str], readings: Sequence[Estimate], finding: ChartFinding) -> str:
    """Return the latest reading and how the quantity stands.

    `built-in standard: 3.859 ± 0.012 V, DRIFTED beyond ... since 2026-11-25 (+20 mV)`.
    """
    latest = readings[-1]
    said = f"{title}: {readable_text(latest)}, {STATES[finding.state]}"
    if finding.since is None:
        return said
    change = Estimate(
        latest.value - finding.drift.centre, latest.unit, (Component("drift", (finding.drift.high - finding.drift.low) / 4.0),)
    )
    shown = f"{'+' if change.value > 0.0 else ''}{_change_text(change)}"
    if finding.state is ChartState.UNTOLD:
        return f"{said}; it differs by {shown}, more than is stated of two readings"
    return f"{said}, since {whens[finding.since][:10]} ({shown})"


def _change_text(change: Estimate) -> str:
    """Return a change to the digits that its uncertainty leaves, or with two digits if it is far smaller."""
    shown = in_shown_unit(change)
    half = shown.expanded()
    text = rounded(shown.value, half) if abs(shown.value) > half / 100.0 else f"{shown.value:.2g}"
    return f"{text} {unit_text(shown.unit)}".rstrip()


def chart_lines(whens: Sequence[str], readings: Sequence[Estimate], finding: ChartFinding) -> list[str]:
    """Return the latest values against the chart's limits, or against those of a drift while it has none. `*` inside, `X` outside."""
    limits = finding.chart or finding.drift
    half = max(limits.high - limits.centre, 1e-300)
    half_shown = in_shown_unit(Estimate(half, readings[-1].unit, ()), readings[-1]).value
    lines = []
    for when, reading in list(zip(whens, readings, strict=True))[-_MOST:]:
        place = round((reading.value - limits.centre) / half * (_SPAN // 3))
        row = [" "] * _SPAN
        middle = _SPAN // 2
        for mark, at in (("|", middle - _SPAN // 3), (":", middle), ("|", middle + _SPAN // 3)):
            row[at] = mark
        row[min(max(middle + place, 0), _SPAN - 1)] = "*" if limits.hold(reading.value) else "X"
        shown = in_shown_unit(reading, readings[-1])
        text = f"{rounded(shown.value, half_shown)} {unit_text(shown.unit)}".rstrip()
        lines.append(f"  {when[:16].replace('T', ' ')}  {text:>15}  {''.join(row)}".rstrip())
    return lines
