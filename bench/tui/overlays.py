"""The screens that a key lays over the work. Each is imported when it is first wanted, so that the first frame waits for none of them."""

from __future__ import annotations

from bench.tui.frame import BenchScreen
from bench.tui.state import State, Tested

KEYS = ("F1", "F2", "F3", "F4", "F5")
"""Keys that open a screen, each the `KEY` of its class; a screen may bind others of F6 to F12 for itself (F2 has F7 for its search)."""
BETWEEN_TESTS = ("F2", "F3")
"""Keys whose screens change what the next test would be: not during one."""
CAUTION = "caution"


def overlay(key: str, state: State, tested: Tested | None) -> BenchScreen | None:
    """Return the screen of this key; None where it has nothing to show. `tested`: the test that is shown, for its report."""
    match key:
        case "F1":
            from bench.tui.help import Help

            return Help(state)
        case "F2":
            from bench.tui.choose import Choose

            return Choose(state)
        case "F3":
            from bench.tui.practice import Practice

            return Practice(state)
        case "F4":
            from bench.tui.look_back import LookBack

            return LookBack(state)
        case "F5":
            from bench.tui.details import Details

            return Details(state, tested) if tested is not None and not tested.keeping else None
        case _:
            from bench.tui.caution import Caution

            return Caution(state)
