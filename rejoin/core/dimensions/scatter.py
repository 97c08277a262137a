"""How far a scan's noise, alike over several spacings, and a feature's own form carry into what is made of its points.

Least squares take points for independent; a scanner smooths over several, so a mean of n points is far from sqrt(n)
times better than one. How alike the noise is at two points is a property of the scan and measured all over it
(`rejoin.core.noise`); its size is that of the feature's own residuals, with what the fit swallowed given back.
Where residuals are alike over wide parts of the feature by more than this noise explains, the feature has a form of
its own (a casting is never quite flat), and that is counted as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist
from scipy.special import chdtri, stdtrit

from rejoin.core.noise import ScanNoise
from rejoin.core.records import FloatArray, IntArray

THIN = 700
"""Points between which all distances are looked at; more would tell a variance no better than to a few per cent."""

ACROSS = 8
"""The feature's form is looked for in cubes of this part of its size; it is taken to be alike over half of one."""

BY_CHANCE = 0.05
"""What chance alone does so often is not taken for form (JCGM 100:2008, H.5, judges components of variance so)."""

CONFIDENCE = 0.97725
"""Two sigmas of a normal distribution, one-sided."""


@dataclass(frozen=True, eq=False)
class Scatter:
    """What residuals are made of: noise of the scan and form, as variances in mm², and the degrees of freedom behind.

    ``form_length_mm`` is the length of the form's correlation exp(-d² / 2 L²).
    """

    noise: ScanNoise
    variance: float
    form: float = 0.0
    form_length_mm: float = 1.0
    freedom: float = np.inf

    def covariance(self, distance_mm: FloatArray) -> FloatArray:
        """Covariance of the residuals of different points, by their distance."""
        found = self.variance * self.noise.correlation(distance_mm)
        if self.form > 0.0:
            found = found + self.form * _alike(distance_mm, self.form_length_mm)
        return np.asarray(found)


def _alike(distance: FloatArray, length: float) -> FloatArray:
    return np.exp(-np.square(distance / length) / 2.0)


def scatter_of(points: FloatArray, residual: FloatArray, slopes: FloatArray, noise: ScanNoise) -> Scatter:
    """Noise and form behind the residuals of a least squares.

    Parameters
    ----------
    points : (n, 3)
    residual : (n,)
    slopes : (n, p)
        Derivatives of the residuals by what was fitted.
    noise : ScanNoise
        How alike the scan's noise is; its size is not used.

    Returns
    -------
    Scatter
        ``freedom`` after Satterthwaite 1946: tr(R)² / tr(R²), R the covariance of the residuals.
    """
    rows = _thinned(len(points))
    at, e = points[rows], residual[rows]
    distance = cdist(at, at)
    length = float(np.ptp(points, axis=0).max()) / (2 * ACROSS)
    base = np.linalg.qr(slopes[rows])[0]
    alike = noise.correlation(distance)
    np.fill_diagonal(alike, 1.0)
    left = _after_fit(alike, base)
    variance, form = float(e @ e) / max(float(np.trace(left)), 1e-12), 0.0
    cells = cells_of(at)
    sums = np.zeros((int(cells.max()) + 1, len(at)))
    sums[cells, np.arange(len(at))] = 1.0
    expected = sums @ left @ sums.T
    seen, usual = float(np.square(sums @ e).sum()), float(np.trace(expected))
    freedom = usual**2 / max(float(np.square(expected).sum()), 1e-300)
    if seen > variance * usual * chdtri(freedom, BY_CHANCE) / freedom:
        waved = _after_fit(_alike(distance, length), base)
        rows_of_two = np.array([[np.trace(left), np.trace(waved)], [usual, np.sum((sums @ waved) * sums)]])
        parts = np.linalg.lstsq(rows_of_two, np.array([float(e @ e), seen]), rcond=None)[0]
        form = float(np.clip(parts[1], 0.0, float(e @ e) / max(float(np.trace(waved)), 1e-12)))
        variance = max(float(parts[0]), 0.0)
        left = variance * left + form * waved
    else:
        left = variance * left
    own = float(np.trace(left)) ** 2 / max(float(np.square(left).sum()), 1e-300)
    return Scatter(noise, variance, form, max(length, 1e-300), max(own, 1.0))


def _after_fit(covariance: FloatArray, base: FloatArray) -> FloatArray:
    """(I - H) C (I - H) for the projector H = base base^T."""
    lost = base @ (base.T @ covariance)
    return np.asarray(covariance - lost - lost.T + base @ (base.T @ covariance @ base) @ base.T)


def carried(points: FloatArray, weights: FloatArray, scatter: Scatter) -> FloatArray:
    """Covariance (k, k) of k weighted sums of the residuals.

    Parameters
    ----------
    points : (n, 3)
    weights : (n, k)
    scatter : Scatter

    Returns
    -------
    (k, k)
        W^T C W. Of many points some are taken for all: n / m times what one does alone, (n / m)² times what two share.
    """
    rows = _thinned(len(points))
    more, at, some = len(points) / len(rows), points[rows], weights[rows]
    shared = scatter.covariance(cdist(at, at))
    np.fill_diagonal(shared, 0.0)
    alone = more * (scatter.variance + scatter.form) * (some.T @ some)
    return np.asarray(alone + more**2 * (some.T @ shared @ some))


def coverage_factor(freedom: float) -> float:
    """Student's t for as much confidence as two sigmas of a normal distribution (JCGM 100:2008, G.4)."""
    return 2.0 if freedom > 1e6 else float(stdtrit(max(freedom, 1.0), CONFIDENCE))


def joint_freedom(parts: list[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of variances, each with its own (Welch 1947, Satterthwaite 1946)."""
    total = sum(variance for variance, _ in parts)
    under = sum(variance**2 / freedom for variance, freedom in parts if np.isfinite(freedom))
    return total**2 / under if under > 0.0 else float(np.inf)


def _thinned(count: int) -> IntArray:
    if count <= THIN:
        return np.arange(count, dtype=np.int32)
    return np.sort(np.random.default_rng(0).permutation(count)[:THIN]).astype(np.int32)


def cells_of(points: FloatArray, across: int = ACROSS) -> IntArray:
    """A cell number (n,) for each point: cubes of an ``across``-th of the region's size."""
    size = float(np.ptp(points, axis=0).max()) / across
    keys = np.floor((points - points.min(axis=0)) / max(size, 1e-300)).astype(np.int64)
    return np.asarray(np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1), np.int32)
