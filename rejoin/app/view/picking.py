"""What lies under the pointer: a triangle of a fragment, the face around it, the patch under a brush."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from threading import Lock, Thread
from weakref import WeakKeyDictionary

import numpy as np
from scipy.spatial import cKDTree
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
from vtkmodules.vtkCommonCore import mutable, vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData, vtkStaticCellLocator

from rejoin.app.view.growing import Chosen, Surface, drawn_face, grow, grow_face_to_rim, surface_of
from rejoin.app.work.display import Display, display_of
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import apply, inverse


@dataclass(frozen=True)
class Hit:
    """A point on a fragment: ``point`` (3,) in its scan's frame; ``node`` is the drawn vertex that stands for it."""

    fragment: int
    triangle: int
    point: FloatArray
    node: int = 0


def polydata(mesh: Mesh) -> vtkPolyData:
    """A VTK copy of a mesh."""
    points = vtkPoints()
    points.SetData(numpy_to_vtk(np.array(mesh.vertices, np.float64), deep=True))
    count = len(mesh.triangles)
    cells = vtkCellArray()
    offsets = numpy_to_vtkIdTypeArray(np.arange(0, 3 * count + 1, 3, dtype=np.int64), deep=True)
    cells.SetData(offsets, numpy_to_vtkIdTypeArray(mesh.triangles.astype(np.int64).ravel(), deep=True))
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    return data


class _Finder:
    """Search trees of one mesh, each made when first asked for; they are of what is drawn, answers are of the scan."""

    def __init__(self, mesh: Mesh, display: Display) -> None:
        self.mesh, self.display = mesh, display
        self._lock = Lock()
        self._locator: vtkStaticCellLocator | None = None
        self._surface: Surface | None = None
        self._nodes: cKDTree | None = None
        self._grown: tuple[int, tuple[Chosen, FloatArray]] | None = None

    def locator(self) -> vtkStaticCellLocator:
        with self._lock:
            if self._locator is None:
                made = vtkStaticCellLocator()
                made.SetDataSet(polydata(self.display.mesh))
                made.BuildLocator()
                self._locator = made
            return self._locator

    def surface(self) -> Surface:
        with self._lock:
            if self._surface is None:
                self._surface = surface_of(self.mesh, self.display)
            return self._surface

    def grown(self, node: int) -> tuple[Chosen, FloatArray]:
        """The face around a node; the last one is remembered, for a click follows where the pointer rested."""
        if self._grown is None or self._grown[0] != node:
            self._grown = node, grow(self.surface(), node)
        return self._grown[1]

    def nodes(self) -> cKDTree:
        with self._lock:
            if self._nodes is None:
                self._nodes = cKDTree(self.display.mesh.vertices, balanced_tree=False)
            return self._nodes

    def prepare(self) -> None:
        """Make whatever clicks, strokes and the colours of what they take will ask for."""
        self.locator()
        self.surface()
        self.nodes()
        self.display.prepare()

    def hit(self, start: FloatArray, end: FloatArray) -> tuple[float, int, FloatArray, int] | None:
        """Share of the way, triangle of the scan, point and node where a line first meets the surface."""
        share, point, local, part, cell = mutable(0.0), [0.0] * 3, [0.0] * 3, mutable(0), mutable(-1)
        if not self.locator().IntersectWithLine(start, end, 1e-9, share, point, local, part, cell):
            return None
        drawn, where, along = int(cell), np.array(point), float(share)
        corners = self.display.mesh.triangles[drawn]
        if not self.display.is_copy:
            return along, drawn, where, int(corners[0])
        near = np.array(self.nodes().query_ball_point(where, 2.0 * self.display.reach_mm), np.int64)
        wanted = self.display.scan_triangles(np.union1d(near, corners))
        ways, hits = _crossed(self.mesh.vertices[self.mesh.triangles[wanted]], start, end - start)
        if not len(hits):
            return along, int(self.display.triangle_of[drawn]), where, int(corners[0])
        first = int(np.argmin(ways))
        triangle = int(wanted[hits[first]])
        return (float(ways[first]), triangle, start + ways[first] * (end - start),
                int(self.display.node_of[self.mesh.triangles[triangle, 0]]))  # fmt: skip

    def ball(self, points: FloatArray, radius: float) -> IntArray:
        reach, stroke = self.display.reach_mm, cKDTree(points)
        lists = self.nodes().query_ball_point(points, radius + reach)
        near = np.unique(np.concatenate([np.asarray(found, np.int64) for found in lists]))
        far = stroke.query(self.display.mesh.vertices[near])[0]
        within = self.display.scan_triangles(near[far <= radius - reach])  # whole nodes, without a look at each
        wanted = self.display.scan_triangles(near[far > radius - reach])
        centres = self.mesh.vertices[self.mesh.triangles[wanted]].mean(axis=1)
        met = np.isfinite(stroke.query(centres, distance_upper_bound=radius)[0])
        return np.sort(np.concatenate([within, wanted[met]])).astype(np.int32)


