"""The station in a process of its own."""

from __future__ import annotations

from pathlib import Path

from stations import Heard, begin, long_test
from test_station import kept

from bench.record_json import from_json
from bench.session import Live
from bench.station import (
    Attach,
    Broken,
    Finished,
    Present,
    start_station,
)
from bench.station.process import station_in_thread


def test_in_a_process_of_its_own(tmp_path: Path) -> None:
    """Orders and news survive the way, and a process that is killed is noticed."""
    link = start_station(tmp_path)
    heard = Heard(link)
    try:
        heard.tell(Attach("sim://bench-nc-2x21?seed=3"))
        heard.wait(Present)
        heard.tell(begin())
        assert heard.wait(Finished).record.reason == "Not decided: no limit was judged."
        heard.tell(long_test("4712"))
        heard.wait(Live, len(heard.all))
        link._worker.kill()  # type: ignore[attr-defined]
        assert "has ended" in heard.wait(Broken).text
    finally:
        link.close("the test is over")
    left = [from_json(path.read_text()) for path in kept(tmp_path)]
    assert [record.interrupted is None for record in left] == [True, False]
    assert (tmp_path / "station.log").read_text() == ""


def test_closing_twice_is_harmless(tmp_path: Path) -> None:
    link = station_in_thread(tmp_path)
    link.close("once")
    link.close("twice")
    assert list(link.news()) == []
