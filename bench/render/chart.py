"""A control chart in characters: one line for each value, limits as bars, the centre as a colon."""

from __future__ import annotations

from collections.abc import Sequence

from bench.control_chart import ChartFinding, ChartState
from bench.rounding import rounded

_MOST = 20
_SPAN = 31

WORDS = {
    ChartState.STEADY: "steady",
    ChartState.MOVED: "MOVED, and its stated uncertainty still covers that",
    ChartState.DRIFTED: "DRIFTED, beyond its scatter and its stated uncertainty",
    ChartState.UNTOLD: "can't be told yet",
}


def sentence(title: str, whens: Sequence[str], values: Sequence[float], finding: ChartFinding, unit: str) -> str:
    """How the quantity stands: `built-in standard: DRIFTED beyond ... since 2026-11-25 (+0.02 V)`."""
    if finding.since is None:
        return f"{title}: {WORDS[finding.state]}"
    moved = values[-1] - finding.drift.centre
    u = (finding.drift.high - finding.drift.low) / 2.0
    change = rounded(moved, u) if abs(moved) > u / 100.0 else f"{moved:.2g}"
    shown = f"{'+' if moved > 0.0 else ''}{change} {unit}".removesuffix(" 1")
    if finding.state is ChartState.UNTOLD:
        return f"{title}: {WORDS[finding.state]}; it differs by {shown}, more than is stated of two readings"
    return f"{title}: {WORDS[finding.state]}, since {whens[finding.since][:10]} ({shown})"


def chart_lines(whens: Sequence[str], values: Sequence[float], finding: ChartFinding) -> list[str]:
    """The latest values against the chart's limits, or against those of a drift while it has none. `*` inside, `X` outside."""
    limits = finding.chart or finding.drift
    half = max(limits.high - limits.centre, 1e-300)
    lines = []
    for when, value in list(zip(whens, values, strict=True))[-_MOST:]:
        place = round((value - limits.centre) / half * (_SPAN // 3))
        row = [" "] * _SPAN
        middle = _SPAN // 2
        for mark, at in (("|", middle - _SPAN // 3), (":", middle), ("|", middle + _SPAN // 3)):
            row[at] = mark
        row[min(max(middle + place, 0), _SPAN - 1)] = "*" if limits.hold(value) else "X"
        lines.append(f"  {when[:16].replace('T', ' ')}  {rounded(value, half):>12}  {''.join(row)}".rstrip())
    return lines
