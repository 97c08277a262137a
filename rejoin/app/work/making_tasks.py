"""What the worker does for row 70 of the job card. No Qt here: the worker imports this module."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core import further
from rejoin.core.errors import NoAnswer
from rejoin.core.records import MadePart, MakePick, Project
from rejoin.core.settings import MakeSettings, Report, part_of

USED = {
    "print": ("restore", "fit"),
    "pattern": ("restore", "fit", "stock", "solid", "core", "draft"),
    "machining": ("restore", "fit", "stock", "solid"),
    "cradle": ("window",),
}
"""Which picked faces count for which purpose: a trial print is of the part's own size."""

Factors = tuple[float, float, float]
ONES: Factors = (1.0, 1.0, 1.0)


def make(
    project: Project, report: Report, settings: Any = None, revision: str = "A", correction: Factors = ONES
) -> Project:
    """Make what the settings say of the whole and of the faces that count for it."""
    settings = settings or MakeSettings()
    asked = tuple(pick for pick in project.picks if pick.what in USED[settings.purpose])
    made = further.make(replace(project, picks=asked), settings, report, revision, correction)
    return replace(made, picks=project.picks)


def next_revision(
    project: Project, report: Report, settings: Any, notes: Sequence[MakePick], measured: Factors = ONES
) -> Project:
    """Make the revision that follows on the trial of the part last made; what it differs by is among its notes."""
    from rejoin.core.making import revisions

    if not project.made:
        raise NoAnswer("Nothing was made yet that could have been tried.", "Make the trial print first.")
    before = project.made[-1]
    asked = revisions.next_revision(asked_of(project, before), notes, measured)
    after = make(replace(project, picks=asked.picks), report, settings, asked.revision, asked.correction)
    part = after.made[-1]
    told = {"revision": before.revision, "undivided": revisions.undivided(before)}
    change = revisions.difference(part, asked, told)
    sizes = " × ".join(f"{one:+.3f}" for one in change["size_mm"])
    note = f"Against revision {before.revision}: {sizes} mm; " + "; ".join(change["corrections"]) + "."
    return replace(after, made=(*after.made[:-1], replace(part, notes=(note, *part.notes))))


def settings_of(project: Project, part: MadePart) -> MakeSettings | None:
    """The settings that a part was made with; None where something else was made since."""
    known = next((dict(line.settings) for line in project.history if line.step == "make"), {})
    return MakeSettings(**known) if known.get("purpose") == part.purpose else None


def asked_of(project: Project, part: MadePart, settings: MakeSettings | None = None) -> Any:
    """All that a part was made with, as the next revision and the companion file need it.

    Raises
    ------
    NoAnswer
        Where the settings are not given, and something else was made since.
    """
    from rejoin.core.making.revisions import Asked

    settings = settings or settings_of(project, part)
    if settings is None:
        raise NoAnswer("With which figures this was made is not known any more.", "Make it again.")
    corrected = correction_of(part, settings)
    printer = () if np.allclose(corrected, ONES, atol=1e-9) else ((part.revision, corrected),)
    return Asked(settings, project.picks, printer, part.revision)


def correction_of(part: MadePart, settings: MakeSettings) -> Factors:
    """The printer's factors along x, y, z that came from sizes measured on earlier prints."""
    from rejoin.core.making.allowances import three
    from rejoin.core.making.beds import bar_factors

    used = next((dict(step.figures).get("factors") for step in part.steps if step.name.startswith("printer")), None)
    if used is None:
        return ONES
    usual: Sequence[float] = ONES
    if settings.print_shrinkage:
        usual = [1.0 / (1.0 - s / 100.0) for s in three(settings.print_shrinkage, "print shrinkage")]
    elif settings.bar_measured:
        usual = bar_factors(settings.bar_measured, settings.bar_length_mm)
    x, y, z = (float(a / b) for a, b in zip(used, usual, strict=True))
    return x, y, z


def write_made(
    project: Project, report: Report, path: str, purpose: str, source: str, unit: str = "mm", settings: Any = None
) -> Project:
    """Write what was made with its companion file; several bodies also each in a file of its own.

    Every file is read back and compared. The project stays as it is.
    """
    from rejoin.core.making.revisions import asked_content, undivided
    from rejoin.core.making.told import companion
    from rejoin.core.making.writing import write_part
    from rejoin.core.report import tidy, write_json

    part = next((one for one in project.made if one.purpose == purpose), None)
    if part is None:
        raise NoAnswer("There is nothing to save yet.", "Make it first.")
    asked = asked_content(asked_of(project, part, settings))
    files = write_part(part, path, unit, part_of(report, 0.0, 0.9))
    content = companion(part, source, unit, [str(one) for one in files], asked)
    content["file"], content["undivided"] = path, undivided(part)
    write_json(str(Path(path).with_suffix(".json")), tidy(content))
    return project


def write_bar(project: Project, report: Report, path: str, length_mm: float, unit: str = "mm") -> Project:
    """Write the test bar for a printer."""
    from rejoin.core.files import write_mesh
    from rejoin.core.making.beds import printer_bar

    report(0.2, f"Writing {Path(path).name}")
    write_mesh(printer_bar(length_mm), path, unit, f"test bar for a printer, arms of {length_mm:g} mm in x, y and z")
    return project
