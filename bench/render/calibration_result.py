"""What a comparison with meters showed, in words: rows of a table, and what was refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bench.calibration import Calibrated
from bench.render.values import uncertainty_readable
from bench.upkeep import Calibration

_UNITS = {"i_load": "A", "i_load_low": "A"}


def result_rows(found: Calibration) -> Iterator[Sequence[str]]:
    """Yield a row for each channel and range, and one for the clock: where compared, how well known before and after (95 %)."""
    for one in found.channels:
        unit = _UNITS.get(one.channel, "V")
        before, after = (uncertainty_readable(u, unit) for u in (one.u_before, one.u_after))
        yield f"{one.channel}, range {one.after.number}", f"{one.at:.3g} {unit}", before, after, _result_text(one)
    if found.clock is not None:
        (hz, half), (hz_after, half_after) = found.clock.before, found.clock.after
        fast = hz_after / hz - 1.0
        result = "refused" if found.clock.refused else f"better; runs {100.0 * abs(fast):.3f} % {'fast' if fast > 0.0 else 'slow'}"
        yield "clock", f"{hz / 1e6:g} MHz", f"± {100.0 * half:.2g} %", f"± {100.0 * half_after:.2g} %", result


def refusal_texts(found: Calibration) -> Iterator[str]:
    """Yield what was refused, and why, a line each."""
    for one in found.channels:
        if one.refused:
            yield f"{one.channel}, range {one.after.number}, refused: {one.refused}."
    if found.clock is not None and found.clock.refused:
        yield f"clock, refused: {found.clock.refused}."


def _result_text(one: Calibrated) -> str:
    """Return what the comparison made of a range."""
    if one.refused:
        return "refused"
    scale = 100.0 * (one.after.scale / one.before.scale - 1.0)
    return f"better; scale {scale:+.2f} %, zero {one.after.zero - one.before.zero:+.2f} counts"
