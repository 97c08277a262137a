"""How each vertex of a moved face moves: mitred where two faces meet, sliding along the walls beside them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.making.owning import Shift, owners
from rejoin.core.making.surface import CREASE, ROUNDING, Index, Surface
from rejoin.core.records import FloatArray

WALL = 0.5
"""A neighbour is a wall along which the edge of a face slides where it stands within 30 degrees of upright on it."""
SLIDE = 0.65
"""No edge slides sideways by more than this share of its move."""
RIM_ROUNDS = 40
"""Times that the bend at a scanned rim is averaged with its neighbours'."""


def moves_of(surface: Surface, shifts: Sequence[Shift]) -> tuple[FloatArray, FloatArray]:
    """How each vertex moves (n, 3), and where its convex neighbours' outside lies (n, 3), zero elsewhere."""
    count = len(surface.mesh.vertices)
    owner = owners(surface, shifts)
    rows = [(s.region.vertices, s.region.normals, s.amounts) for s in shifts]
    vectors = solved(rows, count)
    outward = np.zeros((count, 3))
    for number, shift in enumerate(shifts):
        rows += _wall_rows(surface, shift, owner, number, outward)
    sliding = solved(rows, count)
    # An uneven wall gives no good direction: there the face goes straight out.
    calm = np.linalg.norm(sliding - vectors, axis=1) <= SLIDE * np.linalg.norm(vectors, axis=1)
    return np.where(calm[:, None], sliding, vectors), outward


def solved(rows: list[tuple[Index, FloatArray, FloatArray]], count: int) -> FloatArray:
    """The least move (n, 3) of each vertex that meets all its conditions, each a (vertices, directions, amounts)."""
    at = np.concatenate([row[0] for row in rows])
    normal = np.concatenate([row[1] for row in rows])
    amount = np.concatenate([row[2] for row in rows])
    order = np.argsort(at, kind="stable")
    at, normal, amount = at[order], normal[order], amount[order]
    first = np.concatenate([[True], at[1:] != at[:-1]])
    group = np.cumsum(first) - 1
    number_in_group = np.arange(len(at)) - np.flatnonzero(first)[group]
    size = np.bincount(group)
    vectors = np.zeros((count, 3))
    alone = size[group] == 1
    vectors[at[alone]] = normal[alone] * amount[alone, None]
    many = np.flatnonzero(size > 1)
    if len(many):
        place = np.full(len(size), -1, np.int64)
        place[many] = np.arange(len(many))
        a, b = np.zeros((len(many), int(size.max()), 3)), np.zeros((len(many), int(size.max())))
        crowd = ~alone
        a[place[group[crowd]], number_in_group[crowd]] = normal[crowd]
        b[place[group[crowd]], number_in_group[crowd]] = amount[crowd]
        vectors[at[first][many]] = np.einsum("ijk,ik->ij", np.linalg.pinv(a, rcond=0.3), b)
    return vectors


def _wall_rows(
    surface: Surface, shift: Shift, owner: Index, number: int, outward: FloatArray
) -> list[tuple[Index, FloatArray, FloatArray]]:
    """Conditions that let the edge of a region slide along the walls beside it, which do not move."""
    region, mesh = shift.region, surface.mesh
    across = surface.neighbours[region.triangles]
    border = owner[across] < 0
    inside, side = np.nonzero(border)
    if len(inside) == 0:
        return []
    outside = across[inside, side]
    corners = mesh.triangles[region.triangles[inside]].astype(np.int64)
    u, w = corners[np.arange(len(side)), side], corners[np.arange(len(side)), (side + 1) % 3]
    normal_at = np.zeros((len(mesh.vertices), 3))
    normal_at[region.vertices] = region.normals
    wall = surface.normals[outside]
    own = 0.5 * (normal_at[u] + normal_at[w])
    lean = np.einsum("ij,ij->i", own, wall)
    away = np.cross(mesh.vertices[w] - mesh.vertices[u], own)
    bend = np.einsum("ij,ij->i", away, wall - lean[:, None] * own)
    convex = (_along_rim(u, w, bend, len(mesh.vertices)) if region.sigma_mm > ROUNDING * surface.size_mm else bend) > 0
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-300)
    for end in (u, w):
        np.add.at(outward, end[convex], away[convex])
    for end in (u, w):
        outward[end[~convex]] = 0.0
    if region.sigma_mm > ROUNDING * surface.size_mm:
        wall = _even_walls(u, w, wall, len(mesh.vertices))
        lean = np.einsum("ij,ij->i", own, wall)
    slide = np.abs(lean) < WALL
    walls, ends = wall[slide], (u[slide], w[slide])
    return [(end.astype(np.int64), walls, np.zeros(len(end))) for end in ends]


def _along_rim(u: Index, w: Index, values: FloatArray, count: int) -> FloatArray:
    """Values of rim edges (u, w) averaged along the rim: noise turns single triangles beside it the other way."""
    degree = np.maximum(np.bincount(u, minlength=count) + np.bincount(w, minlength=count), 1)
    for _ in range(RIM_ROUNDS):
        at = (np.bincount(u, values, count) + np.bincount(w, values, count)) / degree
        values = 0.5 * (at[u] + at[w])
    return np.asarray(values)


def _even_walls(u: Index, w: Index, walls: FloatArray, count: int) -> FloatArray:
    """Normals (k, 3) beside rim edges averaged along the rim, but not round its corners."""
    for _ in range(RIM_ROUNDS):
        at = np.column_stack([np.bincount(u, one, count) + np.bincount(w, one, count) for one in walls.T])
        at /= np.maximum(np.linalg.norm(at, axis=1, keepdims=True), 1e-300)
        total = walls.copy()
        for end in (u, w):
            total += at[end] * (np.einsum("ij,ij->i", at[end], walls) > CREASE)[:, None]
        walls = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    return np.asarray(walls)
