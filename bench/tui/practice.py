"""Practice: a simulated bench is put together, unit, faults and surroundings, for a class without hardware."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass, field
from typing import ClassVar

from rich.text import Text
from textual.binding import BindingType
from textual.widget import Widget

from bench.ports.address import parse_sim_address
from bench.simboard import catalogue
from bench.simboard.loads import test_volts
from bench.tui.drawn_bench import PossibleFault, address_of, answer_text, drawn_address, possible_faults
from bench.tui.frame import BenchScreen, KeyHint
from bench.tui.requests import PracticeBegun, PracticeLeft
from bench.tui.side_by_side import ListPane, panes_text
from bench.tui.state import Practising

MYSTERY = "a mystery"
_SUPPLIES: tuple[float | None, ...] = (None, 0.8, 0.9, 1.1, 1.2)
_ROOMS_C: tuple[float | None, ...] = (None, -20.0, 0.0, 40.0)
UNITS, FAULTS, BENCH = range(3)
START = "Start practising"
BACK = "Back to the board"
TELL = "Tell what it was"


@dataclass
class Plan:
    """What is put together. `supply` is a part of the test voltage, None for all of it; `room_c` None for the usual 24 degC."""

    unit: str
    faults: set[str] = field(default_factory=set)
    seed: int = 1
    supply: float | None = None
    room_c: float | None = None
    own_hands: bool = False

    @classmethod
    def of(cls, practising: Practising) -> Plan:
        """What is being practised on now, to go on from."""
        address = parse_sim_address(practising.address)
        if practising.mystery:
            return cls(MYSTERY, seed=address.seed, own_hands=practising.own_hands)
        plan = cls(address.unit, set(address.faults), address.seed, own_hands=practising.own_hands)
        for supply in _SUPPLIES:
            plan.supply = supply
            if plan.supply_v == address.supply_v:
                break
        plan.room_c = address.ambient_c if address.ambient_c in _ROOMS_C else None
        return plan

    @property
    def mystery(self) -> bool:
        """Whether the draw number decides what is wrong."""
        return self.unit == MYSTERY

    @property
    def supply_v(self) -> float | None:
        """Supply voltage asked for; None for the test voltage."""
        if self.supply is None:
            return None
        return round(self.supply * test_volts(catalogue.entry(self.unit).rating.system_v), 2)

    @property
    def address(self) -> str:
        """The address of this bench."""
        if self.mystery:
            return drawn_address(self.seed)
        chosen = [fault.name for fault in possible_faults(self.unit) if fault.name in self.faults]
        return address_of(self.unit, chosen, seed=self.seed, supply_v=self.supply_v, ambient_c=self.room_c)


class Assembly(Widget):
    """Three lists side by side: units, faults that fit the unit, and the bench around; the one at hand is explained below."""

    DEFAULT_CSS = "Assembly { width: 1fr; height: 1fr; padding: 0 1; }"

    def __init__(self, practising: Practising | None) -> None:
        super().__init__()
        self.units = (MYSTERY, *catalogue.names())
        self.plan = Plan(self.units[1]) if practising is None else Plan.of(practising)
        self._practising = practising
        self._plan_before = deepcopy(self.plan)
        self._told = False
        self._pane = UNITS
        self._at = [self.units.index(self.plan.unit), 0, 0]

    @property
    def faults(self) -> tuple[PossibleFault, ...]:
        """The faults that this unit and its bench can have."""
        return () if self.plan.mystery else possible_faults(self.plan.unit)

    @property
    def rows(self) -> list[str]:
        """The rows of the third list."""
        plan = self.plan
        rows = [START, f"draw number: {plan.seed}", f"hands: {'yours' if plan.own_hands else 'by themselves'}"]
        if not plan.mystery:
            rows += [f"supply: {'as asked' if plan.supply_v is None else f'{plan.supply_v:g} V'}"]
            rows += [f"room: {24.0 if plan.room_c is None else plan.room_c:g} °C"]
        rows += [TELL] if self._practising is not None and self._practising.mystery else []
        return [*rows, BACK] if self._practising else rows

    @property
    def changed(self) -> bool:
        """Whether something was put together here that was not started."""
        return self.plan != self._plan_before

    @property
    def row(self) -> str:
        """The row at hand of the third list."""
        return self.rows[self._at[BENCH]]

    @property
    def in_bench(self) -> bool:
        """Whether the third list is at hand."""
        return self._pane == BENCH

    def step(self, by: int) -> None:
        """Up or down in the list at hand; another unit may have other faults, and chosen ones that do not fit it fall away."""
        count = (len(self.units), len(self.faults), len(self.rows))[self._pane]
        self._at[self._pane] = min(max(self._at[self._pane] + by, 0), max(count - 1, 0))
        if self._pane == UNITS:
            self.plan.unit = self.units[self._at[UNITS]]
            self.plan.faults &= {fault.name for fault in self.faults}
            self._at[FAULTS] = self._at[BENCH] = 0
        self.refresh()

    def across(self, by: int) -> None:
        """To the next list; that of the faults is passed over while there are none to choose."""
        pane = self._pane + by
        if pane == FAULTS and not self.faults:
            pane += by
        self._pane = min(max(pane, UNITS), BENCH)
        self.refresh()

    def press(self) -> None:
        """Enter, where it changes something: a fault on or off, the next supply, the next room."""
        plan, row = self.plan, self.row
        if self._pane == UNITS:
            self.across(1)
        elif self._pane == FAULTS and self.faults:
            plan.faults ^= {self.faults[self._at[FAULTS]].name}
        elif row.startswith("draw"):
            plan.seed = plan.seed % 99 + 1
        elif row.startswith("hands"):
            plan.own_hands = not plan.own_hands
        elif row.startswith("supply"):
            plan.supply = _SUPPLIES[(_SUPPLIES.index(plan.supply) + 1) % len(_SUPPLIES)]
        elif row.startswith("room"):
            plan.room_c = _ROOMS_C[(_ROOMS_C.index(plan.room_c) + 1) % len(_ROOMS_C)]
        elif row == TELL:
            self._told = True
        self.refresh()

    def explained(self) -> list[str]:
        """What the row at hand means, in a few sentences."""
        if self._told and self.in_bench and self.row == TELL and self._practising is not None:
            return answer_text(parse_sim_address(self._practising.address))
        if self._pane == UNITS:
            if self.plan.mystery:
                return ["Something may be wrong with it, or with the bench: find out what. The draw number decides."]
            entry = catalogue.entry(self.plan.unit)
            return [f"{entry.title}. {entry.find}"]
        if self._pane == FAULTS and self.faults:
            fault = self.faults[self._at[FAULTS]]
            return [f"{fault.title[:1].upper()}{fault.title[1:]} ({fault.of})." + (f" To be seen: {fault.see}." if fault.see else "")]
        return [_EXPLAINED[self.row.partition(":")[0]]]

    def render(self) -> Text:
        faults = self.faults
        marks = tuple(f"{'[x]' if fault.name in self.plan.faults else '[ ]'} {fault.of:<5} {fault.name}" for fault in faults)
        kinds = ["drawn, and not told"] if self.plan.mystery else marks
        chosen = f"faults: {len(self.plan.faults)} chosen" if not self.plan.mystery else "faults"
        panes = (
            ListPane("unit", self.units, self._at[UNITS], self._pane == UNITS),
            ListPane(chosen, tuple(kinds), self._at[FAULTS], self._pane == FAULTS),
            ListPane("bench", tuple(self.rows), self._at[BENCH], self._pane == BENCH),
        )
        return panes_text(panes, self.explained(), self.size.width, self.size.height, self.app.theme_variables)


_EXPLAINED = {
    START: "Enter: the screen uses this simulated bench from now on, plainly marked, until you go back to the board.",
    "draw number": "Enter: the next number. Units of a kind differ a little; the same number gives the same unit and board again.",
    "hands": "Enter changes it. Yours: you set the supply and fit units when asked, as at a real bench. By themselves: it is done for you.",
    "supply": "Enter: the next one. What the supply gives before it is set.",
    "room": "Enter: the next one. The temperature at the bench.",
    TELL: "Enter: first test it and decide; then see here what it was.",
    BACK: "Enter: no more practice; the screen looks for the real board again.",
}


class Practice(BenchScreen):
    """The screen of practice."""

    KEY = "F3"
    HINTS: ClassVar[tuple[KeyHint, ...]] = (
        ("↑ ↓", "choose"),
        ("← →", "other list"),
        ("Enter", "do it, on/off"),
        ("Esc", "back"),
        ("F1", "help"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        ("up", "step(-1)"),
        ("down", "step(1)"),
        ("pageup", "step(-10)"),
        ("pagedown", "step(10)"),
        ("home", "step(-999)"),
        ("end", "step(999)"),
        ("left", "across(-1)"),
        ("right", "across(1)"),
        ("tab", "across(1)"),
        ("shift+tab", "across(-1)"),
        ("enter", "press"),
    ]

    def body(self) -> Iterable[Widget]:
        yield Assembly(self.state.practice)

    def at_scan(self) -> tuple[bool, str]:
        """Nothing begins that was not asked for."""
        changed = self.query_one(Assembly).changed
        return True, "The practice bench that was put together in F3 was not started." if changed else ""

    def action_step(self, by: int) -> None:
        self.query_one(Assembly).step(by)

    def action_across(self, by: int) -> None:
        self.query_one(Assembly).across(by)

    def action_press(self) -> None:
        """Starts, goes back, or changes what stands there."""
        assembly = self.query_one(Assembly)
        plan = assembly.plan
        if assembly.in_bench and assembly.row == START:
            self.post_message(PracticeBegun(Practising(plan.address, plan.own_hands, plan.mystery)))
        elif assembly.in_bench and assembly.row == BACK:
            self.post_message(PracticeLeft())
        else:
            assembly.press()
