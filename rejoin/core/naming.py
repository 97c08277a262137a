"""How a fragment is called on the bench."""

from __future__ import annotations


def letter(fragment: int) -> str:
    """A, B, C ... AA: as it stands over the fragment in the view."""
    name = ""
    number = fragment + 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(65 + rest) + name
    return name


def lettered(fragment: int, name: str) -> str:
    """The letter with the scan's name, for where the one alone would have to be looked up."""
    return f"{letter(fragment)} ({name})"
