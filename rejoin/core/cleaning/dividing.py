"""Long triangles of a drawn solid or a hard reduced scan divided, so that points stand all over the surface."""

from __future__ import annotations

import numpy as np

from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FloatArray, IntArray, Mesh

BARE_SPACINGS = 10.0
"""A triangle with a longer edge leaves part of the surface without points."""

BARE_SHARE = 0.1
"""Share of the area in such triangles from which they are divided: fewer may be holes that the scanner closed."""

LONGEST_SPACINGS = 3.0
"""Longest edge after dividing."""

MOST_POINTS = 500_000
"""Points wanted at most: on a surface that would need more, the longest edge is longer."""


def bare_share(squares: FloatArray, areas: FloatArray, spacing_mm: float) -> float:
    """Share of the area that lies in triangles with an edge longer than `BARE_SPACINGS`.

    Parameters
    ----------
    squares : (m, 3)
        Squared lengths of the triangles' edges, mm².
    areas : (m,)
        mm².
    spacing_mm : float
    """
    bare = (squares > (BARE_SPACINGS * spacing_mm) ** 2).any(axis=1)
    return float(areas[bare].sum() / areas.sum()) if bare.any() else 0.0


def divided(mesh: Mesh, spacing_mm: float) -> Mesh:
    """The same surface with every edge short.

    Edges that are too long are halved, in both their triangles, until none is left.

    Parameters
    ----------
    mesh : Mesh
        A manifold, with or without a border. Its vertices come first in the result, as they are.
    spacing_mm : float

    Returns
    -------
    Mesh
    """
    wanted = max(LONGEST_SPACINGS * spacing_mm, float(np.sqrt(2.0 * triangle_areas(mesh).sum() / MOST_POINTS)))
    vertices, triangles = mesh.vertices, mesh.triangles
    while (long := _squares(vertices, triangles) > wanted**2).any():
        vertices, triangles = _halved(vertices, triangles, long)
    return Mesh(vertices, triangles)


def _squares(vertices: FloatArray, triangles: IntArray) -> FloatArray:
    """Squared lengths (m, 3) of the edges that start at each corner."""
    corners = vertices[triangles]
    return np.asarray(((np.roll(corners, -1, axis=1) - corners) ** 2).sum(axis=2))


def _halved(vertices: FloatArray, triangles: IntArray, long: np.ndarray) -> tuple[FloatArray, IntArray]:
    """Every long edge halved; a triangle becomes two, three or four."""
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2)[long], axis=1)
    edges, which = np.unique(ends, axis=0, return_inverse=True)
    middle = np.full(triangles.shape, -1, np.int64)
    middle[long] = len(vertices) + which.ravel()
    number = long.sum(axis=1)
    # Turned so that the one long edge comes first, or of two the short one last.
    turn = np.where(number == 1, long.argmax(axis=1), np.where(number == 2, (~long).argmax(axis=1) + 1, 0)) % 3
    order = (np.arange(3) + turn[:, None]) % 3
    corner, middle = np.take_along_axis(triangles, order, axis=1), np.take_along_axis(middle, order, axis=1)
    (a, b, c), (ab, bc, ca) = corner.T, middle.T
    one, two, three = number == 1, number == 2, number == 3
    made = [
        triangles[number == 0],
        *_rows(one, (a, ab, c), (ab, b, c)),
        *_rows(two, (ab, b, bc), (a, ab, bc), (a, bc, c)),
        *_rows(three, (a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)),
    ]
    return np.vstack([vertices, vertices[edges].mean(axis=1)]), np.vstack(made).astype(np.int32)


def _rows(chosen: np.ndarray, *corners: tuple[np.ndarray, np.ndarray, np.ndarray]) -> list[np.ndarray]:
    return [np.column_stack([column[chosen] for column in three]) for three in corners]
