"""Upkeep of a bench: look at a board without a unit, calibrate it with meters, keep a standard over time.

An edge. `self_check` looks, `calibrate_board` compares, `store_calibration` has the board keep what was found; the kept standard is in
`bench.upkeep.standard`.
"""

from bench.upkeep.apply_calibration import store_calibration
from bench.upkeep.calibrate import Calibration, calibrate_board
from bench.upkeep.calibration_plan import Wanted
from bench.upkeep.selfcheck import CheckFinding, self_check

__all__ = ["Calibration", "CheckFinding", "Wanted", "calibrate_board", "self_check", "store_calibration"]
