"""What the view shows of a project: fragments, faces, gap colours, the whole."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject, Signal

from rejoin.app.parts import colours
from rejoin.app.view.colouring import Colouring
from rejoin.app.view.drawn import Drawn
from rejoin.app.view.front import Front, Words
from rejoin.app.view.picking import Hit, Picker
from rejoin.app.view.poses import HALF, world_from_part, world_poses
from rejoin.app.view.section import Piece, Section, plane_at
from rejoin.app.view.sight import Sight, Vector, across_joint, telling_view
from rejoin.app.view.slip_arrows import slip_arrows
from rejoin.app.view.stage import Stage
from rejoin.app.view.widget import View
from rejoin.app.words import sentences
from rejoin.core.records import FloatArray, IntArray, Mesh, Project
from rejoin.core.transforms import apply

MODES = ("scans", "faces", "join", "gap", "whole", "dimensions", "make")


class Scene(Sight):
    """Keeps the view's actors in step with the project.

    Attributes
    ----------
    mode : str
        One of `MODES`: which row of the job card is being looked at.
    apart : float
        0 joined, 1 on the bench.
    alone : dict of int to (4, 4)
        Fragments that are shown alone, and where: world_from_scan. Empty where all stand in their places.
    sizes_on_whole : bool
        Whether dimensions are picked on the whole, where there is one, or on the fragments.
    moved : Signal()
        Something was coloured or placed anew.
    """

    moved = Signal()

    def __init__(self, view: View, parent: QObject | None = None) -> None:
        super().__init__(view, parent)
        self.picker = Picker()
        self.project = Project()
        self.mode, self.apart = "scans", 1.0
        self.hidden: set[int] = set()
        self.alone: dict[int, FloatArray] = {}
        self.colouring = Colouring()
        self.units = sentences.Units()
        self.sizes_on_whole = True
        self.palette = colours.PAPER
        self._hand_pose: dict[int, FloatArray] = {}
        self._cut: tuple[float, Vector] | None = None
        self._marks: list[tuple[int, str, FloatArray]] = []
        self.view.enable_trackball_style()
        self.front, self.section = Front(view), Section(view.renderer)
        self.stage = Stage(view, self.front)
        self.fragments = self.stage.fragments
        self.set_palette(self.palette)

    @property
    def whole(self) -> Drawn | None:
        """The whole as it is drawn."""
        return self.stage.whole

    # what is shown

    def show(self, project: Project) -> None:
        """Show a project; meshes that are the same objects stay where they are."""
        before, self.project = self.project, project
        self.stage.hold(project)
        self._hand_pose.clear()
        self.alone.clear()
        if before.fits is not project.fits or before.fragments is not project.fragments:
            self.colouring.forget()
        self.refresh()
        if [id(f.mesh) for f in before.fragments] != [id(f.mesh) for f in project.fragments]:
            self.hidden.clear()
            self.look_at_all()

    def close(self) -> None:
        """Let go of everything drawn: a closed window must not keep it."""
        self.section.clear()
        self.stage.empty()
        self.project = Project()
        self.colouring.forget()
        self.moved.emit()  # what others drew goes too
        self.front.close()

    def set_mode(self, mode: str) -> None:
        if mode != self.mode:
            self.mode = mode
            if mode not in ("join", "gap"):
                self.alone.clear()
            self.refresh()

    def set_apart(self, apart: float) -> None:
        self.apart = apart
        self._hand_pose.clear()
        if self.alone:
            self.show_alone({})
        self._move_all()
        self.view.update()

    def show_alone(self, poses: dict[int, FloatArray]) -> None:
        """Show some fragments alone, at these world_from_scan; with none, all where they belong."""
        self.alone = poses
        self.refresh()

    def set_hidden(self, fragment: int, hidden: bool) -> None:
        (self.hidden.add if hidden else self.hidden.discard)(fragment)
        self.refresh()

    def set_palette(self, palette: colours.Palette) -> None:
        self.palette = palette
        self.view.renderer.SetBackground(*colours.rgb01(palette.ground))
        self.view.renderer.SetBackground2(*colours.rgb01(palette.sky))
        self.view.renderer.GradientBackgroundOn()
        self.stage.ink(palette.ink)
        self._move_all()
        self.view.update()

    def refresh(self) -> None:
        """Colour and place everything anew."""
        shows_whole = self.shows_whole()
        self.stage.ink(self.palette.ink)
        for number, drawn in self.fragments.items():
            visible = not shows_whole and self._is_shown(number)
            drawn.actor.SetVisibility(visible)
            self.colouring.light(drawn, self.mode)
            if drawn.label is not None:
                drawn.label.SetVisibility(visible)
            if visible:
                self.colouring.colour(drawn, self.project, number, self.mode)
        if self.whole is not None:
            self.whole.actor.SetVisibility(shows_whole)
            self.colouring.light(self.whole, "whole")
            if shows_whole:
                self.colouring.colour_whole(self.whole, self.project)
        self._move_all()
        self.view.update()

    # under the pointer

    def poses(self) -> dict[int, FloatArray]:
        """world_from_scan of every fragment as shown now."""
        stands = enumerate(world_poses(self.project, self.apart))
        return {i: self._hand_pose.get(i, self.alone.get(i, pose)) for i, pose in stands}

    def shows_whole(self) -> bool:
        """Whether the whole is shown in place of the fragments."""
        wanted = self.mode in ("whole", "make") or (self.mode == "dimensions" and self.sizes_on_whole)
        return wanted and self.whole is not None

    def frames(self) -> dict[int, FloatArray]:
        """world_from_scan of every fragment as shown now, in the whole where that is shown; world_from_part at -1."""
        stands = dict(enumerate(world_poses(self.project, 0.0))) if self.shows_whole() else self.poses()
        return {**stands, -1: world_from_part(self.project)}

    def all_in_sight(self) -> bool:
        """As of fragments, of the whole where it is shown."""
        if self.shows_whole() and self.whole is not None and self.whole.outline is not None:
            return self._reach(apply(self.frames()[-1], self.whole.outline)) <= 1.0
        return super().all_in_sight()

    def shown(self) -> dict[int, Mesh]:
        """The fragments that can be seen and pointed at."""
        if self.shows_whole():
            return {}
        return {i: d.mesh for i, d in self.fragments.items() if self._is_shown(i)}

    def _is_shown(self, number: int) -> bool:
        return number in self.alone if self.alone else number not in self.hidden

    def pick(self, x: float, y: float) -> Hit | None:
        """The fragment, triangle and point at a display position."""
        return self.picker.pick(self.shown(), self.poses(), *self.view.ray(x, y))

    def tint(self, fragment: int, name: str, triangles: IntArray | None, drawn_ones: bool = False) -> None:
        """Lay a passing tint over some triangles, of the scan or of what is drawn; None takes it away."""
        drawn = self.fragments.get(fragment)
        if drawn is None or (triangles is None and name not in drawn.tints):
            return
        if triangles is None:
            drawn.tints.pop(name, None)
        else:
            drawn.tints[name] = triangles if drawn_ones else drawn.display.drawn_triangles(triangles)
        self.colouring.colour(drawn, self.project, fragment, self.mode)
        self.view.update()

    def clear_tints(self) -> None:
        for number, drawn in self.fragments.items():
            if drawn.tints:
                drawn.tints.clear()
                self.colouring.colour(drawn, self.project, number, self.mode)
        self.view.update()

    def gap_at(self, hit: Hit) -> float | None:
        """The gap at a point of a fragment, or None where none was measured."""
        corner = self.fragments[hit.fragment].mesh.triangles[hit.triangle]
        value = self.colouring.gap_of(self.project, hit.fragment)[0][corner]
        return float(np.mean(value)) if np.isfinite(value).all() else None

    def hand_pose(self, fragment: int, world_from_scan: FloatArray) -> None:
        """Show a fragment elsewhere while it is dragged, or while a candidate is looked at."""
        self._hand_pose[fragment] = world_from_scan
        self._move_all()
        self.view.update()

    def look_at_joined(self) -> None:
        """Turn the camera to the view that tells most of the joined part, unless the person chose a view."""
        placed = [i for i, p in enumerate(self.project.placements) if p.part_from_scan is not None]
        outlines = [(i, self.fragments[i].outline) for i in placed if i in self.fragments]
        if self.own or not outlines:
            return
        joined = world_poses(self.project, 0.0)
        points = np.concatenate([apply(joined[i], outline) for i, outline in outlines if outline is not None])
        left = [apply(joined[i], drawn.outline) for i, drawn in self.fragments.items()
                if i not in placed and i not in self.hidden and drawn.outline is not None]  # fmt: skip
        others = np.concatenate(left) if left else None
        across = across_joint(self.project, self.fragments, dict(enumerate(joined)))
        self.look_from(*telling_view(points, across, others))

    # the cut

    def set_cut(self, share: float | None, normal: Vector = (0, 1, 0)) -> None:
        """Cut everything open by a plane at a share of its extent, or not at all."""
        self._cut = None if share is None else (share, normal)
        self._show_front(self.poses())  # an arrow would hide the section
        self._cut_open()

    def bounds(self) -> FloatArray:
        """Low and high corner (2, 3) of the fragments as shown now."""
        boxes = [np.array(self.fragments[i].actor.GetBounds()).reshape(3, 2).T for i in self.shown()]
        return np.stack([np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)])

    def joint_direction(self) -> FloatArray | None:
        """As `across_joint`, of what is shown now."""
        return across_joint(self.project, self.fragments, self.poses())

    def _cut_open(self) -> None:
        for drawn in self.stage.all():
            drawn.mapper.RemoveAllClippingPlanes()
        self.section.clear()
        if self._cut is not None and self.mode == "gap" and self.shown():
            bounds, poses, paint = self.bounds(), self.poses(), self.colouring
            gaps = {i: paint.gap_of(self.project, i)[0] if self.project.fits else None for i in self.shown()}
            pieces = [Piece(mesh, poses[i], self.fragments[i].colour, gaps[i]) for i, mesh in self.shown().items()]
            self.section.show(*plane_at(bounds, *self._cut), pieces, paint.gap_limit_mm, paint.gap_tolerance_mm,
                              self.palette.ink, float(np.linalg.norm(bounds[1] - bounds[0])))  # fmt: skip
            for drawn in self.fragments.values():
                drawn.mapper.AddClippingPlane(self.section.plane)
        self.view.update()

    # marks and arrows

    def show_marks(self, marks: list[tuple[int, str, FloatArray]]) -> None:
        """Show numbered marks: (fragment, text, point in its scan's frame)."""
        self._marks = marks
        self._move_all()
        self.view.update()

    def _show_front(self, poses: dict[int, FloatArray]) -> None:
        ink, ground = self.palette.on_accent, self.palette.accent
        words = [Words(text, apply(poses[f], point[None])[0], ink, ground) for f, text, point in self._marks
                 if f in poses and self._is_shown(f)]  # fmt: skip
        self.front.show("marks", words=words)
        cut = self._cut is not None and self.mode == "gap"
        # beyond half way the fragments turn back to how they lay on the bench
        whole_way = self.apart <= HALF and not self.alone
        seen = self.mode in ("join", "gap") and whole_way and not cut and not self._hand_pose and self.shown()
        arrows = slip_arrows(self.project, poses, self.hidden, self.palette, self.units) if seen else ((), ())
        self.front.show("slips", *arrows)

    def place_letters(self) -> None:
        """As `Stage.place_letters`."""
        self.stage.place_letters()

    def _move_all(self) -> None:
        poses = self.poses()
        self.stage.place(poses, world_from_part(self.project))
        self._show_front(poses)
        if self._cut is not None:
            self.set_cut(*self._cut)
        self.moved.emit()
        self.view.renderer.ResetCameraClippingRange()
