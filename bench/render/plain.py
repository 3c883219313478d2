"""Outside text (labels, board replies, file names) made safe to print on one line."""

from __future__ import annotations


def one_line(text: str) -> str:
    """`text` with every run of white space as one space, and what a terminal might obey as visible escapes (`\\x1b`).

    Not printable, to Python, are control and format characters (which can turn the direction of writing) and the like.
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in " ".join(text.split()))
