"""The commands of the simulated board: headers, parameters, and what each does (firmware/PROTOCOL.md section 2).

Errors come in this order: syntax (-1xx) before values (-222, -224) before state (-213, -221).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Protocol, TypeAlias

from bench.description import BoardDescription, description_crc
from bench.simboard.parameters import (
    Omissible,
    Parser,
    Value,
    read_boolean,
    read_channels,
    read_name,
    read_number,
    read_text,
    read_whole,
    within,
    word_reader,
)
from bench.simboard.rig import Rig
from bench.simboard.scales import BoardScales, ScaleError
from bench.simboard.settings import BoardSettings
from bench.simboard.status import OPERATION_COMPLETE, CommandError, Status
from bench.simboard.units import resistor
from bench.wire import ResetCause, TripCause, format_channels, format_number

Handler: TypeAlias = Callable[..., str | None]


class CommandedBoard(Protocol):
    """A board as its commands see it: what they read and set, and what they have it do."""

    firmware: str
    description: BoardDescription
    scales: BoardScales
    status: Status
    settings: BoardSettings
    rig: Rig
    now_s: float
    master: bool
    loads: frozenset[int]
    tripped: bool
    trip_cause: TripCause
    reset_cause: ResetCause
    unit_name: str
    supply_v: float
    find_unit: Callable[[str], Any]

    @property
    def sampling(self) -> bool:
        """Whether a run is on."""

    @property
    def ambient_c(self) -> float:
        """The ambient temperature."""

    def power_up(self, cause: ResetCause) -> None:
        """Begin as after a reset of this cause."""

    def restore(self) -> None:
        """Open everything, stop sampling, put the settings back, clear a trip."""

    def clear_trip(self) -> None:
        """Allow switching on again after a trip."""

    def switch(self, master: bool, loads: frozenset[int]) -> None:
        """Set the master switch and the loads."""

    def start(self) -> None:
        """Start a run of sampling."""

    def stop(self) -> None:
        """Stop the run, if one is on."""

    def stamp_at(self, t_s: float) -> tuple[int, int]:
        """Return stamp and ticks of a moment of the run."""

    def fit(self, name: str, unit: Any) -> None:
        """Put a unit into the socket."""

    def set_supply(self, volts: float, loads: frozenset[int] | None = None) -> None:
        """Set the supply at these loads; None: those that the unit is rated for."""

    def set_ambient(self, celsius: float) -> None:
        """Set the ambient temperature."""

    def rest(self, seconds: float) -> None:
        """Let the unit and the lamps age while no time passes for the board."""

    def metered(self, channel: str, part: float, rest: float) -> float:
        """Return what a meter shows, right to a part of the value plus `rest` in the channel's unit. KeyError for a channel without one."""


def _forms(pattern: str) -> Iterator[str]:
    """Yield every way to write a header given as on the page (`ROUTe:CLOSe`, `OUTPut[:STATe]`), in capitals."""
    choices: list[tuple[str, ...]] = []
    for optional, opening, keyword in re.findall(r"(\[?)(:?)([*A-Za-z]+)\]?", pattern):
        short = "".join(letter for letter in keyword if not letter.islower())
        forms = (opening + short, opening + keyword.upper())
        choices.append((*forms, "") if optional else forms)
    yield from {"".join(parts) for parts in itertools.product(*choices)}


def _split(text: str) -> list[str]:
    """Split parameters at commas, but not inside brackets."""
    kept = re.sub(r"\([^)]*\)", lambda pair: pair[0].replace(",", "\0"), text)
    return [part.strip().replace("\0", ",") for part in kept.split(",")] if text else []


def execute(board: CommandedBoard, line: bytes) -> str | None:
    """Obey one line; return the reply if it is a query. CommandError if it is refused, and then nothing was done."""
    if any(not 0x20 <= byte <= 0x7E for byte in line):
        raise CommandError(-101)
    text = line.decode("ascii").strip()
    if ";" in text:
        raise CommandError(-103)
    match = re.match(r"(?::(?!\*))?([*\w:]+\??)", text)
    if match is None or match[1].upper() not in _COMMANDS:
        raise CommandError(-113)
    rest = text[match.end() :]
    if rest and rest[0] != " ":
        raise CommandError(-103)
    parsers, handler = _COMMANDS[match[1].upper()]
    parameters = _split(rest.strip())
    if len(parameters) > len(parsers):
        raise CommandError(-108)
    if len(parameters) < sum(not isinstance(parser, Omissible) for parser in parsers):
        raise CommandError(-109)
    if not all(parameters):
        raise CommandError(-109)
    return handler(board, *(parse(parameter) for parse, parameter in zip(parsers, parameters, strict=False)))


def _limited(board: CommandedBoard, name: str, value: float) -> float:
    limit = board.description.limits[name]
    return within(value, limit.low, limit.high)


def _known_loads(board: CommandedBoard, loads: frozenset[int]) -> frozenset[int]:
    if not loads <= board.description.loads.keys():
        raise CommandError(-222)
    return loads


