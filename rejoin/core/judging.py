"""Is this scan good enough? What would spoil the join, each with its place and what to do, before anything is joined.

All limits are multiples of the scan's own spacing and noise. Fracture relief is taken for self-affine: over windows of
growing size its height grows as about the 0.75th power (Ponson and others 2006); a scanner that smooths bends that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.meshes import averaged_normals, rim_of, triangle_areas, triangle_centres, vertex_normals
from rejoin.core.records import FloatArray, FractureFace, Fragment, Hole, ScanFault
from rejoin.core.settings import FIRM_VIEWS, Report, silent

BoolArray = npt.NDArray[np.bool_]

HOLE = 8.0
"""Spacings across above which a hole is told: smaller ones are closed without a trace."""
ROUGH = 0.85
"""What the calmer quarter of the surface round a hole strays by, in noises, from which it lies in a break. A quadric
over 5 spacings takes away part of correlated noise: calm original surface strays by about 0.6."""
TOUCHING = 0.25
"""Share of the places round a hole, edges left out, that are as rough as a break where it lies in one: a hole in a
narrow broken surface has the edges of that and original surface beside it; of calm surface noise makes a tenth so."""
CLEAR, SOME = 1.0, 0.12
"""Noises that calm surface never strays by, and the share of such places from which the hole lies in a break all the
same: a hole that takes most of a broken surface leaves little of it beside much calm surface."""
LEVEL = 8
"""Places without edges that are needed to tell: beside edges nothing is calm, so they say nothing of a break."""
SECTORS = 12
"""Sectors round a hole, each with its opposite."""
SPANNED = 2
"""Pairs of opposite sectors with walls on both sides from which a hole takes a face from edge to edge: a hole over one
edge has walls on one side only."""
NO_EDGE = 0.9
"""Cosine to the mean normal within 5 spacings below which there is an edge."""
SMOOTHED = 0.35
"""What strays from a quadric over 2.5 spacings, as a share of that over 5, at the calmest places: 0.6 and more as
scanned, for every vertex has noise of its own."""
DROWNED = 2.5
"""Relief over 8 spacings, in noises, below which the noise drowns it."""
FEWEST_POINTS, BREAK = 500, 0.1
"""Points on a fracture face below which the search, which maps it on some 400 cells, sees too little; share of a
fragment's points that a break takes at most as a rule, where no face looks broken."""
DOUBLE = 0.02
"""Share of the surface that may seem to lie double by chance (thin slots, chips)."""
WARP = 3.0
"""Times the noise that views of one scan may miss each other by."""
SAMPLE = 6000


def faults_of(fragment: Fragment, faces: Sequence[FractureFace], report: Report = silent) -> tuple[ScanFault, ...]:
    """What is wrong with a scan, worst first; empty where nothing is.

    Parameters
    ----------
    fragment : Fragment
    faces : sequence of FractureFace
        Of this fragment; the person's, or else the most confident one, is judged.
    report : Report, optional
    """
    chosen = [face for face in faces if face.chosen_by == "person"]
    likely = chosen or sorted(faces, key=lambda face: -face.confidence * face.area_mm2)[:3]
    report(0.1, f"Looking over {fragment.scan.name}")
    found = _double_walls(fragment)
    report(0.3, f"Looking at the holes of {fragment.scan.name}")
    if not found:  # the borders of a sheet that lies double are no holes
        found += _holes(fragment, likely if chosen else ())
    report(0.6, f"Looking at the relief of {fragment.scan.name}")
    coarse = _coarse(fragment, likely)
    found += coarse or _smoothed(fragment)
    for face in chosen:
        found += _drowned(fragment, face)
    found += _warp(fragment) + _weakly_held(fragment)
    report(1.0, f"{fragment.scan.name} was looked over")
    return tuple(found)


