"""Sentences that core wrote in millimetres, told in the reader's unit."""

from __future__ import annotations

import re

from rejoin.app.words.sentences import Units

_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_LENGTHS = re.compile(rf"{_NUMBER}(?:(?: x | × | to |, | \+- | ± ){_NUMBER})*(?= mm\b)(?! mm[23²³])")
_POINT = re.compile(rf"\({_NUMBER}(?:, {_NUMBER}){{1,2}}\)")
_MM = re.compile(r" mm\b(?![23²³])")


def in_units(text: str, units: Units) -> str:
    """The sentence with its lengths, and the points in brackets, in the reader's unit.

    Digits are kept: a length comes out as fine as it was told. Areas, volumes and what has no unit stay.
    """
    text = text.replace(" +- ", " ± ")  # as a terminal writes it
    if units.name == "mm":
        return text
    text = _POINT.sub(lambda match: _converted(match[0], units), text)
    text = _LENGTHS.sub(lambda match: _converted(match[0], units), text)
    return _MM.sub(f" {units.short}", text)


def _converted(text: str, units: Units) -> str:
    def one(match: re.Match[str]) -> str:
        number = match[0]
        places = len(number.partition(".")[2]) + 1
        value = float(number.replace("−", "-")) / units.mm
        sign = "+" if number.startswith("+") else ""
        least = 4 if 0 < abs(value) < 1 else 3
        told = f"{value:.{max(places, least)}f}".rstrip("0").rstrip(".")
        return sign + ("0" if told in ("-0", "") else told)

    return re.sub(_NUMBER, one, text)
