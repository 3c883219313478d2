"""What a board's self-check saw, in words."""

from __future__ import annotations

from bench.render.values import in_shown_unit, readable_text
from bench.rounding import rounded, uncertainty_text, unit_text
from bench.uncertainty import Estimate
from bench.upkeep import CheckFinding


def finding_text(finding: CheckFinding) -> str:
    """Return `-120 ± 250 mA, should be 0; noise 43 mA (at most 240 mA)`, or the finding's own words."""
    if finding.seen is None:
        return finding.text
    text = readable_text(finding.seen)
    if finding.should is not None:
        text += f", should be {_bare_text(finding.should, finding.seen)}"
    if finding.noise is not None:
        found, most = (_noise_text(size, finding.seen.unit) for size in finding.noise)
        text += f"; noise {found} (at most {most})"
    return text


def _bare_text(value: float, beside: Estimate) -> str:
    """Return what should have been read, in the unit of the reading beside it and with its digits."""
    shown = in_shown_unit(Estimate(value, beside.unit, ()), beside)
    return f"{rounded(shown.value, in_shown_unit(beside).expanded())} {unit_text(shown.unit)}".rstrip() if value else "0"


def _noise_text(size: float, unit: str) -> str:
    """Return a standard deviation with two digits."""
    shown = in_shown_unit(Estimate(size, unit, ()))
    return f"{uncertainty_text(shown.value)} {unit_text(shown.unit)}".rstrip()
