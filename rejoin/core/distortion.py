"""After the repair: a new scan of the mended part against the whole that was made before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.bending import Bend, bend_of, sigma_beside_bends
from rejoin.core.contact import signed_distances
from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import Close, closer, fine_of
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.meshes import edge_spacing, placed, triangle_areas, triangle_centres, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh, Scan
from rejoin.core.robust import sigma_of
from rejoin.core.settings import Report, part_of, silent
from rejoin.core.transforms import apply

LEAST, FAR, SOME = 0.3, 20.0, 4000
"""Share of the new scan that must lie on the whole; spacings beyond which a place counts no more; places asked."""
MOST, BESIDE, PLACES = 0.9, 6.0, 20_000
"""Share of the whole that a scan of all of it shows at least; spacings within which it shows a place; places asked."""
AROUND, WINDOWS, FEWEST = 8.0, 2000, 20
"""Radius of the windows over which the misfit is levelled, in spacings: wider than noise is alike from point to point;
how many of them; points in one."""
ALIKE = 0.7
"""Cosine between normals in one window: a bend moves the two sides of a thin wall in opposite ways."""
CHORD = 0.02
"""Spacings that two meshes of one round surface are apart without any noise."""
NEAREST, FARTHEST = 1.5, 2.5
"""Radii from a window at which others lie beside it."""
SURELY = 3.0
"""Sigmas of a window's level that noise alone hardly passes at one place in a hundred."""
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
    bend: Bend | None
    sentence: str

    @property
    def farthest_mm(self) -> FloatArray:
        """The place (3,) that is farthest off: of a bend its far end, else where the scan lies worst."""
        return self.worst_at_mm if self.bend is None else self.bend.at_mm


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
    pose = _laid(whole, whole_noise_mm, rescan, spacing, report)
    report(0.8, "Measuring the distortion")
    moved = placed(rescan.mesh, pose)
    found = signed_distances(moved.vertices, whole)
    away = np.where(found.on_border, np.nan, found.signed)
    known = np.flatnonzero(np.isfinite(away)).astype(np.int32)
    sizes = np.abs(away[known])
    levels = _levelled(moved, away, known, spacing)
    points, normals = moved.vertices[levels.at], vertex_normals(moved)[levels.at]
    worst = float(np.quantile(np.abs(levels.mm), 0.99))
    place = points[np.argmin(np.abs(np.abs(levels.mm) - worst))]
    own = np.linalg.norm([whole_noise_mm, rescan.noise_mm, CHORD * spacing])
    seen = np.hypot(levels.strays_mm, levels.sigma_mm)
    bound = max(1.96 * float(max(own, seen)), SURELY * levels.sigma_mm)
    scale = _scale(points, normals, levels.mm) if worst > bound else None
    alone = _alone(moved, spacing)
    bend = bend_of(points, normals, levels.mm, levels.sigma_mm, alone, moved.vertices) if scale is None else None
    median, within, shown = float(np.median(sizes)), float(np.quantile(sizes, 0.95)), _shown(whole, moved, spacing)
    text = _told((worst, median, within, bound), bend, scale, shown)
    return Distortion(pose, away, median, within, worst, place, bound, worst > bound or bend is not None, shown, bend,
                      text)  # fmt: skip


def _laid(whole: Mesh, whole_noise_mm: float, rescan: Fragment, spacing: float, report: Report) -> FloatArray:
    """The pose of a new scan on the whole, best where most of it agrees."""
    scan = Scan("whole", (), whole, "mm", True, False, ())
    before = Fragment(scan, whole, edge_spacing(whole), whole_noise_mm, (), 0, True, ())
    step = common_step([whole, rescan.mesh], spacing)
    seen = [seen_of(mesh, gap, step) for mesh, gap in ((whole, before.spacing_mm), (rescan.mesh, rescan.spacing_mm))]
    rough = rough_poses(seen[0], seen[1], part_of(report, 0.0, 0.7))
    ways = [closer(fine_of(before), fine_of(rescan), one.a_from_b, 1.5 * step) for one in rough[:8]]
    ways = [way for way in ways if way.share >= LEAST]
    if not ways:
        raise NoAnswer("The new scan was not found on the whole.", "Is it a scan of the same part?")
    return min(ways, key=lambda way: _away(way, whole, rescan.mesh, FAR * spacing)).a_from_b


def _told(numbers: tuple[float, float, float, float], bend: Bend | None, scale: float | None, shown: float) -> str:
    """All of it in words; the numbers are worst, median, within 95 % and what noise makes."""
    worst, median, within, bound = numbers
    verdict = f"distorted by up to {worst:.2f} mm" if worst > bound else "no distortion beyond the noise"
    rest = f"half of it within {median:.3f} mm, 95 % within {within:.3f} mm; noise alone makes {bound:.3f} mm."
    text = f"The mended part: {verdict}; {rest}"
    if bend is not None:
        text = (f"The mended part is {'twisted' if bend.twisted else 'bent'}. {bend.sentence} Laid best on all of it, "
                f"it is off by up to {worst:.2f} mm; {rest}")  # fmt: skip
    if scale is not None:
        text += (f" Scale may tell most of it: the new scan is {100 * abs(scale):.2f} % "
                 f"{'larger' if scale > 0 else 'smaller'} all over. Check the scale of both scans on a known length "
                 "first.")  # fmt: skip
    if shown < MOST:
        text += (f" The new scan shows only {100 * shown:.0f} % of the whole: the rest was not compared. Is it a scan "
                 "of all of the mended part?")  # fmt: skip
    return text


