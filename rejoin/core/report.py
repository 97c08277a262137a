"""What is told about a project outside it: the content of the FIT file and of the list of scans.

Everything here is plain numbers, texts and lists, ready for JSON: what is not
a finite number becomes null. Lengths named ``_mm`` are millimetres; the others
are in the unit that stands beside them.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import WrongUse
from rejoin.core.files.placing import written_whole
from rejoin.core.meshes import placed, triangle_areas
from rejoin.core.records import Fill, FitReport, FloatArray, Fragment, Joint, Mesh, Project, Scan, ScanView
from rejoin.core.settings import UNITS
from rejoin.core.transforms import identity, inverse, orthonormal

NOT_JOINED = "Nothing was found that joins it to the other fragments."


def same_scans(scans: Sequence[Scan]) -> dict[int, int]:
    """Which scans hold the very bytes of an earlier one: index -> index of the earlier."""
    first: dict[tuple[str, ...], int] = {}
    return {n: first[s.sha256] for n, s in enumerate(scans) if first.setdefault(s.sha256, n) != n}


def names_of(scans: Sequence[Scan]) -> tuple[str, ...]:
    """The scans' names, made different from each other where they are not."""
    names: list[str] = []
    for scan in scans:
        name, number = scan.name, 1
        while name in names:
            number += 1
            name = f"{scan.name} ({number})"
        names.append(name)
    return tuple(names)


def settled_placements(
    project: Project, why: str = NOT_JOINED
) -> tuple[tuple[FloatArray | None, str | None, float | None], ...]:
    """Where each scan stands in the common frame: the frame of the first placed fragment's scan.

    Parameters
    ----------
    project : Project
    why : str
        The reason to give for fragments of which the project says nothing.

    Returns
    -------
    tuple of (common_from_scan, why, u95_mm)
        ``common_from_scan`` (4, 4) in mm, or None with the reason. Where no
        two fragments are joined the largest one keeps the identity.
    """
    stands = [p.part_from_scan for p in project.placements] or [None] * len(project.scans)
    reasons = [p.why or why for p in project.placements] or [why] * len(project.scans)
    bounds = [p.u95_mm for p in project.placements] or [None] * len(project.scans)
    if all(matrix is None for matrix in stands) and stands:
        areas = [float(triangle_areas(scan.mesh).sum()) for scan in project.scans]
        stands[int(np.argmax(areas))] = identity()
    common_from_part = common_frame(stands)
    return tuple(
        (None, reason, None) if matrix is None else (_product(common_from_part, matrix), None, bound)
        for matrix, reason, bound in zip(stands, reasons, bounds, strict=True)
    )


def common_frame(stands: Sequence[FloatArray | None]) -> FloatArray:
    """``common_from_part`` (4, 4) for the ``part_from_scan`` of all fragments."""
    first = next((matrix for matrix in stands if matrix is not None), None)
    return identity() if first is None else inverse(first)


def whole_in_common_frame(project: Project) -> Mesh | None:
    """The whole in the frame of the first placed fragment's scan, mm."""
    if project.whole is None:
        return None
    common_from_part = common_frame([p.part_from_scan for p in project.placements])
    if np.array_equal(common_from_part, identity()):
        return project.whole.mesh
    return placed(project.whole.mesh, orthonormal(common_from_part))


def fit_content(
    project: Project,
    typed: Sequence[str],
    version: str,
    left_out: Mapping[int, tuple[Scan, str]] | None = None,
    whole_file: str | None = None,
    why: str = NOT_JOINED,
    seconds: Mapping[str, float] | None = None,
) -> dict[str, Any]:
    """The content of a FIT file.

    Parameters
    ----------
    project : Project
        With scans, and whatever the steps made of them.
    typed : sequence of str
        How the person named each fragment, left-out ones included.
    version : str
    left_out : mapping, optional
        Scans that were read but not worked on, by their place in ``typed``, with the reason.
    whole_file : str, optional
        Where the whole was written.
    why : str
        The reason for fragments of which the project says nothing.
    seconds : mapping, optional
        Seconds of each step; those of the project's history by default.

    Returns
    -------
    dict
        As described in the README; ready for `json.dumps`.
    """
    left_out = left_out or {}
    where = iter(zip(project.scans, settled_placements(project, why), strict=True))
    rows = [(*_left_out_row(left_out[n]),) if n in left_out else next(where) for n in range(len(typed))]
    scans = [scan for scan, _ in rows]
    names, unit = names_of(scans), scans[0].unit
    number_in_project = [n for n in range(len(typed)) if n not in left_out]
    notes: dict[int, list[str]] = {n: [] for n in range(len(typed))}
    notes |= {n: list(p.notes) for n, p in zip(number_in_project, project.placements, strict=False)}
    fragments = [
        {
            "name": name,
            "files": files_as_typed(scan, text),
            "file": files_as_typed(scan, text)[0],
            "unit": scan.unit,
            "placement": None if matrix is None else in_unit(matrix, unit),
            "why": reason,
            "u95_mm": bound,
            "role": scan.role,
            "mirrored": scan.mirrored,
            "views": [view_content(view) for view in scan.views],
            "views_u95_mm": scan.views_u95_mm,
            "notes": notes[n],
        }
        for n, (name, text, (scan, (matrix, reason, bound))) in enumerate(zip(names, typed, rows, strict=True))
    ]
    content: dict[str, Any] = tidy({
        "unit": unit,
        "fragments": fragments,
        "joints": [joint_content(project, n, number_in_project) for n in told_joints(project)],
        "whole": whole_content(project, whole_file, unit),
        "seconds": seconds or {record.step: record.seconds for record in project.history},
        "version": version,
    })  # fmt: skip
    return content


