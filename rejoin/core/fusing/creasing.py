"""Vertices beside an edge between two continued surfaces are set on it, so that no triangle cuts across."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rejoin.core.fusing.bounding import Tree, bounded
from rejoin.core.fusing.quadrics import Piece
from rejoin.core.fusing.soundness import any_corner, every_corner
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]

FARTHEST = 3.0
"""A vertex moves onto an edge by so many spacings at most."""
ON = 0.1
"""So near to the surface, in spacings, a place on the edge of two surfaces is on that of the part."""
ROUNDS = 4
TURNED = 0.2
"""Triangles may turn while their corners move, but not over (cosine)."""


def creased(
    mesh: Mesh, own: Indices, which: Indices, pieces: Sequence[Piece], tree: Tree, spacing_mm: float
) -> FloatArray:
    """Vertices (n, 3) of the mesh with some of its own ones moved onto the edges between the pieces.

    Of two neighbours on different pieces the one nearer to their edge moves,
    as vertices do that are put on features (Kobbelt and others 2001).

    Parameters
    ----------
    mesh : Mesh
    own : (k,) int
        Vertices that may move; each lies on the piece ``which`` (k,).
    pieces, tree
        The surfaces, and how they bound the part.
    spacing_mm : float
    """
    piece = np.full(len(mesh.vertices), -1)
    piece[own] = which
    inner = mesh.triangles[every_corner(piece >= 0, mesh.triangles)]
    ends = np.concatenate([inner[:, [0, 1]], inner[:, [1, 2]], inner[:, [2, 0]]]).astype(np.int64)
    ends = ends[piece[ends[:, 0]] != piece[ends[:, 1]]]
    if not len(ends):
        return mesh.vertices
    both = np.concatenate([ends, ends[:, ::-1]])
    targets = _on_both(mesh.vertices[both[:, 0]], piece[both], pieces)
    height = bounded(tree, np.stack([one.height(targets)[0] for one in pieces]))[0]
    length = np.linalg.norm(targets - mesh.vertices[both[:, 0]], axis=1)
    length[(np.abs(height) > ON * spacing_mm) | (length > FARTHEST * spacing_mm)] = np.inf
    first, second = np.split(length, 2)
    nearer = np.concatenate([first <= second, second < first]) & np.isfinite(length)
    order = np.flatnonzero(nearer)[np.argsort(-length[nearer])]  # where several edges want a vertex, the nearest has it
    vertices = mesh.vertices.copy()
    vertices[both[order, 0]] = targets[order]
    return _unturned(mesh, vertices)


def _on_both(points: FloatArray, numbers: Indices, pieces: Sequence[Piece]) -> FloatArray:
    """The points (k, 3) brought onto two pieces each (numbers (k, 2)), by the least motion (Gauss-Newton)."""
    result = points.copy()
    for pair in np.unique(numbers, axis=0):
        chosen = (numbers == pair).all(axis=1)
        moved = result[chosen]
        for _ in range(ROUNDS):
            seen = zip(*(pieces[n].height(moved) for n in pair), strict=True)
            heights, ways = (np.stack(some, axis=1) for some in seen)
            moved = moved - np.einsum("kij,kj->ki", np.linalg.pinv(ways, rcond=0.1), heights)
        result[chosen] = moved
    return result


def _unturned(mesh: Mesh, vertices: FloatArray) -> FloatArray:
    """The moved vertices, those of triangles that turned over back where they were."""
    result, before = vertices.copy(), triangle_crosses(mesh)
    for _ in range(ROUNDS):
        after = triangle_crosses(Mesh(result, mesh.triangles))
        size = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
        bad = np.einsum("ij,ij->i", before, after) < TURNED * size
        moved = (result != mesh.vertices).any(axis=1)
        bad &= any_corner(moved, mesh.triangles)
        if not bad.any():
            return result
        back = np.unique(mesh.triangles[bad])
        result[back] = mesh.vertices[back]
    return np.asarray(mesh.vertices)
