"""Meshes and words as things that the view draws."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonDataModel import vtkPolyData
from vtkmodules.vtkCommonMath import vtkMatrix4x4
from vtkmodules.vtkRenderingCore import vtkActor, vtkBillboardTextActor3D, vtkPolyDataMapper

from rejoin.app.view.letters import outermost
from rejoin.app.view.picking import polydata
from rejoin.app.work.display import Display, display_of
from rejoin.core.records import FloatArray, IntArray, Mesh


@dataclass(eq=False)
class Drawn:
    """A mesh on the screen; ``outline`` are its outermost points, ``tints`` are of drawn triangles, by name."""

    mesh: Mesh
    display: Display
    data: vtkPolyData
    mapper: vtkPolyDataMapper
    actor: vtkActor
    label: vtkBillboardTextActor3D | None = None
    outline: FloatArray | None = None
    colour: str = "#cccccc"
    tints: dict[str, IntArray] = field(default_factory=dict)


_ready: WeakKeyDictionary[Display, tuple[vtkPolyData, FloatArray]] = WeakKeyDictionary()
_lock = Lock()


def ready(display: Display) -> tuple[vtkPolyData, FloatArray]:
    """The arrays to draw, and the outermost points; the reader thread asks first, so that the window need not wait."""
    with _lock:
        known = _ready.get(display)
    if known is None:
        data = polydata(display.mesh)
        data.GetPointData().SetNormals(numpy_to_vtk(display.normals, deep=True))
        known = data, display.mesh.vertices[outermost(display.mesh.vertices)]
        with _lock:
            _ready[display] = known
    return known


def draw(mesh: Mesh) -> Drawn:
    """A mesh made ready for the view."""
    display = display_of(mesh)
    kept, outline = ready(display)
    data = vtkPolyData()
    data.ShallowCopy(kept)  # each drawing has colours of its own
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    mapper.SetColorModeToDirectScalars()
    actor = vtkActor()
    actor.SetMapper(mapper)
    look = actor.GetProperty()
    look.SetSpecular(0.0)
    look.SetInterpolationToPhong()
    return Drawn(mesh, display, data, mapper, actor, outline=outline)


def text_actor(text: str, size: int) -> vtkBillboardTextActor3D:
    """Words that stand at a place and always face the person."""
    actor = vtkBillboardTextActor3D()
    actor.SetInput(text)
    look = actor.GetTextProperty()
    look.SetFontSize(size)
    look.SetBold(True)
    look.SetJustificationToCentered()
    look.SetVerticalJustificationToCentered()
    actor.PickableOff()
    return actor


def matrix(pose: FloatArray) -> vtkMatrix4x4:
    made = vtkMatrix4x4()
    made.DeepCopy(pose.ravel().tolist())
    return made


def set_colours(drawn: Drawn, shown: npt.NDArray[np.uint8], of_points: bool) -> None:
    """Colour each drawn vertex, or each drawn triangle."""
    array = numpy_to_vtk(np.ascontiguousarray(shown), deep=True)
    array.SetName("shown")
    keep, drop = drawn.data.GetPointData(), drawn.data.GetCellData()
    if not of_points:
        keep, drop = drop, keep
    drop.SetScalars(None)
    keep.SetScalars(array)
    drawn.mapper.SetScalarModeToUsePointData() if of_points else drawn.mapper.SetScalarModeToUseCellData()
    drawn.data.Modified()
