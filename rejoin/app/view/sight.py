"""From where the fragments are looked at: the camera, and the view that tells most of a joined part."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
from PySide6.QtCore import QObject
from scipy.spatial import ConvexHull, QhullError

from rejoin.app.view.drawn import Drawn
from rejoin.app.view.widget import View
from rejoin.core.records import FloatArray, Project
from rejoin.core.transforms import apply, turn

Vector = tuple[float, float, float]


class Sight(QObject):
    """The camera's part of the scene.

    Attributes
    ----------
    own : bool
        Whether the person chose how to look, other than to reach what was to be picked: nothing then turns the view.
    """

    def __init__(self, view: View, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.view = view
        self.fragments: dict[int, Drawn] = {}
        self.own = False

    def poses(self) -> dict[int, FloatArray]:
        """world_from_scan of every fragment as shown now."""
        raise NotImplementedError

    def place_letters(self) -> None:
        """Put each fragment's letter where the camera sees it beside its fragment."""

    def look_at_all(self) -> None:
        """Turn the camera to the usual slanting view of everything shown."""
        self.own = False
        self.view.renderer.GetActiveCamera().SetFocalPoint(0, 0, 0)
        self.look_from((0.45, -1.0, 0.55), (0, 0, 1))

    def fit(self) -> None:
        """Bring everything into sight, from where the camera looks."""
        if self.view.ren_win is None:  # closed, while an animation was still under way
            return
        camera, renderer = self.view.renderer.GetActiveCamera(), self.view.renderer
        bounds = np.array(renderer.ComputeVisiblePropBounds()).reshape(3, 2)
        if outlines := self._outlines():  # the boxes of turned fragments are wider than they are
            points = np.concatenate(outlines)
            bounds = np.stack([points.min(axis=0), points.max(axis=0)], axis=1)
        camera.SetViewAngle(30.0)
        if bounds[0, 0] <= bounds[0, 1]:
            renderer.ResetCamera(bounds.ravel().tolist())
            self.place_letters()  # they still stand where the camera last saw them
        for drawn in self.fragments.values():  # the letters stand a little outside
            if drawn.label is not None and drawn.label.GetVisibility() and bounds[0, 0] <= bounds[0, 1]:
                place = np.array(drawn.label.GetPosition())
                bounds = np.stack([np.minimum(bounds[:, 0], place), np.maximum(bounds[:, 1], place)], axis=1)
        renderer.ResetCamera(bounds.ravel().tolist())
        self._come_closer(bounds)
        self.view.renderer.ResetCameraClippingRange()
        self.view.update()

    def _come_closer(self, bounds: FloatArray) -> None:
        """Fill the view: the usual reset leaves room for the fragments turned any other way."""
        points = np.concatenate([*(self._outlines() or [self._corners(bounds)]), *(
            np.array(drawn.label.GetPosition())[None] for drawn in self.fragments.values()
            if drawn.label is not None and drawn.label.GetVisibility())])  # fmt: skip
        reach = self._reach(points)
        if np.isfinite(reach) and reach > 0:
            self.view.renderer.GetActiveCamera().Zoom(float(np.clip(0.86 / reach, 0.5, 2.5)))

    def all_in_sight(self) -> bool:
        """Whether nothing that is shown is cut off by the view's border: fragments, else the box of what is there."""
        outlines = self._outlines()
        if not outlines:
            box = np.array(self.view.renderer.ComputeVisiblePropBounds()).reshape(3, 2)
            outlines = [self._corners(box)] if box[0, 0] <= box[0, 1] else []
        return bool(outlines) and self._reach(np.concatenate(outlines)) <= 1.0

    def _outlines(self) -> list[FloatArray]:
        """Outermost points (k, 3) of every fragment that is shown, world frame."""
        poses = self.poses()
        return [apply(poses[number], drawn.outline) for number, drawn in self.fragments.items()
                if drawn.actor.GetVisibility() and drawn.outline is not None]  # fmt: skip

    def _reach(self, points: FloatArray) -> float:
        """How far from the middle of the view the farthest of some points appears; 1 is its border."""
        half = np.array(self.view.drawn_size()) / 2.0
        return float(np.abs(self.view.project(points)[:, :2] / half - 1.0).max())

    @staticmethod
    def _corners(box: FloatArray) -> FloatArray:
        return np.array([[x, y, z] for x in box[0] for y in box[1] for z in box[2]])

    def look_from(self, direction: Vector, up: Vector) -> None:
        """Look from a direction, all in sight."""
        camera = self.view.renderer.GetActiveCamera()
        focus = np.array(camera.GetFocalPoint())
        camera.SetPosition(*(focus + np.array(direction)))
        camera.SetViewUp(*up)
        self.fit()

    def follow(self, before: FloatArray, fragment: int) -> None:
        """Move the camera along so that a fragment that stood at ``before`` seems not to have moved."""
        shift = (self.poses()[fragment] - before)[:3, 3]
        camera = self.view.renderer.GetActiveCamera()
        camera.SetPosition(*(np.array(camera.GetPosition()) + shift))
        camera.SetFocalPoint(*(np.array(camera.GetFocalPoint()) + shift))
        self.view.renderer.ResetCameraClippingRange()
        self.view.update()


