"""What was chosen to test, on what and by which limits: kept from unit to unit, and from day to day."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from bench import defaults, files
from bench.bank import Bank
from bench.claims import Claims, contradiction_in, impossible_in
from bench.description import BoardDescription
from bench.errors import IntakeError, SetupError, TableError
from bench.intake import SETTINGS_MB, read_text
from bench.keeping import write_whole
from bench.plain import one_line
from bench.render.claims import claims_words
from bench.setup import Setup, bank_text, load_for, watts_text
from bench.typed_json import decode, decode_file, encode, encode_file, loads

FORMAT = 1
SYSTEMS_V = (6.0, 12.0, 24.0)
SIGNAL_W = (21.0, 18.0, 23.0, 27.0)
"""Watts of signal lamps."""
OTHER_W = (10.0, 5.0)
"""Watts of the lamps beside them: repeaters."""
FREE_PLACE = 6
"""Of the reference rig; a board says its own."""
AS_DESCRIBED = ""
"""Choice of a bank: whatever the board, or a simulated bench's address, says of its sockets."""
NO_RULE = "none"
FAVOURITES = "favourites"
"""Their key in the file."""
MOST_FAVOURITES = 20


@dataclass(frozen=True, slots=True)
class Choices:
    """Everything that a test is set up by, but the unit's number.

    `lamps`: how many lamps of `signal_w` and of each of OTHER_W the unit is for, None if its rating is not known (then 2 x 21 W is tried).
    `led`: LED lamps are the load: those of the bank, or what is in the free place. `bank`: name or path of what stands in the sockets, or
    AS_DESCRIBED. `claims`: what else the unit is said to be. `limits`: names of sets or families; `grade_rule` may be NO_RULE. `zero`: also
    the steps with the shorting link.
    """

    system_v: float = defaults.SYSTEM_V
    lamps: tuple[int, int, int] | None = None
    signal_w: float = SIGNAL_W[0]
    led: bool = False
    bank: str = AS_DESCRIBED
    claims: Claims = field(default_factory=Claims)
    procedure: str = defaults.PROCEDURE
    limits: tuple[str, ...] = defaults.LIMITS
    grade_rule: str = defaults.GRADE_RULE
    precise: bool = False
    zero: bool = False
    stop_early: bool = False

    @property
    def rated(self) -> tuple[float, ...]:
        """Watts of each lamp that the unit is taken to be for."""
        if self.lamps is None:
            return defaults.RATED_W
        return tuple(watts for watts, count in zip((self.signal_w, *OTHER_W), self.lamps, strict=True) for _ in range(count))

    @property
    def said(self) -> Claims:
        """What the unit is said to be; what was chosen of a pilot counts only where there can be one."""
        said = replace(self.claims, rated=None if self.lamps is None else self.rated)
        if said.terminals == 2:
            said = replace(said, pilot=None)
        return replace(said, pilot_lamp_out=None) if said.facts else said

    def setup(self, unit: str, description: BoardDescription | None = None, fitted: Bank | None = None) -> Setup:
        """The setup of a test of this unit, on a board of this description. SetupError or TableError if there is no such thing.

        `fitted`: what stands in the sockets where that is known and no bank was chosen.
        """
        bank = fitted if self.bank == AS_DESCRIBED else files.bank(self.bank)
        return Setup(
            unit=unit,
            system_v=self.system_v,
            rated=self.rated,
            lamps=_led_places(bank, description, len(self.rated)) if self.led else None,
            filament=not self.led,
            bank=bank,
            limits=tuple(files.named_limits(name) for name in self.limits),
            grade_rule=None if self.grade_rule == NO_RULE else files.grade_rule(self.grade_rule),
            stop_early=self.stop_early,
            precise=self.precise,
            zero=self.zero,
            rating_known=self.lamps is not None,
            claims=self.said,
        )

    def summary(self) -> str:
        """`12 V, 2 x 21 W, 3 terminals, pilot in step, procedure decide, judged by un-r48`, on one line."""
        load = watts_text(self.rated) if self.lamps is None or any(self.lamps) else "no lamp"
        parts = [f"{self.system_v:g} V", load if self.lamps is not None else f"lamp rating not known ({load} tried)"]
        parts += ["LED lamps as load"] if self.led else []
        parts += [f"bank {_short(self.bank)}"] if self.bank != AS_DESCRIBED else []
        parts += claims_words(self.said)
        parts += [f"procedure {_short(self.procedure)}"]
        parts += [word for word, chosen in (("precise", self.precise), ("zeros", self.zero), ("stops early", self.stop_early)) if chosen]
        parts += [f"judged by {' + '.join(map(_short, self.limits))}" if self.limits else "judged by nothing"]
        parts += [f"grades by {_short(self.grade_rule)}"] if self.grade_rule != defaults.GRADE_RULE else []
        return ", ".join(parts)

    def refusal(self, description: BoardDescription | None = None, fitted: Bank | None = None) -> str:
        """In words, why this can't be tested on such a board; empty if it can, or if nothing is known of a board."""
        if self.lamps is not None and not any(self.lamps):
            return "Choose at least one lamp that the unit is for, or `not known`."
        try:
            setup = self.setup("unit", description, fitted)
            files.procedure(self.procedure)
            if description is not None:
                load_for("rated", setup, description, files.banks)
        except (SetupError, TableError) as error:
            return one_line(str(error))
        return ""


