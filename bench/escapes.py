"""Outside text (labels, board replies, file names) made safe to show: nothing is left in it that a terminal might obey.

Not printable, to Python, are control characters (C0, C1) and format characters (which can turn the direction of writing), halves of
surrogate pairs, and characters of private use.
"""

from __future__ import annotations


def escaped(text: str) -> str:
    """Return `text` with what a terminal might obey as visible escapes (`\\x1b`, `\\n`)."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
