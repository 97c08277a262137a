"""The sizes of a bore or shaft, named after ISO 14405-1: two-point, inscribed or circumscribed, least squares."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import linprog
from scipy.special import fdtri

from rejoin.core.dimensions.figures import Figure, frame_of, moved, system
from rejoin.core.dimensions.scatter import BY_CHANCE, Scatter, carried
from rejoin.core.records import FloatArray, IntArray

TURNS = 36
"""Directions into which a cross-section is divided, an even number, so that each has its opposite."""

LEVELS = 5
"""Cross-sections along the axis in which opposite points are looked for, at most."""

FEWEST_IN_CELL = 4
"""Points that a cell should hold on average, so that noise does not count as form."""


@dataclass(frozen=True, eq=False)
class BoreSizes:
    """Diameters, mm. ``two_point`` is the mean of the local sizes, None where too few points face each other.

    ``mean_sd`` is the standard uncertainty of that mean from the scan's noise, None where the scatter of the points
    was not given; ``form_sd`` is how far one local size, where a caliper happens to be set, strays from the mean
    because the bore is oval, tapered or barrelled (an unresolved part of what is to be measured, JCGM 100:2008, D.3.4).
    ``mating`` is the largest inscribed (bore) or smallest circumscribed (shaft) diameter.
    """

    two_point: float | None
    least: float | None
    largest: float | None
    mean_sd: float | None
    form_sd: float
    mating: float | None
    least_squares: float


def bore_sizes(figure: Figure, points: FloatArray, hollow: bool, scatter: Scatter | None = None) -> BoreSizes:
    """The sizes of a cylinder from the points (n, 3) on it; noise is averaged in cells first."""
    cells = _cells(figure, points)
    local = _local_sizes(cells)
    mating = _mating(figure, cells, hollow)
    whole = float(2.0 * figure.radius)
    found = local[np.isfinite(local)]
    if len(found) < 3:
        return BoreSizes(None, None, None, None, 0.0, mating, whole)
    weights = _weights(cells, local)
    sd, alike = None, np.eye(len(found)) / len(found)
    if scatter is not None:
        sd = float(np.sqrt(max(float(carried(points, weights.mean(axis=1, keepdims=True), scatter)[0, 0]), 0.0)))
        alike = carried(points, weights, replace(scatter, variance=1.0, form=0.0))
    form = _form_sd(found, np.argwhere(np.isfinite(local)).astype(np.int32), alike)
    return BoreSizes(float(found.mean()), float(found.min()), float(found.max()), sd, form, mating, whole)


def _weights(cells: _Cells, local: FloatArray) -> FloatArray:
    """Weights (n, k) of the points' distances from the axis in each local size that is there.

    Where the axis is does not matter: what one side gains the other loses.
    """
    known = np.isfinite(local)
    number = np.full(local.shape, -1)
    number[known] = np.arange(known.sum())
    column = np.hstack([number, number]).ravel()[cells.member]
    count = np.bincount(cells.member)[cells.member]
    weights = np.zeros((len(column), int(known.sum())))
    weights[np.flatnonzero(column >= 0), column[column >= 0]] = 1.0 / count[column >= 0]
    return weights


def _form_sd(local: FloatArray, where: IntArray, alike: FloatArray) -> float:
    """How local sizes differ beyond noise: by direction, alike at all levels, and by level, all round.

    Analysis of variance (JCGM 100:2008, H.5) for noise that is ``alike`` (k, k, to a factor) from one local size to
    another. What goes with neither direction nor level is noise; a component that chance would bring counts as none.

    Parameters
    ----------
    local : (k,)
    where : (k, 2)
        Level and direction of each.
    alike : (k, k)
    """
    by_level, by_direction = ((where[:, [n]] == np.unique(where[:, n])).astype(float) for n in (0, 1))
    both, level, direction = (_onto(one) for one in (np.hstack([by_level, by_direction]), by_level, by_direction))
    rest = (np.eye(len(local)) - both) @ alike
    usual = float(np.trace(rest))
    if len(local) - float(np.trace(both)) < 0.5 or usual <= 0.0:
        return 0.0
    noise = float(local @ (local - both @ local)) / usual
    under = usual**2 / float((rest * rest.T).sum())
    found = 0.0
    for own in (both - level, both - direction):
        part = own @ alike
        expected, seen = float(np.trace(part)), float(local @ own @ local)
        if float(np.trace(own)) < 0.5 or expected <= 0.0:
            continue
        freedom = expected**2 / float((part * part.T).sum())
        if seen > noise * expected * float(fdtri(freedom, under, 1.0 - BY_CHANCE)):
            found += (seen - noise * expected) / len(local)
    return float(np.sqrt(found))


def _onto(columns: FloatArray) -> FloatArray:
    """The projector (k, k) onto columns (k, c)."""
    return np.asarray(columns @ np.linalg.pinv(columns, rcond=1e-10))


@dataclass(frozen=True, eq=False)
class _Cells:
    """Means of the points by turn and level: radius (NaN where empty), height, direction; each point's cell."""

    member: IntArray
    radius: FloatArray
    height: FloatArray
    turn: FloatArray


def _cells(figure: Figure, points: FloatArray) -> _Cells:
    assert figure.direction is not None
    u, v = frame_of(figure.direction)
    q = points - figure.point
    x, y, t = q @ u, q @ v, q @ figure.direction
    turns = TURNS
    # two levels at least: what is form shows in both
    while turns > 8 and len(points) < 2 * FEWEST_IN_CELL * turns:
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
    return _Cells(key.astype(np.int32), radius.reshape(shape), height.reshape(shape), turn.reshape(shape))


def _local_sizes(cells: _Cells) -> FloatArray:
    """Local sizes (levels, directions), NaN where one side is missing."""
    half = cells.radius.shape[1] // 2
    return np.asarray(cells.radius[:, :half] + cells.radius[:, half:])


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