def view_content(view: ScanView) -> dict[str, Any]:
    """One of the scans that a fragment's scan was made of."""
    return {
        "name": view.name,
        "scan_from_view_mm": view.scan_from_view.tolist(),
        "points": view.points,
        "support_mm2": view.support_mm2,
        "foreign_mm2": view.foreign_mm2,
        "misfit_mm": view.misfit_mm,
    }


def _left_out_row(entry: tuple[Scan, str]) -> tuple[Scan, tuple[None, str, None]]:
    return entry[0], (None, entry[1], None)


def files_as_typed(scan: Scan, typed: str) -> list[str]:
    """The scan's files, named the way the person named them."""
    if Path(typed).is_dir():
        return [os.path.join(typed, Path(file).name) for file in scan.files]
    return [typed]


def in_unit(matrix_mm: FloatArray, unit: str) -> list[list[float]]:
    """A rigid motion as rows, its translation in ``unit``."""
    rows = orthonormal(matrix_mm)
    rows[:3, 3] /= UNITS[unit]
    return [[float(value) + 0.0 for value in row] for row in rows]


def told_joints(project: Project) -> tuple[int, ...]:
    """The joints worth telling: measured ones, and those that would reach a fragment left unplaced."""
    measured = {fit.joint for fit in project.fits}
    unplaced = {n for n, p in enumerate(project.placements) if p.part_from_scan is None}
    return tuple(
        n for n, joint in enumerate(project.joints)
        if joint.state != "rejected" and (n in measured or not unplaced.isdisjoint((joint.a, joint.b)))
    )  # fmt: skip


def verdict_of(joint: Joint, fit: FitReport | None) -> str:
    """ "good" where the evidence and the measured fit both say so, else "doubtful"."""
    pinned = joint.state == "pinned"
    return "good" if fit is not None and fit.verdict == "good" and (joint.evidence.good or pinned) else "doubtful"


def joint_content(project: Project, number: int, places: Sequence[int]) -> dict[str, Any]:
    """One joint as a FIT file tells it; ``places`` are the fragments' places in that file."""
    joint = project.joints[number]
    fit = next((fit for fit in project.fits if fit.joint == number), None)
    measured = ("gap_median_mm", "gap_p95_mm", "overlap_max_mm", "touching_share", "step_mm")
    return {
        "a": places[joint.a],
        "b": places[joint.b],
        "verdict": verdict_of(joint, fit),
        "area_mm2": joint.evidence.contact_area_mm2 if fit is None else fit.area_mm2,
        **{name: None if fit is None else getattr(fit, name) for name in measured},
        "score": joint.evidence.score,
        "runner_up": joint.evidence.runner_up,
        "reason": joint.evidence.reason if fit is None or not joint.evidence.good else fit.sentence,
    }


def whole_content(project: Project, file: str | None, unit: str) -> dict[str, Any] | None:
    """The whole as a FIT file tells it; None where there is none."""
    whole = project.whole
    if whole is None:
        return None
    return {
        "file": file,
        "unit": unit,
        "closed": whole.closed,
        "shells": whole.shells,
        "volume_mm3": whole.volume_mm3,
        "genus": whole.genus,
        "filled_mm3": whole.filled_mm3,
        "by_number": [one.sentence for one in whole.by_number],
        **whole_measures(project),
    }


def whole_measures(project: Project) -> dict[str, Any]:
    """What was measured on the whole beyond its volume, in mm; places in the frame of the whole's file."""
    whole, mesh = project.whole, whole_in_common_frame(project)
    if whole is None or mesh is None:
        return {}
    common_from_part = common_frame([p.part_from_scan for p in project.placements])

    def told(fill: Fill) -> dict[str, Any]:
        centre = common_from_part[:3, :3] @ fill.centre_mm + common_from_part[:3, 3]
        return {
            "kind": fill.kind, "across_mm": fill.across_mm, "volume_mm3": fill.volume_mm3, "centre_mm": centre.tolist(),
        }  # fmt: skip

    return {
        "area_mm2": whole.area_mm2,
        "size_mm": np.ptp(mesh.vertices, axis=0).tolist() if len(mesh.vertices) else None,
        "crossing_pairs": whole.crossing_pairs,
        "scan_crossing_pairs": whole.scan_crossing_pairs,
        "thinnest_mm": whole.thinnest_mm,
        "farthest_in_band_mm": whole.farthest_in_band_mm,
        "farthest_outside_mm": whole.farthest_outside_mm,
        "reduced_mm": whole.reduced_mm,
        "fills": [told(fill) for fill in whole.fills],
        "open_holes": [told(hole) for hole in whole.open_holes],
        "notes": list(whole.notes),
    }


