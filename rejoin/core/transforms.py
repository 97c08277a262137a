"""Rigid motions as (4, 4) matrices named for where they go: ``a_from_b``."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

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


def apply(a_from_b: FloatArray, points_b: FloatArray) -> FloatArray:
    """Points (n, 3) of frame b, in frame a."""
    return points_b @ a_from_b[:3, :3].T + a_from_b[:3, 3]


def turn(a_from_b: FloatArray, directions_b: FloatArray) -> FloatArray:
    """Directions (n, 3) of frame b, in frame a."""
    return directions_b @ a_from_b[:3, :3].T


def displacement(first: FloatArray, second: FloatArray, points: FloatArray) -> FloatArray:
    """How far (n,) the two motions set ``points`` apart."""
    return np.asarray(np.linalg.norm(apply(first, points) - apply(second, points), axis=1))
