"""The contract's tests catch a board with a fault: some of `reports/planted_boards.py`, each by the test that is there for it.

`python -m reports.planted_boards` tries all faults against all tests.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
import test_contract_calibration as calibration
import test_contract_protection as protection
import test_contract_samples as samples
import test_contract_switches as switches
import test_contract_text as text
import vectors
from contract_bench import OTHER, Bench, hands_at
from contract_description import loads_of

from bench.description import parse_description
from bench.ports.opening import open_port
from bench.wire import ResetCause
from reports.described_board import described_board
from reports.planted_boards import FAULTS, KIND, planted_board

CASES: dict[str, Callable[..., None]] = {
    "no-supply-trip": protection.test_a_supply_beyond_the_range_opens_everything,
    "ticks-zero": samples.test_ticks_tell_parts_of_an_interval,
    "rst-order": switches.test_rst_opens_first_and_then_stops_sampling,
    "store-nothing": calibration.test_what_is_stored_lasts_over_resets_and_nothing_else,
    "burst-last": samples.test_a_burst_is_stamped_at_its_first_change_and_counts_them_all,
    "threshold-quarter": samples.test_the_comparator_is_high_above_half_the_input,
    "run-number": samples.test_runs_are_numbered_and_each_begins_at_zero,
    "sequence": partial(protection.test_a_start_is_told_and_all_is_as_the_page_has_it, cause=ResetCause.EXT),
    "overflow-bit": text.test_at_an_overflow_the_status_has_the_bit_of_350_and_not_the_ninths_own,
    "silence-errors": partial(protection.test_lines_with_errors_do_not_keep_a_board_closed, line="FOO"),
    "live-glitch": switches.test_what_a_line_does_not_name_stays_without_the_shortest_break,
    "lost-always": samples.test_a_run_is_whole_and_in_order,
    "cause-rst": protection.test_reset_clears_a_trip_and_the_cause_stays_until_the_next,
}


def put_to(name: str, test: Callable[..., None]) -> None:
    """One test of the contract on the board with this fault."""
    port = open_port(f"{KIND}://{name}")
    bench = Bench(port)
    bench.listen(0.1)
    lines = bench.lines()
    known = {"bench": bench, "description": parse_description(lines), "loads": loads_of(lines), "hands": hands_at(port)}
    bench.do("*RST", "*CLS")
    bench.ask("*ESR?")
    wanted = (test.func if isinstance(test, partial) else test).__annotations__.keys() & known.keys()
    test(**{what: known[what] for what in wanted})


@pytest.mark.parametrize("name", CASES)
def test_a_planted_fault_is_caught_by_the_test_for_it(name: str) -> None:
    put_to("sound", CASES[name])
    with pytest.raises((AssertionError, ValueError)):
        put_to(name, CASES[name])


def test_every_fault_is_a_board_of_its_own() -> None:
    assert len({type(planted_board(name)) for name in FAULTS}) == len(FAULTS)
    assert len({fault.text for fault in FAULTS.values()}) == len(FAULTS)


def test_a_load_of_a_kind_that_no_host_knows_is_one_of_the_boards() -> None:
    """So it is not taken for one that the board lacks."""
    lines = vectors.description_lines("description.txt")
    loads = loads_of([line.replace("load,4,LAMP,10", "load,4,HORN,5") for line in lines])
    assert 4 not in loads.all and loads.numbers == frozenset(range(1, 9)) and loads.lacking == 9


def test_a_board_is_made_as_its_description_says() -> None:
    """What the host reads is what was given, also in other slots, bits, ranges and loads than the rig's."""
    assert described_board(OTHER).description == OTHER
