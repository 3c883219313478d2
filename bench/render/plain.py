"""Outside text (labels, board replies, file names) made safe to print on one line."""

from __future__ import annotations

import unicodedata

# Control, format (which can turn the direction of writing), surrogate and private characters, line and paragraph separators.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})


def one_line(text: str) -> str:
    """`text` with every run of white space as one space, and what a terminal might obey as visible escapes (`\\x1b`)."""
    return "".join(_visible(c) if unicodedata.category(c) in _UNSAFE else c for c in " ".join(text.split()))


def _visible(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
