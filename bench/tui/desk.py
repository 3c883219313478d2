"""What happens at the desk: keys and news change the state, and orders go to the station. The clock is passed in.

The person's way is always the same: a number (typed or scanned, Enter), Enter to start, a verdict, Enter for the next unit. Whatever
is typed at any time begins a number, so that a scanner works wherever one is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from bench import files
from bench.errors import RecordError, SetupError, TableError
from bench.manual_actions import Cool
from bench.plain import sentence
from bench.procedure import Procedure
from bench.session import Asked, Damage, Decided, Live, Noted, SoFar, StepBegan, Traced, Waiting
from bench.setup import Setup
from bench.station import (
    Absent,
    Attach,
    Begin,
    Broken,
    Done,
    Finished,
    News,
    Order,
    PassTime,
    Present,
    Refused,
    Shown,
    Started,
    Stop,
    Turn,
)
from bench.tui.choices import Choices
from bench.tui.session_rows import clock_text
from bench.tui.signs import sign_of
from bench.tui.state import Phase, Practising, State, Tested, Underway

LONGEST_NUMBER = 40
BY_OPERATOR = "cancelled by the operator"
NO_BOARD = "No test yet: no board answers."
_APART_S = 0.4  # a scanner may send Enter twice; a person does not press it twice so fast on purpose
_KNOB_V = 0.1
_STEADY_S = 5.0


class Desk:
    """`tell` sends an order, `clock` gives s, `plan_for` gives setup and procedure for the unit in hand, by the choices made and on the
    board that answers."""

    def __init__(
        self,
        state: State,
        tell: Callable[[Order], None],
        clock: Callable[[], float],
        plan_for: Callable[[State], tuple[Setup, Procedure]],
    ) -> None:
        self.state = state
        self._tell = tell
        self._clock = clock
        self._plan_for = plan_for
        self._accepted_s = -1e9
        self._attached: Attach | None = None
        self._seen_verdict = False
        self._bench_choices: Choices | None = None

    # --- keys

    def type(self, text: str) -> None:
        """Characters from keyboard or scanner."""
        state = self.state
        state.message = ""
        state.typed += "".join(c for c in text if c.isprintable())

    def erase(self) -> None:
        """Take back the last character typed."""
        self.state.typed = self.state.typed[:-1]

    def paste(self, text: str) -> None:
        """Characters that came at once: a number, with its Enter if the text has one. Of several lines only the first is taken."""
        first, *others = text.splitlines() or [""]
        self.type(first)
        if others or text.endswith(("\r", "\n")):
            self.enter()
        if left := sum(1 for line in others if line.strip()):
            self.state.message = f"{left + 1} lines came at once: the first was taken, {left} left. Scan one unit at a time."

    def enter(self) -> None:
        """Take the number that was typed; or else go on: start, say that it is done, next unit."""
        state = self.state
        if state.typed:
            self._accept()
        elif self._clock() - self._accepted_s < _APART_S:
            return
        elif state.phase is Phase.READY:
            self.start()
        elif state.phase is Phase.RUNNING:
            self._hands_done()
        elif state.test is None:
            self._next()

    def escape(self) -> None:
        """Cancel the test, whatever is being typed; without one take back what was typed, or else the number."""
        state = self.state
        if state.runs and state.test is not None:
            if not state.test.stopping:
                state.test.stopping = True
                self._tell(Stop(BY_OPERATOR))
        elif state.typed:
            state.typed = ""
        elif state.phase is Phase.READY:
            state.number = state.message = ""

    def again(self, tested: Tested) -> None:
        """Make ready to test the unit of this test once more."""
        if self.state.test is None:
            self._make_ready(tested.record.unit)

    def turn(self, steps: int) -> None:
        """Turn the simulated supply's knob."""
        if self.state.phase is Phase.RUNNING and self.state.simulated:
            self._tell(Turn(_KNOB_V * steps))

    def _accept(self) -> None:
        state = self.state
        number, state.typed = " ".join(state.typed.split()), ""
        if not number:
            return
        if len(number) > LONGEST_NUMBER:
            state.message = (
                f"Not taken: {len(number)} characters came ({number[:16]}...), a unit's number has at most {LONGEST_NUMBER}. "
                "Scan the label that holds the number."
            )
            return
        state.message = ""
        self._accepted_s = self._clock()
        if state.test is not None:
            state.next_number, self._seen_verdict = number, state.phase is Phase.VERDICT
        else:
            self._make_ready(number)

    def _make_ready(self, number: str) -> None:
        state = self.state
        state.phase, state.number, state.next_number, state.message = Phase.READY, number, "", ""
        before = next((tested for tested in reversed(state.session) if tested.record.unit == number), None)
        if before is not None:
            word, clock = sign_of(before.record).word, clock_text(before.record.when).strip()
            state.message = f"{number} was tested at {clock}: {word}. Enter tests it again."

    def _next(self) -> None:
        """The verdict is accepted. What was no verdict on the unit is tested again."""
        state = self.state
        tested = state.tested
        again = tested.record.unit if tested is not None and not state.settled else ""
        number = again or state.next_number or self._practice_number()
        # The unit in the socket first: the number that was scanned meanwhile stays for the one after it.
        waiting = state.next_number if again else ""
        state.phase, state.number, state.next_number, state.message = Phase.READY, number, waiting, ""

    def _practice_number(self) -> str:
        return f"practice {len(self.state.session) + 1}" if self.state.practice is not None else ""

    def start(self) -> None:
        """Begin the test of the unit in hand, or say why not."""
        state = self.state
        state.message = ""
        if not state.number:
            state.message = "Which unit? Scan or type its number, or any name for it, and press Enter."
            return
        if state.board is None:
            state.message = NO_BOARD
            return
        try:
            setup, procedure = self._plan_for(state)
        except (SetupError, TableError) as error:
            state.message = str(error)
            return
        state.test = Underway(setup, procedure)
        state.tested = None
        state.phase = Phase.RUNNING
        self._tell(Begin(setup, procedure))

    def _hands_done(self) -> None:
        test = self.state.test
        if test is None:
            return
        if test.asked is not None:
            self._tell(Done())
        elif test.waiting is not None and self.state.simulated:
            self._tell(PassTime())

    # --- the day

    def recall(self, tests: Sequence[Tested], unread: str) -> None:
        """Take the tests of the day that were kept before this screen was started; `unread` as in `State`."""
        state = self.state
        known = {tested.record_path for tested in state.session} | {state.test.record_path if state.test is not None else None}
        state.session[:0] = [tested for tested in tests if tested.record_path not in known]
        state.unread = unread

    # --- choices

    def choose(self, choices: Choices) -> None:
        """Take these choices for the tests to come."""
        self.state.choices = choices
        self.state.message = ""

    def attach(self, address: str, practice: Practising | None = None) -> None:
        """Use another board, real or simulated. Not during a test."""
        state = self.state
        if state.test is not None:
            state.message = "A test is running: Esc cancels it."
            return
        if practice is None and self._bench_choices is not None:
            state.choices, self._bench_choices = self._bench_choices, None
        elif practice is not None and self._bench_choices is None:
            # What is chosen for practice must not be found on the real bench afterwards.
            self._bench_choices = state.choices
        state.board, state.absent, state.practice, state.tested = None, "", practice, None
        state.phase, state.message = Phase.READY, ""
        state.number = self._practice_number()
        self._attached = Attach(address, practice is not None and practice.own_hands)
        self._tell(self._attached)

    def attach_again(self) -> None:
        """Another station is there: it must know the board."""
        if self._attached is not None:
            self._tell(self._attached)

    # --- news

    def hear(self, news: News) -> None:
        """What the station tells."""
        state = self.state
        match news:
            case Present():
                if state.absent or state.message == NO_BOARD:
                    state.message = ""
                state.board, state.absent = news, ""
            case Absent(text=text):
                state.board, state.absent = None, text
            case Refused(text=text):
                state.test, state.phase, state.message = None, Phase.READY, text
            case Finished():
                self._finish(news)
            case Broken(text=text):
                self._break(text)
            case _:
                if state.test is not None:
                    _follow(state.test, news)
                if isinstance(news, Decided) and state.test is not None:
                    test = state.test
                    state.tested = Tested(news.record, test.record_path, test.capture_path, keeping=True)
                    state.phase = Phase.VERDICT

    def _finish(self, news: Finished) -> None:
        state = self.state
        if state.test is None:
            return
        state.test, state.asks_to_leave = None, False
        tested = Tested(news.record, news.record_path, news.capture_path, news.problem)
        state.session.append(tested)
        state.tested, state.phase = tested, Phase.VERDICT
        if state.next_number and self._seen_verdict:
            self._make_ready(state.next_number)

    def _break(self, text: str) -> None:
        """The station is gone. What it kept of the test at hand is the record; it says that the test was not finished.

        What was decided and shown stands, and says that its record was not kept.
        """
        state = self.state
        state.board, state.absent = None, text
        test, state.test, state.asks_to_leave = state.test, None, False
        if test is None:
            return
        if state.tested is not None and state.tested.keeping:
            lost = f"{text}; its file says that the test was not finished"
            state.tested = replace(state.tested, problem=lost, keeping=False)
            state.session.append(state.tested)
            return
        state.phase = Phase.READY
        state.message = f"The test of {test.setup.unit} was broken off: {sentence(text)}"
        if test.record_path is None:
            return
        try:
            record = files.record(test.record_path)
        except RecordError as error:
            state.message += f" Its record can't be read: {sentence(str(error))}"
            return
        tested = Tested(record, test.record_path, test.capture_path)
        state.session.append(tested)
        state.tested, state.phase = tested, Phase.VERDICT


