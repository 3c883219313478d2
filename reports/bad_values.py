"""Bad values, texts and files by the seed: what `reports.bad_input` gives to the command."""

from __future__ import annotations

import json
from contextlib import suppress
from copy import deepcopy
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from bench.ports.replay import NOTE, RECEIVED, CaptureWriter, read_capture
from bench.record_sum import KEY, sum_of

Rng = np.random.Generator

ESCAPES = "\x1b[31;5m \x1b]0;title\x07 \x9b2J \u202egnp \u2066 \u200f \x85 \b"
"""What a terminal obeys, as a file or a name may hold it."""
TEXTS = (
    "", " ", "-", "--", "nan", "inf", "-inf", "1e999", "-1", "0", "1e-300", "9" * 400, "9" * 5000, "0x10", "1,5", "٣", "none", "None",
    "true", "..", "/", "/dev/null", "/dev/zero", "/dev/full", "/proc/self/mem", "/proc/self/x", "n" * 300, "n" * 10_000,
    "n" * 300 + ".toml", "a=b", "=", "%s%n", "{0}", "$(x)", "'; x", "[red]a[/red]", ESCAPES, f"{ESCAPES}.toml", "a\nb", "a\tb", "\udcff",
    "e\u0301" * 50, "\ue000", "２１", "2x21", "1e3", "1:2", "nan:nan", "5:", "pilot=none", "none.toml", "no/such/folder", "pipe", "folder",
    "link", "zeros.toml", "sparse.toml",
)  # fmt: skip
"""Values for options and names for files; the last are there, and are no files, or too large ones."""
_TOML = (
    "nan",
    "inf",
    "-1",
    "0",
    "1e999",
    "9" * 400,
    "9" * 5000,
    '""',
    '" "',
    "true",
    "[]",
    "{}",
    "2031-01-01",
    "[[[[[1]]]]]",
    "[" * 40 + "]" * 40,
    '"' + "x" * 100_000 + '"',
    '"\\u001b[31m\\u009b\\u202e"',
    '"\\ud800"',
    '"nan"',
    "[1, 'a']",
    "{a = {b = {c = 1}}}",
    "'''",
    '"',
    "=",
    "1 2",
    "-0.0",
    "1e300",
    "-1e300",
    "0x7fffffffffffffff",
)
_JSON: tuple[Any, ...] = (
    None, True, -1, 0, 1e300, -1e300, 10**400, "", "nan", ESCAPES, "x" * 100_000, [], {}, [[[[]]]], {"kind": "estimate"}, [None],
    "\ud800", 2**63, 1e-300,
)  # fmt: skip


def pick(rng: Rng, among: Any) -> Any:
    return among[int(rng.integers(len(among)))]


def _line_changed(text: str, rng: Rng) -> str:
    lines = text.split("\n")
    at = pick(rng, [n for n, line in enumerate(lines) if "=" in line])
    key = lines[at].partition("=")[0]
    lines[at] = f"{key}= {pick(rng, _TOML)}"
    return "\n".join(lines)


def _key_changed(text: str, rng: Rng) -> str:
    lines = text.split("\n")
    at = pick(rng, [n for n, line in enumerate(lines) if "=" in line])
    value = lines[at].partition("=")[2]
    other = pick(rng, ("", "a b", "nothing", '"\\u001b[2J"', "a." * 200 + "a", "k" * 20_000, "a.b", '""'))
    lines[at] = f"{other} ={value}"
    return "\n".join(lines)


def _lines_moved(text: str, rng: Rng) -> str:
    lines = text.split("\n")
    at, to = (int(n) for n in rng.integers(0, len(lines), 2))
    line = lines[at] if rng.random() < 0.3 else lines.pop(at)
    lines.insert(to, line) if rng.random() < 0.6 else None
    return "\n".join(lines)


def _bytes_changed(content: bytes, rng: Rng) -> bytes:
    changed = bytearray(content)
    for at in rng.integers(0, max(len(changed), 1), int(rng.integers(1, 20))).tolist():
        changed[at : at + 1] = bytes([int(rng.integers(256))]) * int(rng.integers(0, 3))
    return bytes(changed)


