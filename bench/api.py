"""`test` and `judge` for notebooks and scripts.

Nothing is printed and no question is asked: manual actions are performed by the `operator` that is given.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from bench import arguments, defaults, files
from bench.bank import Bank
from bench.claims import Claims
from bench.instrument import UNSTATED, Instrument
from bench.judging import judge_files
from bench.judging.capture_setup import Otherwise
from bench.manual_actions import Operator
from bench.parts import FOLDER, claims_for
from bench.ports.opening import open_port
from bench.ports.setting import known_bench
from bench.result import Result
from bench.session import Progress, run_test
from bench.setup import Setup
from bench.version import __version__

if TYPE_CHECKING:
    import pandas as pd

    Recorded: TypeAlias = str | Path | pd.DataFrame

_LONGEST_REST_S = 30 * 86_400.0
_RATES_HZ = (0.1, 1e8)


def test(
    address: str = defaults.ADDRESS,
    *,
    unit: str | None = None,
    procedure: str = defaults.PROCEDURE,
    rated: Iterable[float] | None = None,
    lamps: Iterable[int] | None = None,
    bank: str | None = None,
    system_v: float | None = None,
    supply_v: float | None = None,
    limits: Iterable[str] = defaults.LIMITS,
    grade_rule: str | None = defaults.GRADE_RULE,
    facts: Mapping[str, str] | None = None,
    part: str | None = None,
    claims: Mapping[str, Any] | None = None,
    parts_folder: str | Path = FOLDER,
    stop_early: bool = False,
    rested_s: float = 0.0,
    operator: Operator | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Test the unit on the board at `address` (as for `makebreak test`) and return the result.

    `rated`: watts of each lamp that the unit is for, as marked on it; two of 21 W are tried if that is not known. `lamps`: loads of the
    board by number instead. `bank`: name or path of the lamp bank that stands in the sockets. What a simulated bench's address says of
    system, supply and bank holds where nothing else is given; else a 12 V system, its nominal voltage, and the board's own description.
    `facts`: what is known of the unit and no rig sees (`bench.setup.ENTERED`). `rested_s`: for how long it has been off.
    `part`: a part number of which `makebreak part` keeps in `parts_folder` what it is said to be; that is judged, and gives rated load and
    system where they are not given here. `claims`: fields of `bench.claims.Claims` by name, beside or instead of those.
    `limits`: names, families or paths of limit sets; `procedure` and `grade_rule`: names or paths, None for no grade. On a real board
    lamps light and burn: read the cautions of README.md first.

    >>> import bench
    >>> result = bench.test("sim://bench-nc-2x21?seed=7", limits=["un-r48"])
    >>> print(result)

    Raises RequestError for what can't be done as it was asked: SetupError for an argument that can't be used or a test that this board
    can't do, AddressError, TableError for a file. Raises PortError if the board can't be opened. A test that the bench broke off is a
    result all the same: `result.record.interrupted` says why.
    """
    address = arguments.text("address", address)
    plan = files.procedure(arguments.text("procedure", procedure))
    for name, given in (("progress", progress), ("cancelled", cancelled), ("operator", getattr(operator, "do", operator))):
        if given is not None and not callable(given):
            raise arguments.refused(name, given, "what can be called, or for an operator what has a method `do`")
    asked_of = _Asked.of(unit, rated, lamps, bank, system_v, supply_v, grade_rule, facts, part, claims, parts_folder)
    known = known_bench(address)
    said = asked_of.claims_beside(None)
    setup = _setup(
        asked_of, defaults.unit_name(address), said, known.system_v, arguments.texts("limits", limits),
        bank=known.bank if asked_of.bank is None else asked_of.bank,
        supply_v=known.supply_v if asked_of.supply_v is None else asked_of.supply_v,
        stop_early=arguments.flag("stop_early", stop_early), rested_s=arguments.number("rested_s", rested_s, 0.0, _LONGEST_REST_S),
    )  # fmt: skip
    port = open_port(address)
    try:
        record = run_test(
            port,
            plan,
            setup,
            operator=operator,
            progress=progress,
            cancelled=cancelled,
            when=_now(),
            software=f"makebreak {__version__}",
        )
    finally:
        port.close()
    return Result(record)


