"""How far an arrangement of views closes: whether just under their surfaces there is inside.

Just under the surface of a closed body the winding number is 1. Views laid on each other that belong to different sides
leave a shell that is open behind, and just under it the number falls; where one view turns its back on what another
encloses, it falls too (Jacobson and others 2013, on surfaces that are open or in several layers).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

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
ROWS = 16
"""Places that are looked at in one go: so many stay in the processor's own memory."""

BoolArray = npt.NDArray[np.bool_]
Shown = Callable[[int, int, FloatArray], BoolArray]
"""Which of view j's points view i shows too, by their numbers and ``i_from_j``."""


def inside(poses: dict[int, FloatArray], seen: list[Seen], most: int = ASKED, shown: Shown | None = None) -> float:
    """The mean winding number one step under the views' surfaces, where each place counts once.

    Parameters
    ----------
    poses : dict of int to (4, 4)
        common_from_view of the views that are placed.
    seen : list of Seen
        All views, thinned to one step.
    most : int
        Places that are asked.
    shown : callable, optional
        `shows` of two views by their numbers, where it is remembered.

    Returns
    -------
    float
        About 1 where the views close a body, 0.5 where they show one side of it.
    """
    told = shown or (lambda i, j, pose: shows(seen[i], seen[j], pose))
    parts = zip(*(_once(n, poses, seen, told) for n in poses), strict=True)
    points, normals, areas = (np.concatenate(part) for part in parts)
    step = max(seen[n].step_mm for n in poses)
    chosen = np.linspace(0, len(points) - 1, min(most, len(points))).astype(np.int64)
    number = _winding(points[chosen] - step * normals[chosen], points, areas[:, None] * normals, 0.5 * step)
    return float(np.average(np.clip(number, LEAST, MOST), weights=areas[chosen]))


def shows(a: Seen, b: Seen, a_from_b: FloatArray) -> BoolArray:
    """Which of b's points (n,) view a shows too."""
    near, which = a.tree.query(apply(a_from_b, b.points), distance_upper_bound=NEAR * max(a.step_mm, b.step_mm))
    met = np.isfinite(near)
    alike = np.einsum("ij,ij->i", b.normals @ a_from_b[:3, :3].T, a.normals[np.where(met, which, 0)])
    return np.asarray(met & (alike > ALIKE))


def _once(
    number: int, poses: dict[int, FloatArray], seen: list[Seen], shown: Shown
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A view's points and normals (n, 3) in the common frame, and areas (n,) shared with all that show the same."""
    own, layers = seen[number], np.ones(len(seen[number].points))
    for other in poses:
        if other != number:
            layers += shown(other, number, inverse(poses[other]) @ poses[number])
    return apply(poses[number], own.points), own.normals @ poses[number][:3, :3].T, own.areas / layers


def _winding(asked: FloatArray, points: FloatArray, areas: FloatArray, least_mm: float) -> FloatArray:
    """Winding number (k,) at places of the small plane pieces at ``points``, each of vector area ``areas`` (n, 3).

    Summed outright: libigl's tree of points never ends where points of two views coincide.
    """
    middle, result = points.mean(axis=0), np.empty(len(asked))
    there, sides = ((part - shift).astype(np.float32) for part, shift in ((points, middle), (areas, 0.0)))
    square, level = np.einsum("ij,ij->i", there, there), np.einsum("ij,ij->i", there, sides)
    for start in range(0, len(asked), ROWS):
        here = (asked[start : start + ROWS] - middle).astype(np.float32)
        apart = (-2.0 * here) @ there.T
        apart += np.einsum("ij,ij->i", here, here)[:, None]
        apart += square
        np.maximum(apart, np.float32(least_mm**2), out=apart)
        across = level - here @ sides.T
        across /= apart
        across /= np.sqrt(apart, out=apart)
        result[start : start + ROWS] = across.sum(axis=1, dtype=np.float64)
    return result / (4.0 * np.pi)
