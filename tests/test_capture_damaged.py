"""Captures whose bytes are damaged, or whose notes say what no session writes: each is refused in one line, and never passed on in part."""

from __future__ import annotations

import copy
import json
import struct
from binascii import crc_hqx
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from bench_port import setup
from kept_captures import SHORT, captured

from bench.cli import run
from bench.cli.exit_codes import BENCH_FAULT, USAGE
from bench.errors import AddressError, CaptureError, PortError
from bench.judging import judge_capture
from bench.judging.capture_notes import NOTES, note_of
from bench.ports.opening import open_port
from bench.ports.replay import MAGIC, NOTE, RECEIVED, SENT, CaptureEntry, is_capture, read_capture


@cache
def entries() -> tuple[CaptureEntry, ...]:
    """Those of a quick test, whole."""
    path = Path(__file__)
    return tuple(_read(captured()[1], path))


def _read(data: bytes, beside: Path) -> list[CaptureEntry]:
    import tempfile

    with tempfile.NamedTemporaryFile(suffix=".capture") as file:
        file.write(data)
        file.flush()
        return list(read_capture(file.name))


def with_payloads(some: list[tuple[bytes, float, bytes]], first_line: bytes = MAGIC) -> bytes:
    """A capture of these entries with right sums, whatever their payloads are; of an older format by its first line."""
    older = first_line != MAGIC
    out = [first_line]
    for kind, t_s, payload in some:
        head = struct.pack("<cdI", kind, t_s, len(payload))
        head += b"" if older else struct.pack("<H", crc_hqx(head, 0xFFFF))
        out.append(head + payload + struct.pack("<H", crc_hqx(head + payload, 0xFFFF)))
    return b"".join(out)


def with_notes(notes: list[tuple[float, Any]]) -> bytes:
    """A capture that holds these notes alone; bytes stand for themselves."""
    return with_payloads([(NOTE, t_s, note if isinstance(note, bytes) else json.dumps(note).encode()) for t_s, note in notes])


def notes_of_test() -> list[tuple[float, dict[str, Any]]]:
    return [(entry.t_s, dict(entry.note)) for entry in entries() if entry.kind == NOTE]


