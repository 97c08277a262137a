"""How far an arrangement of views closes: whether just under their surfaces there is inside.

Just under the surface of a closed body the winding number is 1. Views laid on each other that belong to different sides
leave a shell that is open behind, and just under it the number falls; where one view turns its back on what another
encloses, it falls too (Jacobson and others 2013, on surfaces that are open or in several layers).
"""

from __future__ import annotations

import numpy as np

from rejoin.core.merging.rough import Seen
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse

ASKED = 500
"""Places in all that are asked."""
FEW = 150
"""Of them are enough to choose what is worth a closer look."""
NEAR, ALIKE = 1.3, 0.6
"""Steps from another view's point, and cosine of both normals, within which both show the same place."""
LEAST, MOST = -1.0, 2.0
"""Winding numbers beyond these count no more."""


def inside(poses: dict[int, FloatArray], seen: list[Seen], most: int = ASKED) -> float:
    """The mean winding number one step under the views' surfaces, where each place counts once.

    Parameters
    ----------
    poses : dict of int to (4, 4)
        common_from_view of the views that are placed.
    seen : list of Seen
        All views, thinned to one step.
    most : int
        Places that are asked.

    Returns
    -------
    float
        About 1 where the views close a body, 0.5 where they show one side of it.
    """
    parts = zip(*(_once(n, poses, seen) for n in poses), strict=True)
    points, normals, areas = (np.concatenate(part) for part in parts)
    step = max(seen[n].step_mm for n in poses)
    chosen = np.linspace(0, len(points) - 1, min(most, len(points))).astype(np.int64)
    number = _winding(points[chosen] - step * normals[chosen], points, areas[:, None] * normals, 0.5 * step)
    return float(np.average(np.clip(number, LEAST, MOST), weights=areas[chosen]))


def _once(number: int, poses: dict[int, FloatArray], seen: list[Seen]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A view's points and normals (n, 3) in the common frame, and areas (n,) shared with all that show the same."""
    own, layers = seen[number], np.ones(len(seen[number].points))
    for other in poses:
        if other != number:
            theirs, pose = seen[other], inverse(poses[other]) @ poses[number]
            reach = NEAR * max(own.step_mm, theirs.step_mm)
            near, which = theirs.tree.query(apply(pose, own.points), distance_upper_bound=reach)
            met = np.isfinite(near)
            alike = np.einsum("ij,ij->i", own.normals @ pose[:3, :3].T, theirs.normals[np.where(met, which, 0)])
            layers += met & (alike > ALIKE)
    return apply(poses[number], own.points), own.normals @ poses[number][:3, :3].T, own.areas / layers


def _winding(asked: FloatArray, points: FloatArray, areas: FloatArray, least_mm: float) -> FloatArray:
    """Winding number (k,) at places of the small plane pieces at ``points``, each of vector area ``areas`` (n, 3).

    Summed outright: libigl's tree of points never ends where points of two views coincide.
    """
    middle = points.mean(axis=0)
    here, there, sides = (part.astype(np.float32) for part in (asked - middle, points - middle, areas))
    square = (here**2).sum(axis=1)[:, None] + (there**2).sum(axis=1) - 2.0 * here @ there.T
    apart = np.maximum(square, least_mm**2)
    across = np.einsum("ij,ij->i", there, sides) - here @ sides.T
    return np.asarray((across / (apart * np.sqrt(apart))).sum(axis=1, dtype=np.float64) / (4.0 * np.pi))
