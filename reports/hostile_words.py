"""Boards whose words are wrong: descriptions, replies, errors, names. Each maker draws its numbers, and its text says which."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeAlias

from bench.description import description_crc
from reports.hostile_frames import SLOTS, Maker, Rng, moment, true_rate
from reports.hostile_port import Heard, HostileLine, Mischief

Lines: TypeAlias = list[str]
PASSED_DOWN = "SYST:BEAT"
"""What the board hears in place of a line that is answered for it: to the board, its host is not silent."""
ODD_NUMBERS = ("1E308", "-1E308", "1E-308", "0", "-1", "1E-5", "4294967296", "65535", "1E400", "nan", "inf", "1", "99999999999999999999")


# --- description


def _described(text: str, change: Callable[[Lines], Lines], *, crc: int = 0, late_s: float = 0.0, claims: int | None = None) -> Mischief:
    """Other lines than the board's own. `crc`: by how much their check is wrong; `claims`: how many it says there are."""
    lines: Lines = []

    def heard(line: HostileLine, text: str) -> Heard:
        word, _, number = text.partition("? ")
        if not lines and text.startswith("SYST:BOAR"):
            lines.extend(change(list(line.board.scales.lines)))
        answers = {"SYST:BOAR?": len(lines) if claims is None else claims, "SYST:BOAR:CHEC?": (description_crc(lines) + crc) % 65536}
        if text in answers:
            return Heard((PASSED_DOWN,), ((late_s, str(answers[text])),))
        if word == "SYST:BOAR:LINE" and number.isdigit():
            n = int(number)
            return Heard((PASSED_DOWN,), ((late_s, lines[n - 1]),) if 1 <= n <= len(lines) else ())
        return Heard((text,))

    return Mischief(f"description: {text}", line=heard)


def _swap(start: str, *new: str) -> Callable[[Lines], Lines]:
    """Every line that starts so becomes these; none: it is left out."""
    return lambda lines: [out for line in lines for out in (new if line.startswith(start) else (line,))]


def _missing(rng: Rng) -> Mischief:
    start = rng.choice(
        (
            "board",
            "clock",
            "mode",
            "mode,FAST",
            "channel",
            "channel,v_in",
            "channel,v_out",
            "channel,v_drop",
            "channel,i_load,",
            "channel,i_load_low",
            "range",
            "range,v_in",
            "range,v_in,1",
            "range,v_out",
            "range,i_load,",
            "range,temp",
            "check",
            "curve",
            "common",
            "load",
            "load,1",
            "limit",
            "limit,CURR",
            "limit,TIME",
            "limit,SIL",
        )
    )
    return _described(f"no line {start}", _swap(start))


_OF_CHANNEL = ("channel,", "range,", "common,", "curve,", "check,")


def _lacks(rng: Rng) -> Mischief:
    """Channels that are not there, with all their lines."""
    kept = rng.choice(
        (
            (),
            ("v_in",),
            ("v_in", "v_out"),
            ("v_out", "i_load"),
            ("v_in", "i_load", "i_load_low"),
            ("v_in", "v_out", "v_drop"),
            ("v_out",),
            ("temperature",),
        )
    )

    def names(line: str) -> Lines:
        return line.split(",")[1 : 3 if line.startswith("common,") else 2]

    def change(lines: Lines) -> Lines:
        return [line for line in lines if not line.startswith(_OF_CHANNEL) or all(name in kept for name in names(line))]

    return _described(f"only the channels {', '.join(kept) or 'none'}", change)


def _doubled(rng: Rng) -> Mischief:
    word = rng.choice(("board", "clock", "mode", "channel", "range", "common", "curve", "check", "load", "limit"))
    other = rng.random() < 0.5

    def change(lines: Lines) -> Lines:
        line = rng.choice([one for one in lines if one.startswith(f"{word},")])
        return [*lines, line.rpartition(",")[0] + ",3" if other else line]

    return _described(f"a line {word} twice{', not the same' if other else ''}", change)


def _unknown(rng: Rng) -> Mischief:
    extra = rng.choice(
        (
            "loop,0.1,0.02",
            "LOOP,0.1",
            "x-9,1",
            "lone",
            "loop2,1",
            "empty,",
            ",",
            "a,b,,c",
            "caf\xe9,1",
            "tab\there,1",
            "two words,1",
            "x," * 59,
            "x," + "9" * 110,
            "x," + "9" * 240,
            "",
            "0,0",
        )
    )
    return _described(f"a line {extra[:20]!r}", lambda lines: [*lines[:3], extra, *lines[3:]])


def _odd_number(rng: Rng) -> Mischief:
    word = rng.choice(("clock", "mode", "channel", "range", "common", "curve", "check", "load", "limit"))
    number, at = rng.choice(ODD_NUMBERS), rng.random()
    first = {"clock": 1, "load": 3, "mode": 2, "channel": 3, "range": 3, "common": 3, "curve": 3, "check": 2, "limit": 2}[word]

    def change(lines: Lines) -> Lines:
        n = rng.choice([n for n, line in enumerate(lines) if line.startswith(f"{word},")])
        fields = lines[n].split(",")
        fields[first + int(at * (len(fields) - first))] = number
        return [*lines[:n], ",".join(fields), *lines[n + 1 :]]

    return _described(f"{number} in a line {word}, place {at:.2f}", change)


