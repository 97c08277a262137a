"""The outcome of a check as plain numbers and sentences, ready for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rejoin.core.dimensions.agreement import RULE
from rejoin.core.dimensions.shapes import shape_content
from rejoin.core.dimensions.sizes import DEGREES
from rejoin.core.dimensions.ways import order_of_assembly
from rejoin.core.meshes import genus, is_closed, triangle_areas, volume
from rejoin.core.records import DimensionCheck, FitUp, Fragment, Project, ScaleCheck, Whole


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
        "fit_up": [
            fit_up_content(one, names[project.joints[one.joint].a], names[project.joints[one.joint].b])
            for one in project.fit_ups
        ],
        "assembly": _assembly(project, names),
        "complete": complete(project),
    }


def _assembly(project: Project, names: Sequence[str]) -> list[dict[str, Any]]:
    """The order in which pieces go in, the one that stays first; ways in the part's frame."""
    if not project.fit_ups:
        return []
    order = order_of_assembly(project.fragments, project.placements, project.joints)
    return [
        {"fragment": names[piece], "goes_in_along": (-way).tolist() if n else None, "barred_share": barred}
        for n, (piece, way, barred) in enumerate(order)
    ]


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
        "clearance": check.clearance,
        "clearance_u95": check.clearance_u95,
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


def fit_up_content(one: FitUp, a: str, b: str) -> dict[str, Any]:
    """The fit-up of a joint as plain numbers; marks in their scans' frames, the direction in the part's."""
    walls = one.wall_mm or (None, None, None)
    return {
        "a": a,
        "b": b,
        "step_mm": one.step_mm,
        "step_u95_mm": one.step_u95_mm,
        "angle_deg": one.angle_deg,
        "angle_u95_deg": one.angle_u95_deg,
        "gap_low_mm": one.gap_low_mm,
        "gap_high_mm": one.gap_high_mm,
        "length_mm": one.length_mm,
        "section_mm2": one.section_mm2,
        "wall_least_mm": walls[0],
        "wall_median_mm": walls[1],
        "wall_largest_mm": walls[2],
        "gauge_marks": [
            {"mark_a_mm": first.tolist(), "mark_b_mm": second.tolist(), "apart_mm": apart, "u95_mm": u95}
            for first, second, apart, u95 in zip(
                one.marks_a_mm, one.marks_b_mm, one.target_mm.tolist(), one.target_u95_mm.tolist(), strict=True
            )
        ],
        "comes_off": one.direction.tolist(),
        "barred_share": one.blocked_share,
        "step_limits_mm": dict(one.limits_mm),
        "notes": list(one.notes),
        "cautions": list(one.cautions),
    }
