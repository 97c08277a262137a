"""Plain least squares of a figure through points, with its covariance, and its minimum zone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

from rejoin.core.dimensions.figures import Figure, distances, frame_of, free, moved, system, through
from rejoin.core.dimensions.scatter import Scatter, carried, scatter_of
from rejoin.core.noise import ScanNoise
from rejoin.core.records import FloatArray


def polished(start: Figure, points: FloatArray) -> Figure:
    """The figure of least squares of orthogonal distances that lies nearest to ``start``.

    Gauss-Newton with exact derivatives; where that does not settle, Levenberg-Marquardt first.
    """
    middle = points.mean(axis=0)
    size = max(float(np.abs(points - middle).max()), 1e-300)
    local = (points - middle) / size
    figure = replace(_centred(start, middle), radius=start.radius / size)
    figure = replace(figure, point=(figure.point - middle) / size)
    count = free(figure)
    rows = len(local) * (2 if figure.kind in ("line", "circle") and len(figure.point) == 3 else 1)
    if rows >= count:
        quick, settled = _to_rest(figure, local, 12)
        figure = quick if settled else _to_rest(_downhill(figure, local), local, 40)[0]
    figure = replace(figure, point=middle + size * figure.point, radius=abs(figure.radius) * size)
    return _upright(_centred(figure, middle))


def _downhill(figure: Figure, points: FloatArray) -> Figure:
    """Levenberg-Marquardt steps with exact derivatives, the figure described anew after each (Marquardt 1963)."""
    middle, damping = np.zeros(points.shape[1]), 1e-3
    residual, slopes = system(figure, points)
    for _ in range(100):
        scale = np.sqrt(np.square(slopes).sum(axis=0) * damping + 1e-30)
        rows = np.vstack([slopes, np.diag(scale)])
        step = np.linalg.lstsq(rows, -np.append(residual, np.zeros(len(scale))), rcond=1e-13)[0]
        after = _centred(moved(figure, np.asarray(step, np.float64)), middle)
        new, new_slopes = system(after, points)
        before, now = float(residual @ residual), float(new @ new)
        if np.isfinite(now) and now < before:
            figure, residual, slopes, damping = after, new, new_slopes, max(damping / 10.0, 1e-12)
            if before - now < 1e-12 * before:
                break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    return figure


def _to_rest(figure: Figure, points: FloatArray, most: int) -> tuple[Figure, bool]:
    """Gauss-Newton steps until the figure stands still at the points (True), one raises the sum, or enough of them."""
    middle = np.zeros(points.shape[1])
    residual, slopes = system(figure, points)
    for _ in range(most):
        step = np.asarray(np.linalg.lstsq(slopes, -residual, rcond=1e-13)[0], np.float64)
        after = _centred(moved(figure, step), middle)
        new, new_slopes = system(after, points)
        if not np.isfinite(new).all() or float(new @ new) > float(residual @ residual) * (1 + 1e-9) + 1e-30:
            return figure, False
        still = float(np.abs(slopes @ step).max()) < 1e-13
        figure, residual, slopes = after, new, new_slopes
        if still:
            return figure, True
    return figure, False


def _centred(figure: Figure, middle: FloatArray) -> Figure:
    """The same figure with its point beside the middle of the data, where it may slide."""
    d = figure.direction
    if d is None or figure.kind == "circle":
        return figure
    if figure.kind == "plane":
        return replace(figure, point=middle - d * float((middle - figure.point) @ d))
    along = float((middle - figure.point) @ d)
    return replace(figure, point=figure.point + along * d, radius=figure.radius + along * np.tan(figure.half_angle))


def _upright(figure: Figure) -> Figure:
    """One of the figure's several descriptions: the largest component of its direction positive, a cone widening."""
    d = figure.direction
    if d is None:
        return figure
    if figure.kind == "cone":
        angle = float(np.arctan(np.tan(figure.half_angle)))
        return replace(figure, direction=-d if angle < 0 else d, half_angle=abs(angle))
    return replace(figure, direction=-d if d[int(np.argmax(np.abs(d)))] < 0 else d)


def best_fit(kind: str, points: FloatArray, normals: FloatArray | None = None) -> Figure | None:
    """The figure of least squares through all points; None where no first guess can be made."""
    best, least = None, np.inf
    starts = through(kind, points, normals)
    if normals is not None and len(starts) > 3:
        # with the axis known from the normals the guesses are near: the best three will do
        starts = sorted(starts, key=lambda start: float(np.square(distances(start, points)).sum()))[:3]
    for start in starts:
        figure = polished(start, points)
        total = float(np.square(distances(figure, points)).sum())
        if np.isfinite(total) and total < least * (1 - 1e-9):
            best, least = figure, total
    return best