def _many_lines(rng: Rng) -> Mischief:
    late_s, kind = rng.choice((0.0, 0.05, 0.4)), rng.choice(("x,{}", "load,{},LAMP,21", "channel,c{},V,4,0,64,0", "check,c{},1,1"))
    return _described(
        f"999 lines, the rest {kind}, each after {late_s:g} s",
        lambda lines: lines + [kind.format(n) for n in range(999 - len(lines))],
        late_s=late_s,
    )


def _wrong_check(rng: Rng) -> Mischief:
    return _described("its check is wrong", lambda lines: lines, crc=rng.randrange(1, 65536))


def _wrong_count(rng: Rng) -> Mischief:
    count = rng.choice((0, 1, 5, 40, 300, 999))
    return _described(f"it says {count} lines", lambda lines: lines, claims=count)


def _slots_line(rng: Rng) -> Mischief:
    slots, bits, both = rng.choice((1, 2, 4, 5, 8, 10, 160)), rng.choice((1, 8, 10, 12)), rng.random() < 0.5
    text = f"mode,FAST,416,{slots},{bits}"
    return _described(
        f"{text}{', both modes' if both else ''}",
        lambda lines: _swap("mode,PREC", f"mode,PREC,1664,{slots if both else 5},{bits}")(_swap("mode,FAST", text)(lines)),
    )


def _loads_lines(rng: Rng) -> Mischief:
    kind = rng.choice(("LAMP", "PILOT", "LEAK", "FREE", "MOTOR", "lamp"))
    nominal = rng.choice(("21", "0", "500", "1E308", "1E-308", "5", "-21", "21.0", "2.1E1"))
    return _described(
        f"lamps 1 to 3 are {kind} {nominal}",
        lambda lines: _swap("load,3", f"load,3,{kind},{nominal}")(
            _swap("load,2", f"load,2,{kind},{nominal}")(_swap("load,1", f"load,1,{kind},{nominal}")(lines))
        ),
    )


def _limit_lines(rng: Rng) -> Mischief:
    line = rng.choice(
        (
            "limit,CURR,0.5,1,1",
            "limit,CURR,75,75,75",
            "limit,CURR,75,0.5,75",
            "limit,TIME,1,2,1",
            "limit,TIME,1,0,1",
            "limit,SIL,0.2,0.2,0.2",
            "limit,SIL,0.001,0.01,0.01",
            "limit,DELAY,5,5,5",
            "limit,CURR,1E308,1E308,1E308",
            "limit,TIME,1E308,1E308,1E308",
            "limit,VOLT,0,1,1",
            "limit,CURR,-5,75,75",
        )
    )
    return _described(line, _swap(line[: line.index(",", 6)], line))


def _version(rng: Rng) -> Mischief:
    version = rng.choice(("2", "99", "0", "-1", "1.0", "one", "1E308"))
    return _described(f"version {version}", _swap("board", f"board,{version},rig-328,SIM00001"))


def _places(rng: Rng) -> Mischief:
    """Channels said to stand where others do, or scales that are far off."""
    one, other = rng.sample(("v_in", "v_out", "v_drop", "i_load"), 2)
    place = {name: f"channel,{name},{'A' if name == 'i_load' else 'V'},{n},0,1,4.7E-5" for n, name in enumerate(SLOTS[:4])}
    if rng.random() < 0.5:
        of_one = _swap(f"channel,{one},", place[one].replace(f",{SLOTS.index(one)},0,", f",{SLOTS.index(other)},0,"))
        of_other = _swap(f"channel,{other},", place[other].replace(f",{SLOTS.index(other)},0,", f",{SLOTS.index(one)},0,"))
        return _described(f"{one} and {other} change places", lambda lines: of_one(of_other(lines)))
    factor = rng.choice((0.1, 0.5, 0.8, 1.25, 2.0, 10.0))

    def change(lines: Lines) -> Lines:
        made = []
        for line in lines:
            fields = line.split(",")
            if fields[:2] == ["range", one]:
                fields[4] = f"{float(fields[4]) * factor:.6g}"
            made.append(",".join(fields))
        return made

    return _described(f"the scale of {one} is {factor:g} times what it is", change)


# --- replies


def _answers(text: str, begin_s: float, answer: Callable[[HostileLine, str], Iterable[tuple[float, str]]], *asked: str) -> Mischief:
    """Other replies from some moment on, to all queries or those that start so."""

    def reply(line: HostileLine, said: str) -> Iterable[tuple[float, str]]:
        return answer(line, said) if line.now_s >= begin_s and line.asked.startswith(asked or ("",)) else ((0.0, said),)

    return Mischief(f"replies: {text}, from {begin_s:.1f} s", reply=reply)