def plan_for(state: State) -> tuple[Setup, Procedure]:
    """What the choices make of a test of the unit in hand. SetupError or TableError, one line, if that can't be."""
    choices = state.choices
    return choices.setup(state.number, state.description, state.fitted), files.procedure(choices.procedure)


def _follow(test: Underway, news: News) -> None:
    """Take an event of the session, or a manual action that is asked."""
    match news:
        case Started(record_path=record_path, capture_path=capture_path):
            test.record_path, test.capture_path = record_path, capture_path
        case StepBegan(live=True):
            # The unit flashes on, and what is judged stays on show; the new load's values are still to come.
            test.step, test.measured, test.provisional = news, None, None
        case StepBegan():
            test.step, test.asked, test.waiting, test.live, test.supply_v = news, None, None, None, None
            test.measured, test.provisional, test.verdicts, test.early = None, None, (), True
        case Asked(action=Cool()):
            pass
        case Asked(action=action):
            test.asked, test.waiting, test.supply_v = action, None, None
        case Waiting():
            test.waiting, test.asked = news, None
        case Live():
            test.live, test.asked, test.waiting = news, None, None
        case Traced():
            test.asked = test.waiting = None
        case SoFar(measured=measured, verdicts=verdicts, provisional=provisional):
            test.measured, test.verdicts, test.provisional = measured, verdicts, provisional
            test.early = _is_early(test)
        case Shown(v_in_v=v_in_v):
            test.supply_v = v_in_v
        case Damage(counts=counts):
            test.damage = {kind: count for kind, count in counts.items() if count}
        case Noted(text=text):
            test.note = text


def _is_early(test: Underway) -> bool:
    """Whether no flash of this run is over yet, though it might be; a live step carries on flashes."""
    live, step = test.live, test.step
    return live is not None and not live.cycles and live.on_s < _STEADY_S and not (step is not None and step.live)
