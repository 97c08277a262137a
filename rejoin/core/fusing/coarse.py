"""Coarse copies of scans finer than their noise allows, in which chips can be told; what is fused stays as it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.coarsening import coarsened
from rejoin.core.fusing.ring import BoolArray, widened
from rejoin.core.fusing.soundness import any_corner, every_corner
from rejoin.core.fusing.surroundings import near_places
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.robust import sigma_of

Indices = npt.NDArray[np.int64]

QUIET = 7.0
"""Surfaces are told at so many times the noise or more apart: neighbouring normals turn little then."""
FINER = 0.75
"""Scans are looked at as they are down to this share of that spacing."""
ROUGH, ASKED = 0.35, 20_000
"""Of the noise at least such a share is between neighbours (a half where it is a scanner's); vertices asked for it."""
SHORTEST = 0.65
"""Edges shorter than this share of the spacing are collapsed; they are about as long as it then."""


def told_mm(parts: list[Mesh], spacing_mm: float, noise_mm: float) -> float:
    """The spacing at which surfaces and their edges can be told: the scans' own, or what their noise allows.

    Only noise that differs from one vertex to the next counts: a rough casting strays as much, but in forms that hang
    together over several, and no copy is less rough.
    """
    needed = QUIET * noise_mm
    if spacing_mm >= FINER * needed or min(_strays_mm(part) for part in parts) < ROUGH * noise_mm:
        return spacing_mm
    return needed


def _strays_mm(part: Mesh) -> float:
    """How far vertices stand off the mean of their neighbours along the normal, one sigma of some of them."""
    some = np.zeros(len(part.vertices), bool)
    some[:: max(1, len(some) // ASKED)] = True
    near = np.flatnonzero(any_corner(some, part.triangles)).astype(np.int32)
    local, used = meshes.compacted(part, near)
    graph, asked = meshes.adjacency(local).astype(np.float64), some[used]
    mean = (graph @ local.vertices)[asked] / np.diff(graph.indptr)[asked, None]
    return sigma_of(np.einsum("ij,ij->i", local.vertices[asked] - mean, meshes.vertex_normals(local)[asked]))


@dataclass(frozen=True, eq=False)
class Coarse:
    """A coarse copy of a mesh: ``nearest`` (n,) is the copy's vertex nearest to each of the mesh's.

    ``first`` (k,) is the mesh's vertex nearest to each of the copy's.
    """

    mesh: Mesh
    nearest: Indices
    first: Indices

    @staticmethod
    def of(mesh: Mesh, spacing_mm: float) -> Coarse:
        """A copy of about some spacing (mm); borders and handles stay."""
        copy = coarsened(_evened(mesh), SHORTEST * spacing_mm)
        nearest = cKDTree(copy.vertices).query(mesh.vertices, workers=-1)[1]
        return Coarse(copy, nearest, cKDTree(mesh.vertices).query(copy.vertices, workers=-1)[1])

    def back(self, flags: BoolArray, mesh: Mesh, rings: int = 0) -> BoolArray:
        """The mesh's vertices (n,) nearest to flagged ones of the copy, and so many rings around them."""
        result: BoolArray = flags[self.nearest]
        for _ in range(rings if flags.any() else 0):
            result = widened(mesh, result)
        return result


def _evened(mesh: Mesh) -> Mesh:
    """Each vertex at the mean of itself and its neighbours, borders as they are: collapsing alone keeps the noise."""
    graph = meshes.adjacency(mesh).astype(np.float64)
    mean = (mesh.vertices + graph @ mesh.vertices) / (1.0 + np.diff(graph.indptr)[:, None])
    return Mesh(np.where(meshes.open_vertices(mesh)[:, None], mesh.vertices, mean), mesh.triangles)


def of_joined(copies: list[Coarse], some: IntArray | Indices) -> Indices:
    """The joined meshes' vertices nearest to some of the joined copies'."""
    flags = np.zeros(sum(len(copy.first) for copy in copies), bool)
    flags[some] = True
    own = np.split(flags, np.cumsum([len(copy.first) for copy in copies])[:-1])
    return np.flatnonzero(np.concatenate([flag[copy.nearest] for flag, copy in zip(own, copies, strict=True)]))


@dataclass(frozen=True, eq=False)
class Seen:
    """What the scans brought near some places, as it is looked at: ``mesh``, of which ``scanned`` (k,) is scans.

    ``_copy`` and ``_used`` tell where its vertices are among the ``_count`` of the whole; None where they are these.
    """

    mesh: Mesh
    scanned: BoolArray
    _count: int
    _copy: Coarse | None = None
    _used: IntArray | None = None

    @staticmethod
    def of(mesh: Mesh, scanned: BoolArray, groups: list[FloatArray], spacing_mm: float, coarse: bool) -> Seen:
        """The mesh itself, or a coarse copy of what is scanned of it around places (k, 3)."""
        if not coarse:
            return Seen(mesh, scanned, len(mesh.vertices))
        near = near_places(mesh, groups, spacing_mm) & scanned
        local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(near, mesh.triangles)).astype(np.int32))
        copy = Coarse.of(local, spacing_mm)
        return Seen(copy.mesh, np.ones(len(copy.mesh.vertices), bool), len(mesh.vertices), copy, used)

    def back(self, flags: BoolArray) -> BoolArray:
        """The whole's vertices that flagged ones (k,) stand for."""
        if self._copy is None or self._used is None:
            return flags
        result = np.zeros(self._count, bool)
        result[self._used[flags[self._copy.nearest]]] = True
        return result
