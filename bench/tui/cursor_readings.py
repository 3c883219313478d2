"""What the cursors read, and the figures of one flash, as lines of text. Rounding is that of `bench.rounding`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from bench.cycles import Cycle
from bench.judging.traces import RunTrace
from bench.readings import Reading
from bench.render.values import value_text
from bench.rounding import rounded
from bench.samples import Accuracy, Trace
from bench.uncertainty import Component, Estimate

_WORDS = (
    ("v_out", "out"), ("v_in", "in"), ("v_drop", "drop"), ("i_load", "current"), ("v_pilot", "pilot"), ("temperature", "board"),
)  # fmt: skip
_UNITS = {"degC": "°C"}
_FAR = 50  # sampling intervals: a sample further off is not a reading of this instant
_OVER = ">"
_NAME, _TIME, _VALUE = 8, 10, 12  # cells


def since_on(run: RunTrace, t_s: float) -> float:
    """An instant as people are told it: s since the supply came, or since the run began if that was not seen."""
    return t_s - (run.on_s if run.on_s is not None else run.begin_s)


def titles_line(run: RunTrace, width: int) -> str:
    """The titles above the cursors' lines, with units."""
    titles = [f"{word}, {_UNITS.get(run.units[channel], run.units[channel])}" for channel, word in _shown(run, width)]
    return _row("", "at, s", titles)


def cursor_line(run: RunTrace, name: str, t_s: float, column_s: float, width: int) -> str:
    """When, and each channel: its sample there, or from least to greatest where a column of `column_s` holds many samples."""
    values = [reading_text(run, channel, t_s, column_s) or "-" for channel, _ in _shown(run, width)]
    return _row(f"cursor {name}", rounded(since_on(run, t_s), column_s), values)


def between_line(run: RunTrace, first_s: float, second_s: float, step_s: float, width: int) -> str:
    """From cursor 2 to cursor 1: time, change of each channel, and what rate that time would be. `step_s`: how exactly a cursor stands."""
    apart_s = abs(first_s - second_s)
    changes = []
    for shown, _ in _shown(run, width):
        finer = {_better(run, shown, t_s) for t_s in (first_s, second_s)}
        channel = finer.pop() if len(finer) == 1 else shown
        now, before = _value(run, channel, first_s), _value(run, channel, second_s)
        if now is None or before is None or _beyond(now, run.accuracies[channel]) or _beyond(before, run.accuracies[channel]):
            changes.append("-")
            continue
        accuracy = run.accuracies[channel]
        text = _short(now - before, math.hypot(_u(now, accuracy, channel), _u(before, accuracy, channel)))
        changes.append(text if text.startswith("-") else f"+{text}")
    return _row("between", rounded(apart_s, step_s), changes)


def rate_text(first_s: float, second_s: float, step_s: float) -> str:
    """`88 a minute`, if the time between the cursors is a period."""
    apart_s = abs(first_s - second_s)
    if apart_s < step_s / 2.0:
        return "both cursors stand at the same place"
    rate = 60.0 / apart_s
    return f"between the cursors: {rounded(rate, rate * step_s / apart_s)} a minute, if that is one period"


def reading_text(run: RunTrace, channel: str, t_s: float, column_s: float) -> str:
    """The channel's sample next to the instant, or the extent of the column that holds it; empty if there is none."""
    channel = _better(run, channel, t_s)
    trace, accuracy = run.traces.get(channel), run.accuracies.get(channel)
    if trace is None or accuracy is None or not len(trace.t_s):
        return ""
    first, last = trace.t_s.searchsorted((t_s - column_s / 2.0, t_s + column_s / 2.0))
    if last - first < 3:
        at = _nearest(trace, t_s)
        return "" if at is None else _sample_text(float(trace.values[at]), accuracy, channel)
    low, high = float(trace.values[first:last].min()), float(trace.values[first:last].max())
    texts = _sample_text(low, accuracy, channel), _sample_text(high, accuracy, channel)
    if texts[1].startswith(_OVER):
        return texts[1] if texts[0] == texts[1] else f"{texts[0]} and up"
    return texts[0] if texts[0] == texts[1] else f"{texts[0]}–{texts[1]}"


