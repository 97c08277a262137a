"""What the commands about dimensions do, once the command line is understood."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.commands import check_target
from rejoin.core import further, steps
from rejoin.core import report as telling
from rejoin.core.dimensions import fit_shape, shape_content
from rejoin.core.dimensions.mating import fit_with, mate_of, own_mating
from rejoin.core.dimensions.readings import read_readings
from rejoin.core.dimensions.sheet import SUFFIXES as SHEETS
from rejoin.core.dimensions.sheet import drawing_notes, frame_of_checks, section_sheet, sheet_of, write_sheet
from rejoin.core.dimensions.told import as_whole, check_content
from rejoin.core.edits.dimensions import with_readings
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.files import WRITABLE, read_fragment, write_mesh
from rejoin.core.files.away import write_away
from rejoin.core.files.points import Points, read_points
from rejoin.core.making.draft import numbers, parting_of
from rejoin.core.meshes import placed, vertex_normals
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.settings import UNITS, DimensionSettings, ReadSettings
from rejoin.core.storage import SUFFIX, load_project
from rejoin.terminal import Progress, say


def measure_command(arguments: argparse.Namespace) -> int:
    """Fit one shape to the points of a file."""
    if arguments.json:
        check_target(arguments.json, "JSON file", [arguments.file], ())
    points = read_points(arguments.file, arguments.unit)
    if not points.unit_stated:
        say("no unit in this file, taken as mm; use --unit if that is wrong")
    shape = fit_shape(arguments.shape, points.values_mm, _normals(points))
    content = telling.tidy(shape_content(shape))
    if arguments.json:
        telling.write_json(arguments.json, content)
    params = ", ".join(f"{name} {_told(value)}" for name, value in content["params"].items())
    zone = content["minimum_zone_mm"]
    print(f"{shape.kind}: {params}")
    print(f"  rms {shape.rms_mm:.4g} mm, form {shape.form_deviation_mm:.4g} mm by least squares"
          + ("" if zone is None else f", {zone:.4g} mm by minimum zone")
          + f"; {100 * shape.used_share:.1f} % of the points used")  # fmt: skip
    print("  scale not proven: no caliper reading stands beside this scan")
    return 0


def _normals(points: Points) -> FloatArray | None:
    if not len(points.triangles):
        return None
    normals = vertex_normals(Mesh(points.values_mm, points.triangles))
    return normals if (normals != 0).any(axis=1).all() else None


def _told(value: float | list[float] | None) -> str:
    if isinstance(value, list):
        return "(" + ", ".join(f"{one:.5g}" for one in value) + ")"
    return "?" if value is None else f"{value:.6g}"


def _places(value: float | None, places: int) -> str:
    """A figure with no more places than a shop could use."""
    return "?" if value is None else f"{value:.{places}f}"


def check_command(arguments: argparse.Namespace) -> int:
    """Measure a whole, or a project, against a table of caliper readings; cut it; compare it with a mating part."""
    _check_targets(arguments)
    settings = DimensionSettings(
        metal=arguments.metal,
        part_temperature_c=arguments.part_temperature,
        instrument_temperature_c=arguments.instrument_temperature,
    )
    project, unit, names, noise = _to_check(arguments)
    readings = read_readings(arguments.readings, unit, names) if arguments.readings else ()
    with Progress() as progress:
        asked = with_readings(project, readings)
        project = further.check_dimensions(asked, settings, progress.step("check_dimensions"))
    mating = _mating(arguments, project, unit)
    content = telling.tidy(check_content(project, arguments.whole, unit, names))
    content["mating"] = None if mating is None else telling.tidy(mating[1])
    if arguments.json:
        telling.write_json(arguments.json, content)
    print("\n".join(_summary(content)))
    _hand_over(arguments, project, unit, noise)
    if arguments.section_out:
        _write_section(arguments, project, unit, noise, None if mating is None else mating[0])
    return 0 if content["complete"] else 1


def _check_targets(arguments: argparse.Namespace) -> None:
    """Whether what is to be written can be, and what is asked for belongs together."""
    if not (arguments.readings or arguments.section or arguments.mating):
        raise WrongUse("What is to be checked was not said.", "Give --readings, --section or --mating.")
    if bool(arguments.section) != bool(arguments.section_out):
        raise WrongUse("A section needs its plane and a file.", "Give --section PLANE and --section-out SHEET.")
    taken = [one for one in (arguments.whole, arguments.readings, arguments.mating) if one]
    for target, what, suffixes in (
        (arguments.json, "JSON file", ()), (arguments.sheet, "sheet", SHEETS),
        (arguments.section_out, "section", SHEETS), (arguments.mating_map, "map", (".csv",)),
        (arguments.squared, "model", WRITABLE),
    ):  # fmt: skip
        if target:
            check_target(target, what, taken, suffixes)
            taken.append(target)


MATING = ("reach_mm", "tightest_mm", "median_mm", "loosest_mm", "overlap_max_mm", "u95_mm", "sentence")
"""What is told of the fit with a mating part, beside its points."""


def _mating(arguments: argparse.Namespace, project: Project, unit: str) -> tuple[Mesh, dict[str, Any]] | None:
    """The mating part (that of the project unless a file is given), and its fit as plain numbers."""
    asked = bool(arguments.mating or arguments.mating_map)
    own = None if arguments.mating else own_mating(project)
    if not arguments.mating and own is None and arguments.mating_map:
        raise WrongUse("There is no mating part to make a map of.", "Give it with --mating FILE.")
    if not asked and (own is None or project.whole is None):
        return None
    if project.whole is None:
        raise NoAnswer("There is no whole to fit a mating part to.", "Fuse the fragments first.")
    if own is None:
        with Progress() as progress:
            read = read_fragment(arguments.mating, ReadSettings(unit=arguments.unit), progress.step("read"))
        own = mate_of(arguments.mating, read)
    try:
        found = fit_with(project, own, arguments.mating_reach)
    except NoAnswer as error:
        if asked:
            raise
        return own.mesh, {"file": own.name, "points": 0, **dict.fromkeys(MATING), "sentence": str(error)}
    if arguments.mating_map:
        write_away(arguments.mating_map, project.whole.mesh.vertices, found.clearance_mm, "clearance_mm", unit)
    told = {name: getattr(found, name) for name in MATING}
    return own.mesh, {"file": own.name, "points": int(np.isfinite(found.clearance_mm).sum()), **told}


def _write_section(
    arguments: argparse.Namespace, project: Project, unit: str, noise: float, mating: Mesh | None
) -> None:
    if project.whole is None:
        raise NoAnswer("There is no whole to cut.", "Fuse the fragments first.")
    values = numbers(arguments.section, "plane of the section")
    values[:3] *= UNITS[unit]
    plane = parting_of(values, "plane of the section")
    title = f"{Path(arguments.whole).stem}, millimetres, 1:1"
    notes = drawing_notes(project)
    sheet = section_sheet(title, project.whole.mesh, plane.point_mm, plane.normal, notes, noise, mating)
    write_sheet(sheet, arguments.section_out)
    print(f"  {sheet.set_up[0]}")


def _hand_over(arguments: argparse.Namespace, project: Project, unit: str, noise: float) -> None:
    """The sheet, and the whole squared up on its datums, where they were asked for."""
    if not arguments.sheet and not arguments.squared:
        return
    if project.whole is None:
        raise NoAnswer("There is no whole to draw.", "Fuse the fragments first.")
    notes = drawing_notes(project)
    if arguments.sheet:
        title = f"{Path(arguments.whole).stem}, millimetres, 1:1"
        write_sheet(sheet_of(title, project.whole.mesh, project.checks, notes, noise), arguments.sheet)
    if arguments.squared:
        frame, _ = frame_of_checks(project.checks)
        write_mesh(placed(project.whole.mesh, frame.datum_from_part), arguments.squared, unit)


def _to_check(arguments: argparse.Namespace) -> tuple[Project, str, tuple[str, ...], float]:
    """A saved project, or a mesh file as the whole of a project without fragments; the unit of the picks, the names of
    the fragments, the noise in mm."""
    if arguments.whole.lower().endswith(SUFFIX):
        project = load_project(arguments.whole)
        unit = arguments.unit or (project.scans[0].unit if project.scans else "mm")
        noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
        return project, unit, telling.names_of(project.scans), noise
    with Progress() as progress:
        project = steps.read([arguments.whole], ReadSettings(unit=arguments.unit), progress.step("read"))
        project = steps.clean(project, None, progress.step("clean"))
    scan, fragment = project.scans[0], project.fragments[0]
    if not scan.unit_stated:
        say("no unit in this file, taken as mm; use --unit if that is wrong")
    return Project(whole=as_whole(fragment)), scan.unit, (), fragment.noise_mm


def _summary(content: dict[str, Any]) -> list[str]:
    lines = [f"{len(content['dimensions'])} dimensions"]
    lines += [f"  {row['name']} ({row['kind']}): {row['sentence']}" for row in content["dimensions"]]
    lines += [f"  {row['of']}: {row['sentence']}" for row in content["scales"]]
    if content["mating"]:
        lines.append(f"  mating part: {content['mating']['sentence']}")
    for row in content["fit_up"]:
        gap = f"gap {_places(row['gap_low_mm'], 3)} to {_places(row['gap_high_mm'], 3)} mm"
        step = _places(row["step_mm"], 3)
        angle = "not told" if row["angle_deg"] is None else f"{row['angle_deg']:.2f} +- {row['angle_u95_deg']:.2f} deg"
        doubt = "" if row["step_u95_mm"] is None else f" +- {_places(row['step_u95_mm'], 3)}"
        lines.append(f"  {row['a']}, {row['b']}: step {step}{doubt} mm, angle {angle}, "
                     f"{gap}, crack {row['length_mm']:.0f} mm long, section {row['section_mm2']:.0f} mm2")  # fmt: skip
        lines += [f"    {note}" for note in row["notes"]]
    return lines