@dataclass(frozen=True, eq=False)
class _Levels:
    """Misfit levelled over windows: vertices (w,), medians around each (w,), sigma of what strays from them, their own.
    """

    at: IntArray
    mm: FloatArray
    strays_mm: float
    sigma_mm: float


def _levelled(scan: Mesh, away_mm: FloatArray, known: IntArray, spacing_mm: float) -> _Levels:
    """Misfit levelled over windows all over the scan.

    Each scan's own noise, as it is measured, misses what is alike over more than a few spacings; both scans together
    show it here: what is alike within a window, in how windows side by side differ, or in what two motions leave where
    the part is hardly wider than some windows.
    """
    points, normals, away = scan.vertices[known], vertex_normals(scan)[known], away_mm[known]
    asked = np.linspace(0, len(known) - 1, min(WINDOWS, len(known))).astype(np.int64)
    at, levels, strays = [], [], []
    for number, near in zip(asked, cKDTree(points).query_ball_point(points[asked], AROUND * spacing_mm, workers=2),
                            strict=True):  # fmt: skip
        alike = np.array(near)[normals[near] @ normals[number] > ALIKE]
        if len(alike) >= FEWEST:
            at.append(number)
            levels.append(np.median(away[alike]))
            strays.append(away[alike] - levels[-1])
    if not at:
        return _Levels(known, away, 0.0, 0.0)
    which, mm = np.array(at), np.array(levels)
    alone = _alone(scan, spacing_mm)
    sigma = min(_sigma_beside(points[which], normals[which], mm, AROUND * spacing_mm),
                sigma_beside_bends(points[which], normals[which], mm, alone))  # fmt: skip
    return _Levels(known[which], mm, sigma_of(np.concatenate(strays)), float(np.hypot(sigma, CHORD * spacing_mm)))


def _alone(scan: Mesh, spacing_mm: float) -> float:
    """How many windows there are side by side."""
    return float(triangle_areas(scan).sum() / (np.pi * (AROUND * spacing_mm) ** 2))


def _sigma_beside(points: FloatArray, normals: FloatArray, levels: FloatArray, radius_mm: float) -> float:
    """One sigma of levels, by how each differs from the mean of those on both sides of it, which a bend hardly does."""
    tree, differ = cKDTree(points), []
    for number, near in enumerate(tree.query_ball_point(points, FARTHEST * radius_mm, workers=2)):
        near = np.array(near)
        offset = points[near] - points[number]
        beside = (np.linalg.norm(offset, axis=1) > NEAREST * radius_mm) & (normals[near] @ normals[number] > ALIKE)
        ring, offset = near[beside], offset[beside]
        if len(ring) >= 6 and np.linalg.norm(offset.mean(axis=0)) < radius_mm:
            differ.append((levels[number] - levels[ring].mean()) / np.sqrt(1.0 + 1.0 / 6.0))
    return sigma_of(np.array(differ)) if len(differ) >= FEWEST else np.inf


def _scale(points: FloatArray, normals: FloatArray, levels: FloatArray) -> float | None:
    """By what share the new scan is larger, where that tells much of the distances (w,) along normals; else None."""
    arms = points - points.mean(axis=0)
    pose = np.hstack([normals, np.cross(arms, normals)])
    both = np.column_stack([pose, np.einsum("ij,ij->i", arms, normals)])
    fits = [np.linalg.lstsq(design, levels, rcond=None)[0] for design in (pose, both)]
    left = [np.quantile(np.abs(levels - one @ fit), 0.99) for one, fit in zip((pose, both), fits, strict=True)]
    return float(fits[1][-1]) if left[1] < MOSTLY * left[0] else None


def _away(way: Close, whole: Mesh, scan: Mesh, most_mm: float) -> float:
    """How far a new scan lies from the whole in the mean, where no place counts for more than so much.

    Broad faces of a part laid on itself the wrong way round agree in more places than those of a bent part do.
    """
    some = scan.vertices[:: max(1, len(scan.vertices) // SOME)]
    return float(np.minimum(np.abs(signed_distances(apply(way.a_from_b, some), whole).signed), most_mm).mean())


def _shown(whole: Mesh, scan: Mesh, spacing_mm: float) -> float:
    """Share of the whole's surface beside which the scan shows something."""
    every = max(1, len(whole.triangles) // PLACES)
    places, areas = triangle_centres(whole)[::every], triangle_areas(whole)[::every]
    near = np.isfinite(cKDTree(scan.vertices).query(places, distance_upper_bound=BESIDE * spacing_mm, workers=2)[0])
    return float(areas[near].sum() / areas.sum())
