"""Outside text (labels, board replies, file names) made safe to print on one line."""

from __future__ import annotations

from bench.typed_json import escaped


def one_line(text: str) -> str:
    """`text` with every run of white space as one space, and what a terminal might obey as visible escapes (`\\x1b`)."""
    return escaped(" ".join(text.split()))
