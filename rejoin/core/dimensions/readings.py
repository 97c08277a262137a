"""The table of caliper readings: a CSV file a person types or a spreadsheet writes, checked row by row."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from rejoin.core.dimensions.mating import limits_of_grade
from rejoin.core.dimensions.sizes import DEGREES, KINDS
from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.files.placing import written_whole
from rejoin.core.records import Reading
from rejoin.core.settings import UNITS

COLUMNS = ("name", "kind", "on1", "x1", "y1", "z1", "on2", "x2", "y2", "z2", "reading", "unit", "limit", "low", "high",
           "note", "mating", "mating_limit", "fit_low", "fit_high", "nominal", "grade", "deviation")  # fmt: skip
"""The columns; their order is free, and all but name, kind and the picks may be left out."""

NUMBERS = ("reading", "limit", "low", "high", "mating", "mating_limit", "fit_low", "fit_high", "nominal", "deviation")
"""Those that hold a number in the row's unit."""

ROUND = ("bore", "shaft")
"""Kinds that have a fit."""

WEIGHT = "weight"
"""The one kind that needs no pick."""

GRAMS = {"g": 1.0, "kg": 1000.0, "lb": 453.59237, "oz": 28.349523125}
"""Grams in one of each unit of weight."""

LARGEST_FILE = 5_000_000
_HELP = "The README shows how a table of readings is written."
_FRACTION = re.compile(r"([-+]?)(?:(\d+)(?:\s+|\s*-\s*))?(\d+)\s*/\s*(\d+)")
_DECIMAL = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")
_MARKS = {'"': "inch", "in": "inch", "inches": "inch", "''": "inch", "”": "inch", "″": "inch", "°": "deg",
          "degrees": "deg", "degree": "deg"}  # fmt: skip


def parse_number(text: str) -> tuple[float, str | None, bool]:
    """A number as a person writes it: ``84.1``, ``84,1``, ``3 5/16``, ``3-5/16"``, ``84.1 mm``.

    Returns
    -------
    value : float
    unit : str or None
        Where it is written behind the number.
    fraction : bool

    Raises
    ------
    ValueError
        Where it is none, or could be read in two ways (``1.234,5``).
    """
    text = text.strip().replace("\u2212", "-").replace("\u00a0", " ")
    match = re.fullmatch(r"(.*?[\d.,])\s*([A-Za-z\"'”″°]*)", text)
    if match is None:
        raise ValueError(f"{text!r} is no number")
    body, mark = match[1].strip(), match[2].lower()
    unit = (_MARKS.get(mark, mark)) or None
    fraction = _FRACTION.fullmatch(body)
    if fraction is not None:
        if int(fraction[4]) == 0:
            raise ValueError(f"{text!r} divides by zero")
        value = Fraction(int(fraction[2] or 0)) + Fraction(int(fraction[3]), int(fraction[4]))
        return float(-value if fraction[1] == "-" else value), unit, True
    if not _DECIMAL.fullmatch(body):
        raise ValueError(f"{text!r} is no number, or could be read in two ways")
    return float(body.replace(",", ".")), unit, False


