"""Outside text (labels, board replies, file names) made safe to print: nothing in it that a terminal might obey.

Not printable, to Python, are control characters (C0, C1) and format characters (which can turn the direction of writing), halves of
surrogate pairs, and characters of private use. They are shown as escapes (`\\x1b`).
"""

from __future__ import annotations


def escaped(text: str) -> str:
    """Return `text` with every character that is not printable as a visible escape."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def reason_text(error: Exception) -> str:
    """What the system says of an error, in words: its number says nothing to people, and is said twice by some libraries."""
    said = str(error)
    while "[Errno " in said:
        before, _, rest = said.partition("[Errno ")
        said = before + rest.partition("]")[2].lstrip()
    return said.strip() or type(error).__name__


def sentence(text: str) -> str:
    """`text` on one line, with the full stop that it may lack."""
    line = one_line(text)
    return line if line.endswith((".", "!", "?")) else f"{line}."


def one_line(text: str) -> str:
    """Return `text` with every run of white space as one space, and what a terminal might obey as visible escapes."""
    return escaped(" ".join(text.split()))


def plain_text(text: str) -> str:
    """Return `text` with its lines and blanks as they are, all other white space as blanks, and what a terminal might obey as visible
    escapes."""
    lines = text.split("\n")
    return "\n".join(line if line.isprintable() else escaped("".join(" " if c.isspace() else c for c in line)) for line in lines)


def shortened(text: str, most: int) -> str:
    """Return `text` in at most `most` characters: of a longer one its beginning and its end, and how much was left out between."""
    if len(text) <= most:
        return text
    part = (most - 40) // 2
    return f"{text[:part]} [... {len(text) - 2 * part} characters ...] {text[-part:]}"
