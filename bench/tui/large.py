"""Words to be read from two metres: letters of dots, drawn as half blocks in whole sizes, so that a dot can be nearly square.

A letter is seven dots tall and one to five wide. Half a terminal cell is about as tall as a cell is wide, so a dot of `w` columns by
`h` half rows is square if w = h; taller dots make narrow letters, for long words on small terminals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from textwrap import wrap

DOTS = 7
_BETWEEN_WORDS = 3
_BETWEEN_LINES = 1

_DRAWN: Mapping[str, str] = {
    "A": ".##. #..# #..# #### #..# #..# #..#",
    "B": "###. #..# #..# ###. #..# #..# ###.",
    "C": ".##. #..# #... #... #... #..# .##.",
    "D": "###. #..# #..# #..# #..# #..# ###.",
    "E": "#### #... #... ###. #... #... ####",
    "F": "#### #... #... ###. #... #... #...",
    "G": ".### #... #... #.## #..# #..# .###",
    "H": "#..# #..# #..# #### #..# #..# #..#",
    "I": "# # # # # # #",
    "J": "..## ...# ...# ...# ...# #..# .##.",
    "K": "#..# #..# #.#. ##.. #.#. #..# #..#",
    "L": "#... #... #... #... #... #... ####",
    "M": "#...# ##.## #.#.# #.#.# #...# #...# #...#",
    "N": "#..# ##.# ##.# #.## #.## #..# #..#",
    "O": ".##. #..# #..# #..# #..# #..# .##.",
    "P": "###. #..# #..# ###. #... #... #...",
    "Q": ".##. #..# #..# #..# #..# #.## .###",
    "R": "###. #..# #..# ###. #.#. #..# #..#",
    "S": ".### #... #... .##. ...# ...# ###.",
    "T": "##### ..#.. ..#.. ..#.. ..#.. ..#.. ..#..",
    "U": "#..# #..# #..# #..# #..# #..# .##.",
    "V": "#...# #...# #...# #...# .#.#. .#.#. ..#..",
    "W": "#...# #...# #...# #.#.# #.#.# ##.## #...#",
    "X": "#...# #...# .#.#. ..#.. .#.#. #...# #...#",
    "Y": "#...# #...# .#.#. ..#.. ..#.. ..#.. ..#..",
    "Z": "#### ...# ..#. ..#. .#.. #... ####",
    "0": ".###. #...# #...# #.#.# #...# #...# .###.",
    "1": ".#. ##. .#. .#. .#. .#. ###",
    "2": ".##. #..# ...# ..#. .#.. #... ####",
    "3": "###. ...# ...# .##. ...# ...# ###.",
    "4": "#..# #..# #..# #### ...# ...# ...#",
    "5": "#### #... ###. ...# ...# #..# .##.",
    "6": ".##. #... #... ###. #..# #..# .##.",
    "7": "#### ...# ..#. ..#. .#.. .#.. .#..",
    "8": ".##. #..# #..# .##. #..# #..# .##.",
    "9": ".##. #..# #..# .### ...# ...# .##.",
    "✓": "..... ....# ....# ...#. #..#. .##.. ..#..",
    "✗": "..... #...# .#.#. ..#.. .#.#. #...# .....",
    "≠": "....# ...#. ##### ..#.. ##### .#... #....",
    "?": ".##. #..# ...# ..#. .#.. .... .#..",
    "!": "## ## ## ## .. ## ##",
    ".": ". . . . . . #",
    ",": ".. .. .. .. .# .# #.",
    ":": ". . # . # . .",
    "_": ".... .... .... .... .... .... ####",
    "-": "... ... ... ### ... ... ...",
    "+": "... ... .#. ### .#. ... ...",
    "/": "...# ...# ..#. ..#. .#.. #... #...",
    "\\": "#... #... .#.. ..#. ..#. ...# ...#",
    "|": "# # # . # # #",
    '"': "#.# #.# #.# ... ... ... ...",
    "'": "# # # . . . .",
    "`": "#. .# .. .. .. .. ..",
    "^": "..#.. .#.#. #...# ..... ..... ..... .....",
    "~": "..... ..... .#..# #.##. ..... ..... .....",
    "#": ".#.#. .#.#. ##### .#.#. ##### .#.#. .#.#.",
    "$": "..#.. .#### #.#.. .###. ..#.# ####. ..#..",
    "%": "##..# ##..# ...#. ..#.. .#... #..## #..##",
    "&": ".##.. #..#. #..#. .##.. #.#.# #..#. .##.#",
    "*": "..... #.#.# .###. ##### .###. #.#.# .....",
    "(": ".# #. #. #. #. #. .#",
    ")": "#. .# .# .# .# .# #.",
    "[": "## #. #. #. #. #. ##",
    "]": "## .# .# .# .# .# ##",
    "{": "..# .#. .#. #.. .#. .#. ..#",
    "}": "#.. .#. .#. ..# .#. .#. #..",
    "<": "...# ..#. .#.. #... .#.. ..#. ...#",
    ">": "#... .#.. ..#. ...# ..#. .#.. #...",
    "=": ".... .... #### .... #### .... ....",
    ";": ".. .. .# .. .. .# #.",
    "@": ".###. #...# #.### #.#.# #.### #.... .####",
}
GLYPHS: Mapping[str, tuple[str, ...]] = {letter: tuple(rows.split()) for letter, rows in _DRAWN.items()}
_BLOCKS = " ▀▄█"


def large(text: str, width: int, height: int) -> list[str]:
    """`text` as rows of block characters, all of one length: the largest size that fits, broken between words where that is larger.

    Small letters become capitals; a word that is too long is broken where it must be. Empty if even the smallest size (three and a half
    rows) is too large, if there is nothing to draw, or if a character has no glyph: what is not there must not be read from afar.
    """
    words = text.upper().split()
    if not words or any(letter not in GLYPHS for word in words for letter in word):
        return []
    longest = max(map(len, words))
    found = _sized(words, range(longest, len(" ".join(words)) + 1), width, height) or _sized(words, range(1, longest), width, height)
    if not found:
        return []
    # Of equally tall letters the wider, then the fewer lines.
    (across, down), lines = max(found, key=lambda one: (one[0][1], one[0][0], -len(one[1])))
    return _halved(_scaled(_stacked([_dots(line) for line in lines]), across, down))


def _sized(words: Sequence[str], lengths: range, width: int, height: int) -> list[tuple[tuple[int, int], tuple[str, ...]]]:
    """The ways to break the words into lines of at most so many letters, each once, with the size at which it fits; those that fit."""
    ways = dict.fromkeys(tuple(wrap(" ".join(words), length, break_on_hyphens=False)) for length in reversed(lengths))
    return [(size, lines) for lines in ways if (size := _size(lines, width, height)) is not None]


def _size(lines: Sequence[str], width: int, height: int) -> tuple[int, int] | None:
    """Columns and half rows of a dot: the tallest that fits, at most twice as tall as wide."""
    dots_across = max(len(_dots(line)[0]) for line in lines)
    dots_down = DOTS * len(lines) + _BETWEEN_LINES * (len(lines) - 1)
    most_across = width // dots_across
    down = min(2 * height // dots_down, 2 * most_across)
    across = min(most_across, down)
    return (across, down) if across >= 1 and down >= 1 else None


def _dots(line: str) -> list[str]:
    """The seven rows of dots of one line of text, with one empty dot between letters."""
    rows = [""] * DOTS
    for number, letter in enumerate(line):
        if letter == " ":
            rows = [row + "." * _BETWEEN_WORDS for row in rows]
            continue
        gap = "." if number and line[number - 1] != " " else ""
        rows = [row + gap + more for row, more in zip(rows, GLYPHS[letter], strict=True)]
    return rows


def _stacked(lines: Sequence[Sequence[str]]) -> list[str]:
    width = max(len(rows[0]) for rows in lines)
    stacked: list[str] = []
    for number, rows in enumerate(lines):
        stacked += ["." * width] * (_BETWEEN_LINES if number else 0)
        before = "." * ((width - len(rows[0])) // 2)
        stacked += [(before + row).ljust(width, ".") for row in rows]
    return stacked


def _scaled(rows: Sequence[str], across: int, down: int) -> list[str]:
    return [wide for row in rows for wide in ["".join(dot * across for dot in row)] * down]


def _halved(rows: Sequence[str]) -> list[str]:
    """Two rows of dots to each row of characters."""
    return ["".join(_pairs(upper, lower)) for upper, lower in zip(rows[::2], [*rows[1::2], "." * len(rows[0])], strict=False)]


def _pairs(upper: str, lower: str) -> Iterator[str]:
    for above, below in zip(upper, lower, strict=True):
        yield _BLOCKS[(above == "#") + 2 * (below == "#")]


_CORNERS = " ╵╷│╴┘┐┤╶└┌├─┴┬┼"  # by the lines that meet: 1 from above, 2 from below, 4 from the left, 8 from the right


def outlined(text: str, width: int) -> list[str]:
    """One line of `text` as hollow letters, eight rows of line characters: a dot is one row tall and at most two cells wide.

    Empty where `large` would be.
    """
    if not text or any(letter != " " and letter not in GLYPHS for letter in text):
        return []
    dots = [f".{row}." for row in _dots(text)]
    inner = len(dots[0]) - 2
    across = min((width - 1) // inner, 2)
    blank = "." * len(dots[0])
    return [_edge_row(above, below, across) for above, below in pairwise((blank, *dots, blank))] if across >= 1 else []


def _edge_row(above: str, below: str, across: int) -> str:
    """The line between two rows of dots: where exactly one of two neighbouring dots is there, their common side."""
    written = []
    for column in range(1, len(above)):
        sides = (above[column - 1] != above[column], below[column - 1] != below[column],
                 above[column - 1] != below[column - 1], above[column] != below[column])  # fmt: skip
        corner = _CORNERS[sum(1 << number for number, is_there in enumerate(sides) if is_there)]
        written.append(corner + ("─" if sides[3] else " ") * (across - 1))
    return "".join(written)[: (len(above) - 2) * across + 1]