def _on_face(fragment: Fragment, faces: Sequence[FractureFace], hole: Hole) -> FractureFace | None:
    """The face that the rim of a hole runs on, by most of its vertices."""
    for face in faces:
        on = np.zeros(len(fragment.mesh.vertices), bool)
        on[fragment.mesh.triangles[face.triangles]] = True
        if on[hole.loop].mean() > 0.5:
            return face
    return None


def _holes(fragment: Fragment, faces: Sequence[FractureFace]) -> list[ScanFault]:
    found = []
    holes = [one for one in fragment.holes if one.across_mm > HOLE * fragment.spacing_mm]
    ways = averaged_normals(fragment.mesh, vertex_normals(fragment.mesh), 3) if holes else np.empty((0, 3))
    for hole in sorted(holes, key=lambda one: -one.across_mm):
        face, size = _on_face(fragment, faces, hole), f"{hole.across_mm:.1f} mm across"
        if face is not None or _rough_around(fragment, hole, ways):
            words = f"Part of a broken surface was covered or in shadow ({size}); rescan this side."
            found.append(ScanFault("covered", words, hole.centre_mm, hole.across_mm))
        elif _spans_a_face(fragment, hole, ways):
            words = f"A face is missing from edge to edge ({size}), which may be the broken one; rescan this side."
            found.append(ScanFault("covered", words, hole.centre_mm, hole.across_mm))
        else:
            found.append(ScanFault("hole", f"A hole, {size}; rescan this side.", hole.centre_mm, hole.across_mm))
    return found


def _rough_around(fragment: Fragment, hole: Hole, ways: FloatArray) -> bool:
    """Whether enough of the surface round a hole, away from edges, is as rough as a break."""
    points, spacing = fragment.mesh.vertices, fragment.spacing_mm
    tree, rim = cKDTree(points), points[hole.loop]
    away = cKDTree(rim).query(points, distance_upper_bound=4.0 * spacing)[0]
    ring = np.flatnonzero((away > spacing) & np.isfinite(away))
    ring = ring[:: max(1, len(ring) // 160)]
    around = [near for near in tree.query_ball_point(points[ring], 5.0 * spacing) if len(near) > 20]
    strays = np.sqrt([_strays(points[near]) for near in around])
    if len(strays) <= 8:
        return False
    means = np.array([ways[near].mean(axis=0) for near in around])
    means /= np.maximum(np.linalg.norm(means, axis=1, keepdims=True), 1e-12)
    level = np.array([(ways[near] @ mean).min() > NO_EDGE for near, mean in zip(around, means, strict=True)])
    if np.count_nonzero(level) <= LEVEL:
        return False
    strays = strays[level] / fragment.noise_mm
    return bool((strays > ROUGH).mean() > TOUCHING or (strays > CLEAR).mean() > SOME)


def _spans_a_face(fragment: Fragment, hole: Hole, ways: FloatArray) -> bool:
    """Whether walls fall away from a hole on opposite sides: then nothing is left of the face that was there."""
    points, rim = fragment.mesh.vertices, fragment.mesh.vertices[hole.loop]
    middle = rim.mean(axis=0)
    across = np.cross(rim - middle, np.roll(rim, -1, axis=0) - middle).sum(axis=0)
    if np.linalg.norm(across) < 1e-12:
        return False
    across /= np.linalg.norm(across)
    away = cKDTree(rim).query(points, distance_upper_bound=4.0 * fragment.spacing_mm)[0]
    ring = np.flatnonzero((away > 1.5 * fragment.spacing_mm) & np.isfinite(away))
    outward = points[ring] - middle
    outward -= np.outer(outward @ across, across)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-12)
    wall = (np.abs(ways[ring] @ across) < 0.5) & (np.einsum("ij,ij->i", ways[ring], outward) > 0.5)
    x = np.cross(across, np.eye(3)[np.abs(across).argmin()])
    angle = np.arctan2(outward @ np.cross(across, x), outward @ x)
    sector = np.floor((angle / (2.0 * np.pi) % 1.0) * SECTORS).astype(np.int64) % SECTORS
    share = np.bincount(sector, wall, SECTORS) / np.maximum(np.bincount(sector, minlength=SECTORS), 1)
    half = SECTORS // 2
    return bool(np.count_nonzero((share[:half] > 0.5) & (share[half:] > 0.5)) >= SPANNED)


def _double_walls(fragment: Fragment) -> list[ScanFault]:
    """Places over which another sheet runs that faces the same way, closer than any wall."""
    mesh, spacing = fragment.mesh, fragment.spacing_mm
    centres = triangle_centres(mesh)
    crosses = averaged_normals(mesh, vertex_normals(mesh), 3)[mesh.triangles].mean(axis=1)
    normals = crosses / np.maximum(np.linalg.norm(crosses, axis=1, keepdims=True), 1e-12)
    asked = np.linspace(0, len(centres) - 1, min(SAMPLE, len(centres))).astype(np.int64)
    _, near = cKDTree(centres).query(centres[asked], k=40, distance_upper_bound=3.0 * spacing, workers=2)
    there = near < len(centres)
    near = np.where(there, near, 0)
    offset = centres[near] - centres[asked][:, None]
    height = np.einsum("ijk,ik->ij", offset, normals[asked])
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=2) - height**2, 0.0))
    alike = np.einsum("ijk,ik->ij", normals[near], normals[asked])
    least = max(5.0 * fragment.noise_mm, 0.35 * spacing)
    over = there & (np.abs(height) > least) & (np.abs(height) > 1.6 * aside) & (alike > 0.9)
    double = np.count_nonzero(over, axis=1) >= 2
    weight = triangle_areas(mesh)[asked]
    share = float(weight[double].sum() / weight.sum())
    if share <= DOUBLE:
        return []
    middle = np.median(centres[asked][double], axis=0)
    place = centres[asked][double][np.argmin(np.linalg.norm(centres[asked][double] - middle, axis=1))]
    step = float(np.median(np.abs(height[over])))
    words = (f"The surface lies double over {100 * share:.0f} % of the scan or more, about {step:.2f} mm apart: its "
             "views were put together wrongly. Merge them again in the scanner's program, or give the single views.")
    return [ScanFault("double wall", words, place, step)]


