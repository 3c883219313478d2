"""What to do next, by the reason for the outcome."""

from __future__ import annotations

from collections.abc import Mapping

NOT_THIS_LOAD = "Sell it for lamps on which it flashed right, or test it on the lamps that it is for."
READ_RATING = "Read on the unit which lamps it is for, and test it on those."
OTHER_LAMPS = "Test it by a procedure that switches a lamp off and a further one on (decide, full), on a bank that has that lamp."
FROM_THE_START = "Let the recording begin before voltage comes to the unit, or judge it by limits that ask for no starting time."
BY_SOUND = "For what sound does not show test it on a bench; where clicks were not heard, record closer, for 20 s or more."
ONE_RUN = "Judge one run alone (--window), and record until voltage goes."
TEST_AGAIN = "Test again."
MEND = "Put that right, then test the same unit again."
READ_ZEROS = "Read the zeros with the shorting link, which shows what the leads add; then test again."
PROVE_LAMPS = "Fit the shorting link and check the lamps, or test on lamps that are known; then test again."
ITS_VOLTS = "Test it at the voltage of its system."
ITS_LAMPS = "Test it on the lamps that it is for."
AGAIN = "Zero the bench, let everything cool, and test again."
OF_RECORDINGS: Mapping[str, str] = {
    TEST_AGAIN: "Record it again, with what is missing.",
    MEND: "Put that right, then record the same unit again.",
    READ_ZEROS: "Record the drop at the unit's own terminals.",
    PROVE_LAMPS: "Record it on lamps that are known to be right, with their current, and name them (--fitted).",
    ITS_VOLTS: "Record it at the voltage of its system.",
    ITS_LAMPS: "Record it on the lamps that it is for.",
    READ_RATING: "Read on the unit which lamps it is for, and record it on those.",
}
"""The same advice for a recording made elsewhere, where there is no bench."""
