"""What lists and checks print: families, what faults fit, codes explained, readings in people's units, tables as wide as the terminal."""

from __future__ import annotations

import re

import pytest

from bench import files
from bench.cli import run
from bench.cli.exit_codes import GOOD, USAGE
from bench.control_chart import judge
from bench.limits import USES
from bench.render import names
from bench.render.chart import chart_lines, sentence
from bench.render.findings import finding_text
from bench.render.values import readable_text
from bench.simboard import catalogue, fitting
from bench.simboard.faults import FAULTS
from bench.simboard.units import MECHANISM_TITLES
from bench.uncertainty import Component, Estimate
from bench.upkeep import CheckFinding
from bench.upkeep.selfcheck import CheckState


def reading(value: float, unit: str, u: float) -> Estimate:
    return Estimate(value, unit, (Component("stated", u),))


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(list(arguments)) == GOOD
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("found", "text"),
    [
        (reading(-0.1188, "A", 0.127), "-120 ± 250 mA"),
        (reading(3.515, "A", 0.022), "3.515 ± 0.044 A"),
        (reading(0.0025, "V", 0.003), "2.5 ± 5.9 mV"),
        (reading(0.5, "V", 0.6), "0.5 ± 1.2 V"),
        (reading(0.0013, "1", 0.00105), "0.13 ± 0.21 %"),
        (reading(0.08, "ohm", 0.001), "80.0 ± 2.0 mΩ"),
        (reading(-0.3, "counts", 1.0), "-0.3 ± 2.0 counts"),
        (reading(23.7, "degC", 1.0), "23.7 ± 2.0 °C"),
    ],
)
def test_readings_stand_in_the_unit_that_people_use_for_their_size(found: Estimate, text: str) -> None:
    assert readable_text(found) == text


def test_a_finding_says_what_was_read_what_it_should_be_and_how_noisy() -> None:
    seen = reading(-0.1188, "A", 0.127)
    assert finding_text(CheckFinding("i_load", CheckState.GOOD, seen=seen, should=0.0)) == "-120 ± 250 mA, should be 0"
    noisy = CheckFinding("i_load", CheckState.GOOD, seen=seen, noise=(0.0431, 0.24))
    assert finding_text(noisy) == "-120 ± 250 mA; noise 44 mA (at most 240 mA)"
    off = CheckFinding("v_out", CheckState.BAD, seen=reading(0.2, "V", 0.06), should=0.151)
    assert finding_text(off) == "200 ± 120 mV, should be 150 mV", "in the unit and the digits of the reading beside it"
    assert finding_text(CheckFinding("link", CheckState.NOT_DONE, "no lamp was lit")) == "no lamp was lit"


def test_a_check_explains_its_channels(capsys: pytest.CaptureFixture[str]) -> None:
    out = " ".join(printed(capsys, "check", "sim://LINK?seed=7", "--link").split())
    assert re.search(r"i_load zero GOOD -?\d+ ± \d+ mA, should be 0", out)
    assert "i_load_low: current, low range" in out and "v_pilot: voltage at the pilot terminal" in out


def test_a_standard_is_said_and_charted_with_units() -> None:
    values = [0.100, 0.101, 0.099, 0.100, 0.130]
    readings = [reading(value, "V", 0.001) for value in values]
    whens = [f"2031-05-0{day}T10:00:00" for day in range(1, 6)]
    finding = judge(values, [0.001] * 5)
    said = sentence("zero", whens, readings, finding)
    assert said.startswith("zero: 130.0 ± 2.0 mV, DRIFTED") and said.endswith("since 2031-05-05 (+30.0 mV)")
    lines = chart_lines(whens, readings, finding)
    assert [" mV " in line for line in lines] == [True] * 5 and lines[-1].endswith("X") and "X" not in "".join(lines[:-1])


def test_limit_sets_stand_by_use_and_family(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(names.USES) == set(USES)
    lines = [line.rstrip() for line in printed(capsys, "limits").splitlines()]
    heads = [line for line in lines if line.endswith(":")]
    assert heads == ["Turn signals:", "Hazard warning:", "Outage indication:", "A shop's own:"]

    def under(head: str) -> str:
        later = lines[lines.index(head) + 1 :]
        end = next((n for n, line in enumerate(later) if line in heads), len(later))
        return "\n".join(later[:end])

    assert "\n  us-turn " in under("Turn signals:") and "\n    us-turn-open " in under("Turn signals:")
    assert "us-hazard-open" in under("Hazard warning:") and "sae-j945" in under("Hazard warning:")
    assert "outage-qct501" in under("Outage indication:") and "shop-example" in under("A shop's own:")
    for one in files.limit_sets():
        assert sum(line.split()[:1] == [one.name] for line in lines) == 1
    text = " ".join(" ".join(lines).split())
    assert all(f"{rule}: {meaning}" in text.lower() for rule, meaning in names.AVERAGING.items())


def test_units_explain_the_codes_of_their_mechanisms(capsys: pytest.CaptureFixture[str]) -> None:
    out = " ".join(printed(capsys, "units").split())
    for name in catalogue.names():
        assert f"{catalogue.entry(name).kind}: {MECHANISM_TITLES[catalogue.entry(name).kind]}" in out


def test_faults_say_which_units_they_fit(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "220")
    lines = {line.split()[0]: line.rstrip() for line in printed(capsys, "faults").splitlines() if line.strip()}
    assert lines["hold-weak"].endswith("  HWh")
    assert lines["contact-eroded"].endswith("  any unit but bench-nc-eroded")
    assert lines["contact-welded"].endswith("  NC, HWh, HWp, TC but bench-nc-welded")
    assert lines["lamp-dies"].endswith("any unit, needs a filament lamp in socket 2")
    assert set(fitting.all_faults()) <= set(lines)
    for unit in ("bench-tc-dry", "bench-el-two"):
        listed = {line.split()[0] for line in printed(capsys, "faults", unit).splitlines()[1:] if line[:1].strip()}
        assert listed == set(fitting.faults_for(catalogue.unit(unit)))
    assert run(["faults", "nowhere"]) == USAGE
    assert "no simulated unit is called 'nowhere'" in capsys.readouterr().err


def test_a_fault_that_is_listed_for_a_unit_is_one_that_its_bench_takes() -> None:
    """The list and the address that is opened know it from the same change of the model."""
    from bench.errors import AddressError
    from bench.ports.address import parse_sim_address
    from bench.ports.setting import set_up

    for unit in ("bench-nc-eroded", "bench-hw-hold", "bench-el-two"):
        for fault in FAULTS:
            fits = fault in fitting.faults_for(catalogue.unit(unit, 1))
            try:
                set_up(parse_sim_address(f"sim://{unit}?fault={fault}"))
            except AddressError:
                assert not fits, fault
            else:
                assert fits, fault


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
def test_tables_are_as_wide_as_the_terminal_and_break_no_name(
    columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    for command in ("limits", "faults", "units", "banks", "procedures"):
        lines = printed(capsys, command).splitlines()
        assert max(map(len, lines)) <= columns
    assert "australia-nsw-other " in printed(capsys, "limits") and "heater-shorted-turns " in printed(capsys, "faults")
    if columns == 200:
        assert max(len(line.rstrip()) for line in printed(capsys, "faults").splitlines()) > 150
