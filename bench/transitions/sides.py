"""On which side of a comparator's band samples are, and where they turn."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def turns(side: npt.NDArray[np.int8], last: int) -> list[int]:
    """Return the samples at which the side (+1 or -1) is another; where it is 0 it stays what it was, at first `last`."""
    known = np.flatnonzero(side)
    turned: list[int] = known[np.diff(side[known], prepend=np.int8(last)) != 0].tolist()
    return turned