def covariance_of(figure: Figure, points: FloatArray) -> FloatArray | None:
    """Covariance (8, 8) of (point, direction, radius, half angle in rad), each residual taken for independent.

    Parameters
    ----------
    figure : Figure
        Of least squares through ``points``.
    points : (n, 3), or (n, 2) of a circle in the plane

    Returns
    -------
    (8, 8) or None
        None where nothing is left over to judge by, and for a line in the plane.
    """
    residual, slopes = system(figure, points)
    count, flat = slopes.shape[1], len(figure.point) == 2
    if len(residual) <= count or (flat and figure.kind != "circle"):
        return None
    inverse = np.linalg.pinv(slopes.T @ slopes, rcond=1e-14)
    inner = float(residual @ residual) / (len(residual) - count) * inverse
    if flat:
        out, rows = np.zeros((8, 8)), [0, 1, 6]
        out[np.ix_(rows, rows)] = inner
        return out
    outer = _outer(figure)
    return np.asarray(outer @ inner @ outer.T)


def scattered(figure: Figure, points: FloatArray, noise: ScanNoise) -> tuple[FloatArray, Scatter]:
    """The same for points of a scan, whose noise and form are alike from point to point, and what these are.

    Parameters
    ----------
    figure : Figure
        A surface of least squares through ``points``.
    points : (n, 3)
        Many more than the figure has free numbers.
    noise : ScanNoise

    Returns
    -------
    covariance : (8, 8)
        (J^T J)^-1 J^T C J (J^T J)^-1 with the covariance C of the residuals.
    scatter : Scatter
    """
    residual, slopes = system(figure, points)
    found = scatter_of(points, residual, slopes, noise)
    inverse = np.linalg.pinv(slopes.T @ slopes, rcond=1e-14)
    outer = _outer(figure) @ inverse
    return np.asarray(outer @ carried(points, slopes, found) @ outer.T), found


def _outer(figure: Figure) -> FloatArray:
    """Derivative (8, p) of (point, direction, radius, half angle) by the free numbers."""
    outer = np.zeros((8, free(figure)))
    if figure.kind == "sphere":
        outer[:3, :3], outer[6, 3] = np.eye(3), 1.0
        return outer
    assert figure.direction is not None
    u, v = frame_of(figure.direction)
    if figure.kind == "plane":
        outer[:3, 0], outer[3:6, 1], outer[3:6, 2] = figure.direction, u, v
        return outer
    outer[:3, 0], outer[:3, 1], outer[3:6, 2], outer[3:6, 3] = u, v, u, v
    if figure.kind != "line":
        outer[6, 4] = 1.0
    if figure.kind == "circle":
        outer[:3, 5] = figure.direction
    if figure.kind == "cone":
        outer[7, 5] = 1.0
    return outer


def zone_of(figure: Figure, points: FloatArray) -> float:
    """Width of the least-squares form: from the lowest to the highest point.

    Of a line in space: the diameter about it; of a circle in space: of the radial distances alone.
    """
    away = distances(figure, points)
    if len(figure.point) == 3 and figure.kind == "line":
        return float(2.0 * away.max())
    if len(figure.point) == 3 and figure.kind == "circle":
        assert figure.direction is not None
        q = points - figure.point
        away = np.linalg.norm(q - (q @ figure.direction)[:, None] * figure.direction, axis=1)
    return float(away.max() - away.min())


def minimum_zone(figure: Figure, points: FloatArray) -> tuple[Figure, float] | None:
    """The figure whose zone (ISO 1101) is narrowest, and its width; None for lines and circles in space.

    A chain of linear programmes on the linearised distances (Anthony, Forbes and others), each on the points
    that lie outermost; started from least squares, so the least zone near it is found.
    """
    if len(figure.point) == 3 and figure.kind in ("line", "circle"):
        return None
    best, width = figure, zone_of(figure, points)
    now = figure
    for _ in range(25):
        residual, slopes = system(now, points)
        rows = _outermost(residual, 400)
        step = _narrowed(residual[rows], slopes[rows])
        if step is None:
            break
        now = moved(now, step)
        found = zone_of(now, points)
        if found >= width * (1 - 1e-9):
            break
        best, width = now, found
    return best, width


def _outermost(residual: FloatArray, most: int) -> npt.NDArray[np.int64]:
    order = np.argsort(residual, kind="stable")
    if len(order) <= 2 * most:
        return order
    return np.concatenate([order[:most], order[-most:], order[:: max(1, len(order) // most)]])


def _narrowed(residual: FloatArray, slopes: FloatArray) -> FloatArray | None:
    """The step that makes the greatest linearised distance least."""
    count = slopes.shape[1]
    scale = np.abs(slopes).max(axis=0)
    scale[scale == 0] = 1.0
    steps = slopes / scale
    size = max(float(np.abs(residual).max()), 1e-300)
    one = np.ones((len(residual), 1))
    above, below = np.hstack([steps, -one]), np.hstack([-steps, -one])
    rest = residual / size
    cost = np.zeros(count + 1)
    cost[-1] = 1.0
    bound = [(-10.0, 10.0)] * count + [(0.0, None)]
    solved = linprog(cost, np.vstack([above, below]), np.concatenate([-rest, rest]), bounds=bound, method="highs")
    return np.asarray(solved.x[:count] * size / scale) if solved.success else None
