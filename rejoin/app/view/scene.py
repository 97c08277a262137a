"""What the view shows of a project: fragments, faces, gap colours, the whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from weakref import ref

import numpy as np
from PySide6.QtCore import QObject, Signal

from rejoin.app.parts import colours
from rejoin.app.view import tints
from rejoin.app.view.drawn import Drawn, draw, matrix, set_colours, text_actor
from rejoin.app.view.front import Front, Words, arrow
from rejoin.app.view.letters import LETTER, letter_places
from rejoin.app.view.picking import Hit, Picker
from rejoin.app.view.poses import HALF, world_poses
from rejoin.app.view.section import Piece, Section
from rejoin.app.view.sight import Sight, Vector, telling_view
from rejoin.app.view.slip import slips
from rejoin.app.view.widget import View
from rejoin.app.words import joint_words, sentences
from rejoin.core.records import FloatArray, IntArray, Mesh, Project
from rejoin.core.transforms import apply, inverse, turn

OVER, LIFT = 0.35, 12
"""How far the words of an arrow stand above its upper end, clear of its barbs: in half arrows, and half a line more."""
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
        self.gap_limit_mm, self.gap_tolerance_mm = 0.5, 0.0
        self.units = sentences.Units()
        self.tint_whole = True
        self.sizes_on_whole = True
        self.palette = colours.PAPER
        self.whole: Drawn | None = None
        self._hand_pose: dict[int, FloatArray] = {}
        self._gaps: dict[int, tuple[FloatArray, IntArray]] = {}
        self._cut: tuple[float, Vector] | None = None
        self._marks: list[tuple[int, str, FloatArray]] = []
        self._placed = self.poses()
        self.view.renderer.AddObserver("StartEvent", _letters_of(ref(self)))
        self.view.enable_trackball_style()
        self.front, self.section = Front(view), Section(view.renderer)
        self.set_palette(self.palette)

    # what is shown

    def show(self, project: Project) -> None:
        """Show a project; meshes that are the same objects stay where they are."""
        before, self.project = self.project, project
        wanted = {i: f.mesh for i, f in enumerate(project.fragments)}
        for number, drawn in list(self.fragments.items()):
            if wanted.get(number) is not drawn.mesh:
                self._take_out(self.fragments.pop(number))
        for number, mesh in wanted.items():
            if number not in self.fragments:
                self.fragments[number] = self._put_in(mesh, number)
        if self.whole is not None and (project.whole is None or project.whole.mesh is not self.whole.mesh):
            self._take_out(self.whole)
            self.whole = None
        if project.whole is not None and self.whole is None:
            self.whole = self._put_in(project.whole.mesh, None)
        self._hand_pose.clear()
        self.alone.clear()
        if before.fits is not project.fits or before.fragments is not project.fragments:
            self._gaps.clear()
        self.refresh()
        if [id(f.mesh) for f in before.fragments] != [id(f.mesh) for f in project.fragments]:
            self.hidden.clear()
            self.look_at_all()

    def close(self) -> None:
        """Let go of everything drawn: a closed window must not keep it."""
        self.section.clear()
        for drawn in self._all():
            self._take_out(drawn)
        self.fragments.clear()
        self.whole, self.project = None, Project()
        self._gaps.clear()
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
        for drawn in self.fragments.values():
            if drawn.label is not None:
                drawn.label.GetTextProperty().SetColor(*colours.rgb01(palette.ink))
        self._move_all()
        self.view.update()

    def refresh(self) -> None:
        """Colour and place everything anew."""
        shows_whole = self.shows_whole()
        for number, drawn in self.fragments.items():
            visible = not shows_whole and self._is_shown(number)
            drawn.actor.SetVisibility(visible)
            # a darkened colour would not be found on the colour bar again
            drawn.actor.GetProperty().SetAmbient(0.65 if self.mode == "gap" else 0.42)
            drawn.actor.GetProperty().SetDiffuse(0.38 if self.mode == "gap" else 0.62)
            if drawn.label is not None:
                drawn.label.SetVisibility(visible)
                drawn.label.GetTextProperty().SetColor(*colours.rgb01(self.palette.ink))
            if visible:
                self._colour_fragment(number, drawn)
        if self.whole is not None:
            self.whole.actor.SetVisibility(shows_whole)
            self.whole.actor.GetProperty().SetAmbient(0.42)
            self.whole.actor.GetProperty().SetDiffuse(0.62)
            if shows_whole:
                self._colour_whole(self.whole)
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
        return {**stands, -1: self._world_from_part()}

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
        self._colour_fragment(fragment, drawn)
        self.view.update()

    def clear_tints(self) -> None:
        for number, drawn in self.fragments.items():
            if drawn.tints:
                drawn.tints.clear()
                self._colour_fragment(number, drawn)
        self.view.update()

    def gap_at(self, hit: Hit) -> float | None:
        """The gap at a point of a fragment, or None where none was measured."""
        corner = self.fragments[hit.fragment].mesh.triangles[hit.triangle]
        value = self._gap_of(hit.fragment)[0][corner]
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
        self.look_from(*telling_view(points, self.joint_direction(joined), others))

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

    def joint_direction(self, poses: Sequence[FloatArray] | dict[int, FloatArray] | None = None) -> FloatArray | None:
        """The direction (3,) across the first measured joint, as shown now or with other world_from_scan ``poses``."""
        if not self.project.fits:
            return None
        joint = self.project.joints[self.project.fits[0].joint]
        drawn = self.fragments[joint.a].display
        nodes = np.unique(drawn.mesh.triangles[drawn.drawn_triangles(joint.face_a.triangles)])
        mean = turn((poses or self.poses())[joint.a], drawn.normals[nodes].astype(float)).sum(axis=0)
        length = float(np.linalg.norm(mean))
        return np.asarray(mean / length) if length > 0 else None

    def _cut_open(self) -> None:
        for drawn in self._all():
            drawn.mapper.RemoveAllClippingPlanes()
        self.section.clear()
        if self._cut is not None and self.mode == "gap" and self.shown():
            share, direction = self._cut
            normal = np.array(direction, float)
            normal /= np.linalg.norm(normal)
            bounds = self.bounds()
            reach = float(np.abs(normal) @ (bounds[1] - bounds[0]))
            origin = bounds.mean(axis=0) + normal * (share - 0.5) * reach
            poses, size = self.poses(), float(np.linalg.norm(bounds[1] - bounds[0]))
            gaps = {i: self._gap_of(i)[0] if self.project.fits else None for i in self.shown()}
            pieces = [Piece(mesh, poses[i], self.fragments[i].colour, gaps[i]) for i, mesh in self.shown().items()]
            self.section.show(origin, normal, pieces, self.gap_limit_mm, self.gap_tolerance_mm, self.palette.ink, size)
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
        strokes, said = [], []
        cut = self._cut is not None and self.mode == "gap"
        # beyond half way the fragments turn back to how they lay on the bench
        whole_way = self.apart <= HALF and not self.alone
        if self.mode in ("join", "gap") and whole_way and not cut and not self._hand_pose and self.shown():
            world = self._world_from_part()
            for slip in slips(self.project):
                joint = self.project.joints[slip.joint]
                if {joint.a, joint.b} & self.hidden:
                    continue
                at = apply(poses[slip.fragment], slip.point_mm[None])[0]
                way = world[:3, :3] @ slip.direction
                strokes += arrow(at - way * slip.drawn_mm, at + way * slip.drawn_mm, self.palette.mark, both_ends=True)
                over = (1.0 if way[2] >= 0 else -1.0) * way + [0.0, 0.0, OVER]
                title = joint_words.joint_title(self.project, joint)
                said.append(Words(f"{title} may be off ± {self.units.length(slip.told_mm)}", at + slip.drawn_mm * over,
                                  self.palette.card, self.palette.mark, 14, lift=LIFT))  # fmt: skip
        self.front.show("slips", strokes, said)

    # drawing

    def _all(self) -> list[Drawn]:
        return [*self.fragments.values(), *([self.whole] if self.whole else [])]

    def _put_in(self, mesh: Mesh, number: int | None) -> Drawn:
        drawn = draw(mesh)
        if number is not None:
            drawn.colour = colours.FRAGMENTS[number % len(colours.FRAGMENTS)]
            drawn.label = text_actor(sentences.letter(number), LETTER)
            self.front.renderer.AddActor(drawn.label)
        self.view.renderer.AddActor(drawn.actor)
        return drawn

    def _take_out(self, drawn: Drawn) -> None:
        self.view.renderer.RemoveActor(drawn.actor)
        if drawn.label is not None:
            self.front.renderer.RemoveActor(drawn.label)

    def _colour_fragment(self, number: int, drawn: Drawn) -> None:
        if self.mode == "gap" and self.project.fits:
            limits = self.gap_limit_mm, self.gap_tolerance_mm
            set_colours(drawn, tints.gap_colours(drawn, *self._gap_of(number), *limits), of_points=True)
            return
        faces = tints.strengths(self.project, number, self.mode) if self.mode in ("faces", "join") else []
        set_colours(drawn, tints.face_colours(drawn, faces), of_points=False)

    def _colour_whole(self, drawn: Drawn) -> None:
        whole = self.project.whole
        shown = np.tile(colours.rgb(colours.FRAGMENTS[0]), (len(drawn.display.mesh.triangles), 1))
        if whole is not None and self.tint_whole:
            shown[drawn.display.drawn_triangles(whole.seam_triangles)] = colours.rgb(colours.SEAM)
            shown[drawn.display.drawn_triangles(whole.filled_triangles)] = colours.rgb(colours.FILLED)
        set_colours(drawn, shown, of_points=False)

    def _gap_of(self, number: int) -> tuple[FloatArray, IntArray]:
        if number not in self._gaps:
            self._gaps[number] = tints.gaps_of(self.project, number)
        return self._gaps[number]

    def _world_from_part(self) -> FloatArray:
        joined = world_poses(self.project, 0.0)
        for pose, placement in zip(joined, self.project.placements, strict=False):
            if placement.part_from_scan is not None:
                return pose @ inverse(placement.part_from_scan)
        return np.eye(4)

    def place_letters(self) -> None:
        """Before each frame: over the fragments as the camera sees them."""
        shown = [
            (drawn.label, apply(self._placed[number], drawn.outline)) for number, drawn in self.fragments.items()
            if drawn.label is not None and drawn.outline is not None and drawn.label.GetVisibility()
        ]  # fmt: skip
        camera = self.view.renderer.GetActiveCamera()
        high = round(self.view.drawn_size()[1] / self.view.devicePixelRatioF())  # letters grow with the screen's scale
        for (label, _), place in zip(shown, letter_places(camera, high, [o for _, o in shown]), strict=True):
            label.SetPosition(*place)
        self.front.keep_in_sight()

    def _move_all(self) -> None:
        poses = self._placed = self.poses()
        for number, drawn in self.fragments.items():
            drawn.actor.SetUserMatrix(matrix(poses[number]))
        if self.whole is not None:
            self.whole.actor.SetUserMatrix(matrix(self._world_from_part()))
        self._show_front(poses)
        if self._cut is not None:
            self.set_cut(*self._cut)
        self.moved.emit()
        self.view.renderer.ResetCameraClippingRange()


def _letters_of(scene: ref[Scene]) -> Callable[..., None]:
    """What the renderer does before each frame; it must not keep a closed window alive."""

    def place(*_: object) -> None:
        there = scene()
        if there is not None:
            there.place_letters()

    return place
