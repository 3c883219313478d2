"""Captures: what was received comes back byte for byte at its times, a changed byte is noticed, a cut file is not an error."""

from __future__ import annotations

import io
import struct
from binascii import crc_hqx
from pathlib import Path

import kept_captures
import pytest
from bench_port import bench_port, run_on, setup
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import AddressError, CaptureError, PortError
from bench.files import procedure
from bench.judging import captures
from bench.ports.opening import open_port
from bench.ports.replay import MAGIC, NOTE, RECEIVED, SENT, CaptureEntry, CaptureWriter, ReplayPort, read_capture
from bench.procedure import Procedure
from bench.session import run_test
from bench.wire import encode_command

SHORT = Procedure("quick", "", "", procedure("quick").steps)


def capture_of(*entries: CaptureEntry) -> bytes:
    buffer = io.BytesIO()
    writer = CaptureWriter(buffer)
    for entry in entries:
        if entry.kind == RECEIVED:
            writer.received(entry.payload, entry.t_s)
        elif entry.kind == SENT:
            writer.sent(entry.payload, entry.t_s)
        else:
            writer.note(entry.note, entry.t_s)
    return buffer.getvalue()


ENTRIES = (
    CaptureEntry(NOTE, 0.0, b'{"note":"hello","name":"\xc3\xa9"}'),
    CaptureEntry(SENT, 1.0, b"*IDN?\n"),
    CaptureEntry(RECEIVED, 1.002, b"makebreak,a,b,c\n\0"),
    CaptureEntry(SENT, 1.1, encode_command("SYST:BEAT")),
    CaptureEntry(RECEIVED, 1.5, bytes(range(256))),
)


def saved(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "a.capture"
    path.write_bytes(data)
    return path


def test_what_was_written_is_read(tmp_path: Path) -> None:
    assert tuple(read_capture(saved(tmp_path, capture_of(*ENTRIES)))) == ENTRIES


def test_the_container_is_as_its_page_says(tmp_path: Path) -> None:
    """The bytes of one entry, by hand: kind, time as a double, length, their CRC-16, payload, CRC-16 of all of it (0x29B1 over
    123456789)."""
    data = capture_of(CaptureEntry(RECEIVED, 1.0, b"AB"))
    assert data[: len(MAGIC)] == b"makebreak capture 3\n"
    head = b"R" + bytes.fromhex("000000000000f03f") + bytes.fromhex("02000000")
    assert data[len(MAGIC) : -2] == head + struct.pack("<H", crc_hqx(head, 0xFFFF)) + b"AB"
    assert crc_hqx(b"123456789", 0xFFFF) == 0x29B1 and data[-2:] == struct.pack("<H", crc_hqx(data[len(MAGIC) : -2], 0xFFFF))


def test_any_cut_gives_the_whole_entries_before_it(tmp_path: Path) -> None:
    data = capture_of(*ENTRIES)
    found = [len(tuple(read_capture(saved(tmp_path, data[:end])))) for end in range(len(MAGIC), len(data) + 1)]
    assert found == sorted(found)
    assert found[0] == 0
    assert found[-1] == len(ENTRIES)
    assert found[-2] == len(ENTRIES) - 1


@given(place=st.integers(min_value=0, max_value=len(capture_of(*ENTRIES)) - 1), bit=st.integers(min_value=0, max_value=7))
def test_a_changed_bit_is_never_passed_on(tmp_path_factory: pytest.TempPathFactory, place: int, bit: int) -> None:
    data = bytearray(capture_of(*ENTRIES))
    data[place] ^= 1 << bit
    path = tmp_path_factory.getbasetemp() / "changed.capture"
    path.write_bytes(bytes(data))
    found: list[CaptureEntry] = []
    with pytest.raises(CaptureError, match=r"damaged at byte|not a capture"):
        found += read_capture(path)
    assert found == list(ENTRIES[: len(found)])


def test_a_file_of_another_kind(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="not a capture"):
        list(read_capture(saved(tmp_path, b"time_s,i_load_A\n")))
    with pytest.raises(CaptureError, match="can't be read"):
        list(read_capture(tmp_path / "none"))
    with pytest.raises(AddressError, match="can't be read"):
        open_port(f"replay://{tmp_path / 'none'}")


def test_the_port_gives_bytes_at_their_times(tmp_path: Path) -> None:
    port = ReplayPort(saved(tmp_path, capture_of(*ENTRIES)))
    assert port.now_s() == 0.0
    port.write(b"*IDN?\n")
    assert port.now_s() == 1.0
    assert port.read(0.001) == b""
    assert port.read(0.5) == b"makebreak,a,b,c\n\0"
    assert port.now_s() == 1.002
    port.write(encode_command("SYST:BEAT"))
    port.write(encode_command("SYST:BEAT"))  # heartbeats may come more often, or less
    assert port.read(0.4) == b""
    assert port.now_s() == pytest.approx(1.402)
    assert port.read(0.4) == bytes(range(256))
    with pytest.raises(PortError, match="ends here"):
        port.read(1.0)
    port.close()
    port.close()
    with pytest.raises(PortError, match="closed"):
        port.read(0.1)


def test_a_session_that_does_something_else_is_stopped(tmp_path: Path) -> None:
    port = ReplayPort(saved(tmp_path, capture_of(*ENTRIES)))
    with pytest.raises(PortError, match="is not what was sent then"):
        port.write(b"*RST\n")


@pytest.mark.parametrize("kind", ["EL", "HWh"])
def test_a_test_replayed_ends_in_the_same_record(tmp_path: Path, kind: str) -> None:
    buffer = io.BytesIO()
    live = run_on(bench_port(kind), SHORT, capture=buffer)
    port = ReplayPort(saved(tmp_path, buffer.getvalue()))
    again = run_test(port, SHORT, setup(), when=live.when, software=live.software)
    assert again.interrupted is None
    assert again.measured == live.measured
    assert again.verdicts == live.verdicts
    assert again.steps == live.steps


def test_judging_a_capture_again_handles_its_path_once_and_not_for_each_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There are some two hundred entries in a second of a test."""
    path = saved(tmp_path, kept_captures.captured()[1])
    made: list[object] = []

    def counted(name: str | Path) -> Path:
        made.append(name)
        return Path(name)

    monkeypatch.setattr(captures, "Path", counted)
    assert captures.read_runs(path, setup(), SHORT).records["rated"]
    assert sum(1 for _ in read_capture(path)) > 1000 and len(made) <= 1
