"""Invented records for the tests of what shows and keeps them: judged by the real limit sets, nothing written by hand twice."""

from __future__ import annotations

from dataclasses import replace

from bench import files
from bench.grade import grade
from bench.measure import BenchFault, Measured
from bench.outcome import Case, conclude, uphold
from bench.record import BoardRecord, SetupRecord, SetUsed, SimulationRecord, StepRecord, TestRecord
from bench.uncertainty import Component, Estimate, Measurement, NotMeasured
from bench.verdict import judge

HOSTILE = "[/b]\x1b[2J\u202eBAD\nname <script>alert(1)</script>"


def estimate(value: float, unit: str, u: float, n: int = 8) -> Estimate:
    return Estimate(value, unit, (Component("scatter of the cycles", 0.8 * u, 7.0, "A"), Component("clock", 0.6 * u)), n)


def good_values() -> dict[str, Measurement]:
    return {
        "rate_per_min": estimate(107.9312, "1/min", 0.05),
        "rate_total_per_min": estimate(107.93, "1/min", 0.05),
        "on_ratio": estimate(0.5104, "1", 0.0004),
        "first_light_s": Estimate(0.0, "s", (), 1, "closed at rest"),
        "start_s": estimate(0.6412, "s", 0.0004, n=3),
        "first_extinction_s": estimate(0.6412, "s", 0.0004, n=3),
        "drop_v": estimate(0.312, "V", 0.0017, n=3),
        "contact_ohm": estimate(0.0803, "ohm", 0.0006),
        "inrush_first_a": estimate(36.2, "A", 0.45, n=1),
        "steady_a": estimate(3.412, "A", 0.021),
        "bounce_make_s": estimate(0.00021, "s", 0.000013),
        "missed": Estimate(0.0, "1", (), 100),
        "stuck": Estimate(0.0, "1", (), 100),
        "pilot_on_v": NotMeasured("the board has no channel v_pilot"),
    }


FLASHING = {"behaviour": "flashing", "rest": "closed", "pilot": "unknown"}


def record(
    values: dict[str, Measurement] | None = None,
    limit_sets: tuple[str, ...] = ("us-turn-closed-2",),
    facts: dict[str, str] | None = None,
    bench_faults: tuple[BenchFault, ...] = (),
    unit: str = "DEMO-1",
    interrupted: str | None = None,
) -> TestRecord:
    measured = Measured(good_values() if values is None else values, FLASHING if facts is None else facts, bench_faults)
    verdicts = tuple(v for name in limit_sets for s in files.named_limits(name)[1] for v in judge(measured, s))
    given = grade(files.grade_rule(), measured, verdicts)
    by_bench = any(fault.text == interrupted for fault in bench_faults)
    case = Case(measured, verdicts, given, bench_faults, interrupted, by_bench, "2 x 21 W", True)
    conclusion = conclude(case)
    step = StepRecord("rated", "Rated load", (1, 2), "2 x 21 W", 0.5, 11.25, measured, 18, 1, supply_v=12.83)
    return TestRecord(
        setup=SetupRecord(unit, 12.0, 12.83, (21.0, 21.0), sample_mode="fast", limits=limit_sets, grade_rule="default", skip=5, average=3),
        procedure=files.procedure("quick"),
        rated_load="2x21",
        steps=(step,),
        measured=measured,
        limit_sets=tuple(SetUsed.of(s) for name in limit_sets for s in files.named_limits(name)[1]),
        verdicts=uphold(verdicts, conclusion.outcome),
        conclusion=conclusion,
        when="2026-11-25T12:00:00+00:00",
        software="makebreak 0.1.0",
        board=BoardRecord("sim://", model="rig-328", serial="SIM00001", simulation=SimulationRecord("DEMO-1")),
        notes=("step zero left out: not asked for",),
        link={"bad_crc": 2, "frames_lost": 1, "duplicates": 0},
        bench_faults=bench_faults,
        interrupted=interrupted,
        load="2 x 21 W",
    )


def renamed(record: TestRecord, unit: str) -> TestRecord:
    """The record of another unit."""
    return replace(record, setup=replace(record.setup, unit=unit))


def with_value(name: str, found: Measurement) -> dict[str, Measurement]:
    return {**good_values(), name: found}


def cases() -> dict[str, TestRecord]:
    """One record for each way in which a report can look; the key names its golden file."""
    dead_lamp = BenchFault("lamp", "the current is that of one lamp less than closed: replace the lamp in place 2")
    return {
        "pass": record(),
        "near-the-limit": record(with_value("rate_per_min", estimate(120.004, "1/min", 0.05))),
        "fail": record({**good_values(), "rate_per_min": estimate(136.8, "1/min", 0.07), "drop_v": estimate(0.913, "V", 0.002)}),
        "dark": record(
            {name: NotMeasured("the lamps never lit", "unit") for name in ("rate_per_min", "on_ratio", "start_s", "drop_v")},
            facts={"behaviour": "dark", "rest": "open", "pilot": "dead"},
        ),
        "bench-fault": record(bench_faults=(dead_lamp,)),
        "interrupted": record(interrupted="cancelled by the operator after 4.2 s"),
        "two-sets": record(limit_sets=("un-r48", "outage-qct501")),
        "hostile": replace(
            record(unit=HOSTILE, facts={**FLASHING, "rating": "known"}, interrupted=HOSTILE, bench_faults=(BenchFault("supply", HOSTILE),)),
            board=BoardRecord(HOSTILE, model=HOSTILE),
            rated_load=HOSTILE,
            notes=(HOSTILE,),
        ),
    }
