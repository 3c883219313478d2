"""The cautions, word for word, wherever they are shown: before real current flows, and under every result.

Common practice, no source, where nothing else is said; the current of a battery into a short is computed: 12.6 V over 5 + 8 mohm.
"""

BEFORE_POWER = (
    "A lead-acid battery drives up to 970 A into a short: fuse within 15 cm of its plus post, no rings or watch, eye protection.",
    "Lamps, ballast and socket plate burn (lamp glass well above 110 degC): guard them, wear gloves, nothing below that burns.",
    "Never connect the rig to a running vehicle: its load-dump pulses are higher than the rig withstands.",
    "The rig's 0 V floats: connect no earthed instrument, no unisolated USB, no chassis.",
    "A failed switch in the rig stays on, and software is no protection: only the hand switch or emergency stop is a real OFF.",
    "Lamps and unit must match the system voltage, at most 32 V. Never bridge a unit while its load is shorted.",
    "An electronic unit: check its pins first; at first power limit the current to 1 A.",
)
NO_INSPECTION = (
    "Good here says that these values, on this bench, kept these figures. It is no inspection of a vehicle and no approval of "
    "a part: a licensed inspection decides."
)
SIMULATED = "Simulated board: no real unit was tested."
