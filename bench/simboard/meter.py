"""A hand-held meter at the simulated bench: one of those that its accuracy allows."""

from __future__ import annotations

import numpy as np

from bench.simboard.waveform import Waveform


class Meter:
    """A meter whose errors of scale and of zero are drawn once, each as a part (-1..1) of what its manufacturer states as a limit. One
    function serves all voltages of a vehicle's size, another the millivolts of a drop, a third the currents.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        self._errors = {function: rng.uniform(-1.0, 1.0, 2) for function in ("volts", "millivolts", "amperes")}

    def shows(self, channel: str, value: float, part: float, rest: float) -> float:
        """Return the reading for a true `value` at the place of `channel`; its error is at most part of it plus `rest`, in its unit."""
        function = {"v_drop": "millivolts", "i_load": "amperes"}.get(channel, "volts")
        of_scale, of_zero = self._errors[function].tolist()
        return float(value * (1.0 + part * of_scale) + rest * of_zero)

    def at(self, seen: Waveform, channel: str, part: float, rest: float) -> float:
        """Return the reading at the place of a channel at the end of this stretch; its error is at most part of it plus `rest`, in the
        channel's unit. KeyError where there is nothing to clip it on."""
        places = {name: float(getattr(seen, name)[-1]) for name in ("v_in", "v_out", "i_load", "v_pilot")}
        places["v_drop"] = places["v_in"] - places["v_out"]
        return self.shows(channel, places[channel], part, rest)
