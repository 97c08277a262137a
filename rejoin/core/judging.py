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
from rejoin.core.records import FractureFace, Fragment, ScanFault
from rejoin.core.settings import FIRM_VIEWS, Report, silent
from rejoin.core.shadows import BREAK, holes_of, strays_of

BoolArray = npt.NDArray[np.bool_]

SMOOTHED = 0.35
"""What strays from a quadric over 2.5 spacings, as a share of that over 5, at the calmest places: 0.6 and more as
scanned, for every vertex has noise of its own."""
DROWNED = 2.5
"""Relief over 8 spacings, in noises, below which the noise drowns it."""
FEWEST_POINTS = 500
"""Points on a fracture face below which the search, which maps it on some 400 cells, sees too little."""
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
        found += holes_of(fragment, likely if chosen else ())
    report(0.6, f"Looking at the relief of {fragment.scan.name}")
    coarse = _coarse(fragment, likely)
    found += coarse or _smoothed(fragment)
    for face in chosen:
        found += _drowned(fragment, face)
    found += _warp(fragment) + _weakly_held(fragment)
    report(1.0, f"{fragment.scan.name} was looked over")
    return tuple(found)


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
                squares.append(strays_of(near))
        if len(squares) < 20:
            return None
        result.append(float(np.sqrt(max(np.median(squares) - 0.6 * fragment.noise_mm**2, 0.0))))
    return result[0], result[1]


def _smoothed(fragment: Fragment) -> list[ScanFault]:
    """Neighbours that stray no more than a smoothing leaves, all over the scan."""
    points, spacing = fragment.mesh.vertices, fragment.spacing_mm
    tree = cKDTree(points)
    seeds = np.random.default_rng(0).permutation(len(points))[:400]
    level = []
    for radius in (2.5, 5.0):
        around = (points[tree.query_ball_point(points[k], radius * spacing)] for k in seeds)
        strays = [strays_of(near) for near in around if len(near) >= 10]
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
