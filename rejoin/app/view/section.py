"""The joint cut open by a plane: the cut surfaces filled, their outlines, and the gap between them in section."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPlane, vtkPolyData
from vtkmodules.vtkFiltersCore import vtkDecimatePolylineFilter, vtkStripper
from vtkmodules.vtkFiltersGeneral import vtkContourTriangulator
from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper, vtkRenderer

from rejoin.app.parts import colours
from rejoin.app.work.display import Display, display_of
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import apply, inverse

FILL_POINTS = 800
"""About how many points of an outline are filled: the time grows with their square, and the exact line lies over it."""


@dataclass(frozen=True, eq=False)
class Outline:
    """Where a plane cuts a mesh: points (k, 3), segments (s, 2), and between which vertices each point lies.

    ``out`` (k, 3) are unit directions in the plane, out of the material.
    """

    points: FloatArray
    segments: IntArray
    ends: IntArray
    shares: FloatArray
    out: FloatArray


@dataclass(frozen=True, eq=False)
class Piece:
    """What is cut: a mesh, its pose, its colour, its gaps (n,) by vertex or None."""

    mesh: Mesh
    world_from_scan: FloatArray
    colour: str
    gap_mm: FloatArray | None


def outline(display: Display, mesh: Mesh, normal: FloatArray, offset: float) -> Outline:
    """The section of a mesh by the plane ``normal @ x = offset``; only what lies near the plane is looked at."""
    near = np.abs(display.mesh.vertices @ normal - offset) <= 1.001 * display.reach_mm
    wanted = display.scan_triangles(np.flatnonzero(near))
    height = mesh.vertices @ normal - offset
    corners = height[mesh.triangles[wanted]] > 0
    count = corners[:, 0].astype(np.int8) + corners[:, 1] + corners[:, 2]
    crossed = (count == 1) | (count == 2)
    cut, corners, count = wanted[crossed], corners[crossed], count[crossed]
    lone = np.argmax(corners == (count == 1)[:, None], axis=1)
    rows = np.arange(len(cut))
    triangles = mesh.triangles[cut].astype(np.int64)
    apex = triangles[rows, lone]
    pairs = np.concatenate([np.stack([apex, triangles[rows, (lone + step) % 3]], axis=1) for step in (1, 2)])
    low, high = pairs.min(axis=1), pairs.max(axis=1)
    keys, number = np.unique(low * len(mesh.vertices) + high, return_inverse=True)
    ends = np.stack([keys // len(mesh.vertices), keys % len(mesh.vertices)], axis=1)
    start, end = height[ends[:, 0]], height[ends[:, 1]]
    share = start / (start - end)
    points = mesh.vertices[ends[:, 0]] * (1 - share)[:, None] + mesh.vertices[ends[:, 1]] * share[:, None]
    segments = number.reshape(2, -1).T.astype(np.int32)
    crosses = triangle_crosses(Mesh(mesh.vertices, mesh.triangles[cut]))
    crosses -= (crosses @ normal)[:, None] * normal
    both = np.repeat(crosses, 2, axis=0)
    out = np.stack([np.bincount(segments.ravel(), both[:, axis], len(points)) for axis in range(3)], axis=1)
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return Outline(points, segments, ends.astype(np.int32), share, out / np.where(length > 0, length, 1.0))


def plane_at(bounds: FloatArray, share: float, direction: tuple[float, float, float]) -> tuple[FloatArray, FloatArray]:
    """Origin and unit normal of the plane across ``direction`` at a share of how far a box (2, 3) reaches along it."""
    normal = np.array(direction, float)
    normal /= np.linalg.norm(normal)
    reach = float(np.abs(normal) @ (bounds[1] - bounds[0]))
    return bounds.mean(axis=0) + normal * (share - 0.5) * reach, normal


class Section:
    """The cut surfaces in the view.

    Attributes
    ----------
    gaps_mm : (k,)
        The gaps met in the section, for words.
    stretch : float
        How many times larger than it is the gap is drawn.
    """

    def __init__(self, renderer: vtkRenderer) -> None:
        self.plane = vtkPlane()
        self._renderer = renderer
        self._actors: list[vtkActor] = []
        self.gaps_mm: FloatArray = np.empty(0)
        self.stretch = 1.0

    def clear(self) -> None:
        for actor in self._actors:
            self._renderer.RemoveActor(actor)
        self._actors, self.gaps_mm = [], np.empty(0)

    def show(self, origin: FloatArray, normal: FloatArray, pieces: list[Piece], limit_mm: float, tolerance_mm: float,
             ink: str, size_mm: float) -> None:  # fmt: skip
        """Cut by a plane of the world; the camera looks at it against ``normal``."""
        self.clear()
        self.plane.SetOrigin(*origin)
        self.plane.SetNormal(*(-normal))
        self.stretch = float(max(_rounded(0.06 * size_mm / max(limit_mm, 1e-9)), 1.0))
        gaps = []
        lift = normal * 2e-4 * size_mm  # lines lie a little over the filled surface
        for piece in pieces:
            scan_from_world = inverse(piece.world_from_scan)
            own_normal = scan_from_world[:3, :3] @ normal
            offset = float(own_normal @ apply(scan_from_world, origin[None])[0])
            cut = outline(display_of(piece.mesh), piece.mesh, own_normal, offset)
            if not len(cut.points):
                continue
            world = apply(piece.world_from_scan, cut.points)
            self._add(_filled(world, cut.segments, normal), colours.shaded(piece.colour, 0.82))
            self._add(_lines(world + lift, cut.segments), ink, 2.0)
            if piece.gap_mm is not None:
                gap = piece.gap_mm[cut.ends[:, 0]] * (1 - cut.shares) + piece.gap_mm[cut.ends[:, 1]] * cut.shares
                met = np.flatnonzero(np.isfinite(gap))
                gaps.append(gap[met])
                out = (cut.out[met] @ piece.world_from_scan[:3, :3].T).sum(axis=0)
                out /= max(float(np.linalg.norm(out)), 1e-12)
                self._whiskers(world[met] + 2 * lift, out, gap[met], limit_mm, tolerance_mm)
        self.gaps_mm = np.concatenate(gaps) if gaps else np.empty(0)

    def _whiskers(self, points: FloatArray, out: FloatArray, gap: FloatArray, limit_mm: float,
                  tolerance: float) -> None:  # fmt: skip
        if not len(points):
            return
        tips = points + out * (np.clip(np.abs(gap), 0.0, 2.0 * limit_mm) * self.stretch)[:, None]
        segments = np.arange(2 * len(points)).reshape(2, -1).T
        data = _lines(np.concatenate([points, tips]), segments)
        shown = np.tile(colours.gap_colours(gap, limit_mm, tolerance), (2, 1))
        data.GetPointData().SetScalars(numpy_to_vtk(np.ascontiguousarray(shown), deep=True))
        self._add(data, None, 3.0)

    def _add(self, data: vtkPolyData, colour: str | None, width: float = 1.0) -> None:
        mapper = vtkPolyDataMapper()
        mapper.SetInputData(data)
        mapper.SetColorModeToDirectScalars()
        mapper.SetScalarVisibility(colour is None)
        actor = vtkActor()
        actor.SetMapper(mapper)
        look = actor.GetProperty()
        look.LightingOff()
        look.SetLineWidth(width)
        if colour is not None:
            look.SetColor(*colours.rgb01(colour))
        actor.PickableOff()
        self._renderer.AddActor(actor)
        self._actors.append(actor)


def _rounded(value: float) -> float:
    """A round number not above ``value``: 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= value or step == 1.0))


