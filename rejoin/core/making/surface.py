"""A closed mesh on which regions grow, and what a region of it is: a plane, a round face, or a patch."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core.meshes import edges, triangle_crosses
from rejoin.core.records import FloatArray, Mesh

Index = npt.NDArray[np.int64]
ROUNDING = 2e-6
"""Unevenness, as a share of the size, that single precision in a file explains."""
CREASE = float(np.cos(np.radians(30.0)))


class Surface:
    """A closed mesh with what growing a region needs; made once for a mesh."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        self.size_mm = float(np.linalg.norm(high - low))
        crosses = triangle_crosses(mesh)
        length = np.linalg.norm(crosses, axis=1)
        self.areas = 0.5 * length
        self.raw = crosses / np.where(length > 0, length, 1.0)[:, None]

    @cached_property
    def heights(self) -> FloatArray:
        """The least height (m,) of each triangle."""
        corners = self.mesh.vertices[self.mesh.triangles]
        longest = np.sqrt(np.max([np.square(corners[:, k] - corners[:, k - 1]).sum(axis=1) for k in range(3)], axis=0))
        return np.asarray(2.0 * self.areas / np.where(longest > 0, longest, 1.0))

    @cached_property
    def sliver_mm(self) -> float:
        """Triangles lower than this may count as slivers."""
        return 0.1 * float(np.sqrt(np.median(self.areas)))

    @cached_property
    def neighbours(self) -> Index:
        """The triangle (m, 3) across each edge."""
        directed = edges(self.mesh).astype(np.int64)
        count = len(self.mesh.vertices)
        forward = directed[:, 0] * count + directed[:, 1]
        backward = directed[:, 1] * count + directed[:, 0]
        order = np.argsort(forward, kind="stable")
        at = np.minimum(np.searchsorted(forward[order], backward), len(order) - 1)
        return np.asarray(order[at] // 3).reshape(-1, 3)

    @cached_property
    def normals(self) -> FloatArray:
        """Unit normals (m, 3), evened out over neighbours on the same side of every crease."""
        normals = self.raw
        for _ in range(4):
            around = normals[self.neighbours]
            alike = np.einsum("ijk,ik->ij", around, normals) > CREASE
            weight = alike * self.areas[self.neighbours]
            total = self.areas[:, None] * normals + np.einsum("ij,ijk->ik", weight, around)
            length = np.linalg.norm(total, axis=1, keepdims=True)
            normals = total / np.where(length > 0, length, 1.0)
        return normals

    @cached_property
    def smooth_links(self) -> csr_matrix:
        """Which triangles meet without a crease."""
        m = len(self.neighbours)
        start = np.repeat(np.arange(m), 3)
        end = self.neighbours.ravel()
        alike = np.einsum("ij,ij->i", self.normals[start], self.normals[end]) > CREASE
        return csr_matrix((np.ones(int(alike.sum()), np.int8), (start[alike], end[alike])), (m, m))

    def connected(self, mask: npt.NDArray[np.bool_], seed: int) -> Index:
        """Triangles of the mask that hang together with the seed."""
        mask = mask.copy()
        mask[seed] = True
        chosen = np.flatnonzero(mask)
        place = np.full(len(mask), -1, np.int64)
        place[chosen] = np.arange(len(chosen))
        start, end = np.repeat(np.arange(len(chosen)), 3), place[self.neighbours[chosen].ravel()]
        inside = end >= 0
        links = csr_matrix((np.ones(int(inside.sum()), np.int8), (start[inside], end[inside])), (len(chosen),) * 2)
        _, label = connected_components(links, directed=False)
        return np.asarray(chosen[label == label[place[seed]]])


@dataclass(frozen=True, eq=False)
class Round:
    """A cylinder or cone: radius ``radius_mm + slope * t`` at ``point_mm + t * axis``; ``hollow`` if it is a bore."""

    point_mm: FloatArray
    axis: FloatArray
    radius_mm: float
    slope: float
    hollow: bool

    def split(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Place along the axis (k,), distance from it (k,), unit direction away from it (k, 3)."""
        q = points - self.point_mm
        t = q @ self.axis
        away = q - t[:, None] * self.axis
        r = np.linalg.norm(away, axis=1)
        return t, r, away / np.where(r > 0, r, 1.0)[:, None]

    def normals(self, points: FloatArray) -> FloatArray:
        """Outward normals (k, 3) of the surface."""
        out = self.split(points)[2] - self.slope * self.axis
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        return np.asarray(-out if self.hollow else out)

    def off(self, points: FloatArray) -> FloatArray:
        """Distances (k,) from the surface, along its normal."""
        t, r, _ = self.split(points)
        return np.asarray(np.abs(r - self.radius_mm - self.slope * t) / np.hypot(1.0, self.slope))


@dataclass(frozen=True, eq=False)
class Region:
    """A face of the whole: ``kind`` "plane", "round" or "free", its triangles, the unit normal at its vertices."""

    kind: str
    triangles: Index
    vertices: Index
    normals: FloatArray
    sigma_mm: float
    figure: Round | None
    area_mm2: float

    def normals_at(self, points: FloatArray) -> FloatArray:
        """Outward normals (k, 3) of the face's figure; of a free patch its mean one."""
        if self.figure is not None:
            return self.figure.normals(points)
        mean = self.normals.mean(axis=0)
        return np.tile(mean / max(float(np.linalg.norm(mean)), 1e-300), (len(points), 1))

    @property
    def hollow(self) -> bool:
        """Whether it is a bore."""
        return self.figure is not None and self.figure.hollow
