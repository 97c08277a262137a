"""Where a region may start: figures through a few points with their normals, by how many others agree with them.

Source: Schnabel, Wahl and Klein 2007, for figures from points with normals; the draws are seeded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.dimensions.figures import Figure
from rejoin.core.records import FloatArray

DRAWS = 240
"""Samples that are drawn."""

SCORED = 360
"""Points by which a sample is judged."""

ALIKE = float(np.cos(np.radians(25.0)))
"""How far a normal may lean from the figure's, as a cosine: those beside an edge are rounded."""

Agreeing = npt.NDArray[np.bool_]


def starts(
    kind: str, points: FloatArray, normals: FloatArray, seed: FloatArray, tolerance_mm: float
) -> tuple[Figure, Agreeing] | None:
    """The figure through the seed that most of the points agree with, and which those (n,) are; None where few do.

    Parameters
    ----------
    kind : str
        "plane", "sphere", "cylinder" or "cone".
    points, normals : (n, 3)
    seed : (3,)
        The figure passes it within the tolerance.
    tolerance_mm : float
        Points within this distance agree, if they face alike.
    """
    points_drawn, normals_drawn = _drawn(kind, points, normals)
    with np.errstate(divide="ignore", invalid="ignore"):
        point, axis, radius, angle = _THROUGH[kind](points_drawn, normals_drawn)
        away, facing = _judged(kind, point, axis, radius, angle, seed[None], None)
        good = (np.abs(away[:, 0]) <= tolerance_mm) & np.isfinite(point).all(axis=1) & (radius >= 0)
    if not good.any():
        return None
    point, axis, radius, angle = point[good], axis[good], radius[good], angle[good]
    some = np.linspace(0, len(points) - 1, min(len(points), SCORED)).astype(int)
    away, facing = _judged(kind, point, axis, radius, angle, points[some], normals[some])
    votes = ((np.abs(away) <= tolerance_mm) & (facing > ALIKE)).sum(axis=1)
    best = int(np.argmax(votes))
    one = slice(best, best + 1)
    away, facing = _judged(kind, point[one], axis[one], radius[one], angle[one], points, normals)
    agreeing = (np.abs(away[0]) <= tolerance_mm) & (facing[0] > ALIKE)
    direction = None if kind == "sphere" else axis[best]
    return Figure(kind, point[best], direction, float(radius[best]), float(angle[best])), agreeing


def _drawn(kind: str, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Samples (draws, k, 3) of points and normals."""
    rng = np.random.default_rng(0)
    count = {"plane": 1, "sphere": 2, "cylinder": 2, "cone": 3}[kind]
    rows = rng.integers(0, len(points), (DRAWS, count))
    return points[rows], normals[rows]


_Figures = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
"""Points (k, 3), unit directions (k, 3), radii (k,), half angles (k,)."""


def _planes(p: FloatArray, n: FloatArray) -> _Figures:
    zero = np.zeros(len(p))
    return p[:, 0], n[:, 0], zero, zero


def _spheres(p: FloatArray, n: FloatArray) -> _Figures:
    """Two normals meet in the centre."""
    turn = n[:, 1] - n[:, 0]
    signed = np.einsum("ij,ij->i", p[:, 1] - p[:, 0], turn) / np.square(turn).sum(axis=1)
    middle = 0.5 * ((p - signed[:, None, None] * n).sum(axis=1))
    return middle, np.zeros_like(middle), np.abs(signed), np.zeros(len(p))


def _cylinders(p: FloatArray, n: FloatArray) -> _Figures:
    """The axis stands square on two normals; across it they meet in the centre."""
    axis = np.cross(n[:, 0], n[:, 1])
    sine = np.linalg.norm(axis, axis=1)
    axis /= np.where(sine > 0.15, sine, np.nan)[:, None]
    turn, between = n[:, 1] - n[:, 0], p[:, 1] - p[:, 0]
    between = between - np.einsum("ij,ij->i", between, axis)[:, None] * axis
    signed = np.einsum("ij,ij->i", between, turn) / np.square(turn).sum(axis=1)
    middle = p[:, 0] - signed[:, None] * n[:, 0]
    return middle, axis, np.abs(signed), np.zeros(len(p))


def _cones(p: FloatArray, n: FloatArray) -> _Figures:
    """Three tangent planes meet in the apex; the axis leans alike on their normals."""
    regular = np.abs(np.linalg.det(n)) > 0.02
    n = np.where(regular[:, None, None], n, np.eye(3))
    apex = np.linalg.solve(n, np.einsum("ijk,ijk->ij", p, n)[..., None])[..., 0]
    lean = np.linalg.solve(n, np.ones((len(n), 3, 1)))[..., 0]
    axis = lean / np.linalg.norm(lean, axis=1, keepdims=True)
    widening = np.einsum("ij,ij->i", p.mean(axis=1) - apex, axis)
    axis = np.where(widening[:, None] < 0, -axis, axis)
    sine = np.abs(np.einsum("ij,ij->i", n[:, 0], axis))
    angle = np.arcsin(np.clip(sine, 0.0, 1.0))
    # the point is moved to the middle of the sample, so that the radius there is a length of the surface
    point = apex + np.abs(widening)[:, None] * axis
    radius = np.where(regular, np.abs(widening) * np.tan(angle), np.nan)
    return point, axis, radius, angle


_THROUGH = {"plane": _planes, "sphere": _spheres, "cylinder": _cylinders, "cone": _cones}


def _judged(
    kind: str, point: FloatArray, axis: FloatArray, radius: FloatArray, angle: FloatArray, points: FloatArray,
    normals: FloatArray | None,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Distances (k, n) of points from figures, and the cosines (k, n) between their normals."""
    q = points[None] - point[:, None]
    if kind == "sphere":
        length = np.linalg.norm(q, axis=2)
        out = q / np.maximum(length, 1e-300)[..., None]
        away = length - radius[:, None]
    else:
        along = np.einsum("kni,ki->kn", q, axis)
        flat = q - along[..., None] * axis[:, None]
        length = np.linalg.norm(flat, axis=2)
        out = flat / np.maximum(length, 1e-300)[..., None]
        away = length - radius[:, None]
        if kind == "plane":
            away, out = along, np.broadcast_to(axis[:, None], q.shape)
        elif kind == "cone":
            c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
            away = away * c - along * s
            out = out * c[..., None] - s[..., None] * axis[:, None]
    if normals is None:
        return away, away
    return away, np.abs(np.einsum("kni,ni->kn", out, normals))
