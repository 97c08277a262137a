"""How well the scans' noise lets a part be rejoined: the error of an ideal least squares.

The ideal knows the true fracture surface, pairs every vertex rightly and
weighs all alike; only the noise that the maker put in (its size and its
correlation known) moves it. Its covariance is the sandwich
``(J'J)^-1 J' S J (J'J)^-1`` (White 1980; Conley 1999 for correlated errors in space).
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.spatial import ConvexHull, cKDTree

from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse
from tests.makers import Case, Surface
from tests.makers.faults import CORRELATED_SHARE, CORRELATION_SPACINGS

LARGEST_JOINT = 12_000


def _normals(surface: Surface, points: FloatArray) -> FloatArray:
    turn = surface.part_from_cut[:3, :3]
    slopes = surface.slope(apply(inverse(surface.part_from_cut), points)[:, :2])
    normals = np.column_stack([-slopes, np.ones(len(points))]) @ turn.T
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def contact(case: Case, a: int, b: int) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3) of a that truly lie on b, part frame, and the true normals there."""
    points, other = (apply(case.part_from_scan[i], case.fragments[i].vertices[case.fracture[i]]) for i in (a, b))
    reach = 2.0 * case.spacing_mm + 2.0 * case.wear_mm
    near = cKDTree(other).query(points, distance_upper_bound=reach)[0] < reach
    points = points[near]
    points = points[:: max(1, len(points) // LARGEST_JOINT + (len(points) > LARGEST_JOINT))]
    away = np.array([np.abs(surface.distance(points)) for surface in case.surfaces])
    normals = np.zeros_like(points)
    for index, surface in enumerate(case.surfaces):
        here = away.argmin(axis=0) == index
        normals[here] = _normals(surface, points[here])
    return points, normals


def _noise_covariance(case: Case, points: FloatArray) -> csr_matrix:
    """Covariance (n, n) of the gap at the points: both scans' noise, the other scan's interpolated."""
    length = CORRELATION_SPACINGS * case.spacing_mm
    pairs = cKDTree(points).query_pairs(2.2 * length, output_type="ndarray")
    distance = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    shared = 2 * CORRELATED_SHARE * np.exp(-((distance / length) ** 2))
    own = 2 * CORRELATED_SHARE + 1.5 * (1 - CORRELATED_SHARE)
    count = len(points)
    rows = np.concatenate([pairs[:, 0], pairs[:, 1], np.arange(count)])
    columns = np.concatenate([pairs[:, 1], pairs[:, 0], np.arange(count)])
    values = np.concatenate([shared, shared, np.full(count, own)])
    return coo_matrix((case.noise_mm**2 * values, (rows, columns)), (count, count)).tocsr()


def noise_limit_mm(case: Case, reference: int) -> dict[int, float]:
    """For each fragment, the 1-sigma displacement of its worst vertex relative to the reference fragment.

    Fragments that no true joint ties to the reference are left out.
    """
    own = [i for i in range(len(case.fragments)) if i not in case.strangers]
    column = {i: 6 * n for n, i in enumerate(k for k in own if k != reference)}
    centre = case.intact.vertices.mean(axis=0)
    scale = float(np.linalg.norm(np.ptp(case.intact.vertices, axis=0))) / 2
    size = 6 * len(column)
    information, noise = np.zeros((size, size)), np.zeros((size, size))
    for a in own:
        for b in own:
            if a >= b:
                continue
            points, normals = contact(case, a, b)
            if len(points) < 50:
                continue
            single = np.hstack([np.cross(points - centre, normals) / scale, normals])
            jacobian = np.zeros((len(points), size))
            for fragment, sign in ((a, 1.0), (b, -1.0)):
                if fragment != reference:
                    jacobian[:, column[fragment] : column[fragment] + 6] += sign * single
            information += jacobian.T @ jacobian
            noise += jacobian.T @ (_noise_covariance(case, points) @ jacobian)
    values, vectors = np.linalg.eigh(information)
    held = values > 1e-9 * max(float(values.max(initial=0.0)), 1e-300)
    inverse_information = (vectors[:, held] / values[held]) @ vectors[:, held].T
    covariance = inverse_information @ noise @ inverse_information
    loose = vectors[:, ~held]
    limits = {}
    for fragment, start in column.items():
        block = slice(start, start + 6)
        if np.any(np.abs(loose[block]) > 1e-6):
            continue
        corners = apply(case.part_from_scan[fragment], case.fragments[fragment].vertices)
        corners = (corners[ConvexHull(corners).vertices] - centre) / scale
        limits[fragment] = max(_spread(covariance[block, block], corner) for corner in corners)
    return limits


def _spread(covariance: FloatArray, corner: FloatArray) -> float:
    x, y, z = corner
    moves = np.hstack([np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]]), np.eye(3)])
    return float(np.sqrt(np.trace(moves @ covariance @ moves.T)))
