"""The scan's own noise, from how far it strays from a smooth local surface, and how alike neighbours err."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from operator import attrgetter

import numpy as np
from scipy.optimize import nnls
from scipy.sparse import csr_matrix
from scipy.special import chdtri

from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.settings import Report, silent

RADII = (6.0, 4.5, 3.2)
"""Radii of windows, in spacings: wide enough to see noise that is correlated over about 3; narrower where
a part is too small for that."""
SAMPLES = 1000
CALM = (1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.12, 0.08, 0.05)
"""Shares of the windows, from the quietest up, that may be calm original surface."""
ALIKE = 0.1
"""Windows are of one noise when their quantiles, each over its chi-square one, spread no more than this (log)."""
FORM = 0.75
"""Where narrower windows show less than this share of what wider ones show, the wider ones saw form as well: a gear's
teeth or a small torus stray more the wider the window. Of noise that is correlated over 3 spacings narrower ones show
more than this share."""
QUANTILES = np.array([0.03, 0.06, 0.12, 0.2, 0.35, 0.5, 0.65, 0.8])
LENGTHS = (0.5, 0.8, 1.2, 1.6, 2.0, 2.5, 3.0)
"""Correlation lengths tried, in spacings: correlation exp(-d² / 2 L²) ..."""
WHITE = (0.0, 0.125, 0.25, 0.375, 0.5, 0.75, 1.0)
"""... for all but this share of the variance, which is independent from vertex to vertex."""
LAGS = (0.0, 1.4, 2.2, 3.2, 4.5)
"""Limits of the classes of distance, in spacings, over which residuals are compared."""
LIKENESS_SD = 0.03
"""How well some hundred windows tell a correlation; models that fit about as well are averaged."""
APART = np.array([0.0, 0.7, 1.4, 2.2, 3.2, 4.5, 6.5, 9.0])
"""Limits of the classes of distance, in spacings, by which the shares of the lengths are told."""
LOOKED_AT = 150
"""Windows from which they are told, at most."""
LEAST = 1e-3
"""No scanner is better than this share of its spacing; keeps ratios to the noise finite."""


@dataclass(frozen=True, eq=False)
class ScanNoise:
    """Noise along the normal: one sigma, and how alike it is at two vertices.

    ``shares`` (len(LENGTHS),) are of the variance, each with the correlation exp(-d² / 2 L²) of its length of
    `LENGTHS` times the spacing; the rest is independent from vertex to vertex.
    """

    sigma_mm: float
    shares: FloatArray
    spacing_mm: float

    def correlation(self, distance_mm: FloatArray) -> FloatArray:
        """Correlation of the noise at two different vertices, by their distance."""
        lags = np.linspace(0.0, 4.0 * LENGTHS[-1], 241)
        values = np.exp(-(lags[:, None] ** 2) / (2.0 * np.square(LENGTHS))) @ self.shares
        return np.interp(distance_mm, lags * self.spacing_mm, values, right=0.0)


def surface_noise(mesh: Mesh, graph: csr_matrix, spacing_mm: float, report: Report = silent) -> float:
    """One sigma of the noise along the normal, mm, at least `LEAST` spacings.

    A quadric is fitted to each of `SAMPLES` windows. Windows on fracture,
    edges and texture stray more than noise does; the calm ones are the largest
    share, from the quietest up, whose mean squares are spread as chi-square of
    one variance. The fit swallows part of noise that is correlated from vertex
    to vertex; how much follows from the noise's correlation, which the
    residuals' own correlation tells.

    Parameters
    ----------
    mesh : Mesh
    graph : csr_matrix
        Vertex graph of the mesh.
    spacing_mm : float
    report : Report, optional
    """
    return _level(mesh, graph, spacing_mm, SAMPLES, report).sigma * spacing_mm


def scan_noise(mesh: Mesh, graph: csr_matrix, spacing_mm: float, samples: int = SAMPLES) -> ScanNoise:
    """The noise along the normal, and how alike it is from vertex to vertex, from the calm ones of the windows."""
    found = _level(mesh, graph, spacing_mm, samples, silent)
    if not len(found.windows[0]):
        return ScanNoise(found.sigma * spacing_mm, np.zeros(len(LENGTHS)), spacing_mm)
    parts = _parts(*_flattest(*found.windows))
    total = float(parts.sum())
    return ScanNoise(max(float(np.sqrt(total)), LEAST) * spacing_mm, parts[1:] / max(total, 1e-300), spacing_mm)


def _level(mesh: Mesh, graph: csr_matrix, spacing_mm: float, samples: int, report: Report) -> _Level:
    centres = np.sort(np.random.default_rng(0).permutation(len(mesh.vertices))[:samples]).astype(np.int32)
    best = _Level(np.inf, 0.0, _NONE)
    for number, radius in enumerate(RADII):
        report(number / len(RADII), "Measuring the scan's noise")
        points, used = _windows(mesh, graph, centres, spacing_mm, radius)
        if len(points) == 0:
            continue
        found = _calm_level(points, used, radius)
        if max(best.unlike, found.unlike) <= ALIKE:
            if found.sigma > FORM * best.sigma:
                break
            best = found
        elif min(best.unlike, found.unlike) > ALIKE and found.sigma < FORM * best.sigma:
            best = found
        else:
            best = min(best, found, key=attrgetter("unlike"))
    return replace(best, sigma=max(best.sigma, LEAST))


@dataclass(frozen=True, eq=False)
class _Level:
    """How unlike the calm windows are (log spread), their noise in spacings, and they themselves.

    ``windows`` are points (w, k, 3), which are used (w, k), and their residuals (w, k).
    """

    unlike: float
    sigma: float
    windows: tuple[FloatArray, FloatArray, FloatArray]


_NONE = (np.zeros((0, 0, 3)), np.zeros((0, 0)), np.zeros((0, 0)))


def _calm_level(points: FloatArray, used: FloatArray, radius: float) -> _Level:
    left = _residuals(points, used)
    square = (left**2).sum(axis=1) / used.sum(axis=1)
    order = np.argsort(square, kind="stable")
    if square[order[len(order) // 5]] < LEAST**2:
        return _Level(0.0, LEAST, _NONE)
    square = np.maximum(square, 1e-12 * LEAST**2)
    best = _Level(np.inf, float(np.sqrt(square[order[0]])), _NONE)
    for calm in CALM:
        count = int(calm * len(order))
        if count < 30 and np.isfinite(best.unlike):
            break
        middle = order[np.unique(np.linspace(0.2, 0.8, 80) * max(count - 1, 0)).astype(int)]
        share, freedom = _explained(_likeness(points[middle], used[middle], left[middle]), radius)
        usual = chdtri(freedom, 1.0 - QUANTILES) / freedom
        level = np.log(square[order[(QUANTILES * count).astype(int)]] / usual)
        found = _Level(float(level.std()), float(np.exp(level.mean() / 2) / np.sqrt(share)),
                       (points[order[:count]], used[order[:count]], left[order[:count]]))  # fmt: skip
        best = min(best, found, key=attrgetter("unlike"))
        if best.unlike <= ALIKE:
            break
    return best


def _windows(
    mesh: Mesh, graph: csr_matrix, centres: IntArray, spacing: float, radius: float
) -> tuple[FloatArray, FloatArray]:
    """Points (w, k, 3) about each window's mean, in spacings, and which are used (w, k), 1 or 0.

    A window is what lies within ``radius`` spacings of its centre and is reached along the surface.
    """
    count = len(centres)
    reached = csr_matrix((np.ones(count, np.float32), (np.arange(count), centres)), (count, len(mesh.vertices)))
    for _ in range(int(radius) + 1):
        reached = reached + reached @ graph
        reached.data[:] = 1.0
    window, member = np.repeat(np.arange(count), np.diff(reached.indptr)), reached.indices
    near = np.linalg.norm(mesh.vertices[member] - mesh.vertices[centres[window]], axis=1) <= radius * spacing
    window, member = window[near], member[near]
    size = np.bincount(window, minlength=count)
    place = np.arange(len(window)) - (np.cumsum(size) - size)[window]
    kept = np.flatnonzero((size >= 1.7 * radius**2) & (size <= 5.6 * radius**2))
    row = np.full(count, -1)
    row[kept] = np.arange(len(kept))
    inside = row[window] >= 0
    points = np.zeros((len(kept), int(size[kept].max(initial=0)), 3))
    used = np.zeros(points.shape[:2])
    points[row[window[inside]], place[inside]] = mesh.vertices[member[inside]]
    used[row[window[inside]], place[inside]] = 1.0
    mean = points.sum(axis=1) / np.maximum(used.sum(axis=1), 1.0)[:, None]
    return (points - mean[:, None]) * used[:, :, None] / spacing, used


def _residuals(points: FloatArray, used: FloatArray) -> FloatArray:
    """Distances (w, k) to a quadric over each window's own plane; 0 where unused."""
    z, terms = _quadric(points, used)
    normal = np.einsum("wki,wkj->wij", terms, terms) + 1e-9 * np.eye(6)
    answer = np.linalg.solve(normal, np.einsum("wki,wk->wi", terms, z)[:, :, None])
    return np.asarray(z - (terms @ answer)[:, :, 0])


