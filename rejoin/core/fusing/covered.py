"""Scanned surface that the new surface covers though it neither touches nor faces another fragment: a hole's wall."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.fusing.ring import BoolArray, Marked
from rejoin.core.libraries.distances import closest_triangles
from rejoin.core.records import FloatArray, Mesh

TOUCHING, FACES = 0.5, 0.7
"""Surface touches another fragment up to this share of the strip's width, and faces it where it lies ahead (cosine)."""
DEEP = 0.3
"""What is covered lies deeper than a spacing, and than this share of the strip's width: three times the noise."""
COVERED, ACROSS = 3.0, 4.0
"""Surface covered that does neither is told from the square of so many spacings on, on all fragments together within so
many of each other."""


def covered(
    made: Mesh, near: list[Mesh], broken: list[BoolArray], marked: Marked, spacing_mm: float
) -> FloatArray | None:
    """The middle (3,) of the largest place where scanned surface was covered that neither touches nor faces another.

    None where it is small. Walls of chips are covered on purpose, and so is fracture: a pit in it, or a crumb lost
    inside, shows nowhere.
    """
    first, spots, sizes = 0, [np.zeros((0, 3))], [np.zeros(0)]
    for part, face, side in zip(near, broken, marked.sides, strict=True):
        walls = marked.walls[first : first + len(part.vertices)]
        first += len(part.vertices)
        loose = np.flatnonzero(side.removed & ~walls & (side.distance_mm > TOUCHING * side.strip_mm))
        points = part.vertices[loose]
        corners = made.vertices[made.triangles[closest_triangles(points, made)]]
        below = np.linalg.norm(points - closest_on_triangles(points, corners)[0], axis=1)
        deep = loose[below > max(spacing_mm, DEEP * side.strip_mm)]
        others = [other.vertices for other in near if other is not part]
        if not len(deep) or not others:
            continue
        deep = deep[~_inside(part, face, side.removed)[deep]]
        length, at = cKDTree(np.concatenate(others)).query(part.vertices[deep])
        ahead = np.concatenate(others)[at] - part.vertices[deep]
        aside = deep[np.einsum("ij,ij->i", ahead, meshes.vertex_normals(part)[deep]) < FACES * length]
        spots.append(part.vertices[aside])
        sizes.append(meshes.vertex_areas(part)[aside])
    points, areas = np.concatenate(spots), np.concatenate(sizes)
    pairs = cKDTree(points).query_pairs(ACROSS * spacing_mm, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), (len(points),) * 2)
    place = connected_components(links, directed=False)[1]
    area = np.bincount(place, areas, 1)
    if area.max() <= (COVERED * spacing_mm) ** 2:
        return None
    mine = place == area.argmax()
    return np.asarray(np.average(points[mine], axis=0, weights=areas[mine]))


def _inside(part: Mesh, broken: BoolArray, removed: BoolArray) -> BoolArray:
    """Fracture, and what lies within it on all sides (closed scan holes, patches not told from it)."""
    other = np.flatnonzero(~broken)
    graph = meshes.adjacency(part)[other][:, other]
    number, place = connected_components(graph, directed=False)
    open_ones = np.bincount(place, ~removed[other], number) > 0
    result = broken.copy()
    result[other[~open_ones[place]]] = True
    return result
