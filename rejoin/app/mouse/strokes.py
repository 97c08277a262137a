"""Strokes of the mouse over fragments: painting, rubbing out, drawing round what is to be taken."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF

from rejoin.app.view.growing import Chosen
from rejoin.app.view.picking import Hit
from rejoin.app.view.scene import Scene
from rejoin.app.words import sentences
from rejoin.core import edits
from rejoin.core.records import FloatArray, IntArray, Project
from rejoin.core.transforms import apply, turn

if TYPE_CHECKING:
    from rejoin.app.bench.bench import Bench


@dataclass
class Brush:
    """One stroke of the brush over one fragment."""

    scene: Scene
    start: Hit
    radius_mm: float
    last: FloatArray = field(init=False)
    covered: npt.NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.mesh = self.scene.fragments[self.start.fragment].mesh
        self.covered = np.zeros(len(self.mesh.triangles), bool)
        self.last = self.start.point
        self._cover(np.array([self.last]))

    def move(self, x: float, y: float) -> None:
        """Cover the way to a display position; the window misses moves while it draws."""
        hit = self.scene.pick(x, y)
        if hit is None or hit.fragment != self.start.fragment:
            return
        way = hit.point - self.last
        count = max(int(np.ceil(np.linalg.norm(way) / max(self.radius_mm / 2, 1e-9))), 1)
        points = self.last + way * (np.arange(1, count + 1) / count)[:, None]
        self.last = hit.point
        self._cover(points)

    def triangles(self) -> IntArray:
        """All that was covered."""
        self.scene.tint(self.start.fragment, "brush", None)
        return np.flatnonzero(self.covered).astype(np.int32)

    def _cover(self, points: FloatArray) -> None:
        self.covered[self.scene.picker.brushed(self.mesh, points, self.radius_mm)] = True
        display = self.scene.fragments[self.start.fragment].display
        drawn = np.flatnonzero(self.covered[display.triangle_of])
        self.scene.tint(self.start.fragment, "brush", drawn.astype(np.int32), drawn_ones=True)


class Round:
    """A rectangle or a free outline drawn in the view; what is visible inside it is taken."""

    def __init__(self, scene: Scene, start: QPointF, free: bool) -> None:
        self.scene, self.free, self.line = scene, free, [start]

    def move(self, position: QPointF) -> None:
        if self.free:
            self.line.append(position)
        else:
            a = self.line[0]
            self.line = [a, QPointF(position.x(), a.y()), position, QPointF(a.x(), position.y())]
        self.scene.view.band.draw(self.line)

    def taken(self) -> dict[int, IntArray]:
        """Triangles of each fragment that lie inside the line and are seen."""
        view = self.scene.view
        view.band.draw([])
        if len(self.line) < 3:
            return {}
        corners = np.array([view.display(point) for point in self.line])
        depths = view.depths()
        found = {}
        for number, mesh in self.scene.shown().items():
            nodes = self._seen_nodes(number, corners, depths)
            triangles = self.scene.picker.enclosed(mesh, nodes) if nodes.any() else np.empty(0, np.int32)
            if len(triangles):
                found[number] = triangles
        return found

    def _seen_nodes(self, number: int, corners: FloatArray, depths: FloatArray) -> Chosen:
        drawn, pose, view = self.scene.fragments[number], self.scene.poses()[number], self.scene.view
        world = apply(pose, drawn.display.mesh.vertices)
        shown = view.project(world)
        low, high = corners.min(axis=0), corners.max(axis=0)
        near = np.ones(len(world), bool)
        for axis in (0, 1):
            along = shown[:, axis]
            near &= (along >= max(low[axis], 0)) & (along <= high[axis]) & (along < depths.shape[1 - axis])
        eye = np.array(view.renderer.GetActiveCamera().GetPosition())
        normals = turn(pose, drawn.display.normals.astype(float))
        near &= np.einsum("ij,ij->i", normals, eye - world) > 0
        places = np.flatnonzero(near)
        places = places[_inside(shown[places, :2], corners)]
        # a node a little behind what is drawn at its pixel is still seen: surfaces slant, copies are coarse
        towards = eye - world[places]
        towards /= np.linalg.norm(towards, axis=1, keepdims=True)
        slack = 1.5 * drawn.display.reach_mm + 2.0 * self._pixel_mm(world[places], shown[places])
        closer = view.project(world[places] + towards * slack[:, None])[:, 2]
        seen = closer <= depths[shown[places, 1].astype(int), shown[places, 0].astype(int)]
        nodes = np.zeros(len(world), bool)
        nodes[places[seen]] = True
        return nodes

    def _pixel_mm(self, world: FloatArray, shown: FloatArray) -> FloatArray:
        camera = self.scene.view.renderer.GetActiveCamera()
        right = np.cross(camera.GetDirectionOfProjection(), camera.GetViewUp())
        beside = self.scene.view.project(world + right)
        return np.asarray(1.0 / np.maximum(np.linalg.norm(beside[:, :2] - shown[:, :2], axis=1), 1e-9))


def _inside(points: FloatArray, corners: FloatArray) -> npt.NDArray[np.bool_]:
    """Which points (k, 2) lie inside a closed line (even-odd rule); lines of very many corners are thinned."""
    corners = corners[:: max(len(corners) // 400, 1)]
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crosses = (points[:, 1] < y0) != (points[:, 1] < y1)
        inside ^= crosses & (points[:, 0] < x0 + (points[:, 1] - y0) * ((x1 - x0) / (y1 - y0)))
    return inside


def add_to_face(project: Project, fragment: int, triangles: IntArray) -> Project:
    """Add to the face of the fragment that shares most with the triangles, else its last one, else a new one."""
    own = [i for i, face in enumerate(project.faces) if face.fragment == fragment]
    if not own:
        return edits.choose_face(project, fragment, triangles)
    mine = np.zeros(len(project.fragments[fragment].mesh.triangles), bool)
    mine[triangles] = True
    shared = [int(mine[project.faces[i].triangles].sum()) for i in own]
    chosen = [i for i in own if project.faces[i].chosen_by == "person"]
    best = own[int(np.argmax(shared))] if max(shared) else (chosen or own)[-1]
    return edits.add_triangles(project, best, triangles)


def lay_down(bench: Bench, found: dict[int, IntArray], takes_away: bool, title: str) -> None:
    """Add what a stroke covered of each fragment to its face, or take it away, as one step."""
    edit = edits.remove_triangles if takes_away else add_to_face

    def laid(project: Project) -> Project:
        for fragment, triangles in found.items():
            project = edit(project, fragment, triangles)
        return project

    bench.edit(f"{title} {', '.join(sentences.letter(fragment) for fragment in found)}", laid)