class Picker:
    """Finds things on the fragments of a project; what it worked out is kept as long as the mesh lives."""

    def __init__(self) -> None:
        self._finders: WeakKeyDictionary[Mesh, _Finder] = WeakKeyDictionary()

    def pick(
        self, meshes: dict[int, Mesh], poses: dict[int, FloatArray], start: FloatArray, end: FloatArray
    ) -> Hit | None:
        """The first hit of a line of sight; ``poses`` are world_from_scan (4, 4) by fragment."""
        best: tuple[float, Hit] | None = None
        for number, mesh in meshes.items():
            scan_from_world = inverse(poses[number])
            near, far = apply(scan_from_world, np.array([start, end]))
            found = self._of(mesh).hit(near, far)
            if found and (best is None or found[0] < best[0]):
                best = found[0], Hit(number, *found[1:])
        return best[1] if best else None

    def face_around(self, mesh: Mesh, triangle: int) -> IntArray:
        """Triangles of the face that a click on ``triangle`` takes."""
        finder = self._of(mesh)
        node = int(finder.display.node_of[mesh.triangles[triangle, 0]])
        return grow_face_to_rim(mesh, finder.surface(), triangle, finder.grown(node))

    def preview(self, mesh: Mesh, node: int) -> tuple[IntArray, float]:
        """What a click would take, as drawn triangles, and its area in mm²."""
        surface = self._of(mesh).surface()
        triangles = drawn_face(surface, *self._of(mesh).grown(node))
        drawn = surface.display.mesh
        return triangles, float(triangle_areas(Mesh(drawn.vertices, drawn.triangles[triangles])).sum())

    def prepare(self, meshes: Iterable[Mesh]) -> None:
        """Work out in the background what clicks and strokes need, so that the first does not wait for it."""
        finders = [self._of(mesh) for mesh in meshes]
        Thread(target=_prepare, args=(finders,), daemon=True).start()

    def brushed(self, mesh: Mesh, points: FloatArray, radius: float) -> IntArray:
        """Triangles within ``radius`` of any of the points (k, 3) of a stroke, scan frame."""
        return self._of(mesh).ball(points, radius) if len(points) else np.empty(0, np.int32)

    def enclosed(self, mesh: Mesh, nodes: Chosen) -> IntArray:
        """Triangles of the scan all of whose corners are stood for by chosen nodes (n,)."""
        display = self._of(mesh).display
        begin = display.scan_triangles(np.flatnonzero(nodes))
        _, two, three = mesh.triangles[begin].T
        inside = np.zeros(len(mesh.triangles), bool)  # quicker than sorting
        inside[begin[nodes[display.node_of[two]] & nodes[display.node_of[three]]]] = True
        return np.flatnonzero(inside).astype(np.int32)

    def _of(self, mesh: Mesh) -> _Finder:
        if mesh not in self._finders:
            # the arrays without the mesh itself, so that a finder does not keep its own key alive
            self._finders[mesh] = _Finder(Mesh(mesh.vertices, mesh.triangles), display_of(mesh))
        return self._finders[mesh]


def _prepare(finders: list[_Finder]) -> None:
    for finder in finders:
        finder.prepare()


def _crossed(corners: FloatArray, start: FloatArray, way: FloatArray) -> tuple[FloatArray, IntArray]:
    """Where along ``way`` a line meets triangles (k, 3, 3), and which (Moeller and Trumbore 1997)."""
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    across = np.cross(way, two)
    size = np.einsum("ij,ij->i", one, across)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = start - corners[:, 0]
        u = np.einsum("ij,ij->i", off, across) / size
        turned = np.cross(off, one)
        v = turned @ way / size
        along = np.einsum("ij,ij->i", two, turned) / size
        inside = (u >= 0) & (v >= 0) & (u + v <= 1) & (along >= 0) & (along <= 1)
    hits = np.flatnonzero(inside)
    return along[hits], hits.astype(np.int32)
