"""Errors within what Qt calls back: on Python 3.10 and 3.11 the binding crashes on those not yet made into an object.

PySide6 6.10 and 6.11 look into the error's value without making it one
(``int("x")`` within a mouse event ended the program without a word).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

Given = ParamSpec("Given")
Result = TypeVar("Result")


def called_by_qt(override: Callable[Given, Result]) -> Callable[Given, Result]:
    """Let an error out only as an object: it is then told at the terminal, and the window lives on."""

    @wraps(override)
    def guarded(*given: Given.args, **named: Given.kwargs) -> Result:
        try:
            return override(*given, **named)
        except Exception as error:
            raise error

    return guarded
