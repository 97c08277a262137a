"""What ``rejoin make`` does, once the command line is understood."""

from __future__ import annotations

import argparse
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.commands import check_target
from rejoin.core import further, steps
from rejoin.core import report as telling
from rejoin.core.dimensions.told import as_whole
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.files import WRITABLE, read_fragment, write_mesh
from rejoin.core.making.beds import printer_bar
from rejoin.core.making.draft import numbers
from rejoin.core.making.picks import read_picks, read_trial
from rejoin.core.making.revisions import (
    Asked,
    asked_content,
    difference,
    next_revision,
    read_companion,
    revision_before,
    undivided,
)
from rejoin.core.making.told import companion, file_name
from rejoin.core.making.writing import write_part
from rejoin.core.meshes import is_closed, volume
from rejoin.core.project import changed
from rejoin.core.records import MadePart, MakePick, Project, Whole
from rejoin.core.settings import UNITS, MakeSettings, ReadSettings
from rejoin.core.storage import SUFFIX, load_project
from rejoin.options import given_for
from rejoin.terminal import Progress, say

PICK_FILES = (("restore", "restore"), ("stock", "stock"), ("draft", "draft"), ("windows", "window"))
"""Options that name a file of faces, and what is done to those faces."""


def make_command(arguments: argparse.Namespace) -> int:
    """Make a trial print, a pattern, a model for the mill or a cradle of a whole, and write it with its companion."""
    if arguments.out:
        check_target(arguments.out, "part", _inputs(arguments), WRITABLE)
    whole, unit = _whole(arguments)
    before, asked = _asked(arguments, unit)
    with Progress() as progress:
        project = changed(Project(), whole=whole)
        project = replace(project, picks=asked.picks)
        report = progress.step("make")
        project = further.make(project, asked.settings, report, asked.revision, asked.correction)
    (part,) = project.made
    unit_out = arguments.out_unit or unit
    stem = Path(arguments.whole).stem
    out = Path(arguments.out) if arguments.out else Path(file_name(stem, part.title, ".3mf"))
    files = write_part(part, out, unit_out)
    content = companion(part, arguments.whole, unit_out, [str(one) for one in files], asked_content(asked))
    content["file"], content["undivided"] = str(out), undivided(part)
    content["difference"] = None if before is None else difference(part, asked, before)
    telling.write_json(arguments.json or out.with_suffix(".json"), telling.tidy(content))
    if arguments.test_bar:
        _write_bar(arguments.test_bar, asked.settings, unit_out)
    print("\n".join(_summary(part, content, out)))
    return 0


def _inputs(arguments: argparse.Namespace) -> list[str]:
    names = ("whole", "after", "trial", *(option for option, _ in PICK_FILES))
    return [getattr(arguments, name) for name in names if getattr(arguments, name)]


def _whole(arguments: argparse.Namespace) -> tuple[Whole, str]:
    """The whole of a saved project, as `rejoin join` writes it, or a mesh file, in mm; with the unit of the file."""
    if arguments.whole.lower().endswith(SUFFIX):
        project = load_project(arguments.whole)
        if project.whole is None:
            raise NoAnswer("This project holds no whole yet.", "Fuse the fragments first.")
        mesh = telling.whole_in_common_frame(project) or project.whole.mesh
        unit = arguments.unit or (project.scans[0].unit if project.scans else "mm")
        return replace(project.whole, mesh=mesh), unit
    with Progress() as progress:
        scan = read_fragment(arguments.whole, ReadSettings(unit=arguments.unit), progress.step("read"))
        if not scan.unit_stated:
            say("no unit in this file, taken as mm; use --unit if that is wrong")
        if is_closed(scan.mesh) and volume(scan.mesh) > 0:
            none = np.empty(0, np.int32)
            return Whole(scan.mesh, volume(scan.mesh), 0.0, True, 1, 0, none, none, 0.0, (), 0, 0.0, ()), scan.unit
        cleaned = steps.clean(Project(scans=(scan,)), None, progress.step("clean"))
    return as_whole(cleaned.fragments[0]), scan.unit


def _asked(arguments: argparse.Namespace, unit: str) -> tuple[dict[str, Any] | None, Asked]:
    """What is asked for: by this call alone, or by an earlier companion file and what its trial showed."""
    given = given_for(arguments, "make")
    if given.get("parting"):
        values = numbers(given["parting"], "parting plane")
        values[:3] *= UNITS[unit]
        given["parting"] = ",".join(repr(float(one)) for one in values)
    picks: tuple[MakePick, ...] = ()
    for option, what in PICK_FILES:
        if getattr(arguments, option):
            picks += read_picks(getattr(arguments, option), what, unit)
    if arguments.after is None:
        if arguments.trial or arguments.undo:
            raise WrongUse("What the trial print was made with was not said.", "Give its companion file: --after FILE.")
        if "purpose" not in given:
            raise WrongUse("What is to be made was not said.", "Give --for print, pattern, machining or cradle.")
        return None, Asked(MakeSettings(**given), picks)
    before, old = read_companion(arguments.after)
    kept = {item.name: getattr(old.settings, item.name) for item in fields(MakeSettings)}
    old = replace(old, settings=MakeSettings(**{**kept, **given}), picks=(*old.picks, *picks))
    if bool(arguments.trial) == bool(arguments.undo):
        raise WrongUse("After an earlier part comes either a trial's notes or a step back.", "Give --trial or --undo.")
    if arguments.undo:
        return before, revision_before(old)
    return before, next_revision(old, *read_trial(arguments.trial, unit, old.revision))


def _write_bar(file: str, settings: MakeSettings, unit: str) -> None:
    check_target(file, "test bar", (), WRITABLE)
    length = settings.bar_length_mm
    write_mesh(printer_bar(length), file, unit, f"test bar for a printer, arms of {length:g} mm over all in x, y and z")


def _summary(part: MadePart, content: dict[str, Any], out: Path) -> list[str]:
    lines = [f"{part.title}: {out}"]
    lines += [f"  {n}. {step.name}: {step.sentence}" for n, step in enumerate(part.steps, 1)]
    for body in content["bodies"]:
        size = " x ".join(f"{one:.3f}" for one in body["size_mm"])
        lines.append(f"  {body['name']}: {size} mm, {body['shells']} shell{'s' * (body['shells'] != 1)}, "
                     f"{body['volume_mm3']:.0f} mm3, {body['file']}")  # fmt: skip
    if content["difference"] is not None:
        change = content["difference"]
        told = " x ".join("?" if one is None or one != one else f"{one:+.3f}" for one in change["size_mm"])
        lines.append(f"  against revision {change['from_revision']}: {told} mm; " + "; ".join(change["corrections"]))
    lines += [f"  {note}" for note in part.notes]
    return lines + [f"  Caution: {one}" for one in part.cautions]
