"""What ``rejoin split`` and ``rejoin compare`` do: a glued part taken apart, a mended part against the whole."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from rejoin.commands import check_target
from rejoin.core import meshes, steps
from rejoin.core import report as telling
from rejoin.core.bending import Bend
from rejoin.core.errors import WrongUse
from rejoin.core.files import WRITABLE, write_mesh
from rejoin.core.files.points import read_points
from rejoin.core.mended import Mended, mended_whole
from rejoin.core.records import Fragment, Mesh
from rejoin.core.settings import ReadSettings
from rejoin.terminal import Progress


def split_command(arguments: argparse.Namespace) -> int:
    """Split a glued part along its seam; tell thickness, step, tilt and what stays unknown (exit code 1 then)."""
    from rejoin.core.glued import closed_up, glue_line, split_along

    if len(arguments.out) != 2:
        raise WrongUse("Two files are needed, one for each side.", "Give them: --out A.ply B.ply.")
    for number, target in enumerate(arguments.out):
        check_target(target, "side", [arguments.scan, arguments.seam, *arguments.out[:number]], WRITABLE)
    if arguments.whole:
        check_target(arguments.whole, "whole", [arguments.scan, arguments.seam, *arguments.out], WRITABLE)
    fragment = _cleaned(arguments.scan, arguments.unit)
    unit = fragment.scan.unit if fragment.scan.unit_stated else arguments.unit
    marks = read_points(arguments.seam, unit).values_mm
    split = split_along(fragment, marks)
    known = None
    if arguments.size:
        numbers = _numbers(arguments.size)
        known = (np.array(numbers[:3]), np.array(numbers[3:6]), numbers[6], numbers[7])
    line = glue_line(fragment, split, known)
    sides = closed_up(fragment, split, line)
    for target, mesh in zip(arguments.out, sides, strict=True):
        write_mesh(mesh, target, fragment.scan.unit)
    print(line.sentence)
    for words in line.unknown:
        print(f"  Unknown: {words}")
    if arguments.whole:
        _write_mended(mended_whole(fragment, split, line), arguments.whole, fragment.scan.unit)
    if arguments.json:
        telling.write_json(arguments.json, telling.tidy({
            "thickness_mm": line.thickness_mm, "thickness_u95_mm": line.thickness_u95_mm, "step_mm": line.step_mm,
            "step_u95_mm": line.step_u95_mm, "tilt_deg": line.tilt_deg, "tilt_u95_deg": line.tilt_u95_deg,
            "places": line.stretches, "unknown": list(line.unknown), "closing_mm": line.closing.tolist(),
            "files": list(arguments.out),
        }))  # fmt: skip
    return 1 if line.unknown else 0


def _write_mended(made: Mended, target: str, unit: str) -> None:
    """Write both sides as one whole, and say what it is."""
    write_mesh(made.mesh, target, unit)
    print(f"{target}: one closed whole, {meshes.volume(made.mesh):.1f} mm³, through-holes: {meshes.genus(made.mesh)}; "
          f"the strip along the seam was measured by no scan.")  # fmt: skip
    if made.holes_mm:
        print(f"  {len(made.holes_mm)} scan holes were closed, the largest {max(made.holes_mm):.1f} mm across.")
    if made.crossing_pairs:
        print(f"  {made.crossing_pairs} pairs of triangles along the seam run through each other.")
    for words in made.notes:
        print(f"  {words}")


def _numbers(text: str) -> list[float]:
    """x1,y1,z1,x2,y2,z2,value,limit in mm."""
    try:
        numbers = [float(one) for one in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != 8 or numbers[7] <= 0:
        raise WrongUse(f"The size {text!r} cannot be read.", "Write x1,y1,z1,x2,y2,z2,size,limit in mm.")
    return numbers


def compare_command(arguments: argparse.Namespace) -> int:
    """Lay a scan of the mended part on the whole and tell how far it is distorted."""
    from rejoin.core.distortion import distortion_of
    from rejoin.core.files.away import write_away
    from rejoin.core.transforms import apply

    if arguments.json:
        check_target(arguments.json, "JSON file", [arguments.whole, arguments.rescan], ())
    if arguments.map:
        check_target(arguments.map, "map", [arguments.whole, arguments.rescan], (".csv",))
    whole, noise = _whole(arguments.whole, arguments.unit)
    rescan = _cleaned(arguments.rescan, arguments.unit)
    with Progress() as progress:
        found = distortion_of(whole, noise, rescan, progress.step("align"))
    print(found.sentence)
    where = ", ".join(f"{value:.1f}" for value in found.farthest_mm)
    print(f"  farthest at {where} mm on the whole")
    if arguments.json:
        telling.write_json(arguments.json, telling.tidy({
            "whole_from_scan_mm": found.whole_from_scan.tolist(), "median_mm": found.median_mm,
            "within_95_mm": found.within_95_mm, "worst_mm": found.worst_mm, "worst_at_mm": found.worst_at_mm.tolist(),
            "u95_mm": found.u95_mm, "distorted": found.distorted, "bend": None if found.bend is None else
            _bend(found.bend), "shown_share": found.shown_share, "sentence": found.sentence,
        }))  # fmt: skip
    if arguments.map:
        write_away(arguments.map, apply(found.whole_from_scan, rescan.mesh.vertices), found.away_mm)
    return 1 if found.distorted else 0


def _bend(bend: Bend) -> dict[str, object]:
    return {
        "datum_share": bend.share, "off_mm": bend.off_mm, "u95_mm": bend.u95_mm, "at_mm": bend.at_mm.tolist(),
        "turn_deg": bend.turn_deg, "twisted": bend.twisted,
    }  # fmt: skip


def _cleaned(file: str, unit: str | None) -> Fragment:
    with Progress() as progress:
        project = steps.read([file], ReadSettings(unit=unit), progress.step("read"))
        return steps.clean(project, None, progress.step("clean")).fragments[0]


def _whole(file: str, unit: str | None) -> tuple[Mesh, float]:
    """The whole of a project, or a mesh file, and the noise of the scans behind it."""
    if file.lower().endswith(".rejoin"):
        from rejoin.core.storage import load_project

        project = load_project(file)
        mesh = telling.whole_in_common_frame(project)
        if mesh is None:
            raise WrongUse(f"{Path(file).name} holds no whole.", "Fuse the fragments first.")
        return mesh, max(fragment.noise_mm for fragment in project.fragments)
    fragment = _cleaned(file, unit)
    return fragment.mesh, fragment.noise_mm
