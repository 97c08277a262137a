"""Before and after in the view of row 70: the whole, what was made of it, both, or the bodies of the file."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject

from rejoin.app.parts import colours
from rejoin.app.view.drawn import Drawn, draw, matrix, set_colours
from rejoin.app.view.front import Stroke, Words, arrow
from rejoin.app.view.scene import Scene
from rejoin.app.words.in_units import in_units
from rejoin.app.words.make_words import AFTER, BEFORE, BOTH, IN_FILE
from rejoin.core.records import FloatArray, MadePart, Mesh
from rejoin.core.transforms import apply

MADE = "#8fa9a0"
LEAVES, UPRIGHT, LOCKS = "#6c9a80", "#d8b25a", "#b0442e"
"""Draft map: leaves the sand, stands along the pull, locks in the sand."""
LITTLE_DEG = 0.5
"""Below this draft a wall rubs in the sand."""


class MadeView(QObject):
    """Shows one made part beside, or in place of, the whole.

    Attributes
    ----------
    part : MadePart or None
    way : str
        `BEFORE`, `AFTER`, `BOTH` or `IN_FILE`.
    draft_map : bool
    parting : (2, 3) or None
        Point and direction of the parting plane, frame of the part.
    places : list of (words, (3,))
        Picked faces, frame of the part.
    """

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.scene = scene
        self.part: MadePart | None = None
        self.way, self.draft_map = AFTER, True
        self.parting: FloatArray | None = None
        self.places: list[tuple[str, FloatArray]] = []
        self._drawn: dict[Mesh, Drawn] = {}
        self._painted: dict[Mesh, bool] = {}
        scene.moved.connect(self.show)

    def show(self) -> None:
        """Draw anew."""
        active = self.scene.mode == "make" and self.scene.shows_whole()
        world = self.scene.frames()[-1] if active else None
        wanted = [] if world is None else self._wanted(world)
        self._keep([mesh for mesh, _ in wanted])
        for mesh, pose in wanted:
            self._place(mesh, pose)
        if self.scene.whole is not None and active:
            self.scene.whole.actor.SetVisibility(not wanted or self.way == BOTH)
        self._show_front(world)
        self.scene.view.update()

    def _wanted(self, world: FloatArray) -> list[tuple[Mesh, FloatArray]]:
        """What is drawn, each with its world_from_mesh."""
        if self.part is None or self.way == BEFORE:
            return []
        if self.way == IN_FILE:
            low = self.scene.whole.mesh.vertices.min(axis=0) if self.scene.whole else np.zeros(3)
            start = np.array(self.part.bodies[0].mesh.vertices.min(axis=0))
            beside = np.eye(4)
            beside[:3, 3] = apply(world, low[None])[0] - start
            return [(body.mesh, beside) for body in self.part.bodies]
        if self.part.purpose == "cradle":
            return [(body.mesh, world @ np.linalg.inv(body.file_from_part)) for body in self.part.bodies]
        return [(self.part.mesh, world)]

    def _keep(self, meshes: list[Mesh]) -> None:
        for mesh in [known for known in self._drawn if known not in meshes]:
            self.scene.view.renderer.RemoveActor(self._drawn.pop(mesh).actor)
            self._painted.pop(mesh, None)

    def _place(self, mesh: Mesh, pose: FloatArray) -> None:
        drawn = self._drawn.get(mesh)
        if drawn is None:
            drawn = self._drawn[mesh] = draw(mesh)
            look = drawn.actor.GetProperty()
            look.SetAmbient(0.42)
            look.SetDiffuse(0.62)
            look.SetInterpolationToFlat()  # made faces are plane and have large triangles
            self.scene.view.renderer.AddActor(drawn.actor)
        drawn.actor.SetUserMatrix(matrix(pose))
        drawn.actor.GetProperty().SetOpacity(0.4 if self.way == BOTH else 1.0)
        if self._painted.get(mesh) == self.draft_map:
            return
        self._painted[mesh] = self.draft_map
        shown = np.tile(colours.rgb(MADE), (len(drawn.display.mesh.triangles), 1))
        part = self.part
        if self.draft_map and part is not None and part.draft_deg is not None and mesh is part.mesh:
            of_triangle = draft_colours(part.draft_deg)
            display = drawn.display
            shown = of_triangle[display.triangle_of] if display.is_copy else of_triangle
        set_colours(drawn, shown, of_points=False)

    def _show_front(self, world: FloatArray | None) -> None:
        strokes: list[Stroke] = []
        words: list[Words] = []
        if world is not None:
            palette = self.scene.palette
            if self.way != IN_FILE:
                words = [Words(text, apply(world, place[None])[0], palette.on_accent, palette.accent, 14)
                         for text, place in self.places]  # fmt: skip
                strokes = self._plane(world)
            part = self.part
            if part is not None and part.walls and part.purpose != "cradle" and self.way in (AFTER, BOTH):
                thin, *place = part.walls[0]
                told = in_units(f"thinnest wall {thin:.2f} mm", self.scene.units)  # with the digits of the part's note
                words.append(Words(told, apply(world, np.array([place]))[0], palette.card, palette.mark, 13))
        self.scene.front.show("made", strokes, words)

    def _plane(self, world: FloatArray) -> list[Stroke]:
        """The parting plane as a rectangle around the whole, and the pull as a line."""
        if self.parting is None or self.scene.whole is None:
            return []
        point, normal = self.parting
        vertices = self.scene.whole.mesh.vertices
        across = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
        across /= np.linalg.norm(across)
        frame = np.stack([across, np.cross(normal, across)])
        flat = (vertices - point) @ frame.T
        low, high = flat.min(axis=0), flat.max(axis=0)
        room = 0.06 * float((high - low).max())
        low, high = low - room, high + room
        corners = np.array([low, (high[0], low[1]), high, (low[0], high[1]), low])
        colour = self.scene.palette.mark
        middle = point + 0.5 * (low + high) @ frame
        start, end = apply(world, np.array([middle, middle + 4.0 * room * normal]))
        return [Stroke(apply(world, point + corners @ frame), colour, 3.0), *arrow(start, end, colour, width=3.0)]


def draft_colours(draft_deg: FloatArray) -> colours.Bytes:
    """A colour (m, 3) for each triangle by its draft."""
    shown = np.tile(colours.rgb(LEAVES), (len(draft_deg), 1))
    shown[draft_deg < LITTLE_DEG] = colours.rgb(UPRIGHT)
    shown[draft_deg < -0.05] = colours.rgb(LOCKS)
    return shown


def legend() -> str:
    """The colours of the draft map, in words."""
    rows = ((LEAVES, "leaves the sand"), (UPRIGHT, "stands along the pull, rubs"), (LOCKS, "locks in the sand"))
    return "<br>".join(f'<span style="color:{colour}">■</span> {words}' for colour, words in rows)