def judge(
    recording: Recorded | Sequence[Recorded],
    *,
    unit: str | None = None,
    procedure: str | None = None,
    rated: Iterable[float] | None = None,
    lamps: Iterable[int] | None = None,
    fitted: Iterable[float] | None = None,
    filament: bool = True,
    bank: str | None = None,
    system_v: float | None = None,
    supply_v: float | None = None,
    limits: Iterable[str] | None = None,
    grade_rule: str | None = "",
    facts: Mapping[str, str] | None = None,
    part: str | None = None,
    claims: Mapping[str, Any] | None = None,
    parts_folder: str | Path = FOLDER,
    names: Mapping[str, str] | None = None,
    window_s: tuple[float | None, float | None] = (None, None),
    rate_hz: float | None = None,
    instrument: str | Instrument = UNSTATED,
) -> Result:
    """Judge a recording made elsewhere: the path of a CSV file, or a frame with the same columns (`time_s`, `i_load_A`, ...); or the path
    of a WAV file, the sound of a unit's clicks.

    A list of them are starts of the same unit: starting times are averaged over them, all else is the last one's. `names` renames
    columns (`{"CH1": "v_in_V"}`); `window_s` are the first and last second that are read, None for the recording's; `rate_hz` the rows a
    second of one without times; `supply_v` what the supply should be, within 5 %. `fitted`: watts of the lamps that were connected; those
    of `rated` if not given, and not known without either. `instrument`: its limits of error, or the name or path of a file of them; what
    is not stated is taken as wide as that of a cheap one. The rest is as for `test`.

    The path may be a capture (`makebreak test --capture`) instead. It says itself how the test was made; unit, limits, facts and claims
    that are given here win, other lamps, another system, supply or procedure than those of the test are refused. An empty
    `grade_rule` is the default one, or that of the capture.

    >>> bench.judge("scope.csv", names={"CH1": "i_load_A"}, limits=["un-r48"]).table
    >>> bench.judge(["start1.csv", "start2.csv", "start3.csv"], window_s=(0.5, None), limits=["sae-j945"])["start_s"]

    Raises RequestError: RecordingError or CaptureError for what can't be read, SetupError for an argument that can't be used, TableError
    for a file of settings.
    """
    asked_of = _Asked.of(unit, rated, lamps, bank, system_v, supply_v, grade_rule, facts, part, claims, parts_folder)
    is_filament = arguments.flag("filament", filament)
    connected = arguments.watts("fitted", fitted, least=0)
    named = None if limits is None else arguments.texts("limits", limits)
    plan = arguments.optional_text("procedure", procedure)

    def setup() -> Setup:
        said = asked_of.claims_beside(None)
        return _setup(
            asked_of, defaults.UNIT, said, None, defaults.LIMITS if named is None else named, fitted=connected, filament=is_filament,
            bank=asked_of.bank, supply_v=asked_of.supply_v,
        )  # fmt: skip

    def otherwise(claimed: Claims) -> Otherwise:
        return Otherwise(
            unit=asked_of.unit,
            limits=named,
            grade_rule=None if asked_of.grade_rule == "" else asked_of.grade_rule or "none",
            claims=asked_of.claims_beside(claimed),
            entered=asked_of.facts,
            system_v=asked_of.system_v,
            supply_v=asked_of.supply_v,
            rated_w=asked_of.rated,
            lamps=asked_of.lamps,
            led=not is_filament,
            bank=asked_of.bank,
            procedure=None if plan is None else files.procedure(plan),
        )

    several = recording if isinstance(recording, list | tuple) else [recording]
    with tempfile.TemporaryDirectory() as folder:
        record = judge_files(
            [_as_file(one, Path(folder) / f"frame-{number}.csv") for number, one in enumerate(several, 1)],
            setup,
            otherwise,
            procedure=plan or defaults.PROCEDURE,
            names=arguments.words("names", names),
            instrument=instrument if isinstance(instrument, Instrument) else files.instrument(arguments.text("instrument", instrument)),
            fitted=connected,
            window_s=arguments.window("window_s", window_s),
            rate_hz=arguments.optional_number("rate_hz", rate_hz, *_RATES_HZ),
            when=_now(),
            software=f"makebreak {__version__}",
        )
    return Result(record)


