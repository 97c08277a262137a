"""Points to be measured, from a file of points or of a surface, in millimetres; two columns are a plane figure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import EXPORT_AGAIN, damaged
from rejoin.core.files.reading import READABLE, bytes_of, parsed_of
from rejoin.core.records import FloatArray, IntArray
from rejoin.core.settings import UNITS

POINT_FILES = (".xyz", ".csv", ".txt", ".asc", ".pts")
"""Suffixes of files that hold numbers by lines."""

_NUMBER = r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?"


@dataclass(frozen=True, eq=False)
class Points:
    """Points (n, 3) or (n, 2) in mm; ``triangles`` (m, 3) where the file holds a surface."""

    values_mm: FloatArray
    triangles: IntArray
    unit: str
    unit_stated: bool


def read_points(path: str | Path, unit: str | None = None) -> Points:
    """Read the points of a file.

    Parameters
    ----------
    path : path
        Lines of two or three numbers or more (`POINT_FILES`; of more than three the first three count), or any
        kind of scan file: the points of its surface.
    unit : str, optional
        Unit of files that do not state theirs; millimetres by default.

    Returns
    -------
    Points

    Raises
    ------
    FileTrouble
        Missing, empty, damaged, of an unknown kind, or without a point.
    """
    file = Path(path)
    if not file.is_file():
        raise FileTrouble(f"There is no file {path}.", "Look at the name and the folder.")
    suffix = file.suffix.lower()
    if suffix not in POINT_FILES and suffix not in READABLE:
        known = ", ".join(dict.fromkeys((*POINT_FILES, *READABLE)))
        raise FileTrouble(f"{file.name} is not a kind of file that is known here.", f"Known: {known}.")
    data = bytes_of(file)
    triangles, stated = np.empty((0, 3), np.int32), None
    if suffix in POINT_FILES:
        values = _columns(data, file.name)
    else:
        parsed = parsed_of(data, file)
        values, triangles, stated = parsed.vertices, parsed.triangles, parsed.unit
    if len(values) == 0:
        raise FileTrouble(f"{file.name} holds no points.", EXPORT_AGAIN)
    if not np.isfinite(values).all():
        raise damaged(file.name, "a coordinate is not a number")
    if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(values)):
        raise damaged(file.name, "a triangle names a point that is not there")
    known_unit = stated or unit
    return Points(values * UNITS[known_unit or "mm"], triangles, known_unit or "mm", known_unit is not None)


def _columns(data: bytes, name: str) -> FloatArray:
    """Numbers (n, 2) or (n, 3) by lines, parted by blanks, tabs, semicolons or commas; decimals with point or comma.

    A comma parts the columns where points are decimals or nothing else parts them; a heading, a count of points and
    lines that begin with # or // are passed over.
    """
    if b"\0" in data:
        raise damaged(name, "it should be plain text, but is not")
    text = data.decode("utf-8-sig", "replace")
    lines = [line.strip() for line in text.splitlines()]
    lines = [line for line in lines if line and not line.startswith(("#", "//"))]
    if lines and (re.search(r"[A-Za-z]{2}|^\s*\"?[A-Za-z]", lines[0]) or (len(lines) > 1 and lines[0].isdigit())):
        lines = lines[1:]
    if not lines:
        raise FileTrouble(f"{name} holds no points.", EXPORT_AGAIN)
    splitter = _splitter(lines[0])
    rows = [[one for one in splitter.split(line.strip(" \t;" + ("," if "," in splitter.pattern else ""))) if one]
            for line in lines]  # fmt: skip
    width = len(rows[0])
    if width < 2 or any(len(row) != width for row in rows):
        raise damaged(name, "its lines do not all hold the same count of numbers, two or more")
    for row in rows:
        for one in row[:3]:
            if not re.fullmatch(_NUMBER, one):
                raise damaged(name, f"there is text where a number should stand ({one[:20]!r})")
    return np.array([[float(one.replace(",", ".")) for one in row[:3]] for row in rows])


def _splitter(line: str) -> re.Pattern[str]:
    """What parts the columns, judged by the first line of numbers."""
    if ";" in line:
        return re.compile(r"\s*;\s*")
    if "," not in line:
        return re.compile(r"\s+")
    words = line.split()
    if len(words) > 1 and all(re.fullmatch(r"[-+]?\d*,\d+(?:[eE][-+]?\d+)?|[-+]?\d+", word) for word in words):
        return re.compile(r"\s+")
    return re.compile(r"\s*,\s*|\s+")
