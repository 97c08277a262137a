"""What stands in front of the fragments: letters, marks, arrows and handles, in a layer of their own, drawn last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkRenderingCore import (
    vtkActor,
    vtkBillboardTextActor3D,
    vtkPolyDataMapper,
    vtkProp,
    vtkRenderer,
    vtkTextRenderer,
)

from rejoin.app.parts import colours
from rejoin.app.view.drawn import text_actor
from rejoin.app.view.widget import View
from rejoin.core.records import FloatArray


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line through ``points`` (k, 3), or separate pieces (k, 2, 3), world frame."""

    points: FloatArray
    colour: str
    width: float = 3.0


@dataclass(frozen=True, eq=False)
class Words:
    """A few words at a place (3,), or ``lift`` pixels above it; on a ``ground`` of their own, or bare."""

    text: str
    place: FloatArray
    ink: str
    ground: str | None = None
    size: int = 15
    lift: int = 0


EDGE = 4
"""Pixels between words and the border of the view."""


def size_of(words: vtkBillboardTextActor3D) -> tuple[int, int]:
    """Width and height of words in the view, pixels."""
    box = [0, 0, 0, 0]
    vtkTextRenderer.GetInstance().GetBoundingBox(words.GetTextProperty(), words.GetInput(), box, 72)
    return box[1] - box[0] + 1, box[3] - box[2] + 1


class Front:
    """Named groups of strokes and words in front of everything, and the words in front of the strokes."""

    def __init__(self, view: View) -> None:
        self._groups: dict[str, list[vtkProp]] = {}
        self._words: dict[str, list[tuple[Words, vtkBillboardTextActor3D]]] = {}
        self._view, self._larger = view, 1.0
        self.letters = 1.0
        """How many times as large as usual the person has words."""
        self._strokes, self.renderer = self._layer(1), self._layer(2)

    def _layer(self, number: int) -> vtkRenderer:
        made = vtkRenderer()
        made.SetLayer(number)
        made.InteractiveOff()
        made.SetActiveCamera(self._view.renderer.GetActiveCamera())
        self._view.ren_win.SetNumberOfLayers(number + 1)
        self._view.ren_win.AddRenderer(made)
        return made

    def close(self) -> None:
        """Let go of everything."""
        for layer in (self._strokes, self.renderer):
            self._view.ren_win.RemoveRenderer(layer)
            layer.RemoveAllViewProps()

    def show(self, name: str, strokes: Sequence[Stroke] = (), words: Sequence[Words] = ()) -> None:
        """Show a group instead of what it showed before; nothing takes it away."""
        for prop in self._groups.pop(name, []):
            self._strokes.RemoveViewProp(prop)
            self.renderer.RemoveViewProp(prop)
        words = [replace(item, size=round(self.letters * item.size), lift=round(self.letters * item.lift))
                 for item in words]  # fmt: skip
        lines, texts = [_line(stroke) for stroke in strokes], [_text(item) for item in words]
        for line in lines:
            self._strokes.AddViewProp(line)
        for text in texts:
            self.renderer.AddViewProp(text)
        if lines or texts:
            self._groups[name] = [*lines, *texts]
        self._words[name] = list(zip(words, texts, strict=True))

    def shows(self, name: str) -> bool:
        return name in self._groups

    def keep_in_sight(self) -> None:
        """Move words aside that would run off the view, where any of them would be seen; before every frame."""
        if abs(self._larger - 1.0) > 1e-9:  # for a picture: as they stand on the screen
            return
        room = np.array(self._view.drawn_size()) - EDGE
        taken: list[FloatArray] = []  # low and high corner of the words that stand above their place
        for item, actor in (pair for words in self._words.values() for pair in words):
            at = self._view.project(item.place[None])[0, :2]
            off = np.array([0.0, item.lift])
            half = 0.5 * np.array(size_of(actor))
            if item.ground is not None and (at + off > -half).all() and (at + off < room + EDGE + half).all():
                low, high = EDGE + half, np.maximum(room - half, EDGE + half)
                off = np.clip(at + off, low, high) - at
                if item.lift:
                    off[1] += _free_of(taken, at + off, half)
                    taken.append(np.array([at + off - half, at + off + half]))
            actor.SetDisplayOffset(*(int(round(by)) for by in off))

    def enlarge(self, factor: float) -> None:
        """Make all words and lines larger, for a picture with more points than the screen."""
        self._larger *= factor
        shown = [layer.GetViewProps() for layer in (self._strokes, self.renderer)]
        for prop in (props.GetItemAsObject(n) for props in shown for n in range(props.GetNumberOfItems())):
            if isinstance(prop, vtkBillboardTextActor3D):
                look = prop.GetTextProperty()
                look.SetFontSize(max(int(round(look.GetFontSize() * factor)), 1))
                prop.SetDisplayOffset(*(int(round(along * factor)) for along in prop.GetDisplayOffset()))
            elif isinstance(prop, vtkActor):
                prop.GetProperty().SetLineWidth(prop.GetProperty().GetLineWidth() * factor)


