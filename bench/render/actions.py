"""Manual actions at the bench, as sentences."""

from __future__ import annotations

from bench.manual_actions import Action, Cool, Do, FitLink, FitResistor, FitUnit, SetSupply
from bench.plain import one_line


def action_text(action: Action) -> str:
    """Return the instruction to the operator, in one line."""
    match action:
        case FitLink():
            return "Put the shorting link in the unit's place."
        case FitUnit(unit=unit):
            return f"Take the link out and put {f'unit {one_line(unit)}' if unit else 'the unit'} in its place."
        case FitResistor(ohm=ohm):
            return f"Put a resistor of about {ohm:g} ohm and 10 W in the unit's place, the sense leads on its ends. It gets hot."
        case SetSupply(open_v=open_v, loads=()):
            return f"Set the supply to {open_v:.2f} V."
        case SetSupply(volts=volts, open_v=open_v):
            return f"Set the supply to {open_v:.2f} V without load ({volts:.2f} V at the lamps with the unit shorted)."
        case Cool(seconds=seconds):
            return f"Let everything cool for {seconds:.0f} s."
        case Do(text=text):
            return one_line(text)
