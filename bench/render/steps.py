"""The steps of a procedure, and the manual actions that they ask for, as sentences."""

from __future__ import annotations

from bench.procedure import CoolStep, PromptStep, RunStep, Step, ZeroStep


def step_text(step: Step) -> str:
    """Return how the step is done, in one line."""
    match step:
        case RunStep():
            return _run_text(step)
        case CoolStep(seconds=seconds):
            return f"everything open for {duration_text(seconds)}"
        case ZeroStep(seconds=seconds):
            return f"shorting link in the unit's place, {duration_text(seconds)} each with the lamps off and on"
        case PromptStep(text=text):
            return text


def _run_text(step: RunStep) -> str:
    loads = step.loads if isinstance(step.loads, str) else f"loads {', '.join(map(str, step.loads))}"
    parts = [f"load: {loads}"]
    if step.supply_v is not None:
        parts.append(f"{step.supply_v:g} V in a 12 V system")
    parts.append(_begun(step))
    if step.cool_s:
        parts.append(f"after {duration_text(step.cool_s)} off{_sooner(step)}")
    many = f"{step.cycles} flashes at most, until decided" if step.until_decided else f"{step.cycles} flashes or more"
    parts.append(f"{many}, at most {duration_text(step.at_most_s)}")
    if step.closed_at_most_s is not None:
        parts.append(f"a unit that is closed at rest only {duration_text(step.closed_at_most_s)}")
    return ", ".join(parts)


def _begun(step: RunStep) -> str:
    """Return how the run begins."""
    if step.live:
        return "switched live while the unit flashes"
    if step.starts_of:
        return f"further cold starts of step {step.starts_of}, as many as the limits ask"
    return "one cold start" if step.starts == 1 else f"{step.starts} cold starts"


def _sooner(step: RunStep) -> str:
    sooner_s = step.electronic_cool_s
    return "" if sooner_s is None else f" ({duration_text(sooner_s)} for an electronic or two-coil unit)"


def duration_text(seconds: float) -> str:
    """Return `10 s`, `5 min`, `36 h`."""
    for size, word in ((3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size and seconds % size == 0:
            return f"{seconds / size:g} {word}"
    return f"{seconds:g} s"
