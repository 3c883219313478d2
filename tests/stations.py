"""A station in a thread of the test, on benches whose mishaps the test can programme; and the news that it tells."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from bench_port import BenchPort

from bench.errors import PortError
from bench.files import procedure
from bench.ports import Port, opening
from bench.procedure import Procedure
from bench.setup import Setup
from bench.station import Attach, Beat, Begin, News, Order, Present, StationLink
from bench.station.process import station_in_thread
from reports.patience import Patience

N = TypeVar("N")
PATIENCE_S = 20.0
_kinds = (f"bench{number}" for number in itertools.count(1))


class Heard:
    """A link to a station, with all the news so far. It beats as a screen does whenever it looks."""

    def __init__(self, link: StationLink) -> None:
        self.link = link
        self.all: list[News] = []
        self.beating = True

    def tell(self, order: Order) -> None:
        self.link.tell(order)

    def look(self) -> None:
        if self.beating:
            self.link.tell(Beat())
        self.all += self.link.news()

    def wait(self, kind: type[N], since: int = 0, when: Callable[[N], bool] = lambda news: True) -> N:
        """The first news of this kind (for which `when` holds) after the first `since`; AssertionError if it never comes."""
        patience = Patience(PATIENCE_S)
        while patience.is_left:
            found = next((news for news in self.all[since:] if isinstance(news, kind) and when(news)), None)
            if found is not None:
                return found
            self.look()
            time.sleep(0.002)
        raise AssertionError(f"no {kind.__name__} in {PATIENCE_S} s; the last news: {self.all[-3:]}")


@contextmanager
def ports_at(openers: Callable[[str], Port]) -> Iterator[str]:
    """An address behind which `openers` opens ports."""
    kind = next(_kinds)
    opening.add_kind(kind, openers)
    yield f"{kind}://test"


@contextmanager
def station_at(
    port: BenchPort | Callable[[str], Port], folder: Path | None, own_hands: bool = False, silent_screen_s: float = PATIENCE_S
) -> Iterator[Heard]:
    """A station with this bench, which has introduced itself. It is patient: simulating holds up the test's own thread."""

    def open_again(address: str) -> Port:
        if not isinstance(port, BenchPort):
            return port(address)
        if port.unplugged:
            raise PortError(f"opening {address}: there is no such port")
        return port

    with ports_at(open_again) as address:
        link = station_in_thread(folder, silent_screen_s)
        heard = Heard(link)
        try:
            heard.tell(Attach(address, own_hands))
            heard.wait(Present)
            yield heard
        finally:
            link.close("the test is over")


def begin(unit: str = "4711", plan: Procedure | None = None, setup: Setup | None = None) -> Begin:
    return Begin(setup or Setup(unit), plan or procedure("quick"))


def long_test(unit: str = "4711") -> Begin:
    """So long, in the board's time, that it never ends by itself while the test looks."""
    quick = procedure("quick")
    return begin(unit, replace(quick, steps=(replace(quick.runs[0], cycles=1_000_000, at_most_s=80_000.0),)))
