"""What the commands about dimensions do, once the command line is understood."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rejoin.commands import check_target
from rejoin.core import report as telling
from rejoin.core import steps
from rejoin.core.dimensions import fit_shape, shape_content
from rejoin.core.dimensions.readings import read_readings
from rejoin.core.dimensions.sheet import SUFFIXES as SHEETS
from rejoin.core.dimensions.sheet import frame_of_checks, sheet_of, write_sheet
from rejoin.core.dimensions.told import as_whole, check_content
from rejoin.core.edits.dimensions import with_readings
from rejoin.core.errors import NoAnswer
from rejoin.core.files import WRITABLE, write_mesh
from rejoin.core.files.points import Points, read_points
from rejoin.core.meshes import placed, vertex_normals
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.settings import DimensionSettings, ReadSettings
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


def check_command(arguments: argparse.Namespace) -> int:
    """Measure a whole, or a project, against a table of caliper readings."""
    if arguments.json:
        check_target(arguments.json, "JSON file", [arguments.whole, arguments.readings], ())
    targets = [arguments.whole, arguments.readings, *([arguments.json] if arguments.json else [])]
    if arguments.sheet:
        check_target(arguments.sheet, "sheet", targets, SHEETS)
        targets.append(arguments.sheet)
    if arguments.squared:
        check_target(arguments.squared, "model", targets, WRITABLE)
    settings = DimensionSettings(
        metal=arguments.metal,
        part_temperature_c=arguments.part_temperature,
        instrument_temperature_c=arguments.instrument_temperature,
    )
    project, unit, names = _to_check(arguments)
    readings = read_readings(arguments.readings, unit, names)
    with Progress() as progress:
        project = steps.check_dimensions(with_readings(project, readings), settings, progress.step("check_dimensions"))
    content = telling.tidy(check_content(project, arguments.whole, unit, names))
    if arguments.json:
        telling.write_json(arguments.json, content)
    print("\n".join(_summary(content)))
    _hand_over(arguments, project, unit)
    return 0 if content["complete"] else 1


def _hand_over(arguments: argparse.Namespace, project: Project, unit: str) -> None:
    """The sheet, and the whole squared up on its datums, where they were asked for."""
    if not arguments.sheet and not arguments.squared:
        return
    if project.whole is None:
        raise NoAnswer("There is no whole to draw.", "Fuse the fragments first.")
    notes = [one.sentence for one in project.scales if one.on < 0 and one.state != "proven"]
    notes += [one.sentence for one in project.whole.by_number]
    if arguments.sheet:
        title = f"{Path(arguments.whole).stem}, millimetres, 1:1"
        noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
        write_sheet(sheet_of(title, project.whole.mesh, project.checks, notes, noise), arguments.sheet)
    if arguments.squared:
        frame, _ = frame_of_checks(project.checks)
        write_mesh(placed(project.whole.mesh, frame.datum_from_part), arguments.squared, unit)


def _to_check(arguments: argparse.Namespace) -> tuple[Project, str, tuple[str, ...]]:
    """A saved project, or a mesh file as the whole of a project without fragments; with the unit of the picks."""
    if arguments.whole.lower().endswith(SUFFIX):
        project = load_project(arguments.whole)
        unit = arguments.unit or (project.scans[0].unit if project.scans else "mm")
        return project, unit, telling.names_of(project.scans)
    with Progress() as progress:
        project = steps.read([arguments.whole], ReadSettings(unit=arguments.unit), progress.step("read"))
        project = steps.clean(project, None, progress.step("clean"))
    scan, fragment = project.scans[0], project.fragments[0]
    if not scan.unit_stated:
        say("no unit in this file, taken as mm; use --unit if that is wrong")
    return Project(whole=as_whole(fragment)), scan.unit, ()


def _summary(content: dict[str, Any]) -> list[str]:
    lines = [f"{len(content['dimensions'])} dimensions"]
    lines += [f"  {row['name']} ({row['kind']}): {row['sentence']}" for row in content["dimensions"]]
    lines += [f"  {row['sentence']}" for row in content["scales"]]
    for row in content["fit_up"]:
        gap = f"gap {_told(row['gap_low_mm'])} to {_told(row['gap_high_mm'])} mm"
        lines.append(f"  {row['a']}, {row['b']}: step {_told(row['step_mm'])} mm, angle {_told(row['angle_deg'])} deg, "
                     f"{gap}, crack {row['length_mm']:.0f} mm long, section {row['section_mm2']:.0f} mm2")  # fmt: skip
        lines += [f"    {note}" for note in row["notes"]]
    return lines