def saved(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "unit.capture"
    path.write_bytes(data)
    return path


def refused(tmp_path: Path, data: bytes) -> str:
    """The one line with which the capture is refused."""
    with pytest.raises(CaptureError) as caught:
        judge_capture(saved(tmp_path, data), setup(), SHORT, when="", software="")
    assert "\n" not in str(caught.value) and str(caught.value).isprintable() and len(str(caught.value)) < 450
    return str(caught.value)


def test_every_note_that_a_session_writes_is_known() -> None:
    found = [note_of(entry, "unit") for entry in entries() if entry.kind == NOTE]
    assert [type(note) for note in found] == [NOTES[entry.note["note"]] for entry in entries() if entry.kind == NOTE]
    assert len(found) >= 6


@pytest.mark.parametrize("bit", range(32))
def test_a_flipped_bit_of_a_length_is_damage(bit: int, tmp_path: Path) -> None:
    """In the middle of the file and in its last entry, where a length beyond the end looks like an entry that was cut off."""
    data = with_payloads([(SENT, 1.0, b"*IDN?\n"), (RECEIVED, 1.1, b"rig\n" * 20), (NOTE, 2.0, b'{"note":"off"}')])
    middle = data.index(b"*IDN?") - 6
    last = data.index(b'{"note"') - 6
    for place in (middle, last):
        changed = bytearray(data)
        changed[place + bit // 8] ^= 1 << bit % 8
        with pytest.raises(CaptureError, match=r"damaged at byte \d+: the check sum of the entry's head is wrong"):
            list(read_capture(saved(tmp_path, bytes(changed))))


@pytest.mark.parametrize("bit", range(32))
def test_a_flipped_bit_of_a_length_is_damage_in_older_formats_too(bit: int, tmp_path: Path) -> None:
    older = b"makebreak capture 2\n"
    data = with_payloads([(SENT, 1.0, b"*IDN?\n"), (RECEIVED, 1.1, b"rig\n" * 20), (NOTE, 2.0, b'{"note":"off"}')], older)
    assert len(list(read_capture(saved(tmp_path, data)))) == 3
    for place in (data.index(b"*IDN?") - 4, data.index(b'{"note"') - 4):
        changed = bytearray(data)
        changed[place + bit // 8] ^= 1 << bit % 8
        with pytest.raises(CaptureError, match="damaged at byte"):
            list(read_capture(saved(tmp_path, bytes(changed))))


@pytest.mark.parametrize("first_line", [MAGIC, b"makebreak capture 2\n", b"makebreak capture 1\n"])
def test_a_cut_anywhere_is_none(first_line: bytes, tmp_path: Path) -> None:
    some = [(SENT, 1.0, b"*IDN?\n"), (RECEIVED, 1.1, b"RNT" * 30), (NOTE, 2.0, b'{"note":"off"}')]
    data = with_payloads(some, first_line)
    counts = [len(list(read_capture(saved(tmp_path, data[:end])))) for end in range(len(MAGIC), len(data) + 1)]
    assert counts == sorted(counts) and counts[0] == 0 and counts[-2:] == [2, 3]


@pytest.mark.parametrize(
    ("some", "says"),
    [
        ([(SENT, 2.0, b""), (SENT, 1.0, b"")], "got the time 1.0 s after 2.0 s"),
        ([(SENT, float("nan"), b"")], "got the time nan s"),
        ([(SENT, float("inf"), b"")], "got the time inf s"),
        ([(b"X", 1.0, b"")], "no entry begins there"),
        ([(NOTE, 1.0, b" " * (1 << 20) + b" ")], "no entry begins there"),
    ],
)
def test_entries_that_no_session_appends(some: list[tuple[bytes, float, bytes]], says: str, tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"^capture unit.capture: damaged at byte (20|37): ") as caught:
        list(read_capture(saved(tmp_path, with_payloads(some))))
    assert says in str(caught.value)


def test_sixteen_megabytes_of_the_board_are_read(tmp_path: Path) -> None:
    data = with_payloads([(RECEIVED, 1.0, bytes(1 << 24))])
    assert [len(entry.payload) for entry in read_capture(saved(tmp_path, data))] == [1 << 24]


def index_of(notes: list[tuple[float, Any]], word: str) -> int:
    return next(i for i, (_, note) in enumerate(notes) if note["note"] == word)


def changed(word: str, key: str, value: Any) -> bytes:
    """The notes of a test with one key of one of them changed; None for the key: the note is this value."""
    notes: list[tuple[float, Any]] = copy.deepcopy(notes_of_test())
    i = index_of(notes, word)
    notes[i] = (notes[i][0], {**notes[i][1], key: value})
    return with_notes(notes)


def without(word: str, key: str) -> bytes:
    notes: list[tuple[float, Any]] = copy.deepcopy(notes_of_test())
    del notes[index_of(notes, word)][1][key]
    return with_notes(notes)


def arranged(*words: str) -> bytes:
    """The notes of a test in this order, some twice, some not at all."""
    notes = notes_of_test()
    return with_notes([(float(t), notes[index_of(notes, word)][1]) for t, word in enumerate(words)])


def instead(payload: bytes) -> bytes:
    """The notes of a test with these bytes in place of the second."""
    notes: list[tuple[float, Any]] = [*notes_of_test()]
    notes[1] = (notes[1][0], payload)
    return with_notes(notes)


def described() -> list[str]:
    notes = notes_of_test()
    lines: list[str] = notes[index_of(notes, "board")][1]["lines"]
    return lines


BOARD = "board,1,rig-328,SIM00001"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        # a note that is none
        (instead(b"{"), "one of its notes can't be understood: it is no JSON ("),
        (instead(b"\xff"), "one of its notes can't be understood: it is no JSON ('utf-8' codec"),
        (instead(b"[1]"), "one of its notes can't be understood: got list; it must be an object"),
        (instead(b"[" * 100_000), "one of its notes can't be understood: it is nested too deep"),
        (instead(b'{"note": NaN}'), "one of its notes can't be understood: NaN is not a number"),
        (instead(b'{"note":' + b"9" * 5000 + b"}"), "one of its notes can't be understood: it is no JSON (Exceeds the limit"),
        (instead(b'{"note":"mood"}'), "one of its notes can't be understood: got 'mood'; it must be one of session, board, "),
        (instead(b'{"note":["board"]}'), "one of its notes can't be understood: got ['board']; it must be"),
        (instead(b'{"board":{}}'), "one of its notes can't be understood: got None; it must be"),
        (instead(b'{"note":"bench fault","code":"a","text":"b","spoils":1}'), "its note 'bench fault' can't be understood: spoils: got 1"),
        # keys and types
        (without("run", "loads"), "its note 'run' can't be understood: loads is missing"),
        (without("session", "setup"), "its note 'session' can't be understood: setup is missing"),
        (without("board", "lines"), "its note 'board' can't be understood: lines is missing"),
        (changed("run", "mood", 1), "its note 'run' can't be understood: mood is not part of this format"),
        (changed("run", "mood\n\x1b[2J", 1), r"its note 'run' can't be understood: mood\n\x1b[2J is not part of this format"),
        (changed("run", "loads", "1,2"), "its note 'run' can't be understood: loads: got '1,2'; it must be a list"),
        (changed("run", "loads", [1, "2"]), "its note 'run' can't be understood: loads[1]: got '2'; it must be a whole number"),
        (changed("run", "loads", [10**400]), "loads[0]: got 1000"),
        (changed("run", "volts", 10**400), "its note 'run' can't be understood: volts: got 1000"),
        (changed("run", "volts", "12.8"), "its note 'run' can't be understood: volts: got '12.8'; it must be a number"),
        (changed("run", "volts", -1.0), "run 'rated' was made at -1 V; allowed is up to 33.6 V"),
        (changed("run", "volts", 1e300), "run 'rated' was made at 1e+300 V; allowed is up to 33.6 V"),
        (changed("run", "live", "no"), "its note 'run' can't be understood: live: got 'no'; it must be true or false"),
        (changed("end", "interrupted", 5), "its note 'end' can't be understood: interrupted: got 5; it must be text"),
        (changed("closed", "link", {"bad_crc": 0.5}), "its note 'closed' can't be understood: link.bad_crc: got 0.5; it must be a whole"),
        (changed("closed", "notes", "one"), "its note 'closed' can't be understood: notes: got 'one'; it must be a list"),
        (changed("board", "lines", [BOARD, "clock,0,0"]), "the board's description can't be used: line 'clock,0,0': "),
        (changed("board", "lines", [BOARD]), "the board's description can't be used: it needs a line"),
        (changed("session", "procedure", "quick"), "its note 'session' can't be understood: procedure: got 'quick'; it must be an object"),
        # what cannot be
        (changed("stamp", "sent_s", 1e9), "its note 'stamp' can't be understood: stamp "),
        (changed("stamp", "stamp", -1), "its note 'stamp' can't be understood: stamp -1 and "),
        (
            changed("board", "lines", [line for line in described() if ",i_load," not in line]),
            "its board has no channel i_load",
        ),
        (changed("run", "step", "warm"), "it holds a run 'warm', which procedure 'quick' has not"),
        (changed("run", "live", True), "run 'rated' carries on another, and there is none before it"),
        (changed("run", "loads", [1]), "run 'rated' was made on loads [1], not on [1, 2, 7]"),
        # order
        (arranged("board", "session", "closed"), "what test it is of is not said first, or twice"),
        (arranged("session", "session"), "what test it is of is not said first, or twice"),
        (arranged("session", "board", "board"), "its board is said twice"),
        (arranged("session", "run"), "it holds a run 'rated' before a board is known"),
        (arranged("session", "board", "run", "run"), "run 'rated' begins before the run before it is over"),
        (arranged("session", "board", "off"), "a run ends that did not begin"),
        (arranged("session", "board", "end"), "a run ends that did not begin"),
        (arranged("session", "board", "run", "off", "off"), "run 'rated' is switched off twice"),
        (arranged("session", "board", "run", "off", "end", "end"), "a run ends that did not begin"),
        (arranged("session", "closed", "board"), "it goes on after its last note"),
        (arranged("session", "board", "closed", "closed"), "it goes on after its last note"),
    ],
)
def test_notes_that_no_session_writes(data: bytes, says: str, tmp_path: Path) -> None:
    text = refused(tmp_path, data)
    assert text.startswith("capture unit.capture: ") and says in text, text


ZERO = {"v_drop": [0.001, 0.0001, 50]}


@pytest.mark.parametrize(
    ("note", "says"),
    [
        ({"note": "zero", "rest": {}, "off": {}, "on": {}}, "its zeros are of no channel"),
        (
            {"note": "zero", "rest": {"v_mood": [0.0, 0.1, 9]}, "off": ZERO, "on": ZERO},
            "its zeros are of 'v_mood', which the board has not",
        ),
        (
            {"note": "zero", "rest": ZERO, "off": ZERO, "on": {"v_drop": [9.0, 0.1, 9]}},
            "its zeros are not those of a shorting link: zeroing",
        ),
        ({"note": "zero", "rest": ZERO, "off": ZERO}, "its note 'zero' can't be understood: on is missing"),
        ({"note": "zero", "rest": {"v_drop": [0.0, 0.1]}, "off": ZERO, "on": ZERO}, "rest.v_drop: got [0.0, 0.1]; it must be a list of 3"),
        ({"note": "zero", "rest": {"v_drop": [0.0, 0.1, 1]}, "off": ZERO, "on": ZERO}, "its zeros are of fewer than two readings"),
        ({"note": "zero", "rest": {"v_drop": [0.0, -0.1, 9]}, "off": ZERO, "on": ZERO}, "its zeros are of fewer than two readings"),
        ({"note": "lamps proved", "step": "rated", "proved": True, "text": ""}, "it proves the lamps of 'rated'"),
        ({"note": "shorted", "step": "warm", "title": "", "loads": [1], "text": "", "volts": 12.8, "proof": ""}, "it holds a run 'warm'"),
    ],
)
def test_notes_between_board_and_run(note: dict[str, Any], says: str, tmp_path: Path) -> None:
    notes = notes_of_test()
    first = index_of(notes, "run")
    before = notes[:first]
    assert says in refused(tmp_path, with_notes([*before, (before[-1][0], note), *notes[first:]]))


def test_samples_of_a_mode_that_the_board_has_not(tmp_path: Path) -> None:
    """The notes say another board than the one that sent the samples."""
    some = [(entry.kind, entry.t_s, entry.payload) for entry in entries()]
    place = next(i for i, entry in enumerate(entries()) if entry.kind == NOTE and entry.note["note"] == "board")
    note = dict(entries()[place].note)
    note["lines"] = [line for line in note["lines"] if not line.startswith("mode,FAST")]
    some[place] = (NOTE, some[place][1], json.dumps(note).encode())
    assert "it holds samples of the mode FAST, which its board has not" in refused(tmp_path, with_payloads(some))


def test_zeros_before_a_board(tmp_path: Path) -> None:
    session = notes_of_test()[0]
    zero = (session[0], {"note": "zero", "rest": ZERO, "off": ZERO, "on": ZERO})
    assert "zeros are read before a board is known" in refused(tmp_path, with_notes([session, zero]))


BROKEN = with_payloads([(SENT, 0.0, b"*IDN?\n"), (RECEIVED, 0.1, b"x")])[:-1] + b"\0"


def test_the_commands_say_it_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for data, says in ((changed("run", "loads", "1,2"), "its note 'run' can't be understood"), (BROKEN, "damaged at byte 43")):
        path = saved(tmp_path, data)
        assert is_capture(path)
        assert run(["judge", str(path), "--unit", "4711"]) == USAGE
        out, err = capsys.readouterr()
        assert out == "" and err.count("\n") == 1 and says in err
        assert run(["test", f"replay://{path}", "--unit", "4711", "--yes"]) == BENCH_FAULT
        out, err = capsys.readouterr()
        assert "Traceback" not in err


def test_a_damaged_capture_is_no_port(tmp_path: Path) -> None:
    data = bytearray(BROKEN)
    data[25] ^= 1
    with pytest.raises(AddressError, match="damaged at byte 20: the check sum of the entry's head is wrong"):
        open_port(f"replay://{saved(tmp_path, bytes(data))}")
    port = open_port(f"replay://{saved(tmp_path, BROKEN)}")
    with pytest.raises(PortError, match="damaged at byte 43"):
        port.write(b"*IDN?\n")
