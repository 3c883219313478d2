"""Who is with a test, and what earlier tests learnt of the bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.bench_memory import BenchMemory
from bench.board import SimulatedOperator
from bench.manual_actions import Operator
from bench.session.progress import Progress


@dataclass(frozen=True)
class Attendance:
    """Who performs manual actions (`at_simulated` names another at a simulated board), who is told how the test goes, and the memory."""

    operator: Operator | None
    at_simulated: Callable[[SimulatedOperator], Operator] | None
    progress: Progress | None
    memory: BenchMemory

    def operator_for(self, simulated: SimulatedOperator | None) -> Operator | None:
        """Return who performs manual actions at this board."""
        if simulated is None:
            return self.operator
        return simulated if self.at_simulated is None else self.at_simulated(simulated)
