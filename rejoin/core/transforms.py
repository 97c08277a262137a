"""Rigid motions as (4, 4) matrices named for where they go: ``a_from_b``."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from rejoin.core.errors import WrongUse
from rejoin.core.records import FloatArray


def identity() -> FloatArray:
    """The motion that moves nothing."""
    return np.eye(4)


def rigid(rotation: FloatArray, translation: FloatArray) -> FloatArray:
    """A motion from a (3, 3) rotation and a (3,) translation."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = translation
    return matrix


def from_vector(vector: FloatArray, centre: FloatArray) -> FloatArray:
    """The motion of a (6,) vector: rotation vector (rad) about ``centre``, then translation."""
    turn = Rotation.from_rotvec(vector[:3]).as_matrix()
    return rigid(turn, centre - turn @ centre + vector[3:])


def inverse(a_from_b: FloatArray) -> FloatArray:
    """``b_from_a``."""
    turn = a_from_b[:3, :3].T
    return rigid(turn, -turn @ a_from_b[:3, 3])


def orthonormal(a_from_b: FloatArray) -> FloatArray:
    """The nearest exactly rigid motion (rounding removed, determinant +1)."""
    u, _, vt = np.linalg.svd(a_from_b[:3, :3])
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return rigid(turn, a_from_b[:3, 3])


def from_marks(marks_a: npt.ArrayLike, marks_b: npt.ArrayLike) -> FloatArray:
    """``a_from_b`` (4, 4) that brings marks (k, 3) of b onto those of a in the least-squares sense.

    Source of the fit: the least-squares rotation by singular value
    decomposition (Kabsch 1976; Arun, Huang and Blostein 1987).

    Raises
    ------
    WrongUse
        Fewer than three marks, or marks on one line.
    """
    first, second = np.asarray(marks_a, float), np.asarray(marks_b, float)
    if first.shape != second.shape or len(first) < 3:
        raise WrongUse("Three marks on each are needed.", "Mark the same three places on both.")
    centre_a, centre_b = first.mean(axis=0), second.mean(axis=0)
    u, sizes, vt = np.linalg.svd((first - centre_a).T @ (second - centre_b))
    if sizes[1] < 1e-6 * max(sizes[0], 1e-300):
        raise WrongUse("The marks lie on one line.", "Mark three places that form a triangle.")
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return rigid(turn, centre_a - turn @ centre_b)


def apply(a_from_b: FloatArray, points_b: FloatArray) -> FloatArray:
    """Points (n, 3) of frame b, in frame a."""
    return points_b @ a_from_b[:3, :3].T + a_from_b[:3, 3]


def turn(a_from_b: FloatArray, directions_b: FloatArray) -> FloatArray:
    """Directions (n, 3) of frame b, in frame a."""
    return directions_b @ a_from_b[:3, :3].T


def displacement(first: FloatArray, second: FloatArray, points: FloatArray) -> FloatArray:
    """How far (n,) the two motions set ``points`` apart."""
    return np.asarray(np.linalg.norm(apply(first, points) - apply(second, points), axis=1))


def small_moves(points: FloatArray) -> FloatArray:
    """(n, 3, 6): how ``points`` (n, 3) follow a small (6,) motion about the origin: rotation vector, translation."""
    moves = np.zeros((len(points), 3, 6))
    moves[:, 0, 1], moves[:, 0, 2], moves[:, 1, 0] = points[:, 2], -points[:, 1], -points[:, 2]
    moves[:, 1, 2], moves[:, 2, 0], moves[:, 2, 1] = points[:, 0], points[:, 1], -points[:, 0]
    moves[:, 0, 3] = moves[:, 1, 4] = moves[:, 2, 5] = 1.0
    return moves


def mean_square_move(points: FloatArray) -> FloatArray:
    """(6, 6): the mean square displacement of ``points`` under a small motion about the origin, a quadratic form."""
    moves = small_moves(points).reshape(-1, 6)
    return np.asarray(moves.T @ moves / len(points))
