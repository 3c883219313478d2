"""One run of a unit on one load: switched on (or its load switched live), watched until there is nothing more to learn.

Strategy. Twenty times a second the run tells its trace and its status; once a second it asks the board where its stamps are, measures,
and has that judged. It ends when the wanted cycles are there, when its time is over, when a behaviour has been clear for long enough (a
unit that stays lit or dark has nothing more to show), when the line loses most of what comes, or when judging says that more would change
nothing. What is measured is frozen when the unit is switched off: switching off is not its doing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.analysis import Analysis
from bench.board import BoardClient
from bench.description import BoardDescription
from bench.envelope import Bins, Envelope
from bench.errors import BoardContradicts
from bench.measure import FactName, FaultCode, Measured, RestState, UnitBehaviour
from bench.measure.flash_table import FlashTable
from bench.run_plan import RunPlan, snapshot
from bench.samples import Block
from bench.session.progress import Event, Live, Traced
from bench.transitions import Change
from bench.verdict import spoiling

REST_S = 0.5  # everything open before each run: the zeros of the currents are read then
LOOK_S = 0.1
_LEAST_S = 0.01
_TELL_S = 0.048  # an eye on a trace sees steps of a tenth of a second; a little more often than twenty times
_STILL_S = 0.25
_MEASURE_S = 1.0
_BENCH_CLEAR_S = 4.0  # by then several flashes of any unit have shown what a first one may only seem to show
_LOSES_MOST, _TELLS_OF_LINE = 2, 8  # so many cycles cut by lost samples for each whole one, of the first eight at the least
_STEADY_S, _DARK_S = 5.3, 6.0  # a behaviour is clear when nothing has happened for so long, and for three periods


class UnitRun:
    """`switch_on` from cold, or `carry_on` from another that is over; then `watch`, and `close` or `switch_off`.

    `measured` and `analysis` hold what it showed, also after it was broken off. `tell` gets a `Traced` and a `Live` twenty times a second.
    `judge` gets what was measured once a second, and returns whether that will do.
    """

    def __init__(
        self,
        board: BoardClient,
        description: BoardDescription,
        plan: RunPlan,
        tell: Callable[[Event], None],
        judge: Callable[[Measured], bool],
    ) -> None:
        self.analysis = Analysis(description, plan.conditions, observer=self._observe)
        self._envelope = Envelope()
        self._traced: list[tuple[Bins | None, Sequence[Change], float]] = []
        self.stopped_early = False
        self._board = board
        self.plan = plan
        self._tell = tell
        self._judge = judge
        self._now_s = board.port.now_s
        self._on_s = self._changed_s = self._measured_s = 0.0
        self._seen: tuple[bool | None, int, int] = (None, 0, 0)
        self._latest: Measured | None = None
        self._final: tuple[Measured, FlashTable] | None = None

    @property
    def measured(self) -> Measured:
        """What the run showed until it was switched off or broken off."""
        return self._final[0] if self._final is not None else snapshot(self.analysis, self.plan.counts)

    @property
    def flashes(self) -> FlashTable:
        """The flashes behind that."""
        return self._final[1] if self._final is not None else self.analysis.flashes()

    def switch_on(self) -> None:
        """Look at the bench at rest, which is sampled already, close the loads, and switch the unit on."""
        board, plan = self._board, self.plan
        self._compare_clocks()
        board.attend(REST_S)
        board.close_loads(plan.load.numbers)
        board.attend(LOOK_S)
        board.switch_master(True)
        self._on_s = self._changed_s = self._now_s()

    def carry_on(self, before: UnitRun) -> None:
        """Switch the loads live, and look at what comes after that."""
        board, plan = self._board, self.plan
        self.analysis = before.analysis.carry_on(plan.conditions, frozenset(plan.load.numbers), self._observe)
        self._envelope = before._envelope
        board.listener = self.analysis.feed
        board.switch_loads(plan.load.numbers)
        self._on_s = self._changed_s = self._now_s()

    def watch(self) -> None:
        """Look on until there is nothing more to learn."""
        look_s = self._on_s
        while not self.stopped_early and not self._done():
            # Twenty times a second, however long looking takes, as long as it doesn't take all the time.
            look_s = max(look_s + _TELL_S, self._now_s() + _LEAST_S)
            self._board.attend(look_s - self._now_s())
            self._watch()

    def switch_off(self) -> None:
        """Send the unit off before anything is computed. What is measured is what came until now: switching off is not its doing."""
        self._board.note(note="off")
        stillness = self.analysis.stillness
        new = stillness.new if stillness.now_s > _STILL_S else None
        self._board.send("OUTP OFF")
        self._final = snapshot(self.analysis, self.plan.counts), self.analysis.flashes()
        if new is not None and not self._is_unsupplied(self._final[0]):
            self._prove_alive(new)

    def _is_unsupplied(self, measured: Measured) -> bool:
        """Return whether nothing stands at the unit's input, or does no more: switching off then changes no sample."""
        gone = any(fault.code == FaultCode.SUPPLY_GONE for fault in measured.bench_faults)
        return gone or measured.facts.get(FactName.BEHAVIOUR, UnitBehaviour.NO_SUPPLY) == UnitBehaviour.NO_SUPPLY

    def _prove_alive(self, new: int) -> None:
        """For a while nothing new has come, only `new` frames in all: see that something does as the supply goes. BoardContradicts if not.

        A unit that stands still on a board without noise looks like a board that stands still.
        """
        self._board.switch_master(False)
        self._board.attend(LOOK_S)
        if self.analysis.stillness.new == new:
            shown = "its samples are the same with the master switch open as with it closed"
            raise BoardContradicts(f"the board at {self._board.port.address} stands still: {shown}; restart it")

    def close(self) -> None:
        """End the run though the unit goes on flashing: another one carries on."""
        self._board.note(note="off")
        self._final = snapshot(self.analysis, self.plan.counts), self.analysis.flashes()

    def _watch(self) -> None:
        """See how the run stands, and tell."""
        now_s, analysis = self._now_s(), self.analysis
        seen = analysis.contact_closed, analysis.cycles_complete, analysis.cycles_excluded
        self.tell_trace()
        if seen != self._seen:
            self._seen, self._changed_s = seen, now_s
        fresh = now_s - self._measured_s >= _MEASURE_S
        if fresh:
            self._compare_clocks()
            self._latest, self._measured_s = snapshot(analysis, self.plan.counts), now_s
        on_s = now_s - self._on_s
        left_s = max(0.0, self._at_most_s() - on_s)
        self._tell(Live(on_s, left_s, seen[1], self.plan.wanted, seen[0], dict(analysis.latest)))
        if fresh and self._latest is not None:
            will_do = self._judge(self._latest)
            # A bench that is at fault has nothing to show of the unit, however many flashes are looked at.
            spoilt = on_s > _BENCH_CLEAR_S and bool(spoiling(self._latest.bench_faults))
            self.stopped_early = spoilt or (seen[1] >= self.plan.counts.skip + self.plan.counts.average and will_do)

    def _compare_clocks(self) -> None:
        """Ask the board where its stamps are: between question and answer lies a bound on its clock that no delay can blur."""
        asked = self._board.ask_stamp()
        self.analysis.compare(*asked)
        self._board.note(note="stamp", **asked._asdict())

    def _observe(self, block: Block, changes: Sequence[Change]) -> None:
        self._traced.append((self._envelope.feed(block), changes, block.end_s))

    def tell_trace(self) -> None:
        """Tell what was observed since the last time; each block by itself, so that nothing has to be put together again."""
        self.analysis.catch_up()
        traced, self._traced = self._traced, []
        for bins, changes, now_s in traced:
            if bins is not None or changes:
                self._tell(Traced(bins, tuple(changes), now_s))

    def _at_most_s(self) -> float:
        """Return how long this run may last; less for a unit that is closed at rest, as soon as that is known."""
        step = self.plan.step
        closed = self.plan.closed or (self._latest is not None and self._latest.facts.get(FactName.REST) == RestState.CLOSED)
        return min(step.at_most_s, step.closed_at_most_s) if closed and step.closed_at_most_s is not None else step.at_most_s

    def _done(self) -> bool:
        """Enough cycles, no time left, a behaviour that is clear (steadily on or dark), or a line that loses most of what comes."""
        now_s, cycles = self._now_s(), self.analysis.cycles_complete
        if cycles >= self.plan.wanted or now_s - self._on_s >= self._at_most_s():
            return True
        if self.analysis.cycles_excluded > _LOSES_MOST * max(cycles, _TELLS_OF_LINE):
            return True
        usual_s = (self._changed_s - self._on_s) / cycles if cycles else 0.0
        clear_s = _STEADY_S if self.analysis.contact_closed else _DARK_S
        return now_s - self._changed_s >= max(clear_s, 3.2 * usual_s)
