"""What a seller, a restorer and a lecturer met who had the README alone: each case as it was met, and what must be said instead."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from bench.bank import Bank
from bench.claims import Claims
from bench.cli import run
from bench.cli.exit_codes import CANCELLED, NOT_FOR_LOAD, PROGRAM, USAGE
from bench.errors import TableError
from bench.files import bank, grade_rule, named_limits, procedure
from bench.judging import judge_capture, judge_recording
from bench.outcome import Outcome
from bench.parts import claims_for, keep_part
from bench.ports.opening import open_port
from bench.record import TestRecord
from bench.render.brief import brief_lines
from bench.session import run_test
from bench.setup import Setup
from bench.uncertainty import Estimate

NC = "sim://bench-nc-2x21?seed=5"
TWO = Claims(terminals=2)
RECORD = Path(__file__).parent.parent / "fixtures" / "records" / "lamp-dead.json"


def setup(**changes: object) -> Setup:
    given: dict[str, object] = {"limits": (named_limits("un-r48"),), "grade_rule": grade_rule(), "rating_known": True, "claims": TWO}
    return Setup("x", **(given | changes))  # type: ignore[arg-type]


def record_of(address: str, plan: str = "decide", **changes: object) -> TestRecord:
    port = open_port(address)
    try:
        return run_test(port, procedure(plan), setup(**changes), when="", software="")
    finally:
        port.close()


def fitted(name: str) -> Bank:
    return bank(name)


# --- the wrong one was charged


def test_a_zero_that_moves_is_no_leak_of_a_unit_that_stays_dark() -> None:
    """On LED lamps it cannot start; the zero of the current moved by 23 mA meanwhile, and that was "dark current too high, rejected"."""
    address = "sim://bench-el-two?bank=led&seed=71&fault=current-zero-off"
    record = record_of(address, lamps=(1, 2), bank=fitted("led"), claims=Claims(led=True))
    assert record.outcome is Outcome.NOT_DECIDED, record.reason


@pytest.mark.parametrize("unit", ["bench-nc-2x21", "bench-el-plain"])
@pytest.mark.parametrize("seed", [1, 2])
def test_slow_sampling_takes_no_bounce_for_dark_current(unit: str, seed: int) -> None:
    """The first short contacts of a make fall between slow samples; what they let through was called a leak, or a lead that is off."""
    record = record_of(f"sim://{unit}?seed={seed}", precise=True)
    assert record.conclusion.letter == "A", record.reason
    dark = record.measured.values["dark_a"]
    assert isinstance(dark, Estimate) and abs(dark.value) < 0.01


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_film_that_goes_away_is_waited_for(seed: int) -> None:
    """`decide` rejected by the drop of filmed flashes what `full` called usable."""
    record = record_of(f"sim://bench-nc-2x21?seed={seed}&fault=film")
    late = seed == 2  # behind this film its first flash lasts 1.8 s, and 1.5 s is a limit
    assert record.outcome is (Outcome.NOT_GOOD if late else Outcome.GOOD), record.reason
    if not late:
        assert record.conclusion.letter == "C"
        assert record.reason.endswith("because: a film on its contacts went away while it flashed.")


def test_a_film_that_is_still_going_charges_nothing_and_is_named() -> None:
    record = record_of("sim://bench-nc-2x21?seed=3&fault=film", "quick")
    assert (record.outcome, record.conclusion.letter) == (Outcome.GOOD, "C")
    assert record.reason.endswith("because: a film on its contacts was still going away at the end.")
    assert record.measured.facts["film"] == "going"
    drop = record.measured.values["drop_v"]
    assert isinstance(drop, Estimate) and any(c.source == "a film still going away" for c in drop.budget)


@pytest.mark.parametrize("rated", [True, False])
def test_too_many_lamps_are_no_bad_contact(rated: bool) -> None:
    """Four lamps where it is for two raise the drop of the best contact."""
    record = record_of(f"{NC}&bank=4x21", lamps=(1, 2, 3, 4), bank=fitted("4x21"), rating_known=rated)
    assert record.outcome is Outcome.NOT_FOR_LOAD
    assert "contact drop 1.6" in record.reason and "It flashes right on 2 x 21 W" in record.reason


def test_a_burnt_contact_is_for_no_load() -> None:
    """What a rule rejects on its own lamps too is not sold for them."""
    record = record_of("sim://bench-nc-2x21?seed=3&fault=contact-burnt&bank=4x21", lamps=(1, 2, 3), bank=fitted("4x21"))
    assert record.outcome is Outcome.NOT_DECIDED
    assert record.reason.startswith("Not decided: on 3 x 21 W, not the load that it is for: ")


def test_a_rating_that_nobody_knows_is_not_called_another_one() -> None:
    record = record_of(f"{NC}&bank=2x18", lamps=(1, 2), bank=fitted("2x18"), rating_known=False)
    assert record.outcome is Outcome.NOT_DECIDED
    assert record.reason.endswith("; which lamps it is for is not known.")


def test_sense_leads_on_the_clips_are_charged_to_no_unit() -> None:
    """The drop they add is 70 mV; a limit missed by less is open until the link has shown where they sit."""
    held: dict[str, Any] = {"rated": (21.0, 21.0, 5.0), "limits": (named_limits("sae-j945"),)}
    record = record_of("sim://bench-nc-2x21?seed=3&fault=sense-on-clips", **held)
    assert record.outcome is Outcome.NOT_DECIDED
    assert "but the sense leads may be a part of that" in record.reason
    assert record_of("sim://bench-nc-2x21?seed=3&fault=contact-burnt").outcome is Outcome.NOT_GOOD


@pytest.mark.parametrize("volts", [5, 7])
def test_at_volts_at_which_nobody_uses_it_nothing_is_charged(volts: int) -> None:
    record = record_of(f"sim://bench-nc-2x21?seed=1&supply={volts}", supply_v=float(volts))
    assert record.outcome is Outcome.NOT_DECIDED
    assert f"at {volts} V (a 12 V unit is used at about 12.8 V)" in record.reason


def test_lamps_lit_after_lost_samples_are_no_leak() -> None:
    """No make was seen, so nothing said that they were lit, and 3.6 A were taken for a dark current."""
    record = record_of("sim://bench-el-two?seed=6011&fault=board-overrun", "full", claims=replace(TWO, led=True))
    assert record.outcome is Outcome.BENCH_FAULT
    assert "of the samples never came" in record.reason


def test_an_indication_nobody_asked_for_is_no_fault() -> None:
    assert record_of(NC, claims=replace(TWO, load="fixed", outage=False)).conclusion.letter == "A"


def test_a_trailer_that_upsets_it_breaks_its_claim() -> None:
    """124 flashes a minute, lit for a tenth of the time, was called kept."""
    record = record_of(NC, claims=replace(TWO, trailer=True))
    assert record.outcome is Outcome.NOT_GOOD
    assert "the limit is 120" in record.reason


def test_led_lamps_are_the_load_of_a_unit_for_led_lamps() -> None:
    record = record_of(f"{NC}&bank=led", lamps=(1, 2), bank=fitted("led"), claims=replace(TWO, led=True))
    assert record.outcome is not Outcome.GOOD
    assert "not the load that it is for" not in record.reason


# --- recordings


def recording(folder: Path, contact_ohm: float) -> Path:
    """Of a logger at 2 kHz: 85 flashes a minute for 18 s, 3.4 A with an inrush of ten times that, as a plain model of one's own has it."""
    t = np.arange(0.0, 18.0, 0.5e-3)
    since = np.mod(t - 0.5, 60.0 / 85.0)
    lit = (t > 0.5) & (since < 30.0 / 85.0)
    amps = np.where(lit, 3.4 * (1.0 + 9.0 * np.exp(-since / 0.03)), 0.0)
    supply = np.where(t > 0.5, 13.2, 0.0)
    noise = np.random.default_rng(7)
    frame = pd.DataFrame({
        "time_s": t, "i_load_A": amps + 0.01 * noise.standard_normal(len(t)), "v_in_V": supply + 0.01 * noise.standard_normal(len(t)),
        "v_out_V": np.where(lit, supply - contact_ohm * amps, 0.0) + 0.005 * noise.standard_normal(len(t)),
    })  # fmt: skip
    path = folder / "scope.csv"
    frame.to_csv(path, index=False)
    return path


