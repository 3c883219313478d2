"""The rig's error budget, computed from its parts: printed, or written as the page firmware/rig/budget.md (--write)."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

from bench.description import BoardDescription
from bench.simboard.rig import rig_description
from firmware.rig.error_budget import (
    FAST,
    METERS,
    NOMINAL,
    PRECISE,
    ROWS,
    TOLERANCE,
    TWELVE,
    BudgetRow,
    ConverterErrors,
    as_built,
    duration_u_s,
    edge_u_s,
    errors_of,
    known,
    u_of,
)

PAGE = Path(__file__).parent.parent / "firmware" / "rig" / "budget.md"
STATES = ("raw", "self", *METERS)
_LARGEST = 3
COMPARATOR_S = 3e-6  # an edge by input capture behind 1 k and 1 nF

INTRODUCTION = """\
# The error budget of every channel

Written by `python -m reports.budget --write` out of `firmware/rig/error_budget.py`; a test compares the two. All figures are standard
uncertainties (k = 1), computed, not measured: this rig has not been built yet. Parts count as rectangular within their tolerance,
what a data sheet calls typical of the converter as two standard deviations. What link, standard and meter put right is computed
by the very code that the host uses on a real board, from readings without error; what a reading is then known to is what the host
states.

- **raw**: as built, every part anywhere within its tolerance.
- **self**: after `zero` with the shorting link: zeros, the drop amplifier's common mode, and the converter by its built-in
  standard. No meter.
- **meter**: then calibrated with a meter of that percentage of its reading and two digits (20 mV and 20 mA, 2 mV for the drop; a
  tenth of these for the better one). *Refused* means that `makebreak calibrate` would leave things as they are, since the meter
  knows less than the rig; the figure is what it would have come to.

Three figures: fast sampling / precise sampling / a 12-bit converter in place of the board's own.
"""
FINDINGS = """\
## What follows

- Zeroing is worth more than a cheap meter. It takes the drop at 12.8 V from 13 mV to about 1 mV, so limits of 0.4, 0.5 and 0.8 V
  can be decided; un-zeroed they can't.
- A 0.5 % meter makes voltages and drop worse than 0.1 % parts are, and is refused there. It does help with the shunt, which is a
  1 % part.
- A 0.05 % meter helps voltages a little and the current a lot.
- LED currents and leakage are limited by the converter, not by any meter; the better converter halves them.
- An inrush is as good as the way back to the make, whatever the calibration. Lamps of a 12 V bank take 6.7 A, too little to
  calibrate the wide current range: that needs a load of some 25 A.
- Fast sampling costs little where the zero is taken at rest; precise sampling is for steady voltages and small currents.
- After 5 K more or less, zero again: the drop amplifier's resistors (10 ppm/K) give back a twentieth of what zeroing took off.
  That is in the figures.
- The standard is a part of the reference, so it shows the converter's errors and not the reference's (0.1 %); a meter, or a kept
  standard over time (`makebreak standard`), shows those.
- Until a rig is compared with a meter: the errors of the converter at the 500 kHz of fast sampling are assumed (twice those
  stated for 200 kHz), and so is that its linearity is smooth enough for near readings to be compared.
