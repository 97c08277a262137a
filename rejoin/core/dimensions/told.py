"""The outcome of a check as plain numbers and sentences, ready for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rejoin.core.dimensions.agreement import RULE
from rejoin.core.dimensions.shapes import shape_content
from rejoin.core.dimensions.sizes import DEGREES
from rejoin.core.meshes import genus, is_closed, triangle_areas, volume
from rejoin.core.records import DimensionCheck, Fragment, Project, ScaleCheck, Whole


def as_whole(fragment: Fragment) -> Whole:
    """A mesh file that holds a whole part, as the whole of a project."""
    mesh = fragment.mesh
    closed = is_closed(mesh)
    none = np.empty(0, np.int32)
    return Whole(
        mesh=mesh, volume_mm3=volume(mesh), area_mm2=float(triangle_areas(mesh).sum()), closed=closed,
        shells=1, genus=genus(mesh) if closed else 0, seam_triangles=none, filled_triangles=none, filled_mm3=0.0,
        fills=(), crossing_pairs=0, original_moved_mm=0.0, notes=("Read from a file.",),
    )  # fmt: skip


def check_content(project: Project, file: str, unit: str, names: Sequence[str]) -> dict[str, Any]:
    """What `rejoin check` writes: lengths in mm, angles in degrees, weights in grams.

    ``complete`` is true where every dimension was measured, none disagrees with its reading, every limit is passed
    and every scale is proven.
    """
    return {
        "file": file,
        "unit": "mm",
        "picks_unit": unit,
        "rule": RULE,
        "dimensions": [_row(check) for check in project.checks],
        "scales": [_scale(scale, names) for scale in project.scales],
        "complete": complete(project),
    }


def complete(project: Project) -> bool:
    """Whether nothing is left unmeasured, contradicted, out of its limits or unproven."""
    sound = all(
        check.value is not None and check.agreement in ("agrees", "not read") and check.verdict in ("pass", "no limits")
        for check in project.checks
    )
    return sound and all(scale.state == "proven" for scale in project.scales)


def _row(check: DimensionCheck) -> dict[str, Any]:
    return {
        "name": check.name,
        "kind": check.kind,
        "unit": "deg" if check.kind in DEGREES else "g" if check.kind == "weight" else "mm",
        "value": check.value,
        "u95": check.u95,
        "sizes": dict(check.sizes),
        "reading": check.reading,
        "reading_u95": check.reading_u95,
        "difference": check.difference,
        "normalised_error": check.normalised_error,
        "agreement": check.agreement,
        "verdict": check.verdict,
        "scale_proven": check.scale_proven,
        "sentence": check.sentence,
        "lines_mm": check.lines_mm.tolist(),
        "shapes": [shape_content(shape) for shape in check.shapes],
    }


def _scale(scale: ScaleCheck, names: Sequence[str]) -> dict[str, Any]:
    return {
        "of": "whole" if scale.on < 0 else names[scale.on],
        "factor": scale.factor,
        "u95": scale.u95,
        "readings": scale.readings,
        "state": scale.state,
        "sentence": scale.sentence,
    }
