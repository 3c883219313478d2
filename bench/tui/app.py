"""The bench screen as an application: it hands keys to the desk, news to the desk and the trace, and shows the state once a frame.

Nothing here drives a board. Every tenth of a second the station is told that the screen lives, as long as its terminal takes what is
written; a screen that stands still is thereby found out.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

from textual import events, on
from textual.actions import SkipAction
from textual.app import App
from textual.binding import Binding, BindingType
from textual.filter import LineFilter
from textual.worker import Worker, WorkerState, get_current_worker

from bench.plain import one_line
from bench.session import Asked, Decided, StepBegan, Traced
from bench.station import Beat, Broken, Finished, Order, StationLink
from bench.terminal import takes_output
from bench.tui.canvas import Drawn
from bench.tui.choices import Choices, KeptChoices, load, save
from bench.tui.console_letters import ConsoleLetters
from bench.tui.desk import Desk, plan_for
from bench.tui.drawn_bench import system_of
from bench.tui.frame import BenchScreen
from bench.tui.main_screen import MainScreen
from bench.tui.overlays import BETWEEN_TESTS, CAUTION, KEYS, overlay
from bench.tui.plain_lines import PlainLines
from bench.tui.raster import BLOCKS, INKS, Ink
from bench.tui.requests import CautionsRead, Chosen, FavouritesChanged, KnobTurned, PracticeBegun, PracticeLeft, Scanned
from bench.tui.state import Phase, State, Tested
from bench.tui.terminal_signals import CANCELLED, end_at_the_latest, heed_signals
from bench.tui.theme import DARK, LIGHT, THEMES, ansi_theme

LOOKS_PER_S = 40
"""How often news are looked for; a frame is drawn only when something came, which a running test does twenty times a second."""
_BEAT_S = 0.1
LEAVING_S = 6.0
"""A station has ended by then, or was ended; a terminal may still hold up the screen."""
CHOICES_FILE = "choices.json"
LEAVING_KEYS = ("f12", "ctrl+q", "ctrl+c")


class BenchApp(App[None]):
    """`open_station` makes a link to a station: at the start, and again if one has ended. `address` is the board to use.

    `choices` are those of last time if none are given; `chosen` are fields of theirs that were chosen anew. `console`: the terminal has few
    letters.
    """

    TITLE = "makebreak"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "enter", priority=True, show=False),
        Binding("escape", "escape", priority=True, show=False),
        Binding("backspace", "erase", priority=True, show=False),
        *(Binding(key.lower(), f"open('{key}')", show=False) for key in KEYS),
        Binding("f6", "again", show=False),
        Binding("f8", "theme", show=False),
        Binding("f9", "ink", show=False),
        Binding(",".join(LEAVING_KEYS), "leave", priority=True, show=False),
    ]

    def __init__(
        self,
        open_station: Callable[[], StationLink],
        address: str,
        *,
        folder: Path | None = None,
        choices: Choices | None = None,
        chosen: Mapping[str, Any] | None = None,
        dark: bool = True,
        ink: Ink = BLOCKS,
        clock: Callable[[], float] = time.monotonic,
        watch_terminal: bool = True,
        console: bool = False,
    ) -> None:
        super().__init__()
        self._open_station = open_station
        self._address = address
        self._watch_terminal = watch_terminal
        self._choices_path = folder / CHOICES_FILE if folder is not None else None
        kept, note = load(self._choices_path) if self._choices_path is not None else (KeptChoices(), "")
        self._kept = replace(kept, choices=replace(choices or kept.choices, **(chosen or {})))
        self.state = State(folder, self._kept.choices, self._kept.favourites, message=note, ink=ink)
        self.station = open_station()
        self.desk = Desk(self.state, self._tell, clock, plan_for)
        self._changed = True
        self._leaving = False
        self._filters_of_ours = (PlainLines(), *((ConsoleLetters(),) if console else ()))
        for theme in THEMES.values():
            self.register_theme(theme)
        self.ansi_theme_dark, self.ansi_theme_light = ansi_theme(DARK), ansi_theme(LIGHT)
        self.theme = THEMES["dark" if dark else "light"].name

    def get_line_filters(self) -> Sequence[LineFilter]:
        return (*super().get_line_filters(), *self._filters_of_ours)

    # --- life

    def on_mount(self) -> None:
        self.work = MainScreen(self.state)
        self.push_screen(self.work)
        if self._watch_terminal:
            heed_signals(self._told_to_end, self._draw_anew, LEAVING_S)
        note = self.state.message
        self.desk.attach(self._address)
        self.state.message = note
        self.set_interval(_BEAT_S, self._beat)
        self.set_interval(1.0 / LOOKS_PER_S, self._frame)
        self.call_after_refresh(self._recall_day)

    def _recall_day(self) -> None:
        """Read what was tested on this day before the screen was started, in a thread: it may be hundreds of records."""
        from bench.tui.kept_day import tests_of, today

        if (folder := self.state.folder) is not None:
            self.run_worker(lambda: tests_of(folder, today(), lambda: get_current_worker().is_cancelled), thread=True, exit_on_error=False)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        if event.state is WorkerState.SUCCESS:
            tests, unread = event.worker.result or ((), "")
            self.desk.recall(tests, unread)
        elif event.state is WorkerState.ERROR:
            self.desk.recall((), one_line(f"What was tested today can't be read: {event.worker.error}"))
        self._changed = True

    def _tell(self, order: Order) -> None:
        self.station.tell(order)

    def _beat(self) -> None:
        if not self._watch_terminal or takes_output():
            self.station.tell(Beat())

    def _frame(self) -> None:
        """Once a frame: what the station told, and what of it is to be seen."""
        if self._is_ending:
            return
        for news in self.station.news():
            self._changed = True
            if isinstance(news, Traced):
                self.work.running.trace.add(news.bins, news.changes)
            self.desk.hear(news)
            if isinstance(news, StepBegan):
                if news.live:
                    self.work.running.carry_on(news)
                else:
                    self.work.running.begin()
            if isinstance(news, Decided | Finished | Asked):
                # What calls for a person is seen wherever he was reading.
                self._back_to_work()
            if isinstance(news, Broken):
                self.station.close("it has ended")
                self.station = self._open_station()
                self.desk.attach_again()
        if self._changed:
            self._show()

    @property
    def _is_ending(self) -> bool:
        """Whether the screen was left or is being taken down: its widgets go one by one, while timers and signals still come."""
        return self._leaving or not self.is_running

    def _draw_anew(self) -> None:
        """Everything again: the terminal may show anything."""
        self.refresh(layout=True)
        self._now()

    def _show(self) -> None:
        self._changed = False
        if self._is_ending:
            return
        self.work.show_phase()
        screen = self.screen
        if isinstance(screen, BenchScreen) and screen.is_mounted:
            screen.refresh_frame()
            screen.refresh_state()

    def leave(self, reason: str, return_code: int = 0) -> None:
        """End in good order: everything open, the record kept; then the screen."""
        if self._leaving:
            return
        self._leaving = True
        if self._watch_terminal:
            end_at_the_latest(LEAVING_S)
        self.station.close(reason)
        self.exit(return_code=return_code)

    def _told_to_end(self, reason: str) -> None:
        self.leave(reason, CANCELLED)

    # --- keys

    async def on_event(self, event: events.Event) -> None:
        """Characters are taken here, before anything else is looked at: a scanner's Enter comes in the same moment as its last digit, and
        must not overtake it. Any key but those that leave answers no to a question whether to leave."""
        if isinstance(event, events.Key) and event.key not in LEAVING_KEYS:
            self.state.asks_to_leave = False
        if isinstance(event, events.Key) and event.character is not None and event.is_printable and not self._takes_text:
            self.desk.type(event.character)
            self._now()
            return
        await super().on_event(event)

    @property
    def _takes_text(self) -> bool:
        return isinstance(self.screen, BenchScreen) and self.screen.takes_text

    def on_paste(self, event: events.Paste) -> None:
        """Some terminals hand a scan over as pasted text, with its Enter in it."""
        self._scan(lambda: self.desk.paste(event.text))

    def _now(self) -> None:
        """Show at once what a key has changed."""
        self._changed = True
        self._show()

    def action_enter(self) -> None:
        if self.state.typed:
            self._scan(self.desk.enter)
            return
        if self.screen is not self.work:
            raise SkipAction()
        if self._must_caution():
            self._open(overlay(CAUTION, self.state, None))
            return
        self.desk.enter()
        self._now()

    def _scan(self, take: Callable[[], None]) -> None:
        """Take a number, on whatever screen; a screen in which something was changed says what becomes of that."""
        before = self.state.number, self.state.next_number, self.state.message
        take()
        if before != (self.state.number, self.state.next_number, self.state.message) and isinstance(self.screen, BenchScreen):
            may_leave, note = self.screen.at_scan()
            self.state.message = f"{self.state.message} {note}".strip()
            if may_leave:
                self._back_to_work()
        self._now()

    def _must_caution(self) -> bool:
        """Whether real current is about to flow for the first time."""
        state = self.state
        return state.phase is Phase.READY and bool(state.number) and state.board is not None and not state.simulated and not state.cautioned

    @on(CautionsRead)
    def start_after_cautions(self) -> None:
        """Start the test once the cautions are read."""
        self.state.cautioned = True
        self._back_to_work()
        self.desk.start()
        self._now()

    def action_escape(self) -> None:
        screen = self.screen
        if self.state.runs:
            self.desk.escape()
            self._back_to_work()
        elif not self.state.typed and screen is not self.work:
            if not (isinstance(screen, BenchScreen) and screen.step_back()):
                self.pop_screen()
        else:
            self.desk.escape()
        self._now()

    def action_erase(self) -> None:
        if self._takes_text:
            raise SkipAction()
        self.desk.erase()
        self._now()

    @property
    def _shown_test(self) -> Tested | None:
        """The test that keys act on where one is."""
        return self.screen.shown_test if isinstance(self.screen, BenchScreen) else None

    def action_again(self) -> None:
        if (tested := self._shown_test) is not None and self._is_between_tests():
            self.desk.again(tested)
            self._back_to_work()
            self._now()

    def action_theme(self) -> None:
        names = [theme.name for theme in THEMES.values()]
        self.theme = names[(names.index(self.theme) + 1) % len(names)]
        self._now()

    def action_ink(self) -> None:
        inks = list(INKS.values())
        self.state.ink = inks[(inks.index(self.state.ink) + 1) % len(inks)]
        for screen in self.screen_stack:
            for drawn in screen.query(Drawn):
                drawn.ink = self.state.ink
                drawn.redraw()
        self._now()

    def action_leave(self) -> None:
        """Leave; in a test only if it is asked twice."""
        if self.state.test is None or self.state.asks_to_leave:
            self.leave("the screen was left")
        else:
            self.state.asks_to_leave = True
            self._now()

    def action_open(self, key: str) -> None:
        """Lay the screen of this key over the work, or take it away again."""
        if not self._close(key) and (key not in BETWEEN_TESTS or self._is_between_tests()):
            self._open(overlay(key, self.state, self._shown_test))

    def _close(self, key: str) -> bool:
        """Whether the screen on top was opened by this key: then it is closed."""
        if not (isinstance(self.screen, BenchScreen) and key == self.screen.KEY):
            return False
        self.pop_screen()
        self._changed = True
        return True

    def _is_between_tests(self) -> bool:
        """Whether no test is at hand; else it is said that one has to end first."""
        if self.state.test is not None:
            self.state.test.note = "that waits until the test is over; Esc cancels it"
            self._back_to_work()
            self._now()
        return self.state.test is None

    def _open(self, screen: BenchScreen | None) -> None:
        """Show a screen over the work; one of a kind."""
        if screen is None or any(type(other) is type(screen) for other in self.screen_stack):
            return
        self.push_screen(screen)
        self._changed = True

    def _back_to_work(self) -> None:
        while self.screen is not self.work and len(self.screen_stack) > 2:
            self.pop_screen()

    # --- what the screens ask for

    @on(KnobTurned)
    def turn_knob(self, asked: KnobTurned) -> None:
        """Turn the knob of the simulated supply by the steps asked."""
        self.desk.turn(asked.steps)

    @on(Chosen)
    def take_choices(self, asked: Chosen) -> None:
        """Take the choices made."""
        before = self.state.message if asked.note else ""
        self._choose(asked.choices)
        self.state.message = " ".join(text for text in (before, self.state.message, asked.note) if text)

    def _choose(self, choices: Choices) -> None:
        """Test with these choices from now on; for the bench, not for practice, also tomorrow."""
        self.desk.choose(choices)
        if self.state.practice is None:
            self._keep(replace(self._kept, choices=choices))
        self._changed = True

    def _keep(self, kept: KeptChoices) -> None:
        self._kept = kept
        if self._choices_path is not None:
            self.state.message = save(self._choices_path, kept)

    @on(FavouritesChanged)
    def keep_favourites(self, asked: FavouritesChanged) -> None:
        """Keep the favourites as they are now."""
        self.state.favourites = asked.favourites
        self._keep(replace(self._kept, favourites=asked.favourites))

    @on(Scanned)
    def take_scan(self, asked: Scanned) -> None:
        """Take a number that was scanned on a page that takes text."""
        self._scan(lambda: self.desk.paste(asked.text))

    @on(PracticeBegun)
    def practise(self, asked: PracticeBegun) -> None:
        """Work on the simulated bench; its system's volts are chosen with it."""
        address = asked.practising.address
        self.desk.attach(address, asked.practising)
        system_v = system_of(address)
        if system_v != self.state.choices.system_v:
            self._choose(replace(self.state.choices, system_v=system_v))
            self.state.message = f"What is tested was changed to {system_v:g} V, as this bench has."
        self._back_to_work()
        self._changed = True

    @on(PracticeLeft)
    def leave_practice(self) -> None:
        """Leave practice for the board that the program was started with."""
        if self.state.practice is not None:
            self.desk.attach(self._address)
        self._back_to_work()
        self._changed = True