def _led_places(bank: Bank | None, description: BoardDescription | None, most: int) -> tuple[int, ...]:
    """Return the sockets whose LED lamps are the load, at most so many. SetupError if there is none."""
    if bank is None:
        return (_free_place(description),)
    places = tuple(number for number, socket in enumerate(bank.sockets, 1) if socket.kind.startswith("led"))
    if not places:
        raise SetupError(f"choosing lamps: no LED lamp stands in the bank {bank.name}; choose another bank or load")
    return places[:most]


def _free_place(description: BoardDescription | None) -> int:
    """Where an LED lamp goes. SetupError if the bank has no such place."""
    if description is None:
        return FREE_PLACE
    free = [load.number for load in description.loads.values() if load.kind == "FREE"]
    if not free:
        raise SetupError(f"choosing lamps: an LED lamp goes into a free place, and this board's bank has {bank_text(description)}")
    return min(free)


def _short(name: str) -> str:
    """A name of a file, without its way there."""
    return one_line(Path(name).stem if files.is_path(name) else name)


@dataclass(frozen=True, slots=True)
class KeptChoices:
    """What stays from day to day: the last choices, and those that were made favourites, the oldest first."""

    choices: Choices = field(default_factory=Choices)
    favourites: tuple[Choices, ...] = ()


def load(path: Path) -> tuple[KeptChoices, str]:
    """What was kept, and nothing to say; or, where the file is damaged, the usual choices and a line that says so."""
    if not path.exists():
        return KeptChoices(), ""
    try:
        text = read_text(path, SETTINGS_MB)
    except IntakeError as error:
        why = one_line(str(error))
        return KeptChoices(), f"The last choices can't be read from {one_line(path.name)} ({why}): the usual ones are taken."
    try:
        return _parsed(loads(text)), ""
    except ValueError:
        return KeptChoices(), f"The last choices in {one_line(path.name)} are damaged or too new: the usual ones are taken."


def save(path: Path, kept: KeptChoices) -> str:
    """Keep the choices and favourites; returns what went wrong in a line, empty if nothing did. The file there is whole at every moment."""
    content = encode_file(kept.choices, FORMAT)
    if kept.favourites:
        content[FAVOURITES] = [encode(one) for one in kept.favourites]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, json.dumps(content, indent=1) + "\n")
    except OSError as error:
        return f"The choices can't be kept in {one_line(path.name)}: {one_line(error.strerror or str(error))}."
    return ""


def _parsed(content: Any) -> KeptChoices:
    """Return what `save` wrote, now or before; a field that is missing has its usual value. ValueError for anything else."""
    favourites: Any = []
    if isinstance(content, dict):
        favourites = content.get(FAVOURITES, [])
        content = {key: item for key, item in content.items() if key != FAVOURITES}
        if "terminals" in content:  # of versions that knew nothing else of a unit
            content = {"claims": {"terminals": content.pop("terminals")}, **content}
    if not isinstance(favourites, list):
        raise ValueError(FAVOURITES)
    choices = decode_file(Choices, content, FORMAT)
    return KeptChoices(_possible(choices), tuple(_possible(decode(Choices, one)) for one in favourites[:MOST_FAVOURITES]))


def _possible(choices: Choices) -> Choices:
    """Return the choices; ValueError if there are none such."""
    texts = (choices.procedure, choices.grade_rule, *choices.limits, *([] if choices.bank == AS_DESCRIBED else [choices.bank]))
    is_possible = (
        choices.system_v in SYSTEMS_V
        and choices.signal_w in SIGNAL_W
        and all(0 <= count <= 9 for count in choices.lamps or ())
        and all(0 < len(text) < 1000 for text in texts)
        and not impossible_in(choices.claims)
        and not contradiction_in(choices.claims)
    )
    if not is_possible:
        raise ValueError("a choice that there is not")
    return choices