def read_readings(file: str | Path, unit: str = "mm", names: Sequence[str] = ()) -> tuple[Reading, ...]:
    """Read a table of readings.

    Parameters
    ----------
    file : path
        CSV with a heading row (`COLUMNS`), parted by semicolons, tabs or commas; decimals with point, or with comma
        where commas do not part the columns. Rows that begin with # are passed over.
    unit : str
        Unit of the picks.
    names : sequence of str
        Names of the fragments that ``on1`` and ``on2`` may tell; an empty field is the whole.

    Returns
    -------
    tuple of Reading
        In millimetres, degrees or grams.

    Raises
    ------
    FileTrouble
        Where the file cannot be read, or holds no readings.
    WrongUse
        Where a row does not say what it must.
    """
    path = Path(file)
    text = _text(path)
    lines = [line for line in text.splitlines() if line.strip(" \t;,") and not line.lstrip().startswith("#")]
    if len(lines) < 2:
        raise FileTrouble(f"{path.name} holds no readings.", f"Write a heading row and a row a reading. {_HELP}")
    delimiter = max(";\t,", key=lambda mark: lines[0].count(mark))
    rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter, skipinitialspace=True))
    heading = [cell.strip().lower() for cell in rows[0]]
    missing = [name for name in ("name", "kind", "x1", "y1", "z1") if name not in heading]
    unknown = [name for name in heading if name and name not in COLUMNS]
    if missing or unknown or len(set(heading)) != len(heading):
        what = f"the column {(unknown or heading)[0]!r} is not known, or there twice"
        if missing:
            what = f"the column {missing[0]} is missing"
        raise WrongUse(f"{path.name}: {what} in the heading row.", f"The columns are: {', '.join(COLUMNS)}.")
    found = []
    for number, row in enumerate(rows[1:], start=1):
        where = f"{path.name}, reading {number}"
        if any(cell.strip() for cell in row[len(heading) :]):
            raise WrongUse(f"{where}: it has more fields than the heading row.",
                           "Part columns with semicolons where commas are decimals.")  # fmt: skip
        cells = {name: cell.strip() for name, cell in zip(heading, row, strict=False)}
        found.append(_reading(cells, where, unit, names))
    return tuple(found)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise FileTrouble(f"{path.name} is too large for a table of readings.", "Name the right file.")
        data = path.read_bytes()
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read ({error.strerror}).", "Look at the name and the folder.") from error
    if b"\0" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileTrouble(f"{path.name} is no text.", f"Save the table as CSV. {_HELP}")
    for encoding in ("utf-16",) if data.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise FileTrouble(f"{path.name} is no text.", f"Save the table as CSV. {_HELP}")


def _reading(cells: Mapping[str, str], where: str, unit: str, names: Sequence[str]) -> Reading:
    kind = cells.get("kind", "").lower()
    if kind not in KINDS and kind != WEIGHT:
        raise WrongUse(f"{where}: {kind!r} is nothing that can be measured.",
                       f"Choose one of: {', '.join((*KINDS, WEIGHT))}.")  # fmt: skip
    count = KINDS.get(kind, 0)
    picks, on = [], []
    for n in range(1, count + 1):
        picks.append([_pick(cells, f"{axis}{n}", where) * UNITS[unit] for axis in "xyz"])
        on.append(_on(cells.get(f"on{n}", ""), where, names))
    typed_unit, values = _values(cells, kind, where)
    low, high, limit, value = (values[key] for key in ("low", "high", "limit", "reading"))
    if low is not None and high is not None and low > high:
        raise WrongUse(f"{where}: the lower limit is above the upper one.", "Change them over.")
    if any(values[key] is not None and values[key] <= 0 for key in ("reading", "limit", "mating", "mating_limit")):  # type: ignore[operator]
        raise WrongUse(f"{where}: a reading, a mating size and their limits are above zero.", _HELP)
    if kind not in ROUND and any(values[key] is not None for key in ("mating", "fit_low", "fit_high")):
        raise WrongUse(f"{where}: only a bore or a shaft has a fit.", "Leave the mating size and its limits away.")
    low, high = _graded(cells, values, kind, where)
    return Reading(cells.get("name", "") or where, kind, np.array(picks).reshape(-1, 3), tuple(on), value, limit, low,
                   high, typed_unit, cells.get("note", ""), values["mating"], values["mating_limit"],
                   values["fit_low"], values["fit_high"])  # fmt: skip


def _graded(
    cells: Mapping[str, str], values: Mapping[str, float | None], kind: str, where: str
) -> tuple[float | None, float | None]:
    """The limits: typed, or of an ISO 286-1 grade about a nominal size, on the side of bores or of shafts."""
    text = cells.get("grade", "").lower().removeprefix("it")
    if not text:
        return values["low"], values["high"]
    if values["nominal"] is None or not text.isdigit():
        raise WrongUse(f"{where}: a grade is a number from 1 to 18 and wants the nominal size.",
                       "Fill in the columns nominal and grade, or type low and high.")  # fmt: skip
    return limits_of_grade(values["nominal"], int(text), values["deviation"] or 0.0, kind != "shaft")


