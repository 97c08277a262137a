"""Move new vertices to where the surface is smoothest and still runs through what was measured beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix, diags, identity
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]

ALIKE = 0.85
"""Cosine between the normals of a new place and of a measured vertex that shows the same surface."""
PULL = 0.3
"""Weight of a measured vertex beside the umbrella vector, per mm of either: it acts over about two spacings."""

STAYS = 1e-9


@dataclass(frozen=True, eq=False)
class Measured:
    """Vertices (n, 3) that were given up but show where the original surface runs, with normals (n, 3)."""

    points: FloatArray
    normals: FloatArray


def faired(mesh: Mesh, free: Indices, measured: Measured | None = None, spacing_mm: float = 1.0) -> Mesh:
    """Move the vertices ``free`` to where the umbrella vectors, theirs and their neighbours', are least.

    The umbrella operator is taken twice (Kobbelt and others 1998), so the
    surface goes on around its border in place and direction; a second pass
    weighs neighbours by cotangents (Pinkall and Polthier 1993), so that
    uneven triangles do not bend it. Where ``measured`` vertices face the same
    way close by, the second pass holds the surface to their tangent planes.
    """
    if len(free) == 0:
        return mesh
    inner = np.zeros(len(mesh.vertices), bool)
    inner[free] = True
    for _ in range(2):
        inner[mesh.triangles[any_corner(inner, mesh.triangles)].ravel()] = True
    local, kept = meshes.compacted(mesh, np.flatnonzero(any_corner(inner, mesh.triangles)).astype(np.int32))
    number = np.full(len(mesh.vertices), -1, np.int64)
    number[kept] = np.arange(len(kept))
    own = number[free]
    local = Mesh(_solved(local, own, _even(local)), local.triangles)
    if measured is None:
        local = Mesh(_solved(local, own, _cotangents(local)), local.triangles)
    else:
        for _ in range(2):
            held, targets = _targets(local, own, measured, spacing_mm)
            local = Mesh(_solved(local, own, _cotangents(local), held, targets), local.triangles)
    vertices = np.array(mesh.vertices)
    vertices[free] = local.vertices[own]
    return Mesh(vertices, mesh.triangles)


def _even(mesh: Mesh) -> csr_matrix:
    graph: csr_matrix = meshes.adjacency(mesh).astype(np.float64)
    return graph


def _cotangents(mesh: Mesh) -> csr_matrix:
    """Cotangent weights, kept positive and bounded so that needles do not rule."""
    count, rows, columns, values = len(mesh.vertices), [], [], []
    corners = mesh.vertices[mesh.triangles]
    for k in range(3):
        u, v = corners[:, (k + 1) % 3] - corners[:, k], corners[:, (k + 2) % 3] - corners[:, k]
        along = np.einsum("ij,ij->i", u, v)
        square = np.einsum("ij,ij->i", u, u) * np.einsum("ij,ij->i", v, v) - along**2
        weight = 0.5 * along / np.sqrt(np.maximum(square, 1e-12 * np.maximum(along**2, 1e-30)))
        a, b = mesh.triangles[:, (k + 1) % 3], mesh.triangles[:, (k + 2) % 3]
        rows += [a, b]
        columns += [b, a]
        values += [weight, weight]
    graph = coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (count,) * 2).tocsr()
    graph.data = np.clip(graph.data, 0.05, 5.0)
    return graph


def _solved(
    mesh: Mesh, free: Indices, weights: csr_matrix, held: FloatArray | None = None, targets: FloatArray | None = None
) -> FloatArray:
    near = np.zeros(len(mesh.vertices), bool)
    near[free] = True
    near[mesh.triangles[any_corner(near, mesh.triangles)].ravel()] = True
    rows = np.flatnonzero(near)
    part = weights[rows]
    own = coo_matrix((np.ones(len(rows)), (np.arange(len(rows)), rows)), part.shape).tocsr()
    umbrella = (diags(1.0 / np.asarray(part.sum(axis=1)).ravel()) @ part - own).tocsr()
    unknown = umbrella[:, free]
    fixed = np.array(mesh.vertices)
    fixed[free] = 0.0
    # a body of new vertices alone has nothing to hold it but where it is
    matrix = unknown.T @ unknown + STAYS * identity(len(free))
    right = STAYS * mesh.vertices[free] - unknown.T @ (umbrella @ fixed)
    if held is not None and targets is not None:
        matrix, right = matrix + diags(held), right + held[:, None] * targets
    vertices = np.array(mesh.vertices)
    vertices[free] = splu(matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(
        np.ascontiguousarray(right)
    )
    return vertices


def _targets(mesh: Mesh, free: Indices, measured: Measured, spacing_mm: float) -> tuple[FloatArray, FloatArray]:
    """Weight (k,) and place (k, 3) on the tangent planes of like-facing measured vertices around each free vertex."""
    normals, spots = meshes.vertex_normals(mesh)[free], mesh.vertices[free]
    count = min(6, len(measured.points))
    if count == 0:
        return np.zeros(len(free)), spots
    length, near = cKDTree(measured.points).query(spots, k=count, distance_upper_bound=1.5 * spacing_mm, workers=-1)
    length, near = np.reshape(length, (len(free), count)), np.reshape(near, (len(free), count))
    hit = np.isfinite(length)
    near = np.where(hit, near, 0)
    theirs = measured.normals[near]
    hit &= np.einsum("ijk,ik->ij", theirs, normals) > ALIKE
    height = np.einsum("ijk,ijk->ij", measured.points[near] - spots[:, None], theirs)
    weight = np.where(hit, 1.0 - np.where(hit, length, 0.0) / (1.5 * spacing_mm), 0.0)
    total = weight.sum(axis=1)
    height = (weight * height).sum(axis=1) / np.maximum(total, 1e-12)
    return PULL**2 * np.minimum(total, 1.0), spots + height[:, None] * normals
