"""The board that a station was told to use: found, opened, looked after, lost and found again."""

from __future__ import annotations

import logging
from collections.abc import Callable

from bench.bench_memory import BenchMemory
from bench.board import BoardClient
from bench.errors import AddressError, EquipmentError, PortError
from bench.lamp_check import LAMPS_COLD_S
from bench.ports import Port
from bench.ports.opening import open_port
from bench.ports.serial_port import FoundPort, find_boards
from bench.station.messages import Absent, Attach, News, Present
from bench.wire.answers import DONE

_LOOK_EVERY_S = 1.0
_ASK_AGAIN_S = 20.0
_log = logging.getLogger(__name__)


class AttachedBoard:
    """The board that is asked for by `order`. `port`: open while it answers, else None. `memory`: what its tests learnt of the bench.

    `absent_text`: why it does not answer; None before the first look. `is_simulated`: no real unit is in its socket. `say` tells when it
    comes and goes; `clock` is the host's, in s.
    """

    def __init__(self, order: Attach, say: Callable[[News], None], clock: Callable[[], float]) -> None:
        self.order = order
        self._say = say
        self._clock = clock
        self._looked_s = -1e9
        self._tried: tuple[tuple[FoundPort, ...], float] | None = None
        self._opened_s = 0.0
        self._tested = ""
        self.port: Port | None = None
        self.memory = BenchMemory()
        self.absent_text: str | None = None
        self.is_simulated = False

    def close(self) -> None:
        """Let go of the port."""
        port, self.port = self.port, None
        if port is not None:
            try:
                port.close()
            except PortError as error:
                _log.info("%s", error)

    def look_after(self) -> None:
        """See, once a second, that the board is there; say so if that has changed."""
        if self._clock() - self._looked_s < _LOOK_EVERY_S:
            return
        try:
            if self.port is not None:
                BoardClient(self.port).query("*OPC?", DONE, tries=2)
            elif self.order.address != "auto" or self._is_worth_asking():
                self._open()
        except (AddressError, EquipmentError) as error:
            self._lose(str(error))
        self._looked_s = self._clock()

    def _open(self) -> None:
        self.port, self.memory = open_port(self.order.address), BenchMemory()
        identity, description, simulated_unit = BoardClient(self.port).make_contact()
        self.is_simulated = simulated_unit is not None
        self._say(Present(self.port.address, identity, self.is_simulated, description))
        self._opened_s, self._tested = self.port.now_s(), ""
        self.absent_text = self._tried = None

    def _is_worth_asking(self) -> bool:
        """Return whether to ask all serial ports who is there.

        Other devices may not like it, so only when a port has come or gone, or after a while.
        """
        ports, now_s = find_boards(), self._clock()
        if self._tried is not None and self._tried[0] == ports and now_s - self._tried[1] < _ASK_AGAIN_S:
            return False
        self._tried = ports, now_s
        return True

    def _lose(self, text: str) -> None:
        self.close()
        if text != self.absent_text:
            self.absent_text = text
            self._say(Absent(text))

    def rested_s(self, port: Port, unit: str) -> float:
        """Return for how long the bench has been open, in s, as far as that counts as cooling.

        It does for the lamps, and for the unit that was tested last. Of another unit only that it was not on this bench is known.
        """
        open_s = max(port.now_s() - self._opened_s, 0.0)
        return open_s if unit == self._tested else min(open_s, LAMPS_COLD_S)

    def was_used(self, port: Port, unit: str) -> None:
        """Note that a test of this unit is over now; if the board was lost in it, that is to be known soon."""
        self._opened_s, self._tested = port.now_s(), unit
        self._looked_s = -1e9
