"""What the mouse does in the view: look, take a face, paint, draw round, set marks, pick a size, move a fragment."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QMouseEvent

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.moving import Drag, Handles
from rejoin.app.mouse.strokes import Brush, Round, add_to_face, lay_down
from rejoin.app.parts.turns import later
from rejoin.app.view.picking import Hit
from rejoin.app.view.scene import Scene
from rejoin.app.words import sentences
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.records import FloatArray, Fragment, Mesh
from rejoin.core.transforms import apply, inverse

TOOLS = ("look", "take", "paint", "rub", "box", "outline", "mark", "size", "move")
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
    sized : Signal(Hit, Hit)
        Both ends of a known size were picked.
    cut_dragged : Signal(float)
        Shift+drag: how far the cutting plane is to be moved, as a share of the view's height.
    """

    pointed = Signal(str)
    marked = Signal()
    tool_changed = Signal(str)
    sized = Signal(object, object)
    cut_dragged = Signal(float)

    def __init__(self, bench: Bench, scene: Scene, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.bench, self.scene = bench, scene
        self.tool = "look"
        self.radius_mm = 2.0
        self.cutting = False
        self.marks: dict[int, list[FloatArray]] = {}
        self._marked_on: dict[int, Fragment] = {}
        self.ends: list[Hit] = []
        self.handles = Handles(scene)
        self._stroke: Brush | Round | Drag | float | None = None
        view = scene.view
        view.grabs = self._grabs
        view.clicked.connect(self._clicked)
        view.rested.connect(self._rested)
        view.stroke.connect(self._stroked)
        view.left.connect(self._left)
        view.turned.connect(self._turned)

    def choose(self, tool: str) -> None:
        """Take a tool into the hand."""
        self.tool = tool
        self.scene.clear_tints()
        self.handles.show(self._movable() if tool == "move" else None)
        if self.ends:
            self.ends = []
            self._show_marks()
        self.scene.view.setCursor(Qt.CursorShape.ArrowCursor if tool in ("look", "move")
                                  else Qt.CursorShape.CrossCursor)  # fmt: skip
        self.pointed.emit("")
        self.tool_changed.emit(tool)

    def project_changed(self) -> None:
        """Handles stay with their fragment."""
        self._stroke = None
        fragments, marked = self.bench.project.fragments, self._marked_on
        gone = [n for n in self.marks if n >= len(fragments) or fragments[n] is not marked.get(n)]
        for number in gone:
            del self.marks[number]
        if gone:
            self._show_marks()
        self.handles.show(self.handles.fragment if self.tool == "move" else None)

    def clear_marks(self) -> None:
        self.marks.clear()
        self._show_marks()

    def marks_wanted(self) -> None:
        """Join by the marks where there are enough, else say what is lacking."""
        if len(self.marks) == 2 and min(len(points) for points in self.marks.values()) >= 3:
            self.join_by_marks()
        else:
            self.bench.said.emit("info", "Three marks on each of two fragments are needed.",
                                 "Take “Set marks” and click the same three places on both.")  # fmt: skip

    def join_by_marks(self) -> None:
        """Join the two fragments that carry three marks each."""
        (a, marks_a), (b, marks_b) = sorted(self.marks.items())[:2]
        count = min(len(marks_a), len(marks_b))
        places = tuple(map(tuple, marks_a[:count])), tuple(map(tuple, marks_b[:count]))
        wishes = {"settings": dict(self.bench.settings)}
        if self.bench.work("Join by marks", tasks.join_by_marks, a=a, b=b, marks_a=places[0], marks_b=places[1],
                           **wishes):  # fmt: skip
            self.clear_marks()

    # looking

    def _rested(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        hit = self.scene.pick(x, y)
        if hit is None:
            self._left()
            return
        letter = sentences.letter(hit.fragment)
        if self.tool == "take" and not self.bench.jobs.busy:
            triangles, area = self.scene.picker.preview(self._mesh(hit), hit.node)
            self.scene.clear_tints()
            self.scene.tint(hit.fragment, "hover", triangles, drawn_ones=True)
            takes = "takes away" if modifiers & ALT else "adds" if modifiers & SHIFT else "takes"
            self.pointed.emit(f"A click {takes} this face of {letter}: {self.bench.units.area(area)}")
            return
        words = f"{letter} · {self.bench.project.scans[hit.fragment].name}"
        if self.scene.mode == "gap":
            gap = self.scene.gap_at(hit)
            if gap is not None:
                words += f" · {'gap' if gap > 0 else 'overlap'} {self.bench.units.length(gap, signed=True)}"
        self.pointed.emit(words)

    def _turned(self) -> None:
        """Turned to reach what is to be picked, or to look."""
        self.scene.own = self.tool in ("look", "move") or self.bench.jobs.busy

    def _left(self) -> None:
        if self.tool == "take":
            self.scene.clear_tints()
        self.pointed.emit("")

    # clicking

    def _clicked(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        if self.tool not in ("take", "mark", "size") or self.bench.jobs.busy:
            return
        hit = self.scene.pick(x, y)
        if hit is None:
            return
        if self.tool == "mark":
            self.marks.setdefault(hit.fragment, []).append(hit.point)
            self._marked_on[hit.fragment] = self.bench.project.fragments[hit.fragment]
            self._show_marks()
        elif self.tool == "size":
            self._pick_end(hit)
        else:
            self._take(hit, modifiers)

    def _take(self, hit: Hit, modifiers: Qt.KeyboardModifier) -> None:
        triangles = self.scene.picker.face_around(self._mesh(hit), hit.triangle)
        letter = sentences.letter(hit.fragment)
        title, edit = ((f"Take away from {letter}", edits.remove_triangles) if modifiers & ALT else
                       (f"Add to face of {letter}", add_to_face) if modifiers & SHIFT else
                       (f"Choose face of {letter}", edits.choose_face))  # fmt: skip

        def laid() -> None:
            self.scene.clear_tints()
            self.bench.edit(title, lambda p: edit(p, hit.fragment, triangles))

        self._next(laid)

    def _next(self, act: Callable[[], object]) -> None:
        """Do it in the next turn of the event loop: finding and laying down what was taken take a moment each."""
        fragments = self.bench.project.fragments
        later(self, lambda: act() if self.bench.project.fragments is fragments else None)

    def _pick_end(self, hit: Hit) -> None:
        if self.ends and self.ends[0].fragment == hit.fragment:
            self.ends = []
        self.ends.append(hit)
        self._show_marks()
        if len(self.ends) == 2:
            first, second = self.ends
            self.ends = []
            self.sized.emit(first, second)
            self._show_marks()

    def _show_marks(self) -> None:
        letter = sentences.letter
        marks = [(f, f"{letter(f)}{i}", point) for f, points in self.marks.items() for i, point in enumerate(points, 1)]
        self.scene.show_marks(marks + [(end.fragment, "size", end.point) for end in self.ends])
        self.marked.emit()

    # strokes

    def _grabs(self, x: float, y: float, event: QMouseEvent) -> bool:
        """Whether a press begins a stroke; else the drag turns the view."""
        self._stroke = None
        if self.scene.mode == "gap" and self.cutting and event.modifiers() & SHIFT:
            self._stroke = y
        elif self.bench.jobs.busy:
            return False
        elif self.tool in ("box", "outline"):
            self._stroke = Round(self.scene, event.position(), self.tool == "outline")
        elif self.tool in ("paint", "rub"):
            hit = self.scene.pick(x, y)
            self._stroke = Brush(self.scene, hit, self.radius_mm) if hit else None
        elif self.tool == "move":
            self._stroke = self._drag_from(x, y)
        return self._stroke is not None

    def _stroked(self, phase: str, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        stroke = self._stroke
        if isinstance(stroke, float):
            self._stroke = y
            self.cut_dragged.emit((y - stroke) / max(self.scene.view.height() * self.scene.view.devicePixelRatioF(), 1))
        elif isinstance(stroke, Brush):
            stroke.move(x, y)
            if phase == "end":
                rubs, found = self.tool == "rub", {stroke.start.fragment: stroke.triangles()}
                self._next(lambda: lay_down(self.bench, found, rubs, "Rub out on" if rubs else "Paint on"))
        elif isinstance(stroke, Round):
            stroke.move(self.scene.view.widget_at(x, y))
            if phase == "end":
                self._take_inside(stroke, bool(modifiers & ALT))
        elif isinstance(stroke, Drag):
            pose = stroke.pose(x, y, bool(modifiers & CONTROL))
            self.scene.hand_pose(stroke.fragment, pose)
            self.handles.show(stroke.fragment)
            if phase == "end":
                self.drop(stroke.fragment, pose)
        if phase == "end":
            self._stroke = None

    def _take_inside(self, stroke: Round, takes_away: bool) -> None:
        found = stroke.taken()
        if not found:
            self.bench.said.emit("info", "Nothing lies inside that line.", "Draw it round a part of a fragment.")
            return
        title = "Take away what was drawn round on" if takes_away else "Take what was drawn round on"
        self._next(lambda: lay_down(self.bench, found, takes_away, title))

    # moving

    def _movable(self) -> int | None:
        """The fragment that the handles begin on: the last that was moved, else the last placed one."""
        placements = self.bench.project.placements
        moved = [i for i, p in enumerate(placements) if p.placed_by == "person" and i > 0]
        count = len(self.bench.project.fragments)
        return moved[-1] if moved else count - 1 if count > 1 else None

    def _drag_from(self, x: float, y: float) -> Drag | None:
        handle = self.handles.at(x, y)
        if handle is not None and self.handles.fragment is not None:
            centre = self.handles.centre()
            return Drag(self.scene, self.handles.fragment, centre, x, y, handle, centre)
        hit = self.scene.pick(x, y)
        if hit is None:
            return None
        return Drag(self.scene, hit.fragment, apply(self.scene.poses()[hit.fragment], hit.point[None])[0], x, y)

    def drop(self, fragment: int, world_from_scan: FloatArray) -> None:
        """Leave a fragment where it was moved to."""
        project, poses = self.bench.project, self.scene.poses()
        others = [i for i in range(len(project.fragments)) if i != fragment]
        placed = [i for i in others if project.placements and project.placements[i].part_from_scan is not None]
        beside = (placed or others or [fragment])[0]
        if beside == fragment:
            self.bench.said.emit("info", "There is only one fragment.", "Open the scan of another one to join it to.")
            return
        known = project.placements[beside].part_from_scan if placed else np.eye(4)
        assert known is not None
        part_from_scan = known @ inverse(poses[beside]) @ world_from_scan
        before = poses[beside]
        self.handles.fragment = fragment
        title = f"Move {sentences.letter(fragment)} by hand"
        self.bench.edit(title, lambda p: edits.place_by_hand(p, fragment, part_from_scan, beside))
        self.scene.follow(before, beside)

    def _mesh(self, hit: Hit) -> Mesh:
        return self.bench.project.fragments[hit.fragment].mesh
