"""What a screen asks of the application: typed messages, so that a screen knows no more of it than that it hears them."""

from __future__ import annotations

from textual.message import Message

from bench.tui.choices import Choices
from bench.tui.state import Practising


class Request(Message):
    """The root of all requests."""


class Chosen(Request):
    """Test with these choices from now on. `note`: a line on why, if no key was pressed for it; it is added to what is said already."""

    def __init__(self, choices: Choices, note: str = "") -> None:
        super().__init__()
        self.choices = choices
        self.note = note


class FavouritesChanged(Request):
    """Keep these favourites from now on."""

    def __init__(self, favourites: tuple[Choices, ...]) -> None:
        super().__init__()
        self.favourites = favourites


class Scanned(Request):
    """A unit's number came from a scanner where words were being typed: take it as everywhere."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class CautionsRead(Request):
    """The cautions were read and the connections checked: start the test."""


class KnobTurned(Request):
    """Turn the simulated supply's knob by so many steps, down if negative."""

    def __init__(self, steps: int) -> None:
        super().__init__()
        self.steps = steps


class PracticeBegun(Request):
    """Work on this simulated bench from now on."""

    def __init__(self, practising: Practising) -> None:
        super().__init__()
        self.practising = practising


class PracticeLeft(Request):
    """Go back to the board."""
