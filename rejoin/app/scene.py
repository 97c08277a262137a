"""What the view shows of a project: fragments in their poses, tints, gap colours, the whole."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject
from vtkmodules.vtkCommonDataModel import vtkPlane
from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D, vtkRenderer

from rejoin.app import colours, sentences
from rejoin.app.drawn import Drawn, above, draw, matrix, set_colours, text_actor
from rejoin.app.picking import Hit, Picker
from rejoin.app.poses import world_poses
from rejoin.app.view import View
from rejoin.core.records import FloatArray, FractureFace, IntArray, Mesh, Project
from rejoin.core.transforms import inverse

MODES = ("scans", "faces", "join", "gap", "whole")


class Scene(QObject):
    """Keeps the view's actors in step with the project.

    Attributes
    ----------
    mode : str
        One of `MODES`: which row of the job card is being looked at.
    apart : float
        0 joined, 1 on the bench.
    """

    def __init__(self, view: View, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.view, self.picker = view, Picker()
        self.project = Project()
        self.mode, self.apart = "scans", 1.0
        self.hidden: set[int] = set()
        self.gap_limit_mm, self.gap_tolerance_mm = 0.5, 0.0
        self.units = sentences.Units()
        self.tint_whole = True
        self._palette = colours.PAPER
        self._fragments: dict[int, Drawn] = {}
        self._whole: Drawn | None = None
        self._hover: Hit | None = None
        self._hand_pose: dict[int, FloatArray] = {}
        self._plane = vtkPlane()
        self._cut: float | None = None
        self._marks: list[tuple[int, vtkBillboardTextActor3D, FloatArray]] = []
        self.view.enable_trackball_style()
        # letters and marks must not vanish behind the fragments: a layer of their own, drawn last
        self._front = vtkRenderer()
        self._front.SetLayer(1)
        self._front.InteractiveOff()
        self._front.SetActiveCamera(self.view.renderer.GetActiveCamera())
        self.view.ren_win.SetNumberOfLayers(2)
        self.view.ren_win.AddRenderer(self._front)
        self.set_palette(self._palette)

    # what is shown

    def show(self, project: Project) -> None:
        """Show a project; meshes that are the same objects stay where they are."""
        before, self.project = self.project, project
        wanted = {i: f.mesh for i, f in enumerate(project.fragments)}
        for number, drawn in list(self._fragments.items()):
            if wanted.get(number) is not drawn.mesh:
                self._take_out(self._fragments.pop(number))
        for number, mesh in wanted.items():
            if number not in self._fragments:
                self._fragments[number] = self._put_in(mesh, number)
        if self._whole is not None and (project.whole is None or project.whole.mesh is not self._whole.mesh):
            self._take_out(self._whole)
            self._whole = None
        if project.whole is not None and self._whole is None:
            self._whole = self._put_in(project.whole.mesh, None)
        self._hand_pose.clear()
        self._hover = None
        self.refresh()
        if [id(f.mesh) for f in before.fragments] != [id(f.mesh) for f in project.fragments]:
            self.hidden.clear()
            self.look_at_all()

    def set_mode(self, mode: str) -> None:
        self.mode = mode
        self._hover = None
        self.refresh()

    def set_apart(self, apart: float) -> None:
        self.apart = apart
        self._hand_pose.clear()
        self._move_all()
        self.view.update()

    def set_hidden(self, fragment: int, hidden: bool) -> None:
        (self.hidden.add if hidden else self.hidden.discard)(fragment)
        self.refresh()

    def set_palette(self, palette: colours.Palette) -> None:
        self._palette = palette
        self.view.renderer.SetBackground(*colours.rgb01(palette.ground))
        self.view.renderer.SetBackground2(*colours.rgb01(palette.sky))
        self.view.renderer.GradientBackgroundOn()
        self.refresh()

    def refresh(self) -> None:
        """Colour and place everything anew."""
        shows_whole = self.mode == "whole" and self._whole is not None
        for number, drawn in self._fragments.items():
            visible = not shows_whole and number not in self.hidden
            drawn.actor.SetVisibility(visible)
            # a darkened colour would not be found on the colour bar again
            drawn.actor.GetProperty().SetAmbient(0.65 if self.mode == "gap" else 0.42)
            drawn.actor.GetProperty().SetDiffuse(0.38 if self.mode == "gap" else 0.62)
            if drawn.label is not None:
                drawn.label.SetVisibility(visible)
                drawn.label.GetTextProperty().SetColor(*colours.rgb01(self._palette.ink))
            self._colour_fragment(number, drawn)
        if self._whole is not None:
            self._whole.actor.SetVisibility(shows_whole)
            self._whole.actor.GetProperty().SetAmbient(0.42)
            self._whole.actor.GetProperty().SetDiffuse(0.62)
            self._colour_whole(self._whole)
        self._move_all()
        self.view.update()

    def look_at_all(self) -> None:
        """Turn the camera to the usual slanting view of everything shown."""
        self.view.renderer.GetActiveCamera().SetFocalPoint(0, 0, 0)
        self.look_from((0.45, -1.0, 0.55), (0, 0, 1))

    def fit(self) -> None:
        """Bring everything into sight, from where the camera looks."""
        bounds = np.array(self.view.renderer.ComputeVisiblePropBounds()).reshape(3, 2)
        for drawn in self._fragments.values():  # the letters stand a little outside
            if drawn.label is not None and drawn.label.GetVisibility() and bounds[0, 0] <= bounds[0, 1]:
                place = np.array(drawn.label.GetPosition())
                bounds = np.stack([np.minimum(bounds[:, 0], place), np.maximum(bounds[:, 1], place)], axis=1)
        self.view.renderer.ResetCamera(bounds.ravel().tolist())
        self.view.renderer.GetActiveCamera().Zoom(1.15)
        self.view.renderer.ResetCameraClippingRange()
        self.view.update()

    def look_from(self, direction: tuple[float, float, float], up: tuple[float, float, float]) -> None:
        """Look from a direction, all in sight."""
        camera = self.view.renderer.GetActiveCamera()
        focus = np.array(camera.GetFocalPoint())
        camera.SetPosition(*(focus + np.array(direction)))
        camera.SetViewUp(*up)
        self.fit()

    # under the pointer

    def poses(self) -> dict[int, FloatArray]:
        """world_from_scan of every fragment as shown now."""
        return {i: self._hand_pose.get(i, pose) for i, pose in enumerate(world_poses(self.project, self.apart))}

    def pick(self, x: float, y: float) -> Hit | None:
        """The fragment, triangle and point at a display position."""
        if self.mode == "whole" and self._whole is not None:
            return None
        meshes = {i: d.mesh for i, d in self._fragments.items() if i not in self.hidden}
        return self.picker.pick(meshes, self.poses(), *self.view.ray(x, y))

    def tint(self, fragment: int, name: str, triangles: IntArray | None, colour: str = colours.FACE_HOVER) -> None:
        """Lay a passing tint over some triangles; None takes it away."""
        drawn = self._fragments.get(fragment)
        if drawn is None or (triangles is None and name not in drawn.tints):
            return
        if triangles is None:
            drawn.tints.pop(name, None)
        else:
            drawn.tints[name] = triangles
        self._colour_fragment(fragment, drawn)
        self.view.update()

    def clear_tints(self) -> None:
        for number, drawn in self._fragments.items():
            if drawn.tints:
                drawn.tints.clear()
                self._colour_fragment(number, drawn)
        self.view.update()

    def gap_at(self, hit: Hit) -> float | None:
        """The gap at a point of a fragment, or None where none was measured."""
        corner = self._fragments[hit.fragment].mesh.triangles[hit.triangle]
        value = self._gap_of(hit.fragment)[corner]
        return float(np.mean(value)) if np.isfinite(value).all() else None

    def hand_pose(self, fragment: int, world_from_scan: FloatArray) -> None:
        """Show a fragment elsewhere while it is dragged."""
        self._hand_pose[fragment] = world_from_scan
        self._move_all()
        self.view.update()

    def follow(self, before: FloatArray, fragment: int) -> None:
        """Move the camera along so that a fragment that stood at ``before`` seems not to have moved."""
        shift = (self.poses()[fragment] - before)[:3, 3]
        camera = self.view.renderer.GetActiveCamera()
        camera.SetPosition(*(np.array(camera.GetPosition()) + shift))
        camera.SetFocalPoint(*(np.array(camera.GetFocalPoint()) + shift))
        self.view.renderer.ResetCameraClippingRange()
        self.view.update()

    def set_cut(self, share: float | None, normal: tuple[float, float, float] = (0, 1, 0)) -> None:
        """Cut everything open by a plane at a share of its extent, or not at all."""
        self._cut = share
        for drawn in self._all():
            drawn.mapper.RemoveAllClippingPlanes()
        if share is not None:
            bounds = np.array(self.view.renderer.ComputeVisiblePropBounds()).reshape(3, 2)
            direction = np.array(normal, float)
            middle = bounds.mean(axis=1)
            reach = np.abs(direction) @ (bounds[:, 1] - bounds[:, 0])
            self._plane.SetOrigin(*(middle + direction * (share - 0.5) * reach))
            self._plane.SetNormal(*direction)
            for drawn in self._all():
                drawn.mapper.AddClippingPlane(self._plane)
        self.view.update()

    def show_marks(self, marks: list[tuple[int, str, FloatArray]]) -> None:
        """Show numbered marks: (fragment, text, point in its scan's frame)."""
        for _, actor, _ in self._marks:
            self._front.RemoveActor(actor)
        self._marks = []
        for fragment, text, point in marks:
            actor = text_actor(f" {text} ", 15)
            look = actor.GetTextProperty()
            look.SetColor(*colours.rgb01(self._palette.on_accent))
            look.SetBackgroundColor(*colours.rgb01(self._palette.accent))
            look.SetBackgroundOpacity(1.0)
            self._front.AddActor(actor)
            self._marks.append((fragment, actor, point))
        self._move_all()
        self.view.update()

    # drawing

    def _all(self) -> list[Drawn]:
        return [*self._fragments.values(), *([self._whole] if self._whole else [])]

    def _put_in(self, mesh: Mesh, number: int | None) -> Drawn:
        drawn = draw(mesh)
        if number is not None:
            drawn.colour = colours.FRAGMENTS[number % len(colours.FRAGMENTS)]
            drawn.label = text_actor(sentences.letter(number), 26)
            self._front.AddActor(drawn.label)
        self.view.renderer.AddActor(drawn.actor)
        return drawn

    def _take_out(self, drawn: Drawn) -> None:
        self.view.renderer.RemoveActor(drawn.actor)
        if drawn.label is not None:
            self._front.RemoveActor(drawn.label)

    def _colour_fragment(self, number: int, drawn: Drawn) -> None:
        if self.mode == "gap" and self.project.fits:
            gap = self._gap_of(number)
            shown = np.tile(colours.rgb(drawn.colour), (len(gap), 1))
            facing = self._facing(number)
            shown[facing] = colours.gap_colours(gap[facing], self.gap_limit_mm, self.gap_tolerance_mm)
            set_colours(drawn, shown, of_points=True)
            return
        shown = np.tile(colours.rgb(drawn.colour), (len(drawn.mesh.triangles), 1))
        if self.mode in ("faces", "join"):
            for face, strength in self._strengths(number):
                shown[face.triangles] = colours.blend(drawn.colour, colours.FACE, strength)
        for triangles in drawn.tints.values():
            shown[triangles] = colours.rgb(colours.FACE_HOVER)
        set_colours(drawn, shown, of_points=False)

    def _strengths(self, number: int) -> list[tuple[FractureFace, float]]:
        """Faces of a fragment and how strongly to tint them, faint ones first: the program only ranks its finds."""
        used = [(face, 1.0) for face in sentences.in_joints(self.project) if face.fragment == number]
        if used or self.mode == "join":
            return used
        own = [face for face in self.project.faces if face.fragment == number]
        ranked = [(face, 1.0 if face.chosen_by == "person" else max(0.85 * 0.6**i, 0.1)) for i, face in enumerate(own)]
        return ranked[::-1]

    def _colour_whole(self, drawn: Drawn) -> None:
        whole = self.project.whole
        shown = np.tile(colours.rgb(colours.FRAGMENTS[0]), (len(drawn.mesh.triangles), 1))
        if whole is not None and self.tint_whole:
            shown[whole.seam_triangles] = colours.rgb(colours.SEAM)
            shown[whole.filled_triangles] = colours.rgb(colours.FILLED)
        set_colours(drawn, shown, of_points=False)

    def _gap_of(self, number: int) -> FloatArray:
        gap = np.full(len(self._fragments[number].mesh.vertices), np.nan)
        for fit in self.project.fits:
            joint = self.project.joints[fit.joint]
            if joint.a == number:
                gap[fit.vertices_a] = fit.gap_a_mm
            if joint.b == number:
                gap[fit.vertices_b] = fit.gap_b_mm
        return gap

    def _facing(self, number: int) -> IntArray:
        found = [np.empty(0, np.int32)]
        for fit in self.project.fits:
            joint = self.project.joints[fit.joint]
            found += [fit.vertices_a] if joint.a == number else []
            found += [fit.vertices_b] if joint.b == number else []
        return np.unique(np.concatenate(found))

    def _world_from_part(self) -> FloatArray:
        joined = world_poses(self.project, 0.0)
        for pose, placement in zip(joined, self.project.placements, strict=False):
            if placement.part_from_scan is not None:
                return pose @ inverse(placement.part_from_scan)
        return np.eye(4)

    def _move_all(self) -> None:
        poses = self.poses()
        for number, drawn in self._fragments.items():
            pose = poses[number]
            drawn.actor.SetUserMatrix(matrix(pose))
            if drawn.label is not None:
                drawn.label.SetPosition(*above(self.project.fragments[number], pose))
        if self._whole is not None:
            self._whole.actor.SetUserMatrix(matrix(self._world_from_part()))
        for fragment, actor, point in self._marks:
            actor.SetVisibility(fragment in poses and fragment not in self.hidden)
            if fragment in poses:
                actor.SetPosition(*(poses[fragment][:3, :3] @ point + poses[fragment][:3, 3]))
        self.view.renderer.ResetCameraClippingRange()
