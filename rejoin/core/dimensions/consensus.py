"""A figure among stray points: consensus with an estimated scale, then plain least squares on what belongs to it.

Nothing is tuned to a noise level: the scale is that of the residuals
themselves, with the density of stray points beside the figure taken off.
Sources: Fischler and Bolles 1981 (consensus); Rousseeuw 1984 and Rousseeuw
and Leroy 1987 (least quantile and its small-sample factor 1 + 5 / (n - p)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.dimensions.figures import Figure, distances, free, through
from rejoin.core.dimensions.least_squares import polished
from rejoin.core.records import FloatArray

Mask = npt.NDArray[np.bool_]

BELONGS = 4.0
"""Sigmas within which a point belongs to the figure."""

MASKED = 2.0
"""How many times the scale of the core the plain scale may be before strays are believed to hide in it."""

TRIES = 400
QUANTILES = (0.2, 0.35, 0.5)
_SAMPLE = {"plane": 3, "line": 2, "circle": 3, "sphere": 4, "cylinder": 4, "cone": 6}


@dataclass(frozen=True, eq=False)
class Fitted:
    """A figure with the points (n,) that belong to it and their scale, 1 sigma."""

    figure: Figure
    used: Mask
    sigma: float


def fit_among_strays(kind: str, points: FloatArray, normals: FloatArray | None, plain: Figure | None) -> Fitted | None:
    """The figure most points agree on; all points are used where all lie within 4 sigma.

    Parameters
    ----------
    kind : str
    points : (n, 2) or (n, 3)
    normals : (n, 3), optional
    plain : Figure, optional
        That of least squares through all points.

    Returns
    -------
    Fitted or None
        None where no figure can be laid through the points at all.
    """
    all_of_them = None if plain is None else with_all(plain, points)
    count = _count(kind, points)
    if len(points) < 5 * count:
        return all_of_them
    core = _consensus(kind, points, normals, plain)
    if core is None or all_of_them is None:
        return core or all_of_them
    small_sample = 1.0 + 5.0 / (len(points) - count)
    worst = float(np.abs(distances(all_of_them.figure, points)).max())
    if worst <= BELONGS * all_of_them.sigma and all_of_them.sigma <= MASKED * small_sample * core.sigma:
        return all_of_them
    return all_of_them if core.used.all() else core


def _count(kind: str, points: FloatArray) -> int:
    return free(Figure(kind, np.zeros(points.shape[1])))


def with_all(figure: Figure, points: FloatArray) -> Fitted:
    """The figure with all the points."""
    away = distances(figure, points)
    left = max(len(points) - free(figure), 1)
    return Fitted(figure, np.ones(len(points), bool), float(np.sqrt(away @ away / left)))


def _consensus(kind: str, points: FloatArray, normals: FloatArray | None, plain: Figure | None) -> Fitted | None:
    rng = np.random.default_rng(0)
    some = rng.choice(len(points), min(len(points), 1500), replace=False)
    if normals is None and kind in ("cylinder", "cone"):
        normals = local_normals(points)
    candidates = [plain] if plain is not None else []
    for _ in range(TRIES):
        rows = _drawn(rng, kind, points)
        few = None if normals is None else normals[rows]
        candidates += through(kind, points[rows], few)[:2]
    if not candidates:
        return None
    away = np.array([np.abs(distances(figure, points[some])) for figure in candidates])
    away = np.where(np.isfinite(away), away, np.inf)
    away.sort(axis=1)
    chosen: set[int] = set()
    for quantile in QUANTILES:
        chosen |= set(np.argsort(away[:, int(quantile * (len(some) - 1))], kind="stable")[:3].tolist())
    settled = [_settled(candidates[k], points) for k in sorted(chosen)]
    found = [one for one in settled if one is not None]
    return min(found, key=lambda one: _cost(one, points), default=None)


def _drawn(rng: np.random.Generator, kind: str, points: FloatArray) -> npt.NDArray[np.int64]:
    return rng.choice(len(points), _SAMPLE[kind], replace=False)


def local_normals(points: FloatArray, neighbours: int = 24) -> FloatArray:
    """Unit normals (n, 3) of bare points, sign unknown, from each one's nearest neighbours."""
    _, near = cKDTree(points).query(points, min(neighbours, len(points)))
    q = points[near] - points[near].mean(axis=1, keepdims=True)
    return np.asarray(np.linalg.eigh(np.einsum("nki,nkj->nij", q, q))[1][:, :, 0])


def _settled(start: Figure, points: FloatArray) -> Fitted | None:
    """Scale, members and least squares in turn, until the members stay the same."""
    figure, used = start, np.zeros(len(points), bool)
    least = max(3 * free(start), int(0.1 * len(points)))
    for _ in range(25):
        away = np.abs(distances(figure, points))
        sigma = core_sigma(away, free(figure), _floor(points))
        now = away <= BELONGS * sigma
        if now.sum() < least:
            return None
        if np.array_equal(now, used):
            break
        used = now
        figure = polished(figure, points[used])
    return Fitted(figure, used, sigma)


def _floor(points: FloatArray) -> float:
    """A scale below which residuals are rounding."""
    return 1e-9 * max(float(np.abs(points - points.mean(axis=0)).max()), 1e-300) + 4e-16 * float(np.abs(points).max())


def core_sigma(away: FloatArray, count: int, floor: float) -> float:
    """Scale (1 sigma) of the points near a figure, the strays between them taken off.

    Between 4 and 8 sigma lie strays alone; as many to each sigma are expected within 3, and their squares are
    subtracted. Begins at the 20 % quantile and is repeated until it stays; the share of a normal distribution's
    square that lies within 3 sigma is 0.9733 / 0.9973.
    """
    ordered = np.sort(away)
    squares = np.concatenate([[0.0], np.cumsum(np.square(ordered))])
    sigma = max(float(ordered[int(0.2 * (len(ordered) - 1))]) / 0.2533, floor)
    for _ in range(60):
        inner, near, far = np.searchsorted(ordered, [3 * sigma, 4 * sigma, 8 * sigma], side="right")
        strays = (far - near) / (4 * sigma)
        own = max(inner - 3 * sigma * strays, 0.25 * inner, 1.0)
        square = max(float(squares[inner]) - 9.0 * sigma**3 * strays, 0.02 * float(squares[inner]))
        new = max(float(np.sqrt(square / own / (0.9733 / 0.9973))), floor)
        if abs(new - sigma) < 1e-9 * sigma:
            break
        sigma = new
    inliers = int(np.searchsorted(ordered, BELONGS * sigma, side="right"))
    return sigma * float(np.sqrt(inliers / max(inliers - count, 1)))


def _cost(found: Fitted, points: FloatArray) -> float:
    """Minus the log-likelihood of normal residuals among evenly spread strays."""
    away = np.abs(distances(found.figure, points))
    share = float(np.clip(found.used.mean(), 1e-6, 1 - 1e-6))
    reach = max(float(away.max()), found.sigma)
    normal = np.exp(-0.5 * np.square(np.minimum(away / found.sigma, 30.0))) * np.sqrt(2 / np.pi) / found.sigma
    return -float(np.log(share * normal + (1 - share) / reach).sum())