def test_the_worse_the_contact_the_surer_it_is_rejected(tmp_path: Path) -> None:
    """2.5 V lost in the unit: in the inrush the output reads next to nothing, and the sense lead was called off."""
    record = judge_recording(recording(tmp_path, 0.72), setup(), when="", software="")
    assert not any(fault.code == "sense-out-off" for fault in record.bench_faults)
    assert record.measured.facts["behaviour"] == "flashing"
    drop = record.measured.values["drop_v"]
    assert isinstance(drop, Estimate) and drop.value == pytest.approx(2.45, abs=0.1)


@pytest.mark.parametrize(("system_v", "fits"), [(6.0, False), (12.0, True), (24.0, False)])
def test_a_recording_of_another_system_is_no_dead_lamp(system_v: float, fits: bool, tmp_path: Path) -> None:
    record = judge_recording(recording(tmp_path, 0.1), setup(system_v=system_v), when="", software="")
    assert ("say which the unit is for, 6, 12 or 24 V" in record.reason) is not fits


def test_a_recording_that_begins_too_late_is_not_to_be_made_again_the_same_way(tmp_path: Path) -> None:
    path = recording(tmp_path, 0.1)
    pd.read_csv(path).iloc[4000:].to_csv(path, index=False)
    record = judge_recording(path, setup(), when="", software="")
    assert record.outcome is Outcome.NOT_DECIDED
    assert record.conclusion.advice.startswith("Let the recording begin before voltage comes to the unit")


