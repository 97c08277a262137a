"""Dimensions known from elsewhere (a drawing, a twin part, a caliper): a JSON list, checked line by line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rejoin.core.files.lists import is_number, listed, point_of, wrong
from rejoin.core.records import FloatArray, Scan
from rejoin.core.settings import UNITS
from rejoin.core.uncertainty.stated import KnownDimension

KINDS = ("points", "bore centres")


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
    items = listed(file, "dimensions")
    return tuple(_entry(item, f"{Path(file).name}, dimension {n + 1}", scans, names) for n, item in enumerate(items))


def _entry(item: Any, where: str, scans: Sequence[Scan], names: Sequence[str]) -> KnownDimension:
    if not isinstance(item, dict) or set(item) != {"kind", "a", "b", "value", "limit"}:
        raise wrong(where, "it must hold kind, a, b, value and limit, and nothing else")
    if item["kind"] not in KINDS:
        raise wrong(where, f"kind must be one of: {', '.join(KINDS)}")
    (a, point_a), (b, point_b) = (_end(item[end], f"{where}, {end}", scans, names) for end in "ab")
    if a == b:
        raise wrong(where, "a and b must be on two different fragments")
    one = UNITS[scans[a].unit]
    value, limit = (_length(item[key], f"{where}, {key}") * one for key in ("value", "limit"))
    return KnownDimension(a, point_a, b, point_b, value, limit, item["kind"])


def _end(item: Any, where: str, scans: Sequence[Scan], names: Sequence[str]) -> tuple[int, FloatArray]:
    if not isinstance(item, Mapping) or set(item) != {"file", "point"}:
        raise wrong(where, "it must hold file and point, and nothing else")
    fits = [n for n, name in enumerate(names) if name == item["file"]]
    fits = fits or [n for n, name in enumerate(names) if Path(name).name == item["file"]]
    if len(fits) != 1:
        raise wrong(where, f"{item['file']!r} names {len(fits) or 'none'} of the fragments given")
    return fits[0], point_of(item["point"], where) * UNITS[scans[fits[0]].unit]


def _length(value: Any, where: str) -> float:
    if not is_number(value) or value <= 0:
        raise wrong(where, "it must be a number above zero")
    return float(value)
