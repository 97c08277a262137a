"""The sizes of a bore or shaft, named after ISO 14405-1: two-point, inscribed or circumscribed, least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from rejoin.core.dimensions.figures import Figure, frame_of, moved, system
from rejoin.core.records import FloatArray

TURNS = 36
"""Directions into which a cross-section is divided, an even number, so that each has its opposite."""

LEVELS = 5
"""Cross-sections along the axis in which opposite points are looked for, at most."""

FEWEST_IN_CELL = 4
"""Points that a cell should hold on average, so that noise does not count as form."""


@dataclass(frozen=True, eq=False)
class BoreSizes:
    """Diameters, mm. ``two_point`` is the mean of the local sizes, None where too few points face each other.

    ``two_point_sd`` is the standard uncertainty that a caliper set at one place sees: half the range of the local
    sizes as a rectangle (JCGM 100:2008, 4.3.7). ``mating`` is the largest inscribed (bore) or smallest
    circumscribed (shaft) diameter.
    """

    two_point: float | None
    least: float | None
    largest: float | None
    two_point_sd: float
    mating: float | None
    least_squares: float


def bore_sizes(figure: Figure, points: FloatArray, hollow: bool) -> BoreSizes:
    """The sizes of a cylinder from the points (n, 3) on it; noise is averaged in cells first."""
    cells = _cells(figure, points)
    local = _local_sizes(cells)
    mating = _mating(figure, cells, hollow)
    whole = float(2.0 * figure.radius)
    if local is None:
        return BoreSizes(None, None, None, 0.0, mating, whole)
    low, high = float(local.min()), float(local.max())
    return BoreSizes(float(local.mean()), low, high, (high - low) / 2.0 / 3.0**0.5, mating, whole)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Means of the points by turn and level: radius (NaN where empty), height, direction."""

    radius: FloatArray
    height: FloatArray
    turn: FloatArray


def _cells(figure: Figure, points: FloatArray) -> _Cells:
    assert figure.direction is not None
    u, v = frame_of(figure.direction)
    q = points - figure.point
    x, y, t = q @ u, q @ v, q @ figure.direction
    turns = TURNS
    while turns > 8 and len(points) < FEWEST_IN_CELL * turns:
        turns -= 4
    levels = int(np.clip(len(points) // (FEWEST_IN_CELL * turns), 1, LEVELS))
    angle = np.arctan2(y, x) % (2 * np.pi)
    which = np.minimum((angle / (2 * np.pi) * turns).astype(int), turns - 1)
    span = max(float(np.ptp(t)), 1e-300)
    level = np.minimum(((t - t.min()) / span * levels).astype(int), levels - 1)
    key = level * turns + which
    count = np.bincount(key, minlength=turns * levels)
    with np.errstate(invalid="ignore"):
        radius = np.bincount(key, np.hypot(x, y), turns * levels) / count
        height = np.bincount(key, t, turns * levels) / count
    radius[count < max(1.0, 0.3 * float(count[count > 0].mean()))] = np.nan
    turn = np.tile((np.arange(turns) + 0.5) / turns * 2 * np.pi, levels)
    shape = (levels, turns)
    return _Cells(radius.reshape(shape), height.reshape(shape), turn.reshape(shape))


def _local_sizes(cells: _Cells) -> FloatArray | None:
    half = cells.radius.shape[1] // 2
    sums = cells.radius[:, :half] + cells.radius[:, half:]
    found = sums[np.isfinite(sums)]
    return found if len(found) >= 3 else None


def _mating(figure: Figure, cells: _Cells, hollow: bool) -> float | None:
    """Diameter of the largest cylinder inside (bore) or the smallest outside (shaft), its axis free.

    A chain of linear programmes from the least-squares axis. None where the points do not hold the axis from all
    sides.
    """
    known = np.isfinite(cells.radius)
    if known.any(axis=0).mean() < 0.7:
        return None
    assert figure.direction is not None
    u, v = frame_of(figure.direction)
    r, angle, t = cells.radius[known], cells.turn[known], cells.height[known]
    points = figure.point + (r * np.cos(angle))[:, None] * u + (r * np.sin(angle))[:, None] * v
    points = points + t[:, None] * figure.direction
    now = figure
    sign = 1.0 if hollow else -1.0
    best = sign * float((sign * (system(now, points)[0] + now.radius)).min())
    for _ in range(12):
        residual, slopes = system(now, points)
        radius_of = residual + now.radius
        # greatest R with R <= distance of every point from the moved axis (all signs turned for a shaft)
        rows = np.column_stack([-sign * slopes[:, :4], np.full(len(points), sign)])
        if np.ptp(t) < 0.2 * now.radius:
            rows[:, 2:4] = 0.0
        bounds = [(-0.1 * now.radius, 0.1 * now.radius)] * 2 + [(-0.05, 0.05)] * 2 + [(0.0, None)]
        solved = linprog([0, 0, 0, 0, -sign], rows, sign * radius_of, bounds=bounds, method="highs")
        if not solved.success:
            return None
        step = np.append(np.asarray(solved.x[:4], np.float64), 0.0)
        now = moved(now, step)
        found = sign * float((sign * (system(now, points)[0] + now.radius)).min())
        if sign * (found - best) <= 1e-9 * now.radius:
            break
        best = found
    return 2.0 * best
