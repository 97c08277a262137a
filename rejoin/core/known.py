"""Dimensions known from elsewhere (a drawing, a twin part, a caliper): a JSON list, checked line by line."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.records import FloatArray, Scan
from rejoin.core.settings import UNITS
from rejoin.core.uncertainty.stated import KnownDimension

KINDS = ("points", "bore centres")
LARGEST_FILE = 1_000_000


def read_known(file: str | Path, scans: Sequence[Scan], names: Sequence[str]) -> tuple[KnownDimension, ...]:
    """Read known dimensions, each a distance between a point of one scan and a point of another.

    Parameters
    ----------
    file : path
        JSON: ``[{"kind": "points" | "bore centres", "a": {"file": ..., "point": [x, y, z]}, "b": {...},
        "value": ..., "limit": ...}]``. Points are in the unit of their file, value and limit (half the
        width of the tolerance) in that of a's file.
    scans : sequence of Scan
    names : sequence of str
        How the person named each scan; the file's bare name will do where it is the only one of that name.

    Returns
    -------
    tuple of KnownDimension
        In millimetres.

    Raises
    ------
    FileTrouble
        Where the file cannot be read or is no JSON.
    WrongUse
        Where an entry does not say what it must.
    """
    path = Path(file)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise FileTrouble(f"{path.name} is too large for a list of dimensions.", "Name the right file.")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read ({error.strerror}).", "Look at the name and the folder.") from error
    except (ValueError, RecursionError) as error:
        raise FileTrouble(f"{path.name} is not JSON.", "Write it as the README shows.") from error
    if not isinstance(content, list):
        raise _wrong(path, "it must be a list of dimensions")
    return tuple(_entry(item, f"{path.name}, dimension {n + 1}", scans, names) for n, item in enumerate(content))


def _entry(item: Any, where: str, scans: Sequence[Scan], names: Sequence[str]) -> KnownDimension:
    if not isinstance(item, dict) or set(item) != {"kind", "a", "b", "value", "limit"}:
        raise _wrong(where, "it must hold kind, a, b, value and limit, and nothing else")
    if item["kind"] not in KINDS:
        raise _wrong(where, f"kind must be one of: {', '.join(KINDS)}")
    (a, point_a), (b, point_b) = (_end(item[end], f"{where}, {end}", scans, names) for end in "ab")
    if a == b:
        raise _wrong(where, "a and b must be on two different fragments")
    one = UNITS[scans[a].unit]
    value, limit = (_length(item[key], f"{where}, {key}") * one for key in ("value", "limit"))
    return KnownDimension(a, point_a, b, point_b, value, limit, item["kind"])


def _end(item: Any, where: str, scans: Sequence[Scan], names: Sequence[str]) -> tuple[int, FloatArray]:
    if not isinstance(item, Mapping) or set(item) != {"file", "point"}:
        raise _wrong(where, "it must hold file and point, and nothing else")
    fits = [n for n, name in enumerate(names) if name == item["file"]]
    fits = fits or [n for n, name in enumerate(names) if Path(name).name == item["file"]]
    if len(fits) != 1:
        raise _wrong(where, f"{item['file']!r} names {len(fits) or 'none'} of the fragments given")
    point = item["point"]
    if not isinstance(point, list) or len(point) != 3 or not all(_is_number(value) for value in point):
        raise _wrong(where, "point must be three numbers")
    return fits[0], np.array(point, dtype=np.float64) * UNITS[scans[fits[0]].unit]


def _length(value: Any, where: str) -> float:
    if not _is_number(value) or value <= 0:
        raise _wrong(where, "it must be a number above zero")
    return float(value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _wrong(where: str | Path, why: str) -> WrongUse:
    return WrongUse(f"{where}: {why}.", "The README shows how such a file is written.")