def _lines(points: FloatArray, segments: IntArray) -> vtkPolyData:
    data = vtkPolyData()
    held = vtkPoints()
    held.SetData(numpy_to_vtk(np.ascontiguousarray(points, np.float64), deep=True))
    data.SetPoints(held)
    cells = vtkCellArray()
    offsets = numpy_to_vtkIdTypeArray(np.arange(0, 2 * len(segments) + 1, 2, dtype=np.int64), deep=True)
    cells.SetData(offsets, numpy_to_vtkIdTypeArray(np.ascontiguousarray(segments, np.int64).ravel(), deep=True))
    data.SetLines(cells)
    return data


def _filled(points: FloatArray, segments: IntArray, normal: FloatArray) -> vtkPolyData:
    fill = vtkContourTriangulator()
    fill.TriangulationErrorDisplayOff()
    if len(points) > FILL_POINTS:
        strips = vtkStripper()
        strips.JoinContiguousSegmentsOn()
        strips.SetMaximumLength(len(segments) + 1)
        strips.SetInputData(_lines(points, segments))
        thin = vtkDecimatePolylineFilter()
        thin.SetInputConnection(strips.GetOutputPort())
        thin.SetTargetReduction(1.0 - FILL_POINTS / len(points))
        fill.SetInputConnection(thin.GetOutputPort())
    else:
        fill.SetInputData(_lines(points, segments))
    fill.Update()
    return fill.GetOutput()