def test_what_the_procedure_did_not_look_at_takes_another_procedure() -> None:
    record = record_of("sim://bench-el-outage?seed=1", "quick", claims=Claims(outage=True))
    assert record.reason.startswith('Not decided: "a lamp out is shown" could not be seen')
    assert "decide, full" in record.conclusion.advice


def test_the_rated_load_is_what_it_is_for_and_the_load_what_it_was_tested_on() -> None:
    record = record_of(f"{NC}&bank=led", lamps=(1, 2), bank=fitted("led"), rated=(23.0, 23.0))
    assert (record.rated_load, record.load) == ("2 x 23 W", "2 x LED 0.15 A")


def test_a_column_that_is_not_there_cannot_be_renamed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recording(tmp_path, 0.1)
    assert run(["judge", str(path), "--rename", "CH9=v_in_V"]) == USAGE
    assert "no column 'CH9' to rename; its columns are time_s, i_load_A, v_in_V, v_out_V" in capsys.readouterr().err


@pytest.mark.parametrize("error", ["-1", "nan", "inf"])
def test_an_uncertainty_is_no_less_than_nothing(error: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stated = tmp_path / "mine.toml"
    stated.write_text(f'format = 1\ntitle = "Mine"\n[channels.i_load]\nzero = {error}\n', encoding="utf-8")
    assert run(["judge", str(recording(tmp_path, 0.1)), "--instrument", str(stated)]) == USAGE
    assert "channels.i_load.zero: got " in capsys.readouterr().err


def test_a_capture_of_a_simulated_board_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    port = open_port("sim://bench-el-plain")
    with path.open("xb") as sink:
        live = run_test(port, procedure("quick"), setup(), capture=sink, when="", software="")
    port.close()
    again = judge_capture(path, setup(), procedure("quick"), when="", software="")
    assert live.is_simulated and again.is_simulated
    assert "Simulated board: no real unit was tested." in brief_lines(again)


def test_a_simulated_board_that_fails_at_once_says_so_too() -> None:
    record = record_of("sim://bench-nc-2x21?fault=reference-off")
    assert "Simulated board: no real unit was tested." in brief_lines(record)


# --- the bench: what is named, and how


@pytest.mark.parametrize("unit", ["bench-el-two", "bench-nc-2x21"])
def test_swapped_leads_are_named_before_the_supply_that_they_make_look_wrong(unit: str) -> None:
    """The advice was to raise the supply by a volt."""
    record = record_of(f"sim://{unit}?fault=sense-leads-swapped")
    assert "swap" in record.reason and "set the supply" not in record.reason


@pytest.mark.parametrize(
    ("seed", "fault", "code"), [(6025, "sense-leads-swapped", "sense-leads-swapped"), (6030, "supply-limit", "supply-limited")]
)
@pytest.mark.parametrize("unit", ["bench-hw-hold", "bench-hw-plain"])
def test_a_wide_range_that_is_off_by_what_a_hot_wire_draws_hides_no_fault(unit: str, seed: int, fault: str, code: str) -> None:
    record = record_of(f"sim://{unit}?seed={seed}&fault={fault}", "quick", claims=Claims())
    assert record.outcome is Outcome.BENCH_FAULT
    assert code in {f.code for f in record.bench_faults}


def test_a_dead_unit_with_the_output_lead_off_costs_no_lamps() -> None:
    record = record_of("sim://bench-nc-2x21?seed=3&fault=heater-open,sense-out-broken")
    assert record.outcome is Outcome.BENCH_FAULT
    assert "sense lead SL is off" in record.reason
    assert not any("replace it" in fault.text for fault in record.bench_faults)


def test_lamps_that_take_too_much_are_not_called_dead_nor_proved() -> None:
    """27 W lamps where 21 W are said to be: seen with one lamp out, whose flashes are long enough; then the test is over."""
    record = record_of(f"{NC}&bank=2x27", bank=fitted("standard"))
    assert record.outcome is Outcome.BENCH_FAULT
    (fault,) = {f.text for f in record.bench_faults if f.code == "lamp-current"}
    assert "higher wattage" in fault and "dead" not in fault
    assert not any(proof.proved for proof in record.measured.proofs if proof.item == "lamps")
    assert [step.name for step in record.steps][-1] != "trailer"


@pytest.mark.parametrize("unit", ["bench-nc-2x21", "bench-el-plain"])
def test_lamps_of_the_next_rating_are_not_proved(unit: str) -> None:
    """21 W lamps where 27 W are said to be take 86 %, which is within a catalogue's tolerance: the unit got an A for 2 x 27 W."""
    for seed in range(1, 6):
        wrong = record_of(f"sim://{unit}?seed={seed}", "quick", rated=(27.0, 27.0), bank=fitted("2x27"))
        assert wrong.outcome is Outcome.BENCH_FAULT and "as 21 W lamps do" in wrong.reason, wrong.reason
        right = record_of(f"sim://{unit}?seed={seed}&bank=2x27", "quick", rated=(27.0, 27.0), bank=fitted("2x27"))
        assert not right.bench_faults, right.bench_faults


def test_lamps_that_take_the_same_are_the_same_load() -> None:
    """23 W at 12.8 V and 21 W at 13.5 V name the same current."""
    record = record_of("sim://bench-el-plain?seed=1", "quick", rated=(23.0, 23.0), bank=fitted("2x23"))
    assert not record.bench_faults


# --- the short report


def lines_of(address: str, **changes: Any) -> list[str]:
    return brief_lines(record_of(address, **changes))


def test_lamps_and_volts_of_the_test_are_always_named() -> None:
    lines = lines_of("sim://bench-nc-2x21?seed=1&supply=11", supply_v=11.0)
    assert any(line.startswith("Tested                2 x 21 W at 11 V, decide") for line in lines)
    assert len(lines) <= 14


def test_what_the_grade_rule_rejects_is_not_kept_in_the_table_too() -> None:
    (line,) = [line for line in lines_of("sim://bench-el-outage?fault=contact-burnt") if line.startswith("Contact drop")]
    assert line.endswith("the grade rule's  FAIL")


def test_of_several_limits_the_nearest_is_shown() -> None:
    lines = lines_of("sim://bench-el-plain?seed=5", limits=(named_limits("us-turn"), named_limits("sae-j945")))
    (line,) = [line for line in lines if line.startswith("Contact drop")]
    assert "max 0.5 V" in line


def test_figures_for_another_system_are_no_condition_that_was_not_kept() -> None:
    record = record_of("sim://bench-nc-6v?seed=3", system_v=6.0, limits=(named_limits("us-turn"),))
    assert record.outcome is Outcome.GOOD
    assert not any("Conditions not kept" in line for line in brief_lines(record))


# --- parts, files, exit codes


def test_claims_that_contradict_each_other_are_never_kept(tmp_path: Path) -> None:
    """One such file stopped every command that reads parts."""
    for wrong in (Claims("P", terminals=2, pilot="in step"), Claims("P", pilot="none", pilot_lamp_out="dead")):
        with pytest.raises(TableError, match=r"keeping part 'P': pilot: .+"):
            keep_part(tmp_path, wrong)
        with pytest.raises(TableError, match="taking what the unit is said to be"):
            claims_for(tmp_path, None, {name: getattr(wrong, name) for name in ("terminals", "pilot", "pilot_lamp_out")})
    assert not list(tmp_path.iterdir())


def test_an_error_of_the_program_says_nothing_of_a_unit(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Python leaves with 1 after a traceback, and 1 is the exit code of a unit that is not good."""

    def broken(**_: object) -> None:
        raise ZeroDivisionError("a slip")

    monkeypatch.setattr("bench.cli.units.command.callback", broken)
    assert run(["units"]) == PROGRAM
    assert "ZeroDivisionError: a slip" in capsys.readouterr().err


def test_whoever_reads_only_the_first_lines_is_not_told_that_a_unit_is_bad() -> None:
    with subprocess.Popen([sys.executable, "-m", "bench", "show", str(RECORD)], stdout=subprocess.PIPE) as program:
        assert program.stdout is not None
        program.stdout.close()
        assert program.wait(120) == CANCELLED


def test_a_record_that_cannot_be_kept_is_said_before_the_test(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", NC, "--json", str(tmp_path / "nowhere" / "x.json")]) == USAGE
    printed = capsys.readouterr()
    assert "there is no folder" in printed.err and not printed.out


def test_good_for_another_load_has_an_exit_code_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["test", f"{NC}&bank=4x21", "--lamps", "1,2,3,4", "--rated", "2x21"]) == NOT_FOR_LOAD
    assert capsys.readouterr().out.startswith("GOOD, BUT NOT FOR THIS LOAD")


def test_what_is_no_record_is_said_in_plain_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.json"
    path.write_text("not a record\n", encoding="utf-8")
    assert run(["show", str(path)]) == USAGE
    assert "it is no JSON" in capsys.readouterr().err