def across_joint(project: Project, fragments: dict[int, Drawn], poses: dict[int, FloatArray]) -> FloatArray | None:
    """The direction (3,) across the first measured joint of fragments that stand at these world_from_scan."""
    if not project.fits:
        return None
    joint = project.joints[project.fits[0].joint]
    drawn = fragments[joint.a].display
    nodes = np.unique(drawn.mesh.triangles[drawn.drawn_triangles(joint.face_a.triangles)])
    mean = turn(poses[joint.a], drawn.normals[nodes].astype(float)).sum(axis=0)
    length = float(np.linalg.norm(mean))
    return np.asarray(mean / length) if length > 0 else None


SLANT = (0.45, 1.0, 0.55)
"""How much of a body's three axes a telling view lies along, in some order."""


def telling_view(
    points: FloatArray, across: FloatArray | None, others: FloatArray | None = None
) -> tuple[Vector, Vector]:
    """From where a body is seen large, slanting, and its joint from the side, and by itself.

    Parameters
    ----------
    points : (n, 3)
        Outermost points of the body, mm, world frame.
    across : (3,) or None
        Unit direction across its joint; None where there is none to be shown.
    others : (m, 3) or None
        Outermost points of what lies beside it, at its left along x.

    Returns
    -------
    direction, up : (3,), (3,)
        Unit vectors towards the person, and upwards as the person sees it: the body's longest axis lies level.
    """
    axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2]
    weights = np.array([np.array(order) * signs for order in permutations(SLANT)
                        for signs in product((-1.0, 1.0), repeat=3)])  # fmt: skip
    directions = weights @ axes / np.linalg.norm(SLANT)
    areas = np.array([_shown_area(points, way) for way in directions])
    seen = np.ones(len(directions)) if across is None else np.sqrt(np.maximum(1.0 - np.square(directions @ across), 0))
    usual = directions @ np.array([0.0, -1.0, 1.0]) / np.sqrt(2.0)  # of equals the one from the front and above
    covered = np.zeros(len(directions))
    if others is not None:
        covered = np.array([_covered(points, others, way) for way in directions])
    free = np.where(covered > 0.0, 0.5 * (1.0 - covered), 1.0)  # half as telling where something may stand before it
    best = directions[np.argmax(areas / max(areas.max(), 1e-12) * seen * free + 0.1 * usual)]
    up = np.cross(best, axes[0])
    up *= (-1.0 if up[2] < 0 else 1.0) / np.linalg.norm(up)
    return _vector(best), _vector(up)


def _covered(points: FloatArray, others: FloatArray, way: FloatArray) -> float:
    """Share of the body's width that what lies at its left may cover, or be covered by, as seen along ``way``."""
    aside = np.array([1.0, 0.0, 0.0]) - way[0] * way
    aside = aside / max(float(np.linalg.norm(aside)), 1e-12)
    body, left = points @ aside, others @ aside
    return float(np.clip((left.max() - body.min()) / max(float(np.ptp(body)), 1e-12), 0.0, 1.0))


def _shown_area(points: FloatArray, way: FloatArray) -> float:
    """Area of the outline of points as seen along ``way``."""
    try:
        return float(ConvexHull(points @ np.linalg.svd(way[None])[2][1:].T).volume)
    except QhullError:  # all on one line
        return 0.0


def _vector(way: FloatArray) -> Vector:
    return float(way[0]), float(way[1]), float(way[2])
