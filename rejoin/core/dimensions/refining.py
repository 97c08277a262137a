"""A mesh of large triangles, as drawn parts have, made fine enough that a region can grow on it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.meshes import edge_spacing, triangle_areas
from rejoin.core.records import Mesh

_Indices = npt.NDArray[np.int64]

ROUNDS = 12
COARSE = 20.0
"""A mesh whose usual edge is longer than this part of its size was drawn, not scanned."""

MOST = 150_000
"""About as many vertices are made at most."""


def refined(mesh: Mesh) -> Mesh:
    """The mesh with every edge that is much longer than the others halved, until none is; old vertices come first.

    Surface and closedness stay: an edge is halved in all its triangles. A scan, whose edges are alike, stays as it is.
    """
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    area = float(triangle_areas(mesh).sum())
    usual = edge_spacing(mesh)
    fine = 2.0 * usual if usual < size / COARSE else size / 80.0
    longest = max(fine, float(np.sqrt(2.0 * area / MOST)))
    for _ in range(ROUNDS):
        mesh, done = _halved(mesh, longest)
        if done:
            break
    return mesh


def _halved(mesh: Mesh, longest: float) -> tuple[Mesh, bool]:
    """One round: each triangle with one, two or three edges to halve becomes two, three or four."""
    t = mesh.triangles.astype(np.int64)
    ends = np.stack([t, np.roll(t, -1, axis=1)], axis=2)
    length = np.linalg.norm(mesh.vertices[ends[..., 0]] - mesh.vertices[ends[..., 1]], axis=2)
    split = length > longest
    if not split.any():
        return mesh, True
    low, high = ends.min(axis=2), ends.max(axis=2)
    keys = low * len(mesh.vertices) + high
    new, back = np.unique(keys[split], return_inverse=True)
    middle = np.full(keys.shape, -1, np.int64)
    middle[split] = len(mesh.vertices) + back.reshape(-1)
    a, b = new // len(mesh.vertices), new % len(mesh.vertices)
    points = np.vstack([mesh.vertices, 0.5 * (mesh.vertices[a] + mesh.vertices[b])])
    count = split.sum(axis=1)
    pieces: list[_Indices] = [t[count == 0]]
    for k in range(3):
        # turned so that the edge in question is the first
        order = [(k + n) % 3 for n in range(3)]
        corner, mid = t[:, order], middle[:, order]
        one = (count == 1) & split[:, k]
        pieces += _rows(corner[one], mid[one], ("0m2", "m12"))
        two = (count == 2) & ~split[:, (k + 2) % 3]
        pieces += _rows(corner[two], mid[two], ("0m2", "m1n", "mn2"))
    three = count == 3
    pieces += _rows(t[three], middle[three], ("0mp", "m1n", "pn2", "mnp"))
    return Mesh(points, np.vstack(pieces).astype(np.int32)), False


def _rows(corner: _Indices, mid: _Indices, patterns: tuple[str, ...]) -> list[_Indices]:
    """Triangles by pattern: 0 1 2 the corners, m n p the middles of the edges 01, 12, 20."""
    place = {"0": corner[:, 0], "1": corner[:, 1], "2": corner[:, 2], "m": mid[:, 0], "n": mid[:, 1], "p": mid[:, 2]}
    return [np.column_stack([place[letter] for letter in pattern]) for pattern in patterns]
