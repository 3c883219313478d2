"""What a shell's Tab key offers: commands and options by click's own completion, names of files, units, faults, banks and parts by this.

A name may be typed in any command, so nothing here may be slow, print, or fail: whatever goes wrong, nothing is offered.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeAlias

import click
from click.shell_completion import BashComplete, CompletionItem, shell_complete, split_arg_string

Completer: TypeAlias = Callable[[click.Context, click.Parameter, str], list[Any]]
_BREAKS = (":", "=")  # where bash cuts words that stand in no quotes


def complete(commands: click.Group, variable: str, instruction: str) -> int:
    """Do as the shell asks in this variable of the environment (`bash_source`, `zsh_complete`), on the standard output; return the exit
    code."""
    click.shell_completion.add_completion_class(BashWords, "bash")
    try:
        return shell_complete(commands, {}, "makebreak", variable, instruction)
    except Exception:  # an address that can't be, a folder that can't be read: the line under the cursor must stay whole
        return 1


class BashWords(BashComplete):
    """Bash, which hands over `sim`, `:`, `//LINK` for one word, and replaces only the last of them."""

    _uncut = ""

    def get_completion_args(self) -> tuple[list[str], str]:
        """Return the whole words before the cursor, and the one under it as far as it goes."""
        number = int(os.environ["COMP_CWORD"])
        pieces = split_arg_string(os.environ["COMP_WORDS"])[: number + 1]
        words = joined_words(pieces + [""] * (number + 1 - len(pieces)))
        is_cut = len(pieces) > 1 and (pieces[-1] in _BREAKS or pieces[-2] in _BREAKS)
        self._uncut = words[-1][: max(map(words[-1].rfind, _BREAKS)) + 1] if is_cut else ""
        return words[1:-1], words[-1]

    def get_completions(self, args: list[str], incomplete: str) -> list[CompletionItem[str]]:
        items = super().get_completions(args, incomplete)
        return [CompletionItem(item.value.removeprefix(self._uncut), item.type, item.help) for item in items]


def joined_words(pieces: Iterable[str]) -> list[str]:
    """Return words as they were typed, from the pieces that bash makes of them."""
    words: list[str] = []
    is_open = False
    for piece in pieces:
        if words and (is_open or piece in _BREAKS):
            words[-1] += piece
        else:
            words.append(piece)
        is_open = piece in _BREAKS
    return words


def names_of(kind: str, *more: str) -> Completer:
    """Offer the shipped files of one of `files.KINDS`, and `more` words; a path's completion is the shell's own."""

    def offer(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[Any]:
        from bench import files

        if files.is_path(incomplete):
            return [CompletionItem(incomplete, type="file")]
        return _beginning(incomplete, (*files.shipped(kind), *more))

    return offer


def limits_offered(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[Any]:
    """Offer limit sets and their families."""
    from bench import files

    shipped = files.shipped("limits")
    families = {limit_set.family for limit_set in files.limit_sets()}
    return names_of("limits", *sorted(families.difference(shipped)))(context, parameter, incomplete)


def parts_offered(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[Any]:
    """Offer the parts that were entered in the folder named by --parts."""
    from bench.parts import all_parts

    folder = context.params.get("parts_folder") or Path("parts")
    return _beginning(incomplete, [claims.part for claims in all_parts(folder)])


def units_offered(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[Any]:
    """Offer the units of the catalogue."""
    from bench.simboard import catalogue

    return _beginning(incomplete, catalogue.names())


def addresses_offered(incomplete: str) -> list[Any]:
    """Offer boards that are plugged in, and of a simulated bench's address the part that is being typed: unit, parameters, their values."""
    if not incomplete.startswith("sim://"):
        from bench.ports.serial_port import find_boards

        return _beginning(incomplete, ("auto", "sim://", *(found.device for found in find_boards(probe=False))))
    unit, mark, typed = incomplete.removeprefix("sim://").partition("?")
    if not mark:
        from bench.simboard import catalogue

        return _beginning(incomplete, [f"sim://{name}" for name in (*catalogue.names(), "LINK", "NONE")])
    key, sign, value = typed.rpartition("&")[2].partition("=")
    if not sign:
        from bench.ports.address import PARAMETERS

        return _after(incomplete, key, [f"{name}=" for name in PARAMETERS])
    return _after(incomplete, value.rpartition(",")[2], _values(unit, key))


def _values(unit: str, key: str) -> Iterable[str]:
    """Return what the parameter of a simulated bench's address may be, where these are words."""
    if key == "bank":
        from bench import files

        return files.shipped("banks")
    if key == "fault":
        from bench.simboard import catalogue, fitting

        return fitting.faults_for(catalogue.unit(unit)) if unit in catalogue.names() else fitting.all_faults()
    return ("virtual", "real") if key == "pace" else ()


def _after(incomplete: str, begun: str, offered: Iterable[str]) -> list[Any]:
    """Complete the last piece of a word, `begun`."""
    done = incomplete.removesuffix(begun) if begun else incomplete
    return [CompletionItem(f"{done}{item.value}") for item in _beginning(begun, offered)]


def _beginning(incomplete: str, offered: Iterable[str]) -> list[Any]:
    return [CompletionItem(name) for name in offered if name.startswith(incomplete) and name.isprintable()]
