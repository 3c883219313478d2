"""What a part is said to be, in words: for lists, and for the line that says what is tested."""

from __future__ import annotations

from collections.abc import Iterator

from bench.claims import Claims


def claims_words(claims: Claims) -> list[str]:
    """Return what is known beside system and rated load, each claim in a few words; empty if nothing is."""
    return list(_words(claims))


def _words(claims: Claims) -> Iterator[str]:
    if claims.terminals is not None:
        yield f"{claims.terminals} terminals"
    if claims.pilot == "none":
        yield "no pilot"
    elif claims.pilot is not None:
        yield f"pilot {claims.pilot}"
    if claims.pilot_lamp_out is not None:
        yield f"pilot {claims.pilot_lamp_out} with a lamp out"
    if claims.load is not None:
        yield f"{claims.load} load"
    for value, words in ((claims.outage, "outage signal"), (claims.led, "LED lamps"), (claims.trailer, "trailer")):
        if value is not None:
            yield words if value else f"no {words}"
