"""Places marked on two scans of one fragment: a JSON list, checked line by line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.files.lists import listed, point_of, wrong
from rejoin.core.files.reading import scan_files
from rejoin.core.records import FloatArray, SamePlaces, Scan
from rejoin.core.settings import UNITS


@dataclass(frozen=True, eq=False)
class FileMarks:
    """The same places on two files: ``on_a`` and ``on_b`` (k, 3) in the unit of each."""

    a: Path
    b: Path
    on_a: FloatArray
    on_b: FloatArray


def read_marks(file: str | Path, inputs: Sequence[str | Path]) -> tuple[FileMarks, ...]:
    """Read which places of two scans of one folder are the same.

    Parameters
    ----------
    file : path
        JSON: ``[{"a": {"file": ..., "point": [x, y, z]}, "b": {...}}]``, an entry for each place, in the unit of
        each file. A file's bare name will do where it is the only one of that name.
    inputs : sequence of path
        The folders in which the scans are.

    Raises
    ------
    FileTrouble
        Where the file cannot be read or is no JSON.
    WrongUse
        Where an entry does not say what it must, or its two scans are not of one folder.
    """
    folders = [scan_files(path) for path in inputs]
    pairs: dict[tuple[Path, Path], list[tuple[FloatArray, FloatArray]]] = {}
    for number, item in enumerate(listed(file, "marks"), 1):
        where = f"{Path(file).name}, mark {number}"
        if not isinstance(item, dict) or set(item) != {"a", "b"}:
            raise wrong(where, "it must hold a and b, and nothing else")
        a, b = (_end(item[end], f"{where}, {end}", folders) for end in "ab")
        if a[0] == b[0] or not any(a[0] in one and b[0] in one for one in folders):
            raise wrong(where, "a and b must be two scans of one folder")
        if (b[0], a[0]) in pairs:  # the same two, whichever is named first
            a, b = b, a
        pairs.setdefault((a[0], b[0]), []).append((a[1], b[1]))
    return tuple(
        FileMarks(*files, *(np.array([place[side] for place in places]) for side in (0, 1)))
        for files, places in pairs.items()
    )


def in_mm(marks: Sequence[FileMarks], files: Sequence[Path], views: Sequence[Scan]) -> list[SamePlaces]:
    """Those on these files, by the number of the view each was read as."""
    return [
        SamePlaces(i, j, one.on_a * UNITS[views[i].unit], one.on_b * UNITS[views[j].unit])
        for one in marks if one.a in files and one.b in files
        for i, j in [(files.index(one.a), files.index(one.b))]
    ]  # fmt: skip


def _end(item: Any, where: str, folders: Sequence[tuple[Path, ...]]) -> tuple[Path, FloatArray]:
    if not isinstance(item, dict) or set(item) != {"file", "point"} or not isinstance(item["file"], str):
        raise wrong(where, "it must hold file and point, and nothing else")
    every = [path for folder in folders if len(folder) > 1 for path in folder]
    fits = [path for path in every if str(path) == item["file"]]
    fits = fits or [path for path in every if path.name == item["file"]]
    if len(fits) != 1:
        raise wrong(where, f"{item['file']!r} names {len(fits) or 'none'} of the scans in the folders given")
    return fits[0], point_of(item["point"], where)