def flash_lines(run: RunTrace, number: int) -> tuple[list[str], list[str]]:
    """The figures of one flash, the most wanted first: its times, its levels. Values with their 95 % interval."""
    cycle = run.cycles[number]
    period = _time(cycle.period_s, (cycle.begun.u_s, cycle.ended.u_s), run)
    rate = 60.0 / cycle.period_s
    u_share = 100.0 * math.hypot(cycle.begun.u_s, cycle.broke.u_s) / cycle.period_s
    times = [
        f"lit {value_text(_time(cycle.on_s, (cycle.begun.u_s, cycle.broke.u_s), run))}",
        f"period {value_text(period)}",
        f"rate {value_text(Estimate(rate, '1/min', (Component('period', rate * period.u / cycle.period_s),)))}",
        f"lit for {rounded(100.0 * cycle.on_s / cycle.period_s, max(2.0 * u_share, 0.1))} % of it",
    ]
    lit = cycle.lit
    drop = "v_in" if lit.by_difference else "v_drop"
    levels = [
        _level_text(run, "lowest drop", lit.drop, (drop,), {"v_in": lit.supply.value} if lit.supply is not None else {}),
        _level_text(run, "steady", lit.steady, ("i_load_low", "i_load")),
        _level_text(run, "peak", lit.peak, ("i_load_low", "i_load")),
    ]
    return times, levels


def _shown(run: RunTrace, width: int) -> list[tuple[str, str]]:
    """The channels that a line of this width has room for, and their names."""
    room = max((width - _NAME - _TIME) // _VALUE, 0)
    return [(channel, word) for channel, word in _WORDS if channel in run.traces and channel in run.accuracies][:room]


def _row(name: str, time: str, values: Sequence[str]) -> str:
    return f"{name:<{_NAME}}{time:>{_TIME}}" + "".join(f" {value:>{_VALUE - 1}}" for value in values)


def flash_at(cycles: Sequence[Cycle], t_s: float) -> int | None:
    """The flash that holds the instant; None if none does."""
    return next((i for i, cycle in enumerate(cycles) if cycle.begun.t_s <= t_s < cycle.ended.t_s), None)


def _time(value_s: float, ends_u_s: tuple[float, float], run: RunTrace) -> Estimate:
    clock = Component("clock", value_s * run.clock_half_width / math.sqrt(3.0), shape="rectangular")
    return Estimate(value_s, "s", (Component("transitions", math.hypot(*ends_u_s)), clock))


def _level_text(
    run: RunTrace, words: str, reading: Reading | None, channels: Sequence[str], others: Mapping[str, float] | None = None
) -> str:
    """A level with the uncertainty of the first of the channels whose range holds it. `others`: readings of which it has a share."""
    if reading is None:
        return f"{words} not measured"
    channel = next((c for c in channels if c in run.accuracies and not _beyond(reading.value, run.accuracies[c])), None)
    if channel is None:
        return f"{words} out of range"
    parts = run.accuracies[channel].parts(channel, reading.value, others)
    return f"{words} {value_text(Estimate(reading.value, run.units[channel], (Component('scatter', reading.u), *parts)))}"


def _better(run: RunTrace, channel: str, t_s: float) -> str:
    """Of the two current channels the finer one, where it is in its range."""
    if channel != "i_load" or "i_load_low" not in run.traces:
        return channel
    value = _value(run, "i_load_low", t_s)
    return channel if value is None or _beyond(value, run.accuracies["i_load_low"]) else "i_load_low"


def _value(run: RunTrace, channel: str, t_s: float) -> float | None:
    trace = run.traces.get(channel)
    at = _nearest(trace, t_s) if trace is not None else None
    return None if trace is None or at is None else float(trace.values[at])


def _nearest(trace: Trace, t_s: float) -> int | None:
    """The sample nearest to the instant, unless it is far off."""
    if not len(trace.t_s):
        return None
    at = int(trace.t_s.searchsorted(t_s))
    around = [i for i in (at - 1, at) if 0 <= i < len(trace.t_s)]
    best = min(around, key=lambda i: abs(float(trace.t_s[i]) - t_s))
    interval_s = float(trace.t_s[1] - trace.t_s[0]) if len(trace.t_s) > 1 else 1e-3
    return best if abs(float(trace.t_s[best]) - t_s) < _FAR * interval_s else None


def _beyond(value: float, accuracy: Accuracy) -> bool:
    return not accuracy.low <= value < accuracy.top


def _u(value: float, accuracy: Accuracy, channel: str) -> float:
    """Standard uncertainty of a single sample."""
    return math.sqrt(accuracy.noise**2 + math.fsum(part.u**2 for part in accuracy.parts(channel, value)))


def _sample_text(value: float, accuracy: Accuracy, channel: str) -> str:
    top = accuracy.top
    if value >= top:
        return f"{_OVER}{_short(top, _u(top, accuracy, channel))}"
    return _short(value, _u(value, accuracy, channel))


def _short(value: float, u: float) -> str:
    """A reading without its uncertainty beside it ends at the first digit of that: more would be taken for known."""
    return rounded(value, 10.0 * 2.0 * u)
