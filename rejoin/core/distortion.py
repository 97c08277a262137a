"""After the repair: a new scan of the mended part against the whole that was made before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.contact import signed_distances
from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import closer, fine_of
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.meshes import edge_spacing, placed, triangle_areas, triangle_centres, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh, Scan
from rejoin.core.robust import sigma_of
from rejoin.core.settings import Report, part_of, silent

LEAST = 0.3
"""Share of the new scan that must lie on the whole."""
MOST, BESIDE, PLACES = 0.9, 6.0, 20_000
"""Share of the whole that a scan of all of it shows at least; spacings within which it shows a place; places asked."""
AROUND, WINDOWS, FEWEST = 8.0, 2000, 20
"""Radius of the windows over which the misfit is levelled, in spacings: wider than noise is alike from point to point;
how many of them; points in one."""
ALIKE = 0.7
"""Cosine between normals in one window: a bend moves the two sides of a thin wall in opposite ways."""
MOSTLY = 0.67
"""A scale may explain a distortion where a pose and it leave less than this share of what a pose alone leaves."""


@dataclass(frozen=True, eq=False)
class Distortion:
    """How the mended part differs from the whole.

    ``whole_from_scan`` (4, 4) lays the new scan on the whole, best where most of it agrees; ``away_mm`` (n,) is the
    distance of each of its vertices, + outside; NaN where the whole ends. ``worst_mm`` and ``worst_at_mm`` (3,) tell
    the largest distance (99 % point) of a place as a whole, over which noise evens out, and where; ``u95_mm`` is how
    far noise alone takes one point, ``distorted`` whether a place as a whole is farther off, ``shown_share`` how much
    of the whole's surface the new scan shows.
    """

    whole_from_scan: FloatArray
    away_mm: FloatArray
    median_mm: float
    within_95_mm: float
    worst_mm: float
    worst_at_mm: FloatArray
    u95_mm: float
    distorted: bool
    shown_share: float
    sentence: str


def distortion_of(whole: Mesh, whole_noise_mm: float, rescan: Fragment, report: Report = silent) -> Distortion:
    """Lay a new scan on the whole and measure how far the mended part is distorted.

    Parameters
    ----------
    whole : Mesh
        Part frame, mm.
    whole_noise_mm : float
        Of the scans it was made of.
    rescan : Fragment
        The cleaned scan of the mended part.
    report : Report, optional

    Raises
    ------
    NoAnswer
        Where the new scan does not lie on the whole anywhere.
    """
    spacing = max(edge_spacing(whole), rescan.spacing_mm)
    scan = Scan("whole", (), whole, "mm", True, False, ())
    before = Fragment(scan, whole, edge_spacing(whole), whole_noise_mm, (), 0, True, ())
    step = common_step([whole, rescan.mesh], spacing)
    seen = [seen_of(mesh, gap, step) for mesh, gap in ((whole, before.spacing_mm), (rescan.mesh, rescan.spacing_mm))]
    rough = rough_poses(seen[0], seen[1], part_of(report, 0.0, 0.7))
    ways = [closer(fine_of(before), fine_of(rescan), one.a_from_b, 1.5 * step) for one in rough[:8]]
    best = max(ways, key=lambda way: way.agree, default=None)
    if best is None or best.share < LEAST:
        raise NoAnswer("The new scan was not found on the whole.", "Is it a scan of the same part?")
    report(0.8, "Measuring the distortion")
    moved = placed(rescan.mesh, best.a_from_b)
    found = signed_distances(moved.vertices, whole)
    away = np.where(found.on_border, np.nan, found.signed)
    known = np.flatnonzero(np.isfinite(away)).astype(np.int32)
    sizes = np.abs(away[known])
    at, levels, sigma = _levelled(moved, away, known, spacing)
    worst = float(np.quantile(np.abs(levels), 0.99))
    place = moved.vertices[at[np.argmin(np.abs(np.abs(levels) - worst))]]
    bound = 1.96 * max(float(np.hypot(whole_noise_mm, rescan.noise_mm)), sigma)
    within = float(np.quantile(sizes, 0.95))
    distorted = worst > bound
    verdict = f"distorted by up to {worst:.2f} mm" if distorted else "no distortion beyond the noise"
    text = (f"The mended part: {verdict}; half of it within {np.median(sizes):.3f} mm, 95 % within {within:.3f} mm; "
            f"noise alone makes {bound:.3f} mm.")  # fmt: skip
    scale = _scale(moved.vertices[at], vertex_normals(moved)[at], levels) if distorted else None
    if scale is not None:
        text += (f" Scale may tell most of it: the new scan is {100 * abs(scale):.2f} % "
                 f"{'larger' if scale > 0 else 'smaller'} all over. Check the scale of both scans on a known length "
                 "first.")  # fmt: skip
    shown = _shown(whole, moved, spacing)
    if shown < MOST:
        text += (f" The new scan shows only {100 * shown:.0f} % of the whole: the rest was not compared. Is it a scan "
                 "of all of the mended part?")  # fmt: skip
    return Distortion(best.a_from_b, away, float(np.median(sizes)), within, worst, place, bound, distorted, shown,
                      text)  # fmt: skip


def _levelled(
    scan: Mesh, away_mm: FloatArray, known: IntArray, spacing_mm: float
) -> tuple[IntArray, FloatArray, float]:
    """Vertices (w,), the median distance around each (w,), and one sigma of what strays from it.

    Each scan's own noise, as it is measured, misses what is alike over more than a few spacings; both scans together
    show it here.
    """
    points, normals, away = scan.vertices[known], vertex_normals(scan)[known], away_mm[known]
    asked = np.linspace(0, len(known) - 1, min(WINDOWS, len(known))).astype(np.int64)
    at, levels, strays = [], [], []
    for number, near in zip(asked, cKDTree(points).query_ball_point(points[asked], AROUND * spacing_mm, workers=2),
                            strict=True):  # fmt: skip
        alike = np.array(near)[normals[near] @ normals[number] > ALIKE]
        if len(alike) >= FEWEST:
            at.append(known[number])
            levels.append(np.median(away[alike]))
            strays.append(away[alike] - levels[-1])
    if not at:
        return known, away, 0.0
    return np.array(at), np.array(levels), sigma_of(np.concatenate(strays))


def _scale(points: FloatArray, normals: FloatArray, levels: FloatArray) -> float | None:
    """By what share the new scan is larger, where that tells much of the distances (w,) along normals; else None."""
    arms = points - points.mean(axis=0)
    pose = np.hstack([normals, np.cross(arms, normals)])
    both = np.column_stack([pose, np.einsum("ij,ij->i", arms, normals)])
    fits = [np.linalg.lstsq(design, levels, rcond=None)[0] for design in (pose, both)]
    left = [np.quantile(np.abs(levels - one @ fit), 0.99) for one, fit in zip((pose, both), fits, strict=True)]
    return float(fits[1][-1]) if left[1] < MOSTLY * left[0] else None


def _shown(whole: Mesh, scan: Mesh, spacing_mm: float) -> float:
    """Share of the whole's surface beside which the scan shows something."""
    every = max(1, len(whole.triangles) // PLACES)
    places, areas = triangle_centres(whole)[::every], triangle_areas(whole)[::every]
    near = np.isfinite(cKDTree(scan.vertices).query(places, distance_upper_bound=BESIDE * spacing_mm, workers=2)[0])
    return float(areas[near].sum() / areas.sum())