def _forbid(condition: bool) -> None:
    if condition:
        raise CommandError(-221)


def _forbid_unless_idle(b: CommandedBoard) -> None:
    _forbid(b.sampling or b.master or bool(b.loads))


def _self_test(b: CommandedBoard) -> str:
    _forbid(b.sampling)
    result = b.rig.self_test()
    if result:
        b.status.push(-330)
    return str(result)


def _set_event_enable(b: CommandedBoard, n: float) -> None:
    b.status.event_enable = int(within(n, 0, 255))


def _set_service_enable(b: CommandedBoard, n: float) -> None:
    b.status.service_enable = int(within(n, 0, 255))


def _operation_complete(b: CommandedBoard) -> None:
    b.status.event |= OPERATION_COMPLETE


def _line(b: CommandedBoard, n: float) -> str:
    return b.scales.lines[int(within(n, 1, len(b.scales.lines))) - 1]


def _cause(b: CommandedBoard) -> str:
    return f"{TripCause(b.trip_cause).name},{ResetCause(b.reset_cause).name}"


def _output(b: CommandedBoard, on: bool) -> None:
    _forbid(on and b.tripped)
    b.switch(on, b.loads)


def _close(b: CommandedBoard, loads: frozenset[int]) -> None:
    _known_loads(b, loads)
    _forbid(b.tripped)
    b.switch(b.master, b.loads | loads)


def _open(b: CommandedBoard, loads: frozenset[int]) -> None:
    b.switch(b.master, b.loads - _known_loads(b, loads))


def _open_all(b: CommandedBoard) -> None:
    b.switch(b.master, frozenset())


def _set_level(b: CommandedBoard, value: float) -> None:
    b.settings.level_a = _limited(b, "CURR", value)


def _set_delay(b: CommandedBoard, value: float) -> None:
    b.settings.delay_s = _limited(b, "DELAY", value)


def _set_time(b: CommandedBoard, value: float) -> None:
    b.settings.time_s = _limited(b, "TIME", value)


def _set_silence(b: CommandedBoard, value: float) -> None:
    b.settings.silence_s = _limited(b, "SIL", value)


def _set_mode(b: CommandedBoard, mode: str) -> None:
    _forbid(b.sampling)
    b.settings.mode = mode


def _set_range(b: CommandedBoard, volts: float) -> None:
    ranges = sorted(b.scales.description.channels["v_in"].ranges, key=lambda r: r.high)
    within(volts, 0.0, ranges[-1].high)
    _forbid(b.sampling)
    b.settings.range_number = next(r.number for r in ranges if volts <= r.high)


def _initiate(b: CommandedBoard) -> None:
    if b.sampling:
        raise CommandError(-213)
    b.start()


def _calibrate(change: Callable[..., BoardDescription]) -> Handler:
    """Return the handler of a command that changes the scales."""

    def handle(b: CommandedBoard, *values: Value) -> None:
        try:
            changed = change(b.scales, *values)
        except ScaleError:
            raise CommandError(-222) from None
        _forbid_unless_idle(b)
        b.scales.use(changed)

    return handle


def _store(b: CommandedBoard) -> None:
    _forbid_unless_idle(b)
    b.scales.store()


def _fit(b: CommandedBoard, name: str) -> None:
    try:
        unit = b.find_unit(name)
    except KeyError:
        raise CommandError(-224) from None
    _forbid(b.master or bool(b.loads))
    b.fit(name, unit)


def _fit_resistor(b: CommandedBoard, ohm: float) -> None:
    within(ohm, 0.001, 10000.0)
    _forbid(b.master or bool(b.loads))
    b.fit("RESISTOR", resistor(ohm))


def _set_supply(b: CommandedBoard, volts: float, loads: frozenset[int] | None = None) -> None:
    b.set_supply(within(volts, 0.0, 32.0), None if loads is None else _known_loads(b, loads))


def _set_ambient(b: CommandedBoard, celsius: float) -> None:
    b.set_ambient(within(celsius, -40.0, 85.0))


def _meter(b: CommandedBoard, channel: str, part: float, rest: float) -> str:
    try:
        return format_number(b.metered(channel, within(part, 0.0, 1.0), within(rest, 0.0, 1.0)))
    except KeyError:
        raise CommandError(-222) from None


def _wait(b: CommandedBoard, seconds: float) -> None:
    within(seconds, 0.0, 864000.0)
    _forbid_unless_idle(b)
    b.rest(seconds)


def _reset(b: CommandedBoard, cause: str) -> None:
    b.power_up(ResetCause[cause])


def _nothing(b: CommandedBoard) -> None:
    return None