def relief_of(fragment: Fragment, face: FractureFace) -> tuple[float, float] | None:
    """Relief (rms from a plane, mm, noise taken off) over windows of 2 and 8 spacings radius; None on a tiny face."""
    mesh, spacing = fragment.mesh, fragment.spacing_mm
    vertices = np.unique(mesh.triangles[face.triangles])
    points = mesh.vertices[vertices]
    tree = cKDTree(points)
    rim = cKDTree(mesh.vertices[rim_of(mesh, face.triangles)])
    inner = np.flatnonzero(rim.query(points)[0] > 4.0 * spacing)
    if len(inner) < 30:
        return None
    rng = np.random.default_rng(0)
    result = []
    for radius in (2.5, 8.0):
        seeds = rng.permutation(inner)[:250]
        squares = []
        for seed in seeds:
            near = points[tree.query_ball_point(points[seed], radius * spacing)]
            if len(near) >= 10:
                squares.append(_strays(near))
        if len(squares) < 20:
            return None
        result.append(float(np.sqrt(max(np.median(squares) - 0.6 * fragment.noise_mm**2, 0.0))))
    return result[0], result[1]


def _strays(points: FloatArray) -> float:
    """Mean square distance of points from the quadric through them: a curved face is not rough."""
    away = points - points.mean(axis=0)
    x, y, z = (away @ np.linalg.eigh(away.T @ away)[1][:, ::-1]).T
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    left = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    return float(left @ left) / (len(points) - 6)


