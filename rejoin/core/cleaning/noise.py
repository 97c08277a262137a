"""The scan's own noise, from how far it strays from a smooth local surface."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.sparse import csr_matrix
from scipy.stats import chi2

from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.settings import Report, silent

WINDOW = 6.0
"""Radius of a window, in spacings: wide enough to see noise that is correlated over about 3."""
SAMPLES = 1500
LOW = 0.25
"""The share of windows taken to be original surface: fracture, edges and texture lie above it."""
LENGTHS = (0.3, 0.6, 0.9, 1.2, 1.6, 2.0, 2.5, 3.0)
"""Correlation lengths tried, in spacings: correlation exp(-d² / 2 L²)."""
LEAST = 1e-3
"""No scanner is better than this share of its spacing; keeps ratios to the noise finite."""


def surface_noise(mesh: Mesh, graph: csr_matrix, spacing_mm: float, report: Report = silent) -> float:
    """One sigma of the noise along the normal, mm.

    A quadric is fitted to each of `SAMPLES` windows. The fit swallows part of
    noise that is correlated from vertex to vertex; how much follows from the
    correlation length, which the likeness of neighbouring residuals tells. A
    low quantile over the windows is taken, corrected for its place in the
    chi-square distribution with the window's effective degrees of freedom.

    Parameters
    ----------
    mesh : Mesh
    graph : csr_matrix
        Vertex graph of the mesh.
    spacing_mm : float

    Returns
    -------
    float
    """
    centres = np.random.default_rng(0).permutation(len(mesh.vertices))[:SAMPLES]
    windows, members = _windows(mesh, graph, np.sort(centres), spacing_mm)
    report(0.4, "Measuring the scan's noise")
    mean_square, likeness = _residuals(mesh, windows, members, spacing_mm)
    if len(mean_square) == 0:
        return LEAST * spacing_mm
    level = float(np.quantile(mean_square, LOW))
    calm = (mean_square <= np.quantile(mean_square, 2 * LOW)) & (mean_square > 0)
    if not calm.any():
        return LEAST * spacing_mm
    share, freedom, _ = _interpolated(float(np.median(likeness[calm])))
    usual = chi2.ppf(LOW, freedom) / freedom
    return max(float(np.sqrt(level / share / usual)), LEAST * spacing_mm)


def _windows(mesh: Mesh, graph: csr_matrix, centres: IntArray, spacing: float) -> tuple[IntArray, IntArray]:
    """Pairs (window, vertex): vertices within `WINDOW` spacings of each centre, reached along the surface."""
    count = len(centres)
    reached = csr_matrix((np.ones(count, np.float32), (np.arange(count), centres)), (count, len(mesh.vertices)))
    for _ in range(int(WINDOW) + 1):
        reached = reached + reached @ graph
        reached.data[:] = 1.0
    window = np.repeat(np.arange(count), np.diff(reached.indptr))
    member = reached.indices
    near = np.linalg.norm(mesh.vertices[member] - mesh.vertices[centres[window]], axis=1) <= WINDOW * spacing
    return window[near].astype(np.int32), member[near].astype(np.int32)


def _residuals(mesh: Mesh, window: IntArray, member: IntArray, spacing: float) -> tuple[FloatArray, FloatArray]:
    """Mean square residual and likeness of close neighbours' residuals of each window with enough vertices."""
    normals = vertex_normals(mesh)
    size = np.bincount(window)
    mean_square, likeness = [], []
    begin = np.concatenate([[0], np.cumsum(size)])
    for number in np.flatnonzero(size >= 40):
        chosen = member[begin[number] : begin[number + 1]]
        points = (mesh.vertices[chosen] - mesh.vertices[chosen].mean(axis=0)) / spacing
        up = normals[chosen].sum(axis=0)
        length = np.linalg.norm(up)
        if length < 0.5 * len(chosen):
            continue
        left = _residual(points, up / length)
        close = ((points[:, None] - points[None]) ** 2).sum(axis=2) < 1.5**2
        np.fill_diagonal(close, False)
        square = float(left @ left) / len(left)
        mean_square.append(square * spacing**2)
        likeness.append(float(left @ close @ left) / max(close.sum() * square, 1e-300))
    return np.array(mean_square), np.array(likeness)


def _residual(points: FloatArray, up: FloatArray) -> FloatArray:
    across = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    across /= np.linalg.norm(across)
    x, y, z = points @ across, points @ np.cross(up, across), points @ up
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    return np.asarray(z - terms @ np.linalg.lstsq(terms, z, rcond=None)[0])


@lru_cache(maxsize=1)
def _table() -> FloatArray:
    """For each of `LENGTHS`: likeness expected, share of the variance left, effective degrees of freedom.

    Exact for a hexagonal lattice of unit spacing, with the covariance C of the
    noise and M = I - H of the quadric fit: share = tr(MC)/k, freedom =
    tr(MC)² / tr(MCMC), likeness from MCM.
    """
    steps = np.arange(-10, 11)
    i, j = np.meshgrid(steps, steps)
    x, y = (i + j / 2.0).ravel(), (j * np.sqrt(0.75)).ravel()
    keep = np.hypot(x, y) <= WINDOW
    x, y = x[keep], y[keep]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    left = np.eye(len(x)) - terms @ np.linalg.pinv(terms)
    square = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    close = (square < 1.5**2) & (square > 0)
    rows = []
    for length in LENGTHS:
        residual = left @ np.exp(-square / (2 * length**2)) @ left
        trace = np.trace(residual)
        rows.append([residual[close].mean() / (trace / len(x)), trace / len(x), trace**2 / (residual**2).sum()])
    return np.array(rows)


def _interpolated(likeness: float) -> tuple[float, float, float]:
    """Share of the variance left, degrees of freedom, correlation length (spacings) for a likeness."""
    table = _table()
    return (
        float(np.interp(likeness, table[:, 0], table[:, 1])),
        float(np.interp(likeness, table[:, 0], table[:, 2])),
        float(np.interp(likeness, table[:, 0], LENGTHS)),
    )