_ROWS: tuple[tuple[str, tuple[Parser, ...], Handler], ...] = (
    ("*IDN?", (), lambda b: f"makebreak,{b.description.model},{b.scales.description.serial},{b.firmware}"),
    ("*RST", (), lambda b: b.restore()),
    ("*CLS", (), lambda b: b.status.clear()),
    ("*TST?", (), _self_test),
    ("*ESR?", (), lambda b: str(b.status.read_event())),
    ("*ESE", (read_whole,), _set_event_enable),
    ("*ESE?", (), lambda b: str(b.status.event_enable)),
    ("*SRE", (read_whole,), _set_service_enable),
    ("*SRE?", (), lambda b: str(b.status.service_enable)),
    ("*STB?", (), lambda b: str(b.status.byte())),
    ("*OPC", (), _operation_complete),
    ("*OPC?", (), lambda b: "1"),
    ("*WAI", (), _nothing),
    ("SYSTem:ERRor[:NEXT]?", (), lambda b: b.status.next_error()),
    ("SYSTem:ERRor:COUNt?", (), lambda b: str(len(b.status.errors))),
    ("SYSTem:VERSion?", (), lambda b: "1999.0"),
    ("SYSTem:BEAT", (), _nothing),
    ("SYSTem:BOARd?", (), lambda b: str(len(b.scales.lines))),
    ("SYSTem:BOARd:LINE?", (read_whole,), _line),
    ("SYSTem:BOARd:CHECk?", (), lambda b: str(description_crc(b.scales.lines))),
    ("SYSTem:CAUSe?", (), _cause),
    ("SYSTem:STAMp?", (), lambda b: ",".join(str(n) for n in b.stamp_at(b.now_s))),
    ("OUTPut[:STATe]", (read_boolean,), _output),
    ("OUTPut[:STATe]?", (), lambda b: str(int(b.master))),
    ("OUTPut:PROTection:CLEar", (), lambda b: b.clear_trip()),
    ("OUTPut:PROTection:TIME", (read_number,), _set_time),
    ("OUTPut:PROTection:TIME?", (), lambda b: format_number(b.settings.time_s)),
    ("OUTPut:PROTection:SILence", (read_number,), _set_silence),
    ("OUTPut:PROTection:SILence?", (), lambda b: format_number(b.settings.silence_s)),
    ("CURRent:PROTection[:LEVel]", (read_number,), _set_level),
    ("CURRent:PROTection[:LEVel]?", (), lambda b: format_number(b.settings.level_a)),
    ("CURRent:PROTection:DELay", (read_number,), _set_delay),
    ("CURRent:PROTection:DELay?", (), lambda b: format_number(b.settings.delay_s)),
    ("CURRent:PROTection:TRIPped?", (), lambda b: str(int(b.tripped))),
    ("ROUTe:CLOSe", (read_channels,), _close),
    ("ROUTe:CLOSe?", (), lambda b: format_channels(b.loads)),
    ("ROUTe:OPEN", (read_channels,), _open),
    ("ROUTe:OPEN:ALL", (), _open_all),
    ("SENSe:MODE", (word_reader(FAST="FAST", PREC="PREC", PRECISE="PREC"),), _set_mode),
    ("SENSe:MODE?", (), lambda b: b.settings.mode),
    ("SENSe:VOLTage:RANGe", (read_number,), _set_range),
    ("SENSe:VOLTage:RANGe?", (), lambda b: str(b.settings.range_number)),
    ("CALibration:RANGe", (read_name, read_whole, *5 * (read_number,)), _calibrate(BoardScales.with_range)),
    ("CALibration:CLOCk", (read_number, read_number), _calibrate(BoardScales.with_clock)),
    ("CALibration:SERial", (read_name,), _calibrate(BoardScales.with_serial)),
    ("CALibration:DATE", (read_whole,), _calibrate(BoardScales.with_date)),
    ("CALibration:DATE?", (), lambda b: str(b.scales.description.calibrated)),
    ("CALibration:STORe", (), _store),
    ("CALibration:CLEar", (), _calibrate(BoardScales.cleared)),
    ("INITiate", (), _initiate),
    ("ABORt", (), lambda b: b.stop()),
    ("SIMulation:UNIT", (read_text,), _fit),
    ("SIMulation:UNIT?", (), lambda b: b.unit_name),
    ("SIMulation:RESistor", (read_number,), _fit_resistor),
    ("SIMulation:SUPPly", (read_number, Omissible(read_channels)), _set_supply),
    ("SIMulation:SUPPly?", (), lambda b: format_number(b.supply_v)),
    ("SIMulation:AMBient", (read_number,), _set_ambient),
    ("SIMulation:AMBient?", (), lambda b: format_number(b.ambient_c)),
    ("SIMulation:METer?", (read_name, read_number, read_number), _meter),
    ("SIMulation:RESTart", (word_reader(POW="POW", POWER="POW", EXT="EXT", EXTERNAL="EXT"),), _reset),
    ("SIMulation:WAIT", (read_number,), _wait),
)
_COMMANDS: Mapping[str, tuple[tuple[Parser, ...], Handler]] = {
    form + ("?" if pattern.endswith("?") else ""): (parsers, handler)
    for pattern, parsers, handler in _ROWS
    for form in _forms(pattern.removesuffix("?"))
}
