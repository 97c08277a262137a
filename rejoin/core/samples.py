"""The sample scans that come with the program: in the wheel, or at the top of a clone."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.settings import UNITS

_PACKAGE = Path(__file__).resolve().parents[1]


def data_folder(kind: str) -> Path:
    """Where ``kind`` ("sample_scans" or "assets") lies.

    Raises
    ------
    FileTrouble
        Where the installation holds no such folder.
    """
    for place in (_PACKAGE / "_data" / kind, _PACKAGE.parent / kind):
        if place.is_dir():
            return place
    raise FileTrouble(f"The folder {kind} is missing from this installation.", "Install the program again.")


def sample_names() -> tuple[str, ...]:
    """The names of the sample parts, sorted."""
    return tuple(sorted(p.name for p in data_folder("sample_scans").iterdir() if p.is_dir() and p.name[0] not in "._"))


def sample_folder(name: str) -> Path:
    """The folder of one sample part: its fragments' scans and ``truth.json``.

    Raises
    ------
    WrongUse
        Where there is no sample of that name.
    """
    if name not in sample_names():
        raise WrongUse(f"There is no sample called {name!r}.", f"Choose one of: {', '.join(sample_names())}.")
    return data_folder("sample_scans") / name


def sample_fragments(name: str) -> tuple[Path, ...]:
    """The scans of a sample part, one file a fragment, in the order of its ``truth.json``."""
    folder = sample_folder(name)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return tuple(folder / file for file in truth["files"])


def sample_about(name: str) -> str:
    """What a sample part is, in a few sentences."""
    return (sample_folder(name) / "about.md").read_text(encoding="utf-8").strip()


def readings_of(name: str) -> tuple[tuple[str, float, float], ...]:
    """The caliper readings of a sample part: (name, reading in mm, limit of error in mm)."""
    with (sample_folder(name) / "readings.csv").open(encoding="utf-8", newline="") as lines:
        return tuple(
            (row["name"], float(row["reading"]) * UNITS[row["unit"]], float(row["limit"]) * UNITS[row["unit"]])
            for row in csv.DictReader(lines)
        )


def picture_of(name: str) -> Path:
    """The picture of a sample part's scans."""
    return sample_folder(name) / "picture.png"