def whole_words(project: Project, file: str) -> list[str]:
    """The report of the whole in plain words, a line each; lengths in mm.

    Raises
    ------
    WrongUse
        Where there is no whole.
    """
    whole = project.whole
    if whole is None:
        raise WrongUse("There is no whole to tell about.", "Fuse the fragments first.")
    known = whole_measures(project)

    def length(value: float | None) -> str:
        return "not measured" if value is None else f"{value:.3f} mm"

    size = " x ".join(f"{side:.2f}" for side in known["size_mm"])
    lines = [
        f"The whole in {file}",
        f"Closed: {'yes' if whole.closed else 'NO'}; separate bodies: {whole.shells}; through-holes: {whole.genus}",
        f"Size along the axes: {size} mm; area {whole.area_mm2:.1f} mm2; volume {whole.volume_mm3:.1f} mm3",
        f"Triangle pairs that run through each other: {whole.crossing_pairs} made at the crack, "
        f"{whole.scan_crossing_pairs} brought by the scans near it",
        f"Thinnest wall at the seam: {length(whole.thinnest_mm)}",
        f"Largest distance to the scans: {length(whole.farthest_in_band_mm)} at the crack, "
        f"{length(whole.farthest_outside_mm)} elsewhere",
        "Triangles: " + ("as scanned" if whole.reduced_mm is None else f"reduced, by up to {length(whole.reduced_mm)}"),
        f"Filled, NOT MEASURED: {whole.filled_mm3:.2f} mm3 in {len(whole.fills)} places",
    ]
    for title, entries in (("filled", known["fills"]), ("LEFT OPEN", known["open_holes"])):
        for entry in entries:
            at = ", ".join(f"{value:.1f}" for value in entry["centre_mm"])
            lines.append(f"  {entry['kind']} {title}: {entry['across_mm']:.1f} mm across, "
                         f"{entry['volume_mm3']:.2f} mm3, at {at}")  # fmt: skip
    return [*lines, *(f"Note: {note}" for note in whole.notes)]


def write_whole_report(project: Project, whole_file: str | Path) -> Path:
    """Write `whole_words` beside the file of the whole; its path is given back.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    path = Path(whole_file).with_suffix(".report.txt")
    text = "\n".join(whole_words(project, Path(whole_file).name)) + "\n"

    def write(beside: Path) -> None:
        beside.write_text(text, encoding="utf-8")

    written_whole(path, write)
    return path


def complete(content: Mapping[str, Any]) -> bool:
    """Whether a FIT leaves nothing unplaced and nothing doubtful."""
    whole = content["whole"]
    return (
        all(f["placement"] is not None for f in content["fragments"] if f.get("role", "fragment") == "fragment")
        and all(joint["verdict"] == "good" for joint in content["joints"])
        and (whole is None or bool(whole["closed"]))
    )


def scan_content(fragment: Fragment, file: str) -> dict[str, Any]:
    """What is known of one scan, lengths in the file's own unit."""
    one = UNITS[fragment.scan.unit]
    vertices = fragment.scan.mesh.vertices
    repairs = (*fragment.scan.read_notes, *(r for r in fragment.repairs if r not in fragment.scan.read_notes))
    content: dict[str, Any] = tidy({
        "file": file,
        "unit": fragment.scan.unit,
        "size": ((vertices.max(axis=0) - vertices.min(axis=0)) / one).tolist(),
        "points": len(vertices),
        "triangles": len(fragment.scan.mesh.triangles),
        "spacing": fragment.spacing_mm / one,
        "noise": fragment.noise_mm / one,
        "specks": fragment.specks,
        "holes": len(fragment.holes),
        "closed": fragment.closed,
        "repairs": [{"kind": r.kind, "count": r.count, "sentence": r.sentence} for r in repairs],
        "role": fragment.scan.role,
        "views": [view_content(view) for view in fragment.scan.views],
        "faults": None if fragment.faults is None else [
            {"kind": f.kind, "sentence": f.sentence, "size_mm": f.size_mm,
             "place_mm": None if f.place_mm is None else f.place_mm.tolist()} for f in fragment.faults
        ],
    })  # fmt: skip
    return content


def tidy(value: Any) -> Any:
    """The value with plain Python numbers only; NaN and infinity become None."""
    if isinstance(value, dict):
        return {str(key): tidy(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [tidy(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def write_json(path: str | Path, content: Any) -> None:
    """Write JSON whole or not at all.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def write(beside: Path) -> None:
        beside.write_text(text, encoding="utf-8")

    written_whole(Path(path), write)


def _product(b_from_a: FloatArray, a_from_scan: FloatArray) -> FloatArray:
    product = np.asarray(b_from_a @ a_from_scan)
    return identity() if np.abs(product - np.eye(4)).max() < 1e-12 else product
