"""What the pictures of the bench screen show: each scene is brought about by keys, on a simulated bench with a seed of its own."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from bench.claims import Claims
from bench.tui.choices import Choices
from reports.posed_bench import Pose

GOOD = "bench-nc-2x21?seed=3"
WORN = "bench-nc-worn?seed=2"
OTHER_LOAD = "bench-nc-3x21?seed=3"
WELDED = "bench-nc-welded?seed=2"
TOO_SLOW = "bench-nc-slow?seed=2"
UNPLUGGED = "bench-nc-2x21?seed=3&fault=unplug"
_FULL = Choices(procedure="full", zero=True, lamps=(2, 0, 0), claims=Claims(terminals=2))
_THREE_SUPPLIES = Choices(procedure="supply")
_THREE = Choices(lamps=(2, 0, 0), claims=Claims(terminals=3, pilot="in step", pilot_lamp_out="dead", load="fixed", outage=True))
_RATED = Choices(lamps=(2, 0, 0), claims=Claims(terminals=2, load="fixed"))
_DAY = (
    (GOOD, "4711-08"), (WORN, "4711-09"), (TOO_SLOW, "4711-10"), ("bench-el-plain?seed=1", "4711-11"), (OTHER_LOAD, "4711-12"),
    (UNPLUGGED, "4711-13"),
)  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """`bring` makes the screen show what `text` says. `absent`, `real`: of the board (`Pose`); `unwritable`: nothing can be kept."""

    text: str
    bring: Callable[[Pose], Awaitable[None]]
    bench: str = GOOD
    choices: Choices = field(default_factory=Choices)
    absent: str = ""
    real: bool = False
    unwritable: bool = False

    def folder(self) -> Path:
        """Where tests are kept, below the present folder."""
        if not self.unwritable:
            return Path("kept")
        Path("full").touch()
        return Path("full") / "kept"


async def _nothing(pose: Pose) -> None:
    """As it is at the start."""


async def _number_in_hand(pose: Pose) -> None:
    await pose.scan("4711-08")


async def _day(pose: Pose) -> None:
    for bench, number in _DAY:
        await pose.attach(bench)
        await pose.test(number)
        await pose.do("enter")


async def _ready_later(pose: Pose) -> None:
    await _day(pose)
    await pose.do("escape")
    await pose.attach(GOOD)


def _running(on_s: float) -> Callable[[Pose], Awaitable[None]]:
    async def bring(pose: Pose) -> None:
        await pose.start("4711-08", run_hold_s=on_s)

    return bring


async def _asked(pose: Pose) -> None:
    """Practice with one's own hands: the first of three supplies has to be set."""
    await pose.attach(GOOD, own_hands=True)
    await pose.start("4711-08")
    await pose.until(lambda: pose.app.state.test is not None and pose.app.state.test.supply_v is not None)
    await pose.do("down", "down", "down")


async def _link_asked(pose: Pose) -> None:
    await pose.attach(GOOD, own_hands=True)
    await pose.start("4711-08")
    await pose.until(lambda: pose.app.state.test is not None and pose.app.state.test.asked is not None)


async def _cooling(pose: Pose) -> None:
    """The second start from cold of the full test waits until the unit is cold."""
    await pose.attach(GOOD, own_hands=True)
    await pose.start("4711-08", 60.0)


async def _tested(pose: Pose) -> None:
    await pose.test("4711-08")


async def _cancelled(pose: Pose) -> None:
    await pose.start("4711-08", run_hold_s=3.0)
    await pose.do("escape")
    assert pose.port is not None
    pose.port.let_go()
    await pose.verdict()


async def _looking_back(pose: Pose) -> None:
    await _day(pose)
    await pose.do("f4", "down")


async def _opened(pose: Pose) -> None:
    await pose.test("4711-08")
    await pose.do("f4", "enter")
    await pose.pilot.pause(1.5)


async def _zoomed(pose: Pose) -> None:
    await _opened(pose)
    await pose.do("tab", "tab", "shift+left", "home", *8 * ("shift+right",))


def _pressed(*keys: str) -> Callable[[Pose], Awaitable[None]]:
    async def bring(pose: Pose) -> None:
        await pose.do(*keys)

    return bring


async def _report(pose: Pose) -> None:
    await pose.test("4711-08")
    await pose.do("f5")


async def _cautions(pose: Pose) -> None:
    await pose.scan("4711-08")
    await pose.do("enter")


SCENES: Mapping[str, Scene] = {
    "ready": Scene("ready: which unit is next?", _nothing),
    "in-hand": Scene("a number was scanned: one key starts", _number_in_hand),
    "ready-later": Scene("ready, after some units", _ready_later),
    "no-board": Scene("no board answers", _nothing, absent="looking for a board: none answered on any USB serial port; plug one in"),
    "early": Scene("a test has begun: nothing is known yet", _running(1.1)),
    "late": Scene("a test in full swing", _running(12.4)),
    "live": Scene("one lamp was switched off while the unit flashes", _running(36.6), bench="bench-el-plain?seed=1"),
    "supply": Scene("the supply is to be set, and is watched", _asked, choices=_THREE_SUPPLIES),
    "link": Scene("hands are asked for the shorting link", _link_asked, choices=_FULL),
    "cooling": Scene("a unit cools between two starts", _cooling, choices=Choices(procedure="full")),
    "good": Scene("good", _tested, choices=_RATED),
    "not-good": Scene("not good", _tested, bench=TOO_SLOW),
    "other-load": Scene("good, but not for this load", _tested, bench=OTHER_LOAD),
    "not-decided": Scene("not decided", _tested, bench=WELDED),
    "bench-fault": Scene("a bench fault: the cable was pulled", _tested, bench=UNPLUGGED),
    "cancelled": Scene("a test that was cancelled", _cancelled),
    "not-kept": Scene("a good unit whose record could not be kept", _tested, unwritable=True),
    "looking-back": Scene("looking back at the session's units", _looking_back),
    "opened": Scene("a test opened again", _opened),
    "zoomed": Scene("one flash of it, with cursors", _zoomed),
    "choices": Scene("choosing what is tested", _pressed("f2", *9 * ("down",)), choices=_THREE),
    "practice": Scene("practice: a bench put together", _pressed("f3", "down", "down", "right", "down")),
    "help": Scene("help", _pressed("f1")),
    "help-further": Scene("help, further down", _pressed("f1", "pagedown")),
    "report": Scene("the whole report", _report),
    "cautions": Scene("before real current flows for the first time", _cautions, real=True),
}
