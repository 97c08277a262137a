"""A smooth piece of surface as the plane or quadric that it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records import FloatArray

PLANE, QUADRIC = 3, 6
"""Terms of the height of a piece over its mean plane."""
FEWEST = 40
"""Vertices that a piece has at least."""
TRUE = 0.25
"""A piece is a plane or a quadric where its vertices lie on it within so many spacings (root mean square)."""
MOSTLY = 0.7
"""Share of a piece's vertices that lie on its plane or quadric."""


@dataclass(frozen=True, eq=False)
class Piece:
    """A smooth piece of original surface: its vertices (k, 3) and z(x, y) over its own mean plane."""

    points: FloatArray
    middle: FloatArray
    axes: FloatArray
    shape: FloatArray

    def height(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Height (k,) of points over the continued piece, + outside, and the direction (k, 3) in which it grows."""
        x, y, z = ((points - self.middle) @ self.axes.T).T
        over = z - _design(x, y)[:, : len(self.shape)] @ self.shape
        full = np.zeros(6)
        full[: len(self.shape)] = self.shape
        slopes = np.stack([-(full[1] + 2 * full[3] * x + full[4] * y), -(full[2] + full[4] * x + 2 * full[5] * y)])
        steep = np.sqrt(1.0 + np.square(slopes).sum(axis=0))
        way = np.stack([*slopes, np.ones(len(x))], axis=1) @ self.axes
        return over / steep, way / steep[:, None]


def _design(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def fitted(
    points: FloatArray, outward: FloatArray, spacing_mm: float, orders: tuple[int, ...] = (PLANE, QUADRIC)
) -> Piece | None:
    """The plane of some vertices, or the quadric where that lies clearly closer; None where neither is true to them."""
    if len(points) < FEWEST:
        return None
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    axes[2] *= np.sign(axes[2] @ outward) or 1.0
    axes[1] = np.cross(axes[2], axes[0])
    x, y, z = ((points - middle) @ axes.T).T
    design, best = _design(x, y), None
    for terms in orders:
        shape, off = _robust(design[:, :terms], z, TRUE * spacing_mm)
        if best is None or off < 0.7 * best[0]:
            best = off, shape
    if best is None or best[0] > TRUE * spacing_mm:
        return None
    return Piece(points, middle, axes, best[1])


def flat(points: FloatArray, spacing_mm: float) -> bool:
    """Whether the points (n, 3) lie in one plane, within `TRUE` spacings (root mean square)."""
    off = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[-1] / np.sqrt(len(points))
    return bool(off < TRUE * spacing_mm)


def misfit_together(one: FloatArray, other: FloatArray) -> float:
    """How much farther two sets of points (n, 3) lie off one quadric than off one each (root mean squares)."""
    apart = np.sqrt(0.5 * (_quadric(one, one) ** 2 + _quadric(other, other) ** 2))
    both = np.concatenate([one, other])
    return _quadric(both, both) / max(float(apart), 1e-9)


def step_between(one: FloatArray, other: FloatArray, place: FloatArray) -> float:
    """How far the quadric of each set of points (n, 3) passes from the other's quarter nearest a place, mm."""
    return 0.5 * (_quadric(one, _nearest(other, place)) + _quadric(other, _nearest(one, place)))


def _nearest(points: FloatArray, place: FloatArray) -> FloatArray:
    order = np.linalg.norm(points - place, axis=1).argsort()
    return np.asarray(points[order[: max(4, len(points) // 4)]])


def _quadric(points: FloatArray, asked: FloatArray) -> float:
    """How far others lie off the quadric of some points over their mean plane, root mean square, mm."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    x, y, z = ((points - middle) @ axes.T).T
    shape = np.linalg.lstsq(_design(x, y), z, rcond=None)[0]
    x, y, z = ((asked - middle) @ axes.T).T
    return float(np.sqrt(np.square(z - _design(x, y) @ shape).mean()))


def _robust(design: FloatArray, z: FloatArray, close: float) -> tuple[FloatArray, float]:
    """Least squares on what lies on one surface, and the root mean square of that; inf where less than `MOSTLY` does.

    Remains of a chip's wall may hang on to a piece.
    """
    good = np.ones(len(z), bool)
    for _ in range(12):
        shape = np.linalg.lstsq(design[good], z[good], rcond=None)[0]
        left = np.abs(z - design @ shape)
        good = left < max(2.0 * close, 2.0 * float(np.median(left)))
    off = float(np.sqrt(np.square(left[good]).mean()))
    return np.asarray(shape), off if good.mean() > MOSTLY else np.inf