"""


def converters(description: BoardDescription) -> tuple[tuple[ConverterErrors, BoardDescription], ...]:
    return tuple((one, as_built(description, one)) for one in (FAST, PRECISE, TWELVE))


def cell(row: BudgetRow, built: Sequence[tuple[ConverterErrors, BoardDescription]], state: str) -> str:
    found = [known(row, stated, state) for _, stated in built]
    texts = []
    for (converter, _), one in zip(built, found, strict=True):
        texts.append("–" if converter is PRECISE and not row.precise else f"{one.u:.3g}")
    text = " / ".join(texts)
    refused = [converter.name for (converter, _), one in zip(built, found, strict=True) if one.refused]
    if len(refused) == len(built):
        return f"refused ({text})"
    return f"{text} (refused: {', '.join(refused)})" if refused else text


def table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield "| " + " | ".join(titles) + " |"
    yield "|" + " --- |" * len(titles)
    for row in rows:
        yield "| " + " | ".join(row) + " |"


def values_rows(description: BoardDescription) -> Iterator[Sequence[str]]:
    built = converters(description)
    for row in ROWS:
        yield (f"{row.title}, {row.unit}", *(cell(row, built, state) for state in STATES), known(row, built[0][1], "self").largest)


def time_rows(description: BoardDescription) -> Iterator[Sequence[str]]:
    edges = [edge_u_s(description, FAST), edge_u_s(description, PRECISE), COMPARATOR_S]
    yield ("one edge", *(f"{1e6 * s:.3g} us" for s in edges))
    for title, seconds in (("period of 667 ms", 0.667), ("start of 1.5 s", 1.5)):
        for how, by_host in (("board's clock as built", False), ("clock compared with the host's", True)):
            yield (f"{title}, {how}", *(f"{1e3 * duration_u_s(description, seconds, edge, by_host):.2g} ms" for edge in edges))


def channel_rows(description: BoardDescription) -> Iterator[Sequence[str]]:
    """What the parts give for the board's description, and what it states."""
    built = {converter.name: stated for converter, stated in converters(description)}
    for name, channel in description.channels.items():
        for r in channel.ranges:
            fast, precise = (built[mode].channels[name].range(r.number) for mode in ("fast", "precise"))
            errors = errors_of(name, r.number, PRECISE, r.scale)
            largest = max(errors.scale or errors.zero, key=lambda c: c.u)
            yield (
                f"{name} {r.number}",
                *(
                    f"{getattr(precise, field):.2g} .. {getattr(fast, field):.2g} ({getattr(r, field):g})"
                    for field in ("u_scale", "u_zero", "u_line")
                ),
                largest.source,
            )


def part_rows(description: BoardDescription) -> Iterator[Sequence[str]]:
    for name in NOMINAL:
        yield name, f"{100.0 * TOLERANCE[name]:g} %"


def breakdown_rows(description: BoardDescription) -> Iterator[Sequence[str]]:
    """The largest contributions of each channel as built, precise sampling."""
    for name, channel in description.channels.items():
        r = channel.ranges[-1]
        errors = errors_of(name, r.number, PRECISE, r.scale)
        for kind, unit, parts in (
            ("scale", "%", [(c.source, 100.0 * c.u) for c in errors.scale]),
            ("zero", channel.unit, [(c.source, c.u) for c in errors.zero]),
            ("share of v_in", f"{channel.unit}/V", [(c.source, c.u) for c in errors.shares]),
        ):
            if parts:
                ranked = sorted(parts, key=lambda pair: -pair[1])
                text = "; ".join(f"{source} {u:.2g}" for source, u in ranked[:_LARGEST])
                yield f"{name} {r.number}", kind, f"{sum(u * u for _, u in parts) ** 0.5:.2g} {unit}", text


def page(description: BoardDescription) -> str:
    lines = [
        INTRODUCTION,
        *table(("value", *STATES, "largest part of self"), list(values_rows(description))),
        "",
        "## Times",
        "",
        *table(("", "fast", "precise", "comparator"), list(time_rows(description))),
        "",
        FINDINGS,
        *as_built_lines(description),
        "",
        "## Parts",
        "",
        *table(("part", "tolerance, half-width"), list(part_rows(description))),
    ]
    return "\n".join(lines) + "\n"


def as_built_lines(description: BoardDescription) -> Iterator[str]:
    check = description.checks[0]
    from_parts = as_built(description, PRECISE).checks[0]
    share = description.channels["v_drop"].common[0]
    as_drop = u_of(errors_of("v_drop", 0, PRECISE, description.channels["v_drop"].ranges[0].scale).shares)
    yield "## Channels as built"
    yield ""
    yield "What the parts give for the board's description: precise .. fast sampling, and in brackets what it states, one figure for"
    yield "both. Scale is relative; zero and linearity are in the channel's unit."
    yield ""
    yield from table(("channel, range", "scale", "zero", "linearity and counts", "largest part"), list(channel_rows(description)))
    yield ""
    yield f"Built-in standard: {check.expected:g} V within {from_parts.u:.2g} V ({check.u:g} V stated)."
    yield f"Share of v_in that the drop amplifier reads in error: {as_drop:.2g} ({share.u:g} stated)."
    yield ""
    yield "The largest contributions:"
    yield ""
    yield from table(("channel, range", "of", "u", "largest three"), list(breakdown_rows(description)))


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="write the page firmware/rig/budget.md instead of printing it")
    options = parser.parse_args(arguments)
    text = page(rig_description(0))
    if options.write:
        PAGE.write_text(text, encoding="utf-8")
    else:
        print(text, end="")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
