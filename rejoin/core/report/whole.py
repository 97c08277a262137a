"""What is told of the whole: in numbers, and in words beside its file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import WrongUse
from rejoin.core.files.placing import written_whole
from rejoin.core.records import Fill, Project
from rejoin.core.report.frames import common_frame, whole_in_common_frame


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
        f"Filled, NOT MEASURED: {whole.filled_mm3:.2f} mm3 in {len(whole.fills)} "
        f"{'place' if len(whole.fills) == 1 else 'places'}",
    ]
    for title, entries in (("filled", known["fills"]), ("LEFT OPEN", known["open_holes"])):
        for entry in entries:
            at = ", ".join(f"{value:.1f}" for value in entry["centre_mm"])
            lines.append(f"  {entry['kind']} {title}: {entry['across_mm']:.1f} mm across, "
                         f"{entry['volume_mm3']:.2f} mm3, at ({at}) mm")  # fmt: skip
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
