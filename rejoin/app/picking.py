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

from rejoin.core.edits import Surface, grow_face_to_rim, surface_of
from rejoin.core.meshes import triangle_centres
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import apply, inverse


@dataclass(frozen=True)
class Hit:
    """A point on a fragment: ``point`` (3,) in its scan's frame."""

    fragment: int
    triangle: int
    point: FloatArray


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
    """Search trees of one mesh, each made when first asked for."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self._locator: vtkStaticCellLocator | None = None
        self._surface: Surface | None = None
        self._lock = Lock()
        self._centres: cKDTree | None = None

    def hit(self, start: FloatArray, end: FloatArray) -> tuple[float, int, FloatArray] | None:
        if self._locator is None:
            self._locator = vtkStaticCellLocator()
            self._locator.SetDataSet(polydata(self.mesh))
            self._locator.BuildLocator()
        share, point, local, part, cell = mutable(0.0), [0.0] * 3, [0.0] * 3, mutable(0), mutable(-1)
        if not self._locator.IntersectWithLine(start, end, 1e-9, share, point, local, part, cell):
            return None
        return float(share), int(cell), np.array(point)

    def surface(self) -> Surface:
        with self._lock:
            if self._surface is None:
                self._surface = surface_of(self.mesh)
            return self._surface

    def grow(self, triangle: int) -> IntArray:
        return grow_face_to_rim(self.surface(), triangle)

    def ball(self, point: FloatArray, radius: float) -> IntArray:
        if self._centres is None:
            self._centres = cKDTree(triangle_centres(self.mesh))
        return np.array(self._centres.query_ball_point(point, radius), np.int32)


class Picker:
    """Finds things on the fragments of a project.

    Search trees are kept as long as their mesh lives: a pick must cost
    microseconds while a tree of a million triangles takes a quarter second.
    """

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
                best = found[0], Hit(number, found[1], found[2])
        return best[1] if best else None

    def face_around(self, mesh: Mesh, triangle: int) -> IntArray:
        """Triangles of the face that a click on ``triangle`` takes."""
        return self._of(mesh).grow(triangle)

    def prepare(self, meshes: Iterable[Mesh]) -> None:
        """Work out in the background what growing a face needs, so that the first click does not wait for it."""
        finders = [self._of(mesh) for mesh in meshes]
        Thread(target=lambda: [finder.surface() for finder in finders], daemon=True).start()

    def brushed(self, mesh: Mesh, points: FloatArray, radius: float) -> IntArray:
        """Triangles within ``radius`` of any of the points (k, 3) of a stroke, scan frame."""
        finder = self._of(mesh)
        found = [finder.ball(point, radius) for point in points]
        return np.unique(np.concatenate(found)) if found else np.empty(0, np.int32)

    def _of(self, mesh: Mesh) -> _Finder:
        if mesh not in self._finders:
            self._finders[mesh] = _Finder(_Loose(mesh))  # type: ignore[arg-type]
        return self._finders[mesh]


class _Loose:
    """The arrays of a mesh without the mesh itself, so that a finder does not keep its own key alive."""

    def __init__(self, mesh: Mesh) -> None:
        self.vertices, self.triangles = mesh.vertices, mesh.triangles
