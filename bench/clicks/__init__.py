"""Sound to clicks: the instants at which a flasher unit is heard to make and break, whatever else is heard.

`Loudmeter` makes `Loudness` of samples, `hear` makes `Heard` of that.
"""

from bench.clicks.energy import LEAST_SAMPLE_RATE, Loudmeter, Loudness
from bench.clicks.hearing import Flash, Heard, hear

__all__ = ["LEAST_SAMPLE_RATE", "Flash", "Heard", "Loudmeter", "Loudness", "hear"]
