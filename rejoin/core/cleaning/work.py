"""The surface under repair, and what was measured of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csr_matrix

from rejoin.core.cleaning.halfedges import Bools, EdgeUse, edge_use
from rejoin.core.cleaning.shells import graph_of, shell_of_triangles
from rejoin.core.records import FloatArray, IntArray, Repair


@dataclass(frozen=True)
class Sizes:
    """Squared lengths (m, 3) of the half-edges and edge cross products (m, 3) of the triangles."""

    squares: FloatArray
    crosses: FloatArray

    @property
    def areas(self) -> FloatArray:
        return np.asarray(0.5 * np.sqrt(np.einsum("ij,ij->i", self.crosses, self.crosses)))


def measured(vertices: FloatArray, triangles: IntArray) -> Sizes:
    """Lengths and cross products of all triangles, axis by axis (much quicker than by point)."""
    one, two, squares = [], [], np.zeros((len(triangles), 3))
    for axis in range(3):
        corner = np.ascontiguousarray(vertices[:, axis])[triangles]
        first, second, third = corner.T
        sides = (second - first, third - second, first - third)
        for column, side in enumerate(sides):
            squares[:, column] += side * side
        one.append(sides[0])
        two.append(-sides[2])
    crosses = np.empty((len(triangles), 3))
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        crosses[:, axis] = one[u] * two[v] - one[v] * two[u]
    return Sizes(squares, crosses)


@dataclass
class Work:
    """The surface under repair; ``partner`` is set once every edge is sound."""

    vertices: FloatArray
    triangles: IntArray
    tolerance: float
    partner: IntArray = field(default_factory=lambda: np.empty(0, np.int32))
    repairs: list[Repair] = field(default_factory=list)
    _measured: tuple[IntArray, Sizes] | None = None
    _graph: tuple[IntArray, csr_matrix] | None = None
    _shells: tuple[IntArray, tuple[int, IntArray]] | None = None

    def note(self, kind: str, count: int, one: str, many: str) -> None:
        """Remember a repair; ``many`` has a place for the number."""
        if count:
            self.repairs.append(Repair(kind, int(count), one if count == 1 else many.format(f"{count:,}")))

    def edges(self) -> EdgeUse:
        return edge_use(self.triangles, len(self.vertices))

    def sizes(self) -> Sizes:
        """Measured once for each state of the triangles."""
        if self._measured is None or self._measured[0] is not self.triangles:
            self._measured = self.triangles, measured(self.vertices, self.triangles)
        return self._measured[1]

    def graph(self) -> csr_matrix:
        """Vertex graph, likewise."""
        if self._graph is None or self._graph[0] is not self.triangles:
            self._graph = self.triangles, graph_of(self.triangles, len(self.vertices))
        return self._graph[1]

    def shells(self) -> tuple[int, IntArray]:
        """Number of shells and each triangle's, likewise."""
        if self._shells is None or self._shells[0] is not self.triangles:
            self._shells = self.triangles, shell_of_triangles(self.graph(), self.triangles)
        return self._shells[1]

    def move(self, points: IntArray, places: FloatArray) -> None:
        """Put some points at other places."""
        self.vertices = self.vertices.copy()
        self.vertices[points] = places
        self._measured = None

    def turn(self, chosen: Bools) -> None:
        """Reverse some triangles; what was measured of them stays known."""
        sizes, graph = self._measured, self._graph
        before, self.triangles = self.triangles, np.where(chosen[:, None], self.triangles[:, ::-1], self.triangles)
        if graph is not None and graph[0] is before:
            self._graph = self.triangles, graph[1]
        if sizes is not None and sizes[0] is before:
            # Reversed, corners 0 1 2 become 2 1 0, so half-edges 0 1 2 become 1 0 2.
            squares = np.where(chosen[:, None], sizes[1].squares[:, [1, 0, 2]], sizes[1].squares)
            self._measured = self.triangles, Sizes(squares, np.where(chosen[:, None], -1.0, 1.0) * sizes[1].crosses)
