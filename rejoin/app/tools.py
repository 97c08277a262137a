"""What the mouse does in the view: look, take a face, paint, rub out, set marks, move a fragment."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QMouseEvent
from scipy.spatial.transform import Rotation

from rejoin.app import sentences
from rejoin.app.bench import Bench
from rejoin.app.picking import Hit
from rejoin.app.scene import Scene
from rejoin.core import edits
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.transforms import apply, inverse, rigid

TOOLS = ("look", "take", "paint", "rub", "mark", "move")
PREVIEW_VERTICES = 250_000
"""On larger scans a click still takes a face, but resting the pointer shows none: it would hold up the window."""
SHIFT, ALT, CONTROL = (
    Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.AltModifier, Qt.KeyboardModifier.ControlModifier,
)  # fmt: skip


class Tools(QObject):
    """Turns clicks and strokes in the view into edits.

    Attributes
    ----------
    tool : str
        One of `TOOLS`.
    radius_mm : float
        Of the brush.
    pointed : Signal(str)
        Words for what lies under the pointer.
    marked : Signal()
        The set of marks changed.
    """

    pointed = Signal(str)
    marked = Signal()
    tool_changed = Signal(str)

    def __init__(self, bench: Bench, scene: Scene, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.bench, self.scene = bench, scene
        self.tool = "look"
        self.radius_mm = 2.0
        self.marks: dict[int, list[FloatArray]] = {}
        self._start: Hit | None = None
        self._from = (0.0, 0.0)
        self._trail: list[FloatArray] = []
        self._pose: FloatArray | None = None
        view = scene.view
        view.grabs = self._grabs
        view.clicked.connect(self._clicked)
        view.rested.connect(self._rested)
        view.stroke.connect(self._stroke)
        view.left.connect(self._left)

    def choose(self, tool: str) -> None:
        """Take a tool into the hand."""
        self.tool = tool
        self.scene.clear_tints()
        self.scene.view.setCursor(Qt.CursorShape.CrossCursor if tool in ("take", "mark", "paint", "rub")
                                  else Qt.CursorShape.ArrowCursor)  # fmt: skip
        self.pointed.emit("")
        self.tool_changed.emit(tool)

    def clear_marks(self) -> None:
        self.marks.clear()
        self._show_marks()

    def join_by_marks(self) -> None:
        """Join the two fragments that carry three marks each."""
        from rejoin.app import tasks

        (a, marks_a), (b, marks_b) = sorted(self.marks.items())[:2]
        count = min(len(marks_a), len(marks_b))
        first, second = np.array(marks_a[:count]), np.array(marks_b[:count])
        self.bench.work("Join by marks", tasks.settle, lambda p: edits.join_by_marks(p, a, b, first, second))
        self.clear_marks()

    # looking

    def _rested(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        hit = self.scene.pick(x, y)
        if hit is None:
            self._left()
            return
        small = len(self._mesh(hit).vertices) <= PREVIEW_VERTICES
        if self.tool == "take" and small and not self.bench.jobs.busy:
            triangles = self.scene.picker.face_around(self._mesh(hit), hit.triangle)
            self.scene.clear_tints()
            self.scene.tint(hit.fragment, "hover", triangles)
            area = self.bench.units.area(edits.area_of(self.bench.project, hit.fragment, triangles))
            self.pointed.emit(f"A click takes this face of {sentences.letter(hit.fragment)}: {area}")
            return
        name = self.bench.project.scans[hit.fragment].name
        words = f"{sentences.letter(hit.fragment)} · {name}"
        if self.scene.mode == "gap":
            gap = self.scene.gap_at(hit)
            if gap is not None:
                kind = "gap" if gap > 0 else "overlap"
                words += f" · {kind} {self.bench.units.length(gap, signed=True)}"
        self.pointed.emit(words)

    def _left(self) -> None:
        if self.tool in ("take", "paint", "rub"):
            self.scene.clear_tints()
        self.pointed.emit("")

    # clicking

    def _clicked(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        if self.tool not in ("take", "mark") or self.bench.jobs.busy:
            return
        hit = self.scene.pick(x, y)
        if hit is None:
            return
        if self.tool == "mark":
            self.marks.setdefault(hit.fragment, []).append(hit.point)
            self._show_marks()
            return
        triangles = self.scene.picker.face_around(self._mesh(hit), hit.triangle)
        self.scene.clear_tints()
        letter = sentences.letter(hit.fragment)
        if modifiers & ALT:
            self.bench.edit(f"Take away from {letter}", lambda p: edits.remove_triangles(p, hit.fragment, triangles))
        elif modifiers & SHIFT:
            self.bench.edit(f"Add to face of {letter}", lambda p: _add(p, hit.fragment, triangles))
        else:
            self.bench.edit(f"Choose face of {letter}", lambda p: edits.choose_face(p, hit.fragment, triangles))

    def _show_marks(self) -> None:
        self.scene.show_marks(
            [(f, str(i + 1), point) for f, points in self.marks.items() for i, point in enumerate(points)]
        )
        self.marked.emit()

    # strokes

    def _grabs(self, x: float, y: float, event: QMouseEvent) -> bool:
        if self.tool not in ("paint", "rub", "move") or self.bench.jobs.busy:
            return False
        self._start = self.scene.pick(x, y)
        return self._start is not None

    def _stroke(self, phase: str, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        if self._start is None:
            return
        if self.tool == "move":
            self._drag(phase, x, y, modifiers)
            return
        if phase == "start":
            self._trail = [self._start.point]
        hit = self.scene.pick(x, y)
        if hit is not None and hit.fragment == self._start.fragment:
            self._trail += _between(self._trail[-1], hit.point, self.radius_mm / 2)
        mesh = self._mesh(self._start)
        triangles = self.scene.picker.brushed(mesh, np.array(self._trail), self.radius_mm)
        if phase != "end":
            self.scene.tint(self._start.fragment, "brush", triangles)
            return
        fragment = self._start.fragment
        self._start = None
        self.scene.tint(fragment, "brush", None)
        letter = sentences.letter(fragment)
        if self.tool == "rub":
            self.bench.edit(f"Rub out on {letter}", lambda p: edits.remove_triangles(p, fragment, triangles))
        else:
            self.bench.edit(f"Paint on {letter}", lambda p: _add(p, fragment, triangles))

    def _drag(self, phase: str, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        assert self._start is not None
        number = self._start.fragment
        if phase == "start":
            self._from, self._pose = (x, y), self.scene.poses()[number]
        assert self._pose is not None
        pose = self._turned(x, y) if modifiers & CONTROL else self._shifted(x, y)
        if phase != "end":
            self.scene.hand_pose(number, pose)
            return
        self._start = None
        self.drop(number, pose)

    def drop(self, fragment: int, world_from_scan: FloatArray) -> None:
        """Leave a fragment where it was moved to."""
        project, poses = self.bench.project, self.scene.poses()
        others = [i for i in range(len(project.fragments)) if i != fragment]
        placed = [i for i in others if project.placements and project.placements[i].part_from_scan is not None]
        beside = (placed or others or [fragment])[0]
        if beside == fragment:
            return
        known = project.placements[beside].part_from_scan if placed else np.eye(4)
        assert known is not None
        part_from_scan = known @ inverse(poses[beside]) @ world_from_scan
        before = poses[beside]
        title = f"Move {sentences.letter(fragment)} by hand"
        self.bench.edit(title, lambda p: edits.place_by_hand(p, fragment, part_from_scan, beside))
        self.scene.follow(before, beside)

    def _shifted(self, x: float, y: float) -> FloatArray:
        assert self._start is not None and self._pose is not None
        point = apply(self._pose, self._start.point[None])[0]
        renderer = self.scene.view.renderer
        renderer.SetWorldPoint(*point, 1.0)
        renderer.WorldToDisplay()
        depth = renderer.GetDisplayPoint()[2]
        ends = []
        for at in (self._from, (x, y)):
            renderer.SetDisplayPoint(*at, depth)
            renderer.DisplayToWorld()
            world = np.array(renderer.GetWorldPoint())
            ends.append(world[:3] / world[3])
        return rigid(np.eye(3), ends[1] - ends[0]) @ self._pose

    def _turned(self, x: float, y: float) -> FloatArray:
        assert self._start is not None and self._pose is not None
        camera = self.scene.view.renderer.GetActiveCamera()
        out = np.array(camera.GetViewPlaneNormal())
        up = np.array(camera.GetViewUp())
        right = np.cross(up, out)
        right /= np.linalg.norm(right)
        up = np.cross(out, right)
        size = max(self.scene.view.height() * self.scene.view.devicePixelRatioF(), 1.0)
        angle = np.array([x - self._from[0], y - self._from[1]]) * (np.pi / size)
        turn = Rotation.from_rotvec(angle[0] * up - angle[1] * right).as_matrix()
        vertices = self._mesh(self._start).vertices
        centre = apply(self._pose, ((vertices.min(axis=0) + vertices.max(axis=0)) / 2)[None])[0]
        return rigid(turn, centre - turn @ centre) @ self._pose

    def _mesh(self, hit: Hit) -> Mesh:
        return self.bench.project.fragments[hit.fragment].mesh


def _add(project: Project, fragment: int, triangles: FloatArray) -> Project:
    """Add to the face of the fragment that shares most with the triangles, else its last one, else a new one."""
    own = [i for i, face in enumerate(project.faces) if face.fragment == fragment]
    if not own:
        return edits.choose_face(project, fragment, triangles)
    shared = [len(np.intersect1d(project.faces[i].triangles, triangles)) for i in own]
    best = own[int(np.argmax(shared))] if max(shared) else own[-1]
    return edits.add_triangles(project, best, triangles)


def _between(start: FloatArray, end: FloatArray, step: float) -> list[FloatArray]:
    """Points from start (left out) to end: the window misses moves while it draws."""
    count = max(int(np.ceil(np.linalg.norm(end - start) / max(step, 1e-9))), 1)
    return [start + (end - start) * (i + 1) / count for i in range(count)]