def _quadric(points: FloatArray, used: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heights (w, k) over each window's own plane, and the terms (w, k, 6) of a quadric there; 0 where unused."""
    axes = np.linalg.eigh(np.einsum("wki,wkj->wij", points, points))[1]
    z, y, x = (np.einsum("wki,wi->wk", points, axes[:, :, i]) for i in range(3))
    return z * used, np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2) * used[:, :, None]


def _parts(points: FloatArray, used: FloatArray, left: FloatArray) -> FloatArray:
    """Variances (1 + len(LENGTHS),): of independent noise, and of what is alike over each length.

    What products of residuals, by distance, each length and independent noise would bring after the fit is exact for
    the windows' own points; the parts, none below zero, are those of least squares, classes weighed by their pairs.
    """
    sums = np.zeros((len(APART) + 2, len(LENGTHS) + 3))
    for start in range(0, len(points), 25):
        part = slice(start, start + 25)
        sums += _products(points[part], used[part], left[part])
    sums = sums[1:][sums[1:, 0] > 0]
    weight = 1.0 / np.sqrt(sums[:, :1])
    return np.asarray(nnls(sums[:, 2:] * weight, sums[:, 1] * weight[:, 0])[0])


def _products(points: FloatArray, used: FloatArray, left: FloatArray) -> FloatArray:
    """Sums by class of distance: pairs, products of residuals, products to be expected of each part.

    Class 0 is of what is unused, the last of each point with itself.
    """
    base = np.linalg.qr(_quadric(points, used)[1])[0]
    square = np.square(points[:, :, None] - points[:, None]).sum(axis=3)
    both = used[:, :, None] * used[:, None]
    kind = np.digitize(np.sqrt(square), APART)
    diagonal = np.arange(points.shape[1])
    kind[:, diagonal, diagonal] = len(APART) + 1
    kind[both == 0.0] = 0
    columns = [both, left[:, :, None] * left[:, None]]
    for length in (0.0, *LENGTHS):
        alike = both * (np.exp(-square / (2.0 * length**2)) if length else np.eye(len(diagonal)))
        lost = base @ (np.swapaxes(base, 1, 2) @ alike)
        twice = base @ (np.swapaxes(base, 1, 2) @ np.swapaxes(lost, 1, 2))
        columns.append(alike - lost - np.swapaxes(lost, 1, 2) + twice)
    return np.stack([np.bincount(kind.ravel(), one.ravel(), len(APART) + 2) for one in columns], axis=1)