def _wrapped(text: str, rng: Rng) -> bytes:
    """Text as other programs save it, or worse."""
    chosen: bytes = pick(
        rng,
        (
            text.encode("utf-8-sig"),
            text.replace("\n", "\r\n").encode(),
            text.replace("\n", "\r").encode(),
            text.encode("utf-16"),
            text.encode("utf-32"),
            (text + "# µ").encode("latin-1", "replace"),
            text.replace(" ", "\0", 3).encode(),
            text.encode() + b"\0" * 1000,
            (text + f"\n# {ESCAPES}").encode("utf-8", "replace"),
            b"\xef\xbb\xbf" * 2 + text.encode(),
            text[: len(text) // 2].encode() + b"\xed\xa0\x80",
        ),
    )
    return chosen


def _whole(rng: Rng) -> bytes:
    """Files that are no settings and no record at all."""
    count = int(rng.integers(1000, 120_000))
    chosen: bytes = pick(
        rng,
        (
            b"",
            b"\n" * count,
            b" ",
            b"\0" * count,
            b"[" * count,
            b"{" * count,
            b'{"a":' * count,
            b"a = " + b"[" * count,
            b"a." * count + b"a = 1",
            b"a." * 45 + b"a = 1",
            b"[[a]]\n" * (count // 10),
            b'a = "' + b"x" * count,
            b"#" + b"x" * 300_000,
            b"9" * count,
            b"null",
            b"[]",
            b'""',
            b"NaN",
            b"1e999",
            b"\x1b[2J" * 100,
            rng.integers(0, 256, count, dtype=np.uint8).tobytes(),
            b"RIFF\0\0\0\0WAVEfmt ",
            b"makebreak capture 2\n" + b"\0" * count,
        ),
    )
    return chosen


def bad_toml(text: str, rng: Rng) -> bytes:
    kind = rng.random()
    if kind < 0.35:
        return _line_changed(text, rng).encode("utf-8", "replace")
    if kind < 0.5:
        return _key_changed(text, rng).encode("utf-8", "replace")
    if kind < 0.65:
        return _lines_moved(text, rng).encode()
    if kind < 0.75:
        return text[: int(rng.integers(len(text)))].encode()
    if kind < 0.85:
        return _bytes_changed(text.encode(), rng)
    return _wrapped(text, rng) if kind < 0.93 else _whole(rng)


def _place(content: Any, rng: Rng) -> tuple[Any, Any]:
    """A holder somewhere in JSON content, and one of its keys."""
    while True:
        key = pick(rng, list(content) if isinstance(content, dict) else range(len(content)))
        if not isinstance(content[key], dict | list) or not content[key] or rng.random() < 0.25:
            return content, key
        content = content[key]


def _content_changed(content: Any, rng: Rng) -> Any:
    for _ in range(int(rng.integers(1, 4))):
        holder, key = _place(content, rng)
        how = rng.random()
        if how < 0.6:
            holder[key] = deepcopy(pick(rng, _JSON))
        elif how < 0.75:
            del holder[key]
            if not content:
                return content
        elif how < 0.9:
            other, there = _place(content, rng)
            holder[key], other[there] = json.loads(json.dumps(other[there])), json.loads(json.dumps(holder[key]))
        elif isinstance(holder, dict):
            holder[pick(rng, ("nothing", ESCAPES, "", "n" * 10_000))] = deepcopy(pick(rng, _JSON))
    return content


def bad_json(text: str, rng: Rng) -> bytes:
    """A record or another JSON file that was changed; most changed records have the sum that they should have."""
    kind = rng.random()
    if kind < 0.6:
        content = _content_changed(json.loads(text), rng)
        if isinstance(content, dict) and KEY in content and rng.random() < 0.8:
            with suppress(ValueError):  # what has no sum: NaN, half a surrogate pair
                content[KEY] = sum_of(json.dumps(content))
        return json.dumps(content, ensure_ascii=bool(rng.random() < 0.5)).encode("utf-8", "surrogatepass")
    if kind < 0.7:
        numbers = [n for n, c in enumerate(text) if c.isdigit()]
        at = pick(rng, numbers)
        return (
            text[:at] + str(pick(rng, ("NaN", "Infinity", "1e999", "9" * 5000, "-", "1.", "0x1", "[" * 3000))) + text[at + 1 :]
        ).encode()
    if kind < 0.8:
        return text[: int(rng.integers(len(text)))].encode()
    if kind < 0.9:
        return _bytes_changed(text.encode(), rng)
    return _wrapped(text, rng) if kind < 0.95 else _whole(rng)


def bad_capture(path: Path, rng: Rng) -> bytes:
    """A capture that was cut or changed, or whose sums are right and whose notes are not."""
    kind = rng.random()
    content = path.read_bytes()
    if kind < 0.15:
        return content[: int(rng.integers(len(content)))]
    if kind < 0.35:
        return _bytes_changed(content, rng)
    file = BytesIO()
    writer = CaptureWriter(file)
    entries = list(read_capture(path))
    notes = [n for n, entry in enumerate(entries) if entry.kind == NOTE]
    at = pick(rng, notes) if rng.random() < 0.7 else int(rng.integers(len(entries)))
    for number, entry in enumerate(entries):
        if number != at:
            payload: bytes = entry.payload
        elif entry.kind == NOTE:
            changed = _content_changed(json.loads(entry.payload), rng)
            payload = json.dumps(changed).encode() if rng.random() < 0.9 else _whole(rng)[:100_000]
        else:
            payload = _bytes_changed(entry.payload, rng)
        t_s = entry.t_s if rng.random() < 0.999 else float(pick(rng, (float("nan"), float("inf"), -1e300, 1e300)))
        if entry.kind == NOTE:
            writer._append(NOTE, t_s, payload)
        else:
            (writer.received if entry.kind == RECEIVED else writer.sent)(payload, t_s)
    return file.getvalue()


def bad_address(rng: Rng, good: str) -> str:
    text = list(good)
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(text) + 1))
        text[at : at + int(rng.integers(0, 3))] = pick(
            rng, ("[", "]", "%00", "%1b", "?", "&", "=", "//", "nan", "-", "\x1b[", "\x9b", "٣", "%", "#", "@", " ", "é")
        )
    return "".join(text)