def _pick(cells: Mapping[str, str], column: str, where: str) -> float:
    if not cells.get(column):
        raise WrongUse(f"{where}: {column} is missing.", "Give x, y and z of every pick.")
    try:
        return parse_number(cells[column])[0]
    except ValueError as error:
        raise WrongUse(f"{where}, {column}: {error}.", _HELP) from None


def _on(text: str, where: str, names: Sequence[str]) -> int:
    if not text or text.lower() == "whole":
        return -1
    if text not in names:
        known = ", ".join(names) or "only the whole is here"
        raise WrongUse(f"{where}: there is no fragment {text!r} ({known}).", "Leave the field empty for the whole.")
    return list(names).index(text)


def _values(cells: Mapping[str, str], kind: str, where: str) -> tuple[str, dict[str, float | None]]:
    """The numbers of a row in mm, degrees or grams; the unit stands in its column or behind the number."""
    usual = "deg" if kind in DEGREES else "g" if kind == WEIGHT else "mm"
    typed = cells.get("unit", "").lower()
    typed = _MARKS.get(typed, typed)
    known: Mapping[str, float] = {"deg": 1.0} if kind in DEGREES else GRAMS if kind == WEIGHT else UNITS
    values: dict[str, float | None] = {}
    first = typed or usual
    for column in NUMBERS:
        text = cells.get(column, "")
        if not text:
            values[column] = None
            continue
        try:
            number, own, fraction = parse_number(text)
        except ValueError as error:
            raise WrongUse(f"{where}, {column}: {error}.", _HELP) from None
        one = own or typed or usual
        if one not in known:
            raise WrongUse(f"{where}, {column}: {one!r} is no unit for the kind {kind}.",
                           f"Choose one of: {', '.join(known)}.")  # fmt: skip
        if fraction and one != "inch":
            raise WrongUse(f"{where}, {column}: a fraction ({text}) is read in inches, but the unit is {one}.",
                           "Write inch in the column unit.")  # fmt: skip
        if column == "reading":
            first = one
        values[column] = number * known[one]
    return first, values


def write_readings(readings: Sequence[Reading], file: str | Path, unit: str = "mm", names: Sequence[str] = (),
                   comma: bool = False) -> Path:  # fmt: skip
    """Write a table that `read_readings` reads; with ``comma`` decimals have a comma.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    out = io.StringIO()
    table = csv.writer(out, delimiter=";", lineterminator="\n")
    table.writerow(COLUMNS)

    def told(value: float | None) -> str:
        text = "" if value is None else repr(float(f"{value:.12g}"))
        return text.replace(".", ",") if comma else text

    for one in readings:
        row: dict[str, str] = {"name": one.name, "kind": one.kind, "note": one.note, "unit": one.unit}
        for n, (pick, on) in enumerate(zip(one.picks_mm, one.on, strict=True), start=1):
            row[f"on{n}"] = "" if on < 0 else names[on]
            row |= {f"{axis}{n}": told(float(value) / UNITS[unit]) for axis, value in zip("xyz", pick, strict=True)}
        scale = {"deg": 1.0, **GRAMS, **UNITS}[one.unit]
        given = {"reading": one.value, "limit": one.limit, "low": one.low, "high": one.high, "mating": one.mating,
                 "mating_limit": one.mating_limit, "fit_low": one.fit_low, "fit_high": one.fit_high}  # fmt: skip
        row |= {name: told(None if value is None else value / scale) for name, value in given.items()}
        table.writerow([row.get(name, "") for name in COLUMNS])
    text = out.getvalue()

    def write(beside: Path) -> None:
        beside.write_text(text, encoding="utf-8")

    return written_whole(Path(file), write)
