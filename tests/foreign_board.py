"""A simulated board that speaks as other builders' boards may: its answers, its description and its frames are changed on their way up."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from bench_port import BenchPort, bench_port

from bench.description import description_crc
from bench.wire import (
    Decoder,
    Frame,
    Reply,
    SampleFrame,
    encode_event,
    encode_reply,
    encode_sample_frame,
    format_channels,
    parse_channels,
    parse_number,
)

DESCRIBED = ("SYST:BOAR?", "SYST:BOAR:LINE?", "SYST:BOAR:CHEC?")


@dataclass
class ForeignPort(BenchPort):
    """`answer` makes of a query and the board's answer what comes instead (None: nothing). `number` writes a number. `describe` makes of
    the board's description lines others. `change` makes of each frame those that come instead."""

    answer: Callable[[str, str], str | None] = lambda asked, text: text
    number: Callable[[float], str] = lambda value: f"{value:g}"
    describe: Callable[[list[str]], list[str]] = lambda lines: lines
    change: Callable[[Frame], Iterable[Frame]] = lambda frame: (frame,)
    asked: str = ""
    _up: Decoder = field(default_factory=Decoder)

    def write(self, data: bytes) -> None:
        # The board within has fewer lines than it seems to have.
        super().write(re.sub(rb"(SYST:BOAR:LINE\?) \d+", rb"\1 1", data))
        for line in data.decode("ascii").splitlines():
            if line.partition(" ")[0].endswith("?"):
                self.asked = line

    def read(self, timeout_s: float) -> bytes:
        return b"".join(map(self._carried, self._up.feed(super().read(timeout_s))))

    def _carried(self, piece: Frame | Reply) -> bytes:
        if isinstance(piece, Reply):
            text = self._described() if self.asked.startswith(DESCRIBED) else piece.text
            said = self.answer(self.asked, text)
            return b"" if said is None else encode_reply(said)
        frames = self.change(piece)
        return b"".join(encode_sample_frame(f) if isinstance(f, SampleFrame) else encode_event(f) for f in frames)

    def _described(self) -> str:
        lines = self.describe(list(self.board.scales.lines))
        word, _, n = self.asked.partition(" ")
        if word == "SYST:BOAR:LINE?":
            return lines[int(n) - 1]
        return self.number(len(lines) if word == "SYST:BOAR?" else description_crc(lines))


def in_other_words(number: Callable[[float], str]) -> tuple[Callable[[str, str], str], Callable[[list[str]], list[str]]]:
    """`answer` and `describe` of a board that writes every number like that, and channel lists with ranges and spaces."""

    def field_of(text: str) -> str:
        try:
            return number(parse_number(text))
        except ValueError:
            return text

    def answer(asked: str, text: str) -> str:
        if asked.startswith("SYST:BOAR:LINE?") or asked == "*IDN?":
            return text
        if text.startswith("(@"):
            return format_channels(parse_channels(text)).replace(",", " , ").replace("(@1 , 2 , 7)", "(@ 2:1, 7 )")
        first, comma, rest = text.partition(",")
        return field_of(first) + comma + rest

    def describe(lines: list[str]) -> list[str]:
        return [",".join(field_of(text) for text in line.split(",")) for line in lines]

    return answer, describe


def foreign(kind: str = "EL", **how: object) -> ForeignPort:
    """A bench with a nominal unit of this mechanism in the socket of such a board."""
    return ForeignPort(bench_port(kind).board, **how)  # type: ignore[arg-type]
