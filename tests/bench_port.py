"""A simulated bench behind a port whose mishaps a test can programme, and whose switches it can see."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from bench.errors import PortError
from bench.files import named_limits, procedure
from bench.ports.simulated import SimulatedLine
from bench.procedure import Procedure
from bench.record import TestRecord
from bench.session import run_test
from bench.setup import Setup
from bench.simboard.board import SimulatedBoard
from bench.simboard.link import Link
from bench.simboard.units import nominal
from bench.simboard.world import World


@dataclass
class BenchPort:
    """`at` a moment of the port's time something happens once; `lose` says of bytes going down whether they never arrive.

    `real`: the board knows none of the words for simulated hands.
    """

    board: SimulatedBoard
    address: str = "sim://test"
    at: dict[float, Callable[[], None]] = field(default_factory=dict)
    lose: Callable[[bytes], bool] = lambda data: False
    sent: list[bytes] = field(default_factory=list)
    unplugged: bool = False
    real: bool = False

    def __post_init__(self) -> None:
        self.line = SimulatedLine(self.board)

    def write(self, data: bytes) -> None:
        self._mishaps()
        self.sent.append(data)
        if not self.lose(data):
            # A real board does not know the words of simulated ones.
            self.line.write(data.replace(b"SIM:", b"XIM:") if self.real else data)

    def read(self, timeout_s: float) -> bytes:
        self._mishaps()
        return self.line.read(timeout_s)

    def now_s(self) -> float:
        return self.line.now_s

    def close(self) -> None:
        """Nothing to let go of."""

    def _mishaps(self) -> None:
        for t_s in [t for t in self.at if t <= self.line.now_s]:
            self.at.pop(t_s)()
        if self.unplugged:
            raise PortError(f"reading {self.address}: the cable is out")

    @property
    def all_open(self) -> bool:
        return not self.board.master and not self.board.loads

    def a_second_later(self) -> None:
        """Let the board alone for as long as its silence trip takes."""
        self.board.run_until(self.board.now_s + 1.2)


def bench_port(kind: str, *, seed: int = 1, link: Link | None = None, supply_v: float = 12.8) -> BenchPort:
    """A bench with a nominal unit of this mechanism in the socket."""
    unit = nominal(kind)
    world = World(unit, seed=seed, supply_v=supply_v)

    def find(name: str) -> object:
        return "LINK" if name == "LINK" else unit

    board = SimulatedBoard(world, seed=seed, unit_name=kind, supply_v=supply_v, find_unit=find, link=link)
    return BenchPort(board)


def setup(**changes: object) -> Setup:
    """Two 21 W lamps, the UN figures."""
    given: dict[str, object] = {"unit": "T1", "limits": (named_limits("un-r48"),)}
    return Setup(**(given | changes))  # type: ignore[arg-type]


def run_on(port: BenchPort, plan: Procedure | str = "quick", **options: object) -> TestRecord:
    """`run_test` with what a test rarely cares for."""
    wanted = options.pop("setup", None) or setup()
    plan = procedure(plan) if isinstance(plan, str) else plan
    return run_test(port, plan, wanted, when="2026-01-01", software="test", **options)  # type: ignore[arg-type]
