"""JSON lists that a person writes (known dimensions, marks): read, and their entries checked in words."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.records import FloatArray

LARGEST_FILE = 1_000_000


def listed(file: str | Path, what: str) -> list[Any]:
    """The entries of a JSON list of some things, unchecked.

    Raises
    ------
    FileTrouble
        Where the file cannot be read or is no JSON.
    WrongUse
        Where it holds no list.
    """
    path = Path(file)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise FileTrouble(f"{path.name} is too large for a list of {what}.", "Name the right file.")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read ({error.strerror}).", "Look at the name and the folder.") from error
    except (ValueError, RecursionError) as error:
        raise FileTrouble(f"{path.name} is not JSON.", "Write it as the README shows.") from error
    if not isinstance(content, list):
        raise wrong(path, f"it must be a list of {what}")
    return content


def point_of(point: Any, where: str) -> FloatArray:
    """Three numbers (3,), as they were written."""
    if not isinstance(point, list) or len(point) != 3 or not all(is_number(value) for value in point):
        raise wrong(where, "point must be three numbers")
    return np.array(point, dtype=np.float64)


def is_number(value: Any) -> bool:
    """Whether an entry is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def wrong(where: str | Path, why: str) -> WrongUse:
    """What is wrong with an entry, in words."""
    return WrongUse(f"{where}: {why}.", "The README shows how such a file is written.")