def _free_of(taken: Sequence[FloatArray], middle: FloatArray, half: FloatArray) -> float:
    """How far up words go so that they cover none of those that stand already."""
    up = 0.0
    for low, high in sorted(taken, key=lambda box: float(box[0][1])):
        if (np.abs(middle + (0.0, up) - 0.5 * (low + high)) < half + 0.5 * (high - low)).all():
            up = float(high[1] + half[1] - middle[1]) + 1.0
    return up


def arrow(start: FloatArray, end: FloatArray, colour: str, both_ends: bool = False, width: float = 4.0) -> list[Stroke]:
    """An arrow of plain lines; its barbs lie in two planes, so that one is always seen."""
    tips = arrowheads(start, end, (0.22, 0.1), colour, width)
    return [Stroke(np.array([start, end]), colour, width), *(tips if both_ends else tips[:2])] if tips else []


def arrowheads(
    start: FloatArray, end: FloatArray, size: tuple[float, float], colour: str, width: float
) -> list[Stroke]:
    """Two heads at each end of a line, the ``end`` first; none of a point.

    They lie in two planes; ``size`` is length and half width in shares of the line.
    """
    way = end - start
    length = float(np.linalg.norm(way))
    if length == 0.0:
        return []
    along, (long, wide) = way / length, size
    side = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    side /= np.linalg.norm(side)
    strokes = []
    for tip, back in ((end, -along), (start, along)):
        for across in (side, np.cross(along, side)):
            barbs = [tip + length * (long * back + sign * wide * across) for sign in (1.0, -1.0)]
            strokes.append(Stroke(np.array([barbs[0], tip, barbs[1]]), colour, width))
    return strokes


def _line(stroke: Stroke) -> vtkActor:
    points = vtkPoints()
    places = np.ascontiguousarray(stroke.points, np.float64)
    points.SetData(numpy_to_vtk(places.reshape(-1, 3), deep=True))
    cells = vtkCellArray()
    for start in range(0, places.size // 3, places.shape[-2]):
        cells.InsertNextCell(places.shape[-2])
        for number in range(start, start + places.shape[-2]):
            cells.InsertCellPoint(number)
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetLines(cells)
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*colours.rgb01(stroke.colour))
    actor.GetProperty().SetLineWidth(stroke.width)
    actor.GetProperty().LightingOff()
    return actor


def _text(item: Words) -> vtkBillboardTextActor3D:
    actor = text_actor(f" {item.text} ", item.size)
    actor.SetPosition(*item.place)
    actor.SetDisplayOffset(0, item.lift)
    look = actor.GetTextProperty()
    look.SetColor(*colours.rgb01(item.ink))
    if item.ground is not None:
        look.SetBackgroundColor(*colours.rgb01(item.ground))
        look.SetBackgroundOpacity(1.0)
    return actor
