"""How two fragments fit over one joint: gap and overlap point by point, the step across the crack, a verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.contact import OPPOSED, near_masks, signed_distances
from rejoin.core.errors import WrongUse
from rejoin.core.evidence import rivalled
from rejoin.core.meshes import compacted, vertex_areas, vertex_normals
from rejoin.core.records import FitReport, FloatArray, Fragment, IntArray, Joint, Placement
from rejoin.core.settings import FitSettings, Report
from rejoin.core.stepped import step_across
from rejoin.core.transforms import apply, inverse, turn


def measure_joint(
    fragments: tuple[Fragment, ...],
    placements: tuple[Placement, ...],
    joint: Joint,
    number: int,
    settings: FitSettings,
    report: Report,
) -> FitReport:
    """Measure the gap over one joint between two placed fragments.

    Parameters
    ----------
    fragments, placements : tuple
    joint : Joint
    number : int
        The joint's index in the project.
    settings : FitSettings
    report : Report

    Returns
    -------
    FitReport
        Gaps are exact distances from each vertex of a fracture face to the
        nearest triangle of the other fragment, + open, - overlapping.

    Raises
    ------
    WrongUse
        Where one of the two fragments is not placed.
    """
    first, second = fragments[joint.a], fragments[joint.b]
    pose_a, pose_b = placements[joint.a].part_from_scan, placements[joint.b].part_from_scan
    if pose_a is None or pose_b is None:
        raise WrongUse("One of these fragments is not placed.", "Join the fragments first.")
    a_from_b = inverse(pose_a) @ pose_b
    report(0.1, f"Measuring the gap between {first.scan.name} and {second.scan.name}")
    spacing = max(first.spacing_mm, second.spacing_mm)
    triangles_a, triangles_b = joint.face_a.triangles, joint.face_b.triangles
    sides = (first, triangles_a, second, inverse(a_from_b)), (second, triangles_b, first, a_from_b)
    a, b = abreast(lambda side, _: _gaps(*side), sides)
    gaps, areas = np.concatenate([a.gaps, b.gaps]), np.concatenate([a.areas, b.areas])
    met = np.isfinite(gaps)
    report(0.8, "Comparing the original surfaces across the crack")
    step, step_u95 = step_across(fragments, placements, joint) or (None, None)
    noise = max(float(np.hypot(first.noise_mm, second.noise_mm)), DRAWN * spacing)
    numbers = _numbers(gaps[met], areas[met], float(areas.sum()), settings.touching * noise)
    verdict, sentence = _judged(joint, numbers, noise, settings.touching * noise)
    return FitReport(
        joint=number, vertices_a=a.vertices, vertices_b=b.vertices, gap_a_mm=a.gaps, gap_b_mm=b.gaps,
        area_mm2=0.5 * float(areas[met].sum()), verdict=verdict, sentence=sentence,
        step_mm=step, step_u95_mm=step_u95,
        missing_layer_mm=joint.missing_layer_mm, missing_layer_sd_mm=joint.missing_layer_sd_mm, **numbers,
    )


NEAR, WIDE = 16.0, 0.1
"""Other surface is looked for within so many spacings, and farther only where it is not near: in widths of the face."""


@dataclass(frozen=True, eq=False)
class _Gaps:
    vertices: IntArray
    gaps: FloatArray
    areas: FloatArray


def _gaps(fragment: Fragment, triangles: IntArray, other: Fragment, other_from_own: FloatArray) -> _Gaps:
    """Signed gap of each vertex of a face; NaN where nothing lies opposite.

    Opposite means: the nearest surface faces the vertex, is not an open border
    of the scan, and lies along the vertex's normal rather than beside it.
    """
    face, vertices = compacted(fragment.mesh, triangles)
    areas = vertex_areas(face)
    if len(vertices) == 0:
        return _Gaps(vertices, np.empty(0), areas)
    points, normals = apply(other_from_own, face.vertices), turn(other_from_own, vertex_normals(face))
    spacing = max(fragment.spacing_mm, other.spacing_mm)
    wide = WIDE * float(np.linalg.norm(np.ptp(points, axis=0)))
    gaps, distance = _across(points, normals, other, min(NEAR * spacing, wide), spacing)
    far = np.flatnonzero(~(distance < 0.5 * NEAR * spacing))
    if len(far):
        gaps[far] = _across(points[far], normals[far], other, wide, spacing)[0]
    return _Gaps(vertices, gaps, areas)


def _across(
    points: FloatArray, normals: FloatArray, other: Fragment, reach: float, spacing: float
) -> tuple[FloatArray, FloatArray]:
    """Signed gaps (n,), NaN where nothing lies opposite, and distances (n,) to what of a fragment is within reach."""
    gaps, distance = np.full(len(points), np.nan), np.full(len(points), np.inf)
    _, near = near_masks(points, other.mesh.vertices, reach)
    kept = np.flatnonzero(near[other.mesh.triangles].any(axis=1)).astype(np.int32)
    if len(kept):
        crop, _ = compacted(other.mesh, kept)
        found = signed_distances(points, crop)
        facing = np.einsum("ij,ij->i", found.normals, normals) < OPPOSED
        along = np.abs(np.einsum("ij,ij->i", found.offsets, normals))
        aside = np.sqrt(np.maximum(np.square(found.signed) - np.square(along), 0.0))
        good = facing & ~found.on_border & (aside <= np.maximum(0.5 * spacing, along))
        gaps[good], distance = found.signed[good], np.abs(found.signed)
    return gaps, distance


def _numbers(gaps: FloatArray, areas: FloatArray, whole: float, touching_mm: float) -> dict[str, Any]:
    if len(gaps) == 0:
        return {"gap_median_mm": float("nan"), "gap_p95_mm": float("nan"), "overlap_max_mm": 0.0, "touching_share": 0.0}
    order = np.argsort(gaps, kind="stable")
    share = np.cumsum(areas[order]) / areas.sum()
    place = np.minimum(np.searchsorted(share, [0.5, 0.95]), len(gaps) - 1)
    return {
        "gap_median_mm": float(gaps[order][place[0]]),
        "gap_p95_mm": float(gaps[order][place[1]]),
        "overlap_max_mm": float(max(0.0, -gaps.min())),
        "touching_share": float(areas[np.abs(gaps) <= touching_mm].sum() / max(whole, 1e-300)),
    }


DRAWN = 0.03
"""Spacings (1 sigma) by which two surfaces through other points of one rough surface differ without any noise."""

FEW = 0.35
"""Share of a face that must touch before its smoothness is worth a word."""


def _judged(joint: Joint, numbers: dict[str, Any], noise: float, touching_mm: float) -> tuple[str, str]:
    """Verdict and a plain sentence. A fit without relief proves nothing, however close it is."""
    evidence, share = joint.evidence, numbers["touching_share"]
    if not np.isfinite(numbers["gap_median_mm"]):
        return "doubtful", "Nothing lies opposite this fracture face: the fragments do not touch here."
    median = round(numbers["gap_median_mm"], 2) + 0.0  # no minus before a nought
    gap = f"median gap {median:.2f} mm, {100 * share:.0f} % touching"
    if evidence.held < 1.0 and share < FEW:
        return "doubtful", f"Little of the face touches ({gap}): nothing shows that these two belong together."
    if evidence.held < 1.0:
        return "doubtful", f"The faces lie together ({gap}) but are too smooth to show that they belong together."
    if evidence.against:
        return "doubtful", f"The faces lie together ({gap}), but {evidence.against}: this place may be a wrong one."
    if not evidence.good:
        why = "Another place fits about as well" if rivalled(evidence) else "Close together, but that proves little"
        doubts = (f"{one[:1].upper()}{one[1:].rstrip('.')}." for one in evidence.doubts)
        return "doubtful", " ".join([f"{why} ({gap}).", *doubts])
    layer = max(joint.missing_layer_mm, 0.0)
    if abs(numbers["gap_median_mm"] - layer) > touching_mm + 2.0 * noise:
        return "doubtful", f"The faces stay apart ({gap})."
    if layer > touching_mm:
        return "good", f"The faces match with an even {layer:.2f} mm missing between them ({gap})."
    if share < 0.3:
        return "doubtful", f"Little of the face touches ({gap})."
    return "good", f"The faces match ({gap})."