def _as_file(recording: Recorded, path: Path) -> Path:
    """Return the recording as a file: itself, or a frame written to `path`."""
    if isinstance(recording, str | os.PathLike):
        return Path(arguments.text("recording", recording))
    if not hasattr(recording, "to_csv"):
        raise arguments.refused("recording", recording, "the path of a file, a frame of pandas, or a list of them")
    recording.to_csv(path, index=False)
    return path


@dataclass(frozen=True)
class _Asked:
    """What `test` and `judge` are both asked, each of its type: SetupError for what can't be used. None where nothing was given; an empty
    `grade_rule` is the default one."""

    unit: str | None
    rated: tuple[float, ...] | None
    lamps: tuple[int, ...] | None
    bank: Bank | None
    system_v: float | None
    supply_v: float | None
    grade_rule: str | None
    facts: Mapping[str, str]
    part: str | None
    claims: Mapping[str, Any]
    parts_folder: Path

    @classmethod
    def of(
        cls, unit: Any, rated: Any, lamps: Any, bank: Any, system_v: Any, supply_v: Any, grade_rule: Any, facts: Any, part: Any,
        claims: Any, parts_folder: Any,
    ) -> _Asked:  # fmt: skip
        return cls(
            unit=None if _is_usual(unit) else arguments.unit_number("unit", unit),
            rated=arguments.watts("rated", rated),
            lamps=arguments.loads("lamps", lamps),
            bank=None if bank is None else files.bank(arguments.text("bank", bank)),
            system_v=arguments.optional_number("system_v", system_v),
            supply_v=arguments.optional_number("supply_v", supply_v),
            grade_rule=grade_rule if _is_usual(grade_rule) else arguments.text("grade_rule", grade_rule),
            facts=arguments.words("facts", facts),
            part=arguments.optional_text("part", part),
            claims=arguments.claimed(claims),
            parts_folder=Path(arguments.text("parts_folder", parts_folder)),
        )

    def claims_beside(self, known: Claims | None) -> Claims:
        """Return what the unit is said to be, beside or instead of what is known."""
        return claims_for(self.parts_folder, self.part, self.claims, known)


def _is_usual(given: Any) -> bool:
    return given is None or (isinstance(given, str) and given == "")


def _setup(
    asked: _Asked, usual_unit: str, claims: Claims, usual_system_v: float | None, limits: Iterable[str], **more: Any
) -> Setup:  # fmt: skip
    for_lamps = claims.rated if asked.rated is None else asked.rated
    given_v = next((v for v in (asked.system_v, usual_system_v, claims.system_v) if v is not None), defaults.SYSTEM_V)
    rule = defaults.GRADE_RULE if asked.grade_rule == "" else asked.grade_rule
    return Setup(
        unit=asked.unit or usual_unit,
        system_v=given_v,
        rated=defaults.RATED_W if for_lamps is None else for_lamps,
        lamps=asked.lamps,
        limits=tuple(files.named_limits(name) for name in limits),
        grade_rule=None if rule is None else files.grade_rule(rule),
        rating_known=for_lamps is not None,
        claims=claims,
        entered=asked.facts,
        **more,
    )


def _now() -> str:
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")