def _late(rng: Rng) -> Mischief:
    late_s, part = rng.choice((0.1, 0.3, 0.45, 0.55, 0.7, 1.5, 3.0)), rng.choice((1.0, 0.3, 0.05))
    return _answers(
        f"{part:g} of them late by {late_s:g} s", moment(rng), lambda _, said: ((late_s if rng.random() < part else 0.0, said),)
    )


def _lost(rng: Rng) -> Mischief:
    part = rng.choice((0.05, 0.3, 0.7, 1.0))
    return _answers(f"{part:g} of them lost", moment(rng), lambda _, said: () if rng.random() < part else ((0.0, said),))


def _twice(rng: Rng) -> Mischief:
    late_s = rng.choice((0.0, 0.01, 0.4, 0.6))
    return _answers(f"each twice, {late_s:g} s apart", moment(rng), lambda _, said: ((0.0, said), (late_s, said)))


def _of_another(rng: Rng) -> Mischief:
    earlier = ["0"]

    def answer(_: HostileLine, said: str) -> Iterable[tuple[float, str]]:
        earlier.append(said)
        return ((0.0, earlier[-2] if rng.random() < part else said),)

    part = rng.choice((1.0, 0.3, 0.1))
    return _answers(f"{part:g} of them that of the query before", moment(rng), answer)


def _rubbish(rng: Rng) -> Mischief:
    text = rng.choice(("", "0", "2", "+1", "1.0", "1E0", "yes", "nan", "-" * 200, "\x1b[31m1", "1" * 250, "(@", "99999999999999999999"))
    asked = rng.choice(
        (
            "*OPC?",
            "OUTP?",
            "ROUT:CLOS?",
            "*TST?",
            "SYST:BOAR?",
            "SYST:BOAR:CHEC?",
            "SYST:ERR?",
            "SENS:MODE?",
            "CURR:PROT?",
            "OUTP:PROT:TIME?",
            "SIM:UNIT?",
            "SIM:SUPP?",
            "",
        )
    )
    return _answers(f"{text[:20]!r} to {asked or 'everything'}", moment(rng), lambda *_: ((0.0, text),), asked)


def _errors(rng: Rng) -> Mischief:
    text = rng.choice(
        (
            '-222,"Data out of range"',
            '-221,"Settings conflict"',
            '-350,"Queue overflow"',
            '-999,"No such thing"',
            '+0,"No error"',
            '0,""',
            '-0,"x"',
            '7,"odd"',
            f'-{"9" * 30},"x"',
        )
    )
    part = rng.choice((1.0, 1.0, 0.2))
    return _answers(
        f"{part:g} of the errors asked for are {text[:30]}",
        moment(rng),
        lambda _, said: ((0.0, text if rng.random() < part else said),),
        "SYST:ERR?",
    )


_ODD_IDENTITIES = (
    "", "other,rig-328,SIM00001,1", "makebreak", "makebreak,a,b,c,d,e", ",,,", "makebreak,\x1b[31mred,\x07,1", "makebreak,[bold],</b>,%s",
    "makebreak," + "x" * 240 + ",1,1", "makebreak,other-rig,OTHER,9", "makebreak, , , ",
)  # fmt: skip


def _identity(rng: Rng) -> Mischief:
    text = rng.choice(_ODD_IDENTITIES)
    said = f"it calls itself {text[:30]!r}" if text else "it does not say what it is"
    return _answers(said, 0.0, lambda *_: ((0.0, text),) if text else (), "*IDN?")


def _clock_line(rng: Rng) -> Mischief:
    hz, half = 16e6 * rng.choice((0.5, 0.7, 0.94, 0.97, 1.03, 1.06, 1.4, 2.0)), rng.choice(("0", "0.0001", "0.005", "0.1", "0.9"))
    return _described(f"clock {hz:.0f} Hz, half-width {half}", _swap("clock", f"clock,{hz:.0f},{half}"))


def _ticks_line(rng: Rng) -> Mischief:
    ticks = rng.choice((208, 300, 400, 430, 500, 832, 1, 65535))
    return _described(f"{ticks} ticks for a sample", _swap("mode,FAST", f"mode,FAST,{ticks},5,10"))


def _tolerance_line(rng: Rng) -> Mischief:
    """A clock that is wrong, and a tolerance that says so, or denies it."""
    half = rng.choice(("0", "1E-6", "0.02", "0.3", "0.99"))
    wrong, said = true_rate(rng), _described(f"half-width {half}", _swap("clock", f"clock,16000000,{half}"))
    return replace(said, text=f"{wrong.text}; {said.text}", begin=wrong.begin, more=wrong.more)


WORDS: Mapping[str, tuple[Maker, ...]] = {
    "clock said": (_clock_line, _ticks_line, _tolerance_line),
    "lines missing": (_missing, _lacks),
    "lines odd": (_doubled, _unknown, _many_lines, _wrong_check, _wrong_count, _version),
    "numbers odd": (_odd_number,),
    "said otherwise": (_slots_line, _loads_lines, _limit_lines, _places),
    "identity": (_identity,),
    "replies": (_late, _lost, _twice, _of_another),
    "rubbish": (_rubbish,),
    "errors": (_errors,),
}
