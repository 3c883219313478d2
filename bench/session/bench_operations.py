"""Bench operations between runs: supply, cooling, zeroing, proving the lamps, protection."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Mapping, Sequence

from bench.bench_memory import Lamp
from bench.board import BoardClient
from bench.board.simulated_operator import attending
from bench.board.watch import Watch, look
from bench.description import BoardDescription
from bench.errors import SetupError, ZeroError
from bench.lamp_check import LampTakes, lamp_takes
from bench.manual_actions import Action, Cool, FitLink, FitUnit, Meanwhile, Operator, SetSupply
from bench.measure import BenchFault, BenchProof, FaultCode, ProofItem
from bench.session.attendance import Attendance
from bench.session.ledger import Ledger
from bench.session.progress import Asked, Event, Noted, Waiting
from bench.session.run import LOOK_S, REST_S
from bench.setup import RunLoad, loop_of, on_time_s, open_v, protection_a
from bench.uncertainty import TypeA
from bench.zero import LinkReadings, apply_zero

_TRIES = 3  # how often the operator is asked to put the same thing right
_SETTLE_S = 1.0
_TICK_S = 0.25
_LAMP_S = 0.3
_NOTHING_A, _DEAD_V = 0.1, 0.5
_AT_ONCE_S = 4.0  # a board opens everything by itself some 5 s after the longest that a run may take, however short that was


class _SupplyShown(contextlib.ExitStack):
    """A `Meanwhile` while the supply is set: the volts at the unit's input without load. Everything is open at the end of its context.

    Nothing is sampled unless it is called: a supply that is set by command need not be looked at meanwhile.
    """

    def __init__(self, board: BoardClient, description: BoardDescription) -> None:
        super().__init__()
        self._board = board
        self._watch = Watch(description)
        self._on_s: float | None = None

    def __call__(self) -> Mapping[str, float]:
        board = self._board
        now_s = board.port.now_s()
        if self._on_s is None:
            self.enter_context(board.sampling(self._watch))
        if self._on_s is None or now_s - self._on_s > _AT_ONCE_S:
            board.switch_master(False)
            board.switch_master(True)
            board.attend(self._watch.frame_s)
            self._on_s = now_s
        self._watch.restart()
        board.attend(LOOK_S)
        return {name: reading.mean for name, reading in self._watch.readings().items()}


class BenchOperations:
    """What is done at the bench between the runs of a unit.

    `description`: of the board, with the zeros that were read. `off_s`: when the lamps were last lit, on the port's clock. `blame` notes
    what is wrong on the bench, whatever the runs show.
    """

    def __init__(
        self,
        board: BoardClient,
        description: BoardDescription,
        rated: RunLoad,
        operator: Operator | None,
        ledger: Ledger,
        blame: Callable[[BenchFault], object],
        attendance: Attendance,
        off_s: float,
    ) -> None:
        self.board = board
        self.description = description
        self._stated = description
        self.off_s = off_s
        self._ledger = ledger
        self._setup = ledger.setup
        self._rated = rated
        self._operator = operator
        self._blame = blame
        self.tell: Callable[[Event], None] = attendance.progress or (lambda event: None)
        self._now_s: Callable[[], float] = board.port.now_s
        self._supply_v: float | None = None
        self._memory = attendance.memory

    def note(self, text: str) -> None:
        """Something worth knowing: told now, and kept for the record."""
        self._ledger.notes.append(text)
        self.tell(Noted(text))

    def ask(self, action: Action, meanwhile: Meanwhile | None = None) -> bool:
        """Have it done; return True if it is certainly done as asked. SetupError if there is no operator, Cancelled if the operator ends
        it."""
        if self._operator is None:
            raise SetupError(f"this procedure needs manual actions ({type(action).__name__}), and no operator was named")
        self.tell(Asked(action))
        return bool(self._operator.do(action, meanwhile or attending(self.board)))

    def prepare(self, volts: float, cool_s: float, judged: bool) -> None:
        """Supply first, since setting it may put volts on the unit; then rest until lamps and unit are cold.

        `judged`: the unit is judged by what follows, which a wrong supply would spoil.
        """
        self.set_supply(volts, judged)
        rested_s = self._now_s() - self.off_s
        if rested_s < cool_s:
            self.cool(cool_s - rested_s, "cooling")

    def cool(self, seconds: float, what: str) -> None:
        """Leave everything open for `seconds`; an operator of simulated boards lets them pass at once."""
        until_s = self._now_s() + seconds

        def meanwhile() -> Mapping[str, float]:
            left_s = until_s - self._now_s()
            self.tell(Waiting(what, max(0.0, left_s)))
            self.board.attend(min(_TICK_S, max(0.0, left_s)))
            return {}

        if self._operator is not None and self._operator.do(Cool(seconds), meanwhile):
            self.off_s -= seconds
            return
        while self._now_s() < until_s:
            meanwhile()

    def set_supply(self, volts: float, judged: bool = True) -> None:
        """See that the supply is right: ask only if it is not, and look again after the person says that it is."""
        if self._supply_v == volts:
            return
        loop = loop_of(self.description)
        assumed = f"the board does not state its loop: {loop.ohm:.2f} ohm from supply to lamps is assumed (SAE J823)"
        if self.description.loop is None and assumed not in self._ledger.notes:
            self.note(assumed)
        wanted = SetSupply(volts, open_v(self._setup, self._rated, volts, self.description), self._rated.numbers)
        fault = self._supply_fault(wanted, judged)
        for _ in range(_TRIES):
            if fault is None or fault.code != FaultCode.SUPPLY_NOT_SET or self._operator is None:
                break
            with _SupplyShown(self.board, self.description) as shown:
                self.ask(wanted, shown)
            fault = self._supply_fault(wanted, judged)
        # What spoils nothing now may spoil the next step: it is looked at again.
        self._supply_v = volts if fault is None or fault.spoils else None
        if fault is not None:
            self._blame(fault)
            self.tell(Noted(fault.text))

    def _supply_fault(self, wanted: SetSupply, judged: bool) -> BenchFault | None:
        """Return what is wrong with the voltage that the unit's input shows without load."""
        readings = self._look({"on": (True, ())}, REST_S)["on"]
        v_in, v_out = readings.get("v_in"), readings.get("v_out")
        if v_in is None or abs(v_in.mean - wanted.open_v) <= wanted.within_v:
            return None
        seen = f"{v_in.mean:.2f} V at the unit's input without load"
        if v_out is not None and v_out.mean - v_in.mean > 0.25 * wanted.open_v:
            # Nothing but the input can feed the output.
            text = f"{seen}, but {v_out.mean:.2f} V at its output: the sense lead at the input is off, or the two are swapped"
            return BenchFault(FaultCode.SENSE_LEADS, f"{text}; clip them on as they belong", judged)
        text = f"{seen}; set the supply to {wanted.open_v:.2f} V, which leaves {wanted.volts:.2f} V at the lamps"
        if v_in.mean < 0.2 * wanted.open_v:
            text += ", or clip on the sense lead at the input"
        return BenchFault(FaultCode.SUPPLY_NOT_SET, text, judged)

    def _look(self, phases: Mapping[str, tuple[bool, Sequence[int]]], seconds: float) -> dict[str, Mapping[str, TypeA]]:
        """Return readings of all channels with the master switch and loads as each phase says, after a while to settle."""
        board = self.board
        watch = Watch(self.description)
        found: dict[str, Mapping[str, TypeA]] = {}
        with board.sampling(watch):
            for name, (master, loads) in phases.items():
                settle_s = _SETTLE_S if loads else LOOK_S
                found[name] = look(board, watch, master=master, loads=loads, settle_s=settle_s, seconds=seconds)
        if any(loads for _, loads in phases.values()):
            self.off_s = self._now_s()
        return found

    def prove_lamps(self, load: RunLoad) -> BenchProof:
        """Light each lamp of the load by itself through the shorting link; a lamp that is wrong goes into the ledger.

        For units that light none: then nothing else tells a dead unit from a dead lamp. The unit is fitted again afterwards.
        """
        watts = dict(zip(load.lamps, load.watts, strict=True)) if load.watts else {}
        if not watts:
            return BenchProof(ProofItem.LAMPS, False, "their watts are not known")
        lamps = {Lamp(number, w, self._setup.system_v) for number, w in watts.items()}
        if lamps <= self._memory.lamps.keys():
            return BenchProof(ProofItem.LAMPS, True, "each by itself, through the shorting link, earlier in this session")
        if self._operator is None:
            return BenchProof(ProofItem.LAMPS, False, "nothing lit them, and no operator was named to fit the shorting link")
        takes = self._light_each(load, watts)
        known = {n: taken for n, taken in takes.items() if taken is not None}
        if len(known) < len(takes):
            return BenchProof(ProofItem.LAMPS, False, "the board does not read current and voltage")
        return self._unread(list(known.values())) or self._proved(known, lamps)

    def _light_each(self, load: RunLoad, watts: Mapping[int, float]) -> dict[int, LampTakes | None]:
        """Return what each lamp takes, lit by itself through the shorting link; the unit is fitted again afterwards."""
        system_v = self._setup.system_v
        self.ask(FitLink())
        self.protect(load, self._setup.nominal_v, (_SETTLE_S + 2.0 * _LAMP_S) * len(watts))
        phases: dict[str, tuple[bool, Sequence[int]]] = {"rest": (False, ())}
        readings = self._look(phases | {str(n): (True, (n,)) for n in watts}, _LAMP_S)
        self.ask(FitUnit(self._setup.unit))
        return {n: lamp_takes(self.description, w, system_v, readings["rest"], readings[str(n)]) for n, w in watts.items()}

    def _unread(self, takes: Sequence[LampTakes]) -> BenchProof | None:
        """Return why nothing is known of the lamps after all, if the link or a sense lead is off; None if they can be judged."""
        if all(taken.amps < _NOTHING_A for taken in takes):
            return BenchProof(ProofItem.LAMPS, False, "no current flowed with the shorting link: is it fitted?")
        if all(taken.amps > _NOTHING_A and taken.volts < _DEAD_V for taken in takes):
            text = "the lamps take their current through the shorting link, but the output reads nothing: sense lead SL is off"
            self._blame(BenchFault(FaultCode.SENSE_OUT_OFF, text))
            return BenchProof(ProofItem.LAMPS, False, "their voltage was not read")
        return None

    def _proved(self, takes: Mapping[int, LampTakes], lamps: Collection[Lamp]) -> BenchProof:
        """Blame each lamp that is wrong, and remember the others."""
        for number, taken in takes.items():
            if not taken.is_right:
                self._blame(BenchFault(FaultCode.LAMP_CURRENT, f"lamp {number} {taken.text}: replace it, or mend its holder"))
        right = all(taken.is_right for taken in takes.values())
        if right:
            self._memory.learn_lamps(lamps, self._now_s())
        else:
            self._memory.forget_lamps()
        return BenchProof(ProofItem.LAMPS, right, "each by itself, through the shorting link" if right else "one takes the wrong current")

    def recall_zero(self) -> bool:
        """Take the zeros that were read earlier in this session; False if there are none."""
        if self._memory.zeroed is None:
            return False
        self.description, self._ledger.zeroed = self._memory.zeroed, True
        self.board.note(note="zero", **self._memory.zero_note)
        self.note("zeros and built-in standard as read earlier in this session")
        return True

    def zero(self, load: RunLoad, seconds: float) -> None:
        """Learn zeros and the converter's errors with the link fitted; `description` has them then. ZeroError if it never is a link."""
        self.protect(load, self._setup.nominal_v, 4.0 * seconds)
        phases = {"rest": (False, ()), "off": (True, ()), "on": (True, load.numbers)}
        self.description = self._stated
        for left in reversed(range(_TRIES)):
            self.ask(FitLink())
            self.set_supply(self._setup.nominal_v)
            readings = self._look(phases, seconds)
            try:
                self.description = apply_zero(self._stated, LinkReadings(**readings))
                break
            except ZeroError as error:
                if not left:
                    raise
                self.note(f"{error} (asked again)")
        plain = {phase: {name: (r.mean, r.s, r.n) for name, r in found.items()} for phase, found in readings.items()}
        self.board.note(note="zero", **plain)
        self._memory.zeroed, self._memory.zero_note, self._memory.zeroed_s = self.description, plain, self._now_s()
        self._ledger.zeroed = True
        self.note(f"zeros and built-in standard read with the shorting link on {load.text}")
        self.ask(FitUnit(self._setup.unit))

    def protect(self, load: RunLoad, volts: float, at_most_s: float) -> None:
        """Set the board's own limits for this load: over-current, and the longest on-time."""
        level = protection_a(self._setup, load, volts, self.description)
        if level is not None:
            self.board.set_number("CURR:PROT", level)
        longest = on_time_s(at_most_s, self.description)
        if longest is not None:
            self.board.set_number("OUTP:PROT:TIME", longest)