def _flattest(points: FloatArray, used: FloatArray, left: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The `LOOKED_AT` windows that bend least: what a quadric leaves of a strong bend looks like wide noise."""
    z, terms = _quadric(points, used)
    normal = np.einsum("wki,wkj->wij", terms, terms) + 1e-9 * np.eye(6)
    bend = np.square(np.linalg.solve(normal, np.einsum("wki,wk->wi", terms, z)[:, :, None])[:, 3:, 0]).sum(axis=1)
    some = np.sort(np.argsort(bend, kind="stable")[:LOOKED_AT])
    return points[some], used[some], left[some]


def _likeness(points: FloatArray, used: FloatArray, left: FloatArray) -> FloatArray:
    """Correlation of the residuals by class of distance (`LAGS`), pooled over windows of equal weight."""
    scale = np.sqrt((left**2).sum(axis=1) / used.sum(axis=1))
    left = left / np.where(scale > 0, scale, 1.0)[:, None]
    total, number = np.zeros(len(LAGS) - 1), np.zeros(len(LAGS) - 1)
    for window in range(len(points)):
        count = int(used[window].sum())
        place, value = points[window, :count], left[window, :count]
        square = (place**2).sum(axis=1)
        square = square[:, None] + square - 2 * place @ place.T
        np.fill_diagonal(square, np.inf)
        nearer = np.zeros(square.shape, bool)
        for kind, limit in enumerate(LAGS[1:]):
            within = square <= limit**2
            chosen = within ^ nearer
            total[kind] += value @ (chosen @ value)
            number[kind] += np.count_nonzero(chosen)
            nearer = within
    return total / np.maximum(number, 1.0)


@lru_cache(maxsize=len(RADII))
def _table(radius: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each model (`LENGTHS` by `WHITE`): likeness expected, share of the variance left, degrees of freedom.

    Exact for a hexagonal lattice of unit spacing, with the covariance C of the
    noise and M = I - H of the quadric fit: share = tr(MC)/k, freedom =
    tr(MC)² / tr(MCMC), likeness from MCM.
    """
    i, j = np.meshgrid(np.arange(-10, 11), np.arange(-10, 11))
    x, y = (i + j / 2.0).ravel(), (j * np.sqrt(0.75)).ravel()
    inside = np.hypot(x, y) <= radius
    x, y = x[inside], y[inside]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    keeps = np.eye(len(x)) - terms @ np.linalg.pinv(terms)
    distance = np.hypot(x[:, None] - x, y[:, None] - y)
    classes = [(distance > low) & (distance <= high) for low, high in zip(LAGS, LAGS[1:], strict=False)]
    likeness, share, freedom = [], [], []
    for length in LENGTHS:
        smooth = keeps @ np.exp(-(distance**2) / (2 * length**2)) @ keeps
        for white in WHITE:
            residual = (1 - white) * smooth + white * keeps
            trace = float(np.trace(residual))
            likeness.append([residual[one].mean() * len(x) / trace for one in classes])
            share.append(trace / len(x))
            freedom.append(trace**2 / float((residual**2).sum()))
    return np.array(likeness), np.array(share), np.array(freedom)


def _explained(likeness: FloatArray, radius: float) -> tuple[float, float]:
    """Share of the variance left and degrees of freedom of the noise that would look like this."""
    expected, share, freedom = _table(radius)
    misfit = ((expected - likeness) ** 2).mean(axis=1)
    weight = np.exp(-(misfit - misfit.min()) / (2.0 * LIKENESS_SD**2))
    return _log_mean(share, weight), _log_mean(freedom, weight)


def _log_mean(values: FloatArray, weight: FloatArray) -> float:
    return float(np.exp(np.average(np.log(values), weights=weight)))