def _smoothed(fragment: Fragment) -> list[ScanFault]:
    """Neighbours that stray no more than a smoothing leaves, all over the scan."""
    points, spacing = fragment.mesh.vertices, fragment.spacing_mm
    tree = cKDTree(points)
    seeds = np.random.default_rng(0).permutation(len(points))[:400]
    level = []
    for radius in (2.5, 5.0):
        strays = [_strays(near) for near in (points[tree.query_ball_point(points[k], radius * spacing)] for k in seeds)
                  if len(near) >= 10]  # fmt: skip
        if len(strays) < 50:
            return []
        # The calmest places: no edge, no relief, only what the scanner adds.
        level.append(float(np.sqrt(np.quantile(strays, 0.05))))
    if level[1] < 1e-3 * spacing or level[0] > SMOOTHED * level[1]:
        return []
    words = ("The finest relief is gone: the scanner's program smoothed it away. Export the scan without smoothing, "
             "filling or thinning.")  # fmt: skip
    return [ScanFault("smoothed", words, None, level[0])]


def _coarse(fragment: Fragment, faces: Sequence[FractureFace]) -> list[ScanFault]:
    """Too few points on the face that looks most like a break, or on all of a scan where none does."""
    if not faces:
        count = len(fragment.mesh.vertices)
        if fragment.scan.role != "fragment" or BREAK * count >= FEWEST_POINTS:
            return []
        words = (f"Points {fragment.spacing_mm:.2f} mm apart are too coarse: no face looks broken, and the whole scan "
                 f"holds only {count} of them. Scan it finer.")  # fmt: skip
        return [ScanFault("coarse", words, None, fragment.spacing_mm)]
    counts = [len(np.unique(fragment.mesh.triangles[face.triangles])) for face in faces]
    if max(counts) >= FEWEST_POINTS:
        return []
    centres = triangle_centres(fragment.mesh)[faces[int(np.argmax(counts))].triangles]
    words = (f"Points {fragment.spacing_mm:.2f} mm apart are too coarse: the largest face that looks broken holds only "
             f"{max(counts)} of them. Scan it finer.")  # fmt: skip
    return [ScanFault("coarse", words, centres[len(centres) // 2], fragment.spacing_mm)]


def _drowned(fragment: Fragment, face: FractureFace) -> list[ScanFault]:
    centres = triangle_centres(fragment.mesh)[face.triangles]
    place = centres[np.argmin(np.linalg.norm(centres - centres.mean(axis=0), axis=1))]
    relief = relief_of(fragment, face)
    if relief is None:
        return []
    _, broad = relief
    if broad < DROWNED * fragment.noise_mm:
        words = (f"The relief of the fracture face ({broad:.3f} mm) hardly stands out of the noise "
                 f"({fragment.noise_mm:.3f} mm): scan it closer, or with less gain.")  # fmt: skip
        return [ScanFault("drowned", words, place, broad)]
    return []


def _warp(fragment: Fragment) -> list[ScanFault]:
    views = fragment.scan.views
    if not views:
        return []
    worst = max(views, key=lambda view: view.misfit_mm)
    usual = float(np.median([view.misfit_mm for view in views]))
    if worst.misfit_mm <= max(WARP * fragment.noise_mm, fragment.noise_mm + 0.1 * fragment.spacing_mm):
        return []
    words = (f"The views of this scan miss each other by {worst.misfit_mm:.2f} mm ({worst.name}; usual {usual:.2f} mm, "
             f"noise {fragment.noise_mm:.2f} mm): the scanner is out of adjustment, or the piece moved.")  # fmt: skip
    return [ScanFault("warp", words, None, worst.misfit_mm)]


def _weakly_held(fragment: Fragment) -> list[ScanFault]:
    bound = fragment.scan.views_u95_mm
    if bound <= FIRM_VIEWS * fragment.spacing_mm:
        return []
    words = (f"The views of this scan hold each other weakly: one may be {bound:.1f} mm out of place (95 %); no join "
             "is surer than that. Scan again so that each view shares more of its surface with the next: surfaces that "
             "face three ways, not only walls that run one way.")  # fmt: skip
    return [ScanFault("weakly held", words, None, bound)]
