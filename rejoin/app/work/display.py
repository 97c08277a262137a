"""What is drawn of a large scan: a coarser copy that still knows the full one. No Qt: the worker makes the copies.

Drawing and pointing must stay quick where a scan has a million points;
whatever is worked out uses the full scan. A copy takes some of the scan's own
vertices and triangles, so each drawn thing stands for one of the scan.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from threading import Lock
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from rejoin.core.meshes import gathered, triangle_areas, vertex_normals
from rejoin.core.records import FloatArray, IntArray, Mesh

DRAWN_AS_IT_IS = 260_000
"""Triangles up to which a mesh is drawn itself."""

NODES = 60_000.0
"""About how many vertices a copy has."""


@dataclass(frozen=True, eq=False)
class Display:
    """A mesh as it is drawn.

    Attributes
    ----------
    mesh : Mesh
        What is drawn; its vertices (n, 3) are some of the scan's.
    normals : (n, 3) float32
    vertex_of, triangle_of : (n,), (m,)
        The scan's vertex and triangle behind each drawn one.
    node_of : (N,)
        The drawn vertex that stands for each vertex of the scan.
    order, starts : (M,), (n + 1,)
        The scan's triangles sorted by the node of their first corner, and where each node's begin.
    box : (2, 3)
        Lowest and highest corner of the scan.
    reach_mm : float
        No triangle of a node lies further from it.
    """

    mesh: Mesh
    normals: npt.NDArray[np.float32]
    vertex_of: IntArray
    triangle_of: IntArray
    node_of: IntArray
    order: IntArray
    starts: npt.NDArray[np.int64]
    box: FloatArray
    reach_mm: float

    @property
    def is_copy(self) -> bool:
        return len(self.order) != len(self.triangle_of)

    def drawn_vertices(self, chosen: IntArray) -> IntArray:
        """Which drawn vertices stand for ``chosen`` (k,) of the scan's."""
        inside = np.zeros(len(self.node_of), bool)
        inside[chosen] = True
        return np.flatnonzero(inside[self.vertex_of]).astype(np.int32)

    def drawn_triangles(self, chosen: IntArray) -> IntArray:
        """Which drawn triangles stand for ``chosen`` (k,) of the scan's."""
        if not self.is_copy:
            return chosen
        drawn = self._drawn_of[chosen]
        return drawn[drawn >= 0]

    def prepare(self) -> None:
        """Work out now what `drawn_triangles` will need."""
        if self.is_copy:
            self._drawn_of  # noqa: B018

    @cached_property
    def _drawn_of(self) -> IntArray:
        """The drawn triangle of each of the scan's (M,), or -1."""
        drawn_of = np.full(len(self.order), -1, np.int32)
        drawn_of[self.triangle_of] = np.arange(len(self.triangle_of), dtype=np.int32)
        return drawn_of

    def scan_triangles(self, nodes: IntArray) -> IntArray:
        """The scan's triangles that begin at ``nodes`` (k,)."""
        counts = self.starts[nodes + 1] - self.starts[nodes]
        first = np.repeat(self.starts[nodes] - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
        return np.asarray(self.order[first + np.arange(len(first))])


def made(mesh: Mesh) -> Display:
    """The drawn form of a mesh: itself, or where it is large a coarser copy."""
    count = len(mesh.triangles)
    if count <= DRAWN_AS_IT_IS:
        node_of = np.arange(len(mesh.vertices), dtype=np.int32)
        return _display(mesh, mesh, node_of, node_of, np.arange(count, dtype=np.int32))
    area = float(triangle_areas(mesh).sum())
    drawn, node_of, vertex_of, triangle_of = gathered(mesh, float(np.sqrt(area / NODES)))
    return _display(mesh, drawn, node_of, vertex_of, triangle_of)


def _display(mesh: Mesh, drawn: Mesh, node_of: IntArray, vertex_of: IntArray, triangle_of: IntArray) -> Display:
    owner = node_of[mesh.triangles[:, 0]]
    order = np.argsort(owner, kind="stable").astype(np.int32)
    starts = np.concatenate([[0], np.cumsum(np.bincount(owner, minlength=len(vertex_of)))])
    reach = 0.0
    for corner in range(3):
        points = mesh.vertices[mesh.triangles[:, corner]]
        far = np.square(points - drawn.vertices[owner]).sum(axis=1)
        reach = max(reach, float(np.sqrt(far.max(initial=0.0))))
    normals = vertex_normals(drawn).astype(np.float32)
    box = np.stack([mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)])
    return Display(drawn, normals, vertex_of, triangle_of, node_of, order, starts, box, reach)


_known: WeakKeyDictionary[Mesh, Display] = WeakKeyDictionary()
_lock = Lock()


def display_of(mesh: Mesh) -> Display:
    """The drawn form of a mesh; made here and now only where the worker did not send it along."""
    with _lock:
        known = _known.get(mesh)
    if known is None:
        known = remember(mesh, made(mesh))
    return known


def remember(mesh: Mesh, display: Display) -> Display:
    """Keep the drawn form for as long as the mesh lives; the form that is kept."""
    if display.mesh is mesh:  # it must not keep its own key alive
        display = Display(Mesh(mesh.vertices, mesh.triangles), *_parts(display)[1:])
    with _lock:
        _known[mesh] = display
    return display


def extent_mm(mesh: Mesh) -> FloatArray:
    """How long (3,) a mesh is along each axis; column by column, which is ten times as quick as all at once."""
    return np.array([np.ptp(np.ascontiguousarray(mesh.vertices[:, axis])) for axis in range(3)])


def _parts(display: Display) -> tuple:  # type: ignore[type-arg]
    return tuple(getattr(display, name) for name in display.__dataclass_fields__)


def to_arrays(display: Display) -> tuple[float, dict[str, npt.NDArray[Any]]]:
    """A copy as plain arrays, for the wire."""
    arrays: dict[str, npt.NDArray[Any]] = {"vertices": display.mesh.vertices, "triangles": display.mesh.triangles}
    for name in ("normals", "vertex_of", "triangle_of", "node_of", "order", "starts", "box"):
        arrays[name] = getattr(display, name)
    return display.reach_mm, arrays


def from_arrays(reach_mm: float, arrays: dict[str, npt.NDArray[Any]]) -> Display:
    names = ("normals", "vertex_of", "triangle_of", "node_of", "order", "starts", "box")
    return Display(Mesh(arrays["vertices"], arrays["triangles"]), *(arrays[name] for name in names), reach_mm)
