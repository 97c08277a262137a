"""Files that name faces and what is done to them, and the notes from trying a print; JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import FileTrouble
from rejoin.core.records import FloatArray, MakePick
from rejoin.core.settings import UNITS

_KNOWN = {
    "restore": {"mm", "inch", "diameter_mm", "diameter_inch"},
    "stock": {"mm", "inch", "solid", "core", "print_mm"},
    "draft": {"degrees", "way"},
    "fit": {"tight_mm", "loose_mm"},
    "window": set(),
}
_ALWAYS = {"point", "name", "note", "shape"}


def read_picks(path: str | Path, what: str, unit: str) -> tuple[MakePick, ...]:
    """A list of faces: ``restore``, ``stock``, ``draft`` or ``window``; points in the unit of the whole's file.

    Raises
    ------
    FileTrouble
        Missing, no JSON, or an entry that says too little or something unknown.
    """
    content = _content(path)
    if not isinstance(content, list):
        raise FileTrouble(f"{Path(path).name} is not a list of faces.", 'Write [{"point": [x, y, z], ...}, ...].')
    return tuple(_pick(row, what, unit, n, Path(path).name) for n, row in enumerate(content, 1))


def read_trial(path: str | Path, unit: str, revision: str) -> tuple[tuple[MakePick, ...], tuple[float, float, float]]:
    """What was found when a print was tried: corrections of faces, and factors from measured sizes.

    Raises
    ------
    FileTrouble
        As `read_picks`; also a measured size that no print of the meant one has.
    """
    content, name = _content(path), Path(path).name
    if not isinstance(content, dict) or not content.keys() <= {"notes", "measured"}:
        raise FileTrouble(f"{name} is not a note of a trial.", 'Write {"notes": [...], "measured": [...]}.')
    rows = content.get("notes", [])
    if not isinstance(rows, list):
        raise FileTrouble(f"The notes in {name} are not a list.", 'Write "notes": [{"point": [x, y, z], ...}].')
    picks = tuple(_pick(row, "fit", unit, n, name, revision) for n, row in enumerate(rows, 1))
    factors = [1.0, 1.0, 1.0]
    for row in content.get("measured", []):
        try:
            axis, ratio = "xyz".index(row["axis"]), float(row["meant_mm"]) / float(row["printed_mm"])
        except (KeyError, TypeError, ValueError, ZeroDivisionError) as error:
            raise FileTrouble(f"A measured size in {name} is incomplete.",
                              'Write {"axis": "x", "meant_mm": 200, "printed_mm": 199.4}.') from error  # fmt: skip
        if not 0.9 < ratio < 1.1:
            raise FileTrouble(f"{row['meant_mm']} mm does not come out as {row['printed_mm']} mm on a print.",
                              f"Look at the measured sizes in {name}.")  # fmt: skip
        factors[axis] *= ratio
    return picks, (factors[0], factors[1], factors[2])


def _content(path: str | Path) -> Any:
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read ({error.strerror}).", "Look at the name and the folder.") from error
    except ValueError as error:
        raise FileTrouble(f"{Path(path).name} is not JSON.", "Look for a missing comma or bracket.") from error


def _pick(row: Any, what: str, unit: str, number: int, file: str, revision: str = "A") -> MakePick:
    where = f"Face {number} in {file}"
    if not isinstance(row, Mapping):
        raise FileTrouble(f"{where} is not an entry with a point.", 'Write {"point": [x, y, z], ...}.')
    unknown = row.keys() - _ALWAYS - _KNOWN[what]
    if unknown:
        raise FileTrouble(f"{where} says {sorted(unknown)[0]!r}, which is not known.",
                          f"Known: {', '.join(sorted(_ALWAYS | _KNOWN[what]))}.")  # fmt: skip
    point = _numbers(row.get("point"), where)
    values = {key: _number(row[key], where) for key in row.keys() & _KNOWN[what] - {"solid", "core", "way"}}
    kind, amount = what, 0.0
    if what == "draft":
        amount = _needed(values, ("degrees",), where)
    elif what == "fit":
        amount = _needed(values, ("tight_mm", "loose_mm"), where)
        amount = -amount if "tight_mm" in values else amount
    elif what == "stock" and row.get("solid"):
        kind = "solid"
    elif what == "restore" and {"diameter_mm", "diameter_inch"} & values.keys():
        pass
    elif what in ("stock", "restore"):
        amount = _needed(values, ("mm", "inch"), where) * (UNITS["inch"] if "inch" in values else 1.0)
        kind = "core" if row.get("core") else what
    texts = {key: str(row[key]) for key in ("name", "note") if row.get(key)}
    shape, way = row.get("shape", "auto"), row.get("way", "add")
    if shape not in ("auto", "plane", "round", "free") or way not in ("add", "take"):
        raise FileTrouble(f"{where} has an unknown shape or way.", "Shapes: auto, plane, round, free; ways: add, take.")
    diameter = values.get("diameter_mm", values.get("diameter_inch", np.nan) * UNITS["inch"])
    return MakePick(
        kind, point * UNITS[unit], amount, shape=shape, way=way, revision=revision, print_mm=values.get("print_mm"),
        diameter_mm=None if np.isnan(diameter) else diameter, **texts,
    )  # fmt: skip


def _needed(values: Mapping[str, float], names: tuple[str, ...], where: str) -> float:
    given = [values[name] for name in names if name in values]
    if len(given) != 1:
        raise FileTrouble(f"{where} does not say how much, or says it twice.", f"Give {' or '.join(names)}.")
    return given[0]


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise FileTrouble(f"{where} has {value!r} where a number is wanted.", "Write a plain number.")
    return float(value)


def _numbers(value: Any, where: str) -> FloatArray:
    if not isinstance(value, list) or len(value) != 3:
        raise FileTrouble(f"{where} has no point.", 'Write "point": [x, y, z].')
    return np.array([_number(one, where) for one in value])


def pick_content(pick: MakePick) -> dict[str, Any]:
    """A pick as plain values, as the companion file keeps it."""
    return {
        "what": pick.what, "point_mm": pick.point_mm.tolist(), "amount": pick.amount, "name": pick.name,
        "note": pick.note, "shape": pick.shape, "diameter_mm": pick.diameter_mm, "print_mm": pick.print_mm,
        "way": pick.way, "revision": pick.revision,
    }  # fmt: skip


def pick_of(content: Mapping[str, Any]) -> MakePick:
    """The pick that `pick_content` told of."""
    values = dict(content)
    return MakePick(values.pop("what"), np.array(values.pop("point_mm"), float), **values)
