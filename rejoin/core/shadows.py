"""What a hole in a scan has taken: part of a broken surface, a face from edge to edge, or neither that one could tell.

A break is told by what strays from a smooth shape. Where a scanner saw aslant its noise strays as much, so that this
tells a break only on a scan of all sides most of which is calm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.meshes import averaged_normals, vertex_normals
from rejoin.core.records import FloatArray, FractureFace, Fragment, Hole, IntArray, ScanFault

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
ONE_SIDE = 0.5
"""Share of a scan's size from which a hole is the side that it does not show: one view, seen aslant along its rim."""
BREAK = 0.1
"""Share of a fragment's points that a break takes at most as a rule, where no face looks broken."""
ASKED = 600
"""Places all over a scan that are asked whether it is calm."""


def _on_face(fragment: Fragment, faces: Sequence[FractureFace], hole: Hole) -> FractureFace | None:
    """The face that the rim of a hole runs on, by most of its vertices."""
    for face in faces:
        on = np.zeros(len(fragment.mesh.vertices), bool)
        on[fragment.mesh.triangles[face.triangles]] = True
        if on[hole.loop].mean() > 0.5:
            return face
    return None


def holes_of(fragment: Fragment, faces: Sequence[FractureFace]) -> list[ScanFault]:
    """The holes of a scan that are worth a word, the largest first.

    Parameters
    ----------
    fragment : Fragment
    faces : sequence of FractureFace
        Surely broken ones.
    """
    found = []
    holes = [one for one in fragment.holes if one.across_mm > HOLE * fragment.spacing_mm]
    ways = averaged_normals(fragment.mesh, vertex_normals(fragment.mesh), 3) if holes else np.empty((0, 3))
    calm = bool(holes) and _calm(fragment, ways)
    for hole in sorted(holes, key=lambda one: -one.across_mm):
        face, size = _on_face(fragment, faces, hole), f"{hole.across_mm:.1f} mm across"
        rough, kind = face is None and _rough_around(fragment, hole, ways), "covered"
        if face is not None or (rough and calm):
            words = f"Part of a broken surface was covered or in shadow ({size}); rescan this side."
        elif _spans_a_face(fragment, hole, ways):
            words = f"A face is missing from edge to edge ({size}), which may be the broken one; rescan this side."
        elif rough:
            words = (f"A hole, {size}; whether it took part of a broken surface cannot be told, for where a "
                     "scanner saw aslant its noise is as rough as a break; rescan this side.")  # fmt: skip
            kind = "hole"
        else:
            words, kind = f"A hole, {size}; rescan this side.", "hole"
        found.append(ScanFault(kind, words, hole.centre_mm, hole.across_mm))
    return found


def _rough_around(fragment: Fragment, hole: Hole, ways: FloatArray) -> bool:
    """Whether enough of the surface round a hole, away from edges, is as rough as a break."""
    points, spacing = fragment.mesh.vertices, fragment.spacing_mm
    away = cKDTree(points[hole.loop]).query(points, distance_upper_bound=4.0 * spacing)[0]
    ring = np.flatnonzero((away > spacing) & np.isfinite(away)).astype(np.int32)
    strays = _level_strays(fragment, ring[:: max(1, len(ring) // 160)], ways)
    if len(strays) <= LEVEL:
        return False
    return bool((strays > ROUGH).mean() > TOUCHING or (strays > CLEAR).mean() > SOME)


def _level_strays(fragment: Fragment, places: IntArray, ways: FloatArray) -> FloatArray:
    """What the surface at some vertices strays from a quadric, in noises, where there is no edge."""
    points, spacing = fragment.mesh.vertices, fragment.spacing_mm
    around = [near for near in cKDTree(points).query_ball_point(points[places], 5.0 * spacing) if len(near) > 20]
    means = np.array([ways[near].mean(axis=0) for near in around]).reshape(-1, 3)
    means /= np.maximum(np.linalg.norm(means, axis=1, keepdims=True), 1e-12)
    level = [near for near, mean in zip(around, means, strict=True) if (ways[near] @ mean).min() > NO_EDGE]
    return np.sqrt([strays_of(points[near]) for near in level]) / fragment.noise_mm


def _calm(fragment: Fragment, ways: FloatArray) -> bool:
    """Whether relief tells a break from noise: not on one view, nor where more is rough than two breaks can be."""
    points = fragment.mesh.vertices
    if max(one.across_mm for one in fragment.holes) > ONE_SIDE * float(np.linalg.norm(np.ptp(points, axis=0))):
        return False
    places = np.random.default_rng(0).permutation(len(points))[:ASKED].astype(np.int32)
    strays = _level_strays(fragment, places, ways)
    return len(strays) <= LEVEL or bool((strays > ROUGH).mean() <= 2.0 * BREAK)


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


def strays_of(points: FloatArray) -> float:
    """Mean square distance of points from the quadric through them: a curved face is not rough."""
    away = points - points.mean(axis=0)
    x, y, z = (away @ np.linalg.eigh(away.T @ away)[1][:, ::-1]).T
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    left = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    return float(left @ left) / (len(points) - 6)
