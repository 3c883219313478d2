"""What the command line and the Python API take where nothing was said. It imports nothing, so that asking costs nothing."""

ADDRESS = "sim://bench-el-plain"
UNIT = "unnamed"
PROCEDURE = "decide"
RATED_W = (21.0, 21.0)
SYSTEM_V = 12.0
LIMITS = ("un-r48",)
"""What a vehicle must show: for every mechanism, read in a public copy, and of one start. On-time and contact drop are the grade rule's."""
GRADE_RULE = "default"


def unit_name(address: str) -> str:
    """Return the unit's name where none was given: a simulated one's is that of the catalogue."""
    kind, _, rest = address.partition("://")
    return rest.partition("?")[0].strip("/") if kind == "sim" else UNIT
