"""The quantities that can be measured: their names in records and limit files, titles for people, SI units and definitions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

CARRIED_A = 3.5
"""Current at which the drops of plain contacts are compared: that of 2 x 21 W at 12.8 V."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that can be measured: its name in records and limit files, its one title for people, and SI unit (a pint string).

    - `detail` stands behind the title where tables hold more than one kind of it.
    - `shown_to`: people are shown no smaller uncertainty than this, in the unit: the next start differs by more than its microseconds.
    - `shown_in`: the unit in which people are shown it, where that is not its own (one of `bench.limits.UNITS`; a limit shows its quantity
      in the unit of the limit's file).
    - `of_output`: it is read of the voltage at the unit's output, and can't be told without it.
    - `of_start`: it belongs to a start. Of several starts it is put together, and what spoils a start spoils it.

    The first word of the name says what the quantity is about: two charges about one thing are told as one (`bench.outcome.charges`), and
    what begins with `drop_` is read between the sense leads.
    """

    name: str
    title: str
    unit: str
    definition: str
    shown_to: float = 0.0
    detail: str = ""
    shown_in: str = ""
    of_output: bool = False
    of_start: bool = False

    @property
    def full_title(self) -> str:
        """`flash rate (mean of cycle rates)`."""
        return f"{self.title} ({self.detail})" if self.detail else self.title

    @property
    def shown_unit(self) -> str:
        """Unit in which people are shown it: `ms` for a starting time."""
        return self.shown_in or self.unit


_ALL = (
    Quantity("rate_per_min", "flash rate", "1/min", "mean of 60 / period over the cycles averaged", detail="mean of cycle rates"),
    Quantity("rate_total_per_min", "flash rate", "1/min", "number of cycles over their total time", detail="cycles over time"),
    Quantity("on_ratio", "on-time", "1", "pulse duration over waveform period, mean over the cycles averaged", shown_in="%"),
    Quantity("on_s", "on duration", "s", "mean pulse duration, 50 % instant to 50 % instant", shown_in="ms"),
    Quantity("off_s", "off duration", "s", "mean pulse separation, 50 % instant to 50 % instant", shown_in="ms"),
    Quantity(
        "first_light_s", "first light", "s", "voltage applied to first closing; 0 if closed at rest", 1e-3, shown_in="ms", of_start=True
    ),
    Quantity(
        "first_extinction_s",
        "first extinction",
        "s",
        "voltage applied to the first opening after light",
        1e-3,
        shown_in="ms",
        of_start=True,
    ),
    Quantity(
        "start_s",
        "starting time",
        "s",
        "closed at rest: to the first opening; open at rest (or opening within 0.10 s): to the end of the first full cycle",
        1e-3,
        shown_in="ms",
        of_start=True,
    ),
    Quantity("start_largest_s", "longest starting time", "s", "largest single start_s", 1e-3, shown_in="ms", of_start=True),
    Quantity(
        "drop_v",
        "contact drop",
        "V",
        "lowest drop during ON, mean of the cycles averaged up to the twentieth flash (later ones only after a film, or if too few)",
        shown_in="mV",
        of_output=True,
    ),
    Quantity("drop_largest_v", "largest contact drop", "V", "largest of the cycles' lowest drops", shown_in="mV", of_output=True),
    Quantity(
        "drop_carried_v",
        f"contact drop at {CARRIED_A:g} A",
        "V",
        f"drop_v; where more than {CARRIED_A:g} A flowed, what a plain contact loses at that, whose drop follows the current",
        shown_in="mV",
        of_output=True,
    ),
    Quantity(
        "contact_ohm", "resistance input to output", "ohm", "lowest drop over the current at that moment", shown_in="mohm", of_output=True
    ),
    Quantity("inrush_first_a", "first inrush", "A", "current carried back to the instant of the first make", of_start=True),
    Quantity("inrush_later_a", "later inrush", "A", "mean of the same for the cycles averaged"),
    Quantity("steady_a", "steady current", "A", "current at the end of the ON periods"),
    Quantity("inrush_ratio", "inrush over steady", "1", "first inrush over steady current"),
    Quantity("dark_a", "dark current", "A", "current at the end of the OFF periods", shown_in="mA"),
    Quantity("supply_v", "input voltage, lit", "V", "mean voltage at the unit's input at the end of the ON periods"),
    Quantity("lamp_v", "output voltage, lit", "V", "mean voltage at the unit's output at the end of the ON periods", of_output=True),
    Quantity("bounce_make_s", "bounce at make", "s", "first closure to last stable closure, largest seen", shown_in="ms"),
    Quantity("bounce_break_s", "bounce at break", "s", "first opening to last stable opening, largest seen", shown_in="ms"),
    Quantity(
        "film_v",
        "contact drop of a film",
        "V",
        "largest of the lowest drops of the flashes skipped, less the median of those averaged",
        shown_in="mV",
        of_output=True,
    ),
    Quantity(
        "drop_spread_v", "scatter of the contact drop", "V", "standard deviation of the cycles' lowest drops", shown_in="mV", of_output=True
    ),
    Quantity("dropouts", "drop-outs while lit", "1", "gaps in the current too short to be a dark state, bounce left out"),
    Quantity("missed", "missed flashes", "1", "flashes that did not come, counted against the median period, from the first on"),
    Quantity(
        "stuck",
        "long flashes",
        "1",
        "flashes longer than 1.5 times the median, from the first on (of a thermal unit closed at rest: from the second)",
    ),
    Quantity("period_spread", "spread of the period", "1", "standard deviation of the period over its mean", shown_in="%"),
    Quantity("rate_drift_per_min2", "drift of the flash rate", "1/min/min", "slope of the cycle rate against time"),
    Quantity("drop_trend_v_per_min", "trend of the contact drop", "V/min", "slope of the lowest drop against time", of_output=True),
    Quantity("pilot_on_v", "pilot terminal, lit", "V", "pilot voltage while the tell-tale is lit"),
    Quantity("temperature_c", "ambient", "degC", "temperature at the rig"),
    Quantity(
        "clock_error", "board's clock, slow by", "1", "by what part the board's seconds are too short by the host's clock", shown_in="%"
    ),
    Quantity("outage_rate_per_min", "flash rate, lamp out", "1/min", "rate_per_min with one lamp out"),
    Quantity("outage_ratio", "rate ratio, lamp out", "1", "outage_rate_per_min / rate_per_min", shown_in="%"),
    Quantity("trailer_rate_per_min", "flash rate, a further lamp", "1/min", "rate_per_min with a further 21 W lamp, as of a trailer"),
    Quantity("trailer_on_ratio", "on-time, a further lamp", "1", "on_ratio with a further 21 W lamp", shown_in="%"),
    Quantity("trailer_ratio", "rate ratio, a further lamp", "1", "trailer_rate_per_min / rate_per_min", shown_in="%"),
)
QUANTITIES: Mapping[str, Quantity] = {q.name: q for q in _ALL}
