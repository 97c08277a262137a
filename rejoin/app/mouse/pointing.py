"""Clicks on the whole or on a fragment, one after the other, until there are as many as are wanted."""

from __future__ import annotations

from PySide6.QtCore import QObject, Qt, Signal

from rejoin.app.mouse.tools import Tools
from rejoin.app.view.front import Words
from rejoin.app.view.picking import Hit
from rejoin.app.view.scene import Scene
from rejoin.core.transforms import apply


class Pointing(QObject):
    """A tool of the mouse that gathers points.

    Attributes
    ----------
    picked : Signal(tuple of Hit)
        As many as were wanted; the fragment of a hit on the whole is -1.
    changed : Signal()
        Begun, one point more, or given up.
    """

    picked = Signal(object)
    changed = Signal()

    def __init__(self, tools: Tools, name: str) -> None:
        super().__init__(tools)
        self.tools, self.scene, self.name = tools, tools.scene, name
        self.wanted = 1
        self.hits: list[Hit] = []
        self.scene.view.clicked.connect(self._clicked)
        self.scene.moved.connect(self._show)
        tools.tool_changed.connect(self._tool)

    @property
    def active(self) -> bool:
        return self.tools.tool == self.name

    def begin(self, wanted: int) -> None:
        """Take this tool into the hand."""
        self.wanted, self.hits = wanted, []
        self.tools.choose(self.name)

    def stop(self) -> None:
        """Put it down, if it is in the hand."""
        if self.active:
            self.tools.choose("look")

    def _clicked(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        if not self.active or self.tools.bench.jobs.busy:
            return
        hit = pick(self.scene, x, y)
        if hit is None:
            self.tools.bench.said.emit("info", "There is nothing under the pointer.", "Click on the surface itself.")
            return
        self.hits.append(hit)
        if len(self.hits) < self.wanted:
            self._show()
            self.changed.emit()
            return
        found, self.hits = tuple(self.hits), []
        self._show()
        self.changed.emit()
        self.picked.emit(found)

    def _tool(self, tool: str) -> None:
        if tool != self.name:
            self.hits = []
        self._show()
        self.changed.emit()

    def _show(self) -> None:
        group = f"picks of {self.name}"
        if not self.hits and not self.scene.front.shows(group):
            return  # the scene moves often
        frames, palette = self.scene.frames(), self.scene.palette
        self.scene.front.show(group, words=[
            Words(str(n), apply(frames[hit.fragment], hit.point[None])[0], palette.on_accent, palette.accent)
            for n, hit in enumerate(self.hits, 1) if hit.fragment in frames
        ])  # fmt: skip
        self.scene.view.update()


def pick(scene: Scene, x: float, y: float) -> Hit | None:
    """What lies at a display position, on the whole too."""
    if not scene.shows_whole():
        return scene.pick(x, y)
    assert scene.whole is not None
    return scene.picker.pick({-1: scene.whole.mesh}, {-1: scene.frames()[-1]}, *scene.view.ray(x, y))
