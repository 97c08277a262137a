"""From where the fragments are looked at."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject

from rejoin.app.drawn import Drawn
from rejoin.app.view import View
from rejoin.core.records import FloatArray

Vector = tuple[float, float, float]


class Sight(QObject):
    """The camera's part of the scene."""

    def __init__(self, view: View, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.view = view
        self.fragments: dict[int, Drawn] = {}

    def poses(self) -> dict[int, FloatArray]:
        """world_from_scan of every fragment as shown now."""
        raise NotImplementedError

    def look_at_all(self) -> None:
        """Turn the camera to the usual slanting view of everything shown."""
        self.view.renderer.GetActiveCamera().SetFocalPoint(0, 0, 0)
        self.look_from((0.45, -1.0, 0.55), (0, 0, 1))

    def fit(self) -> None:
        """Bring everything into sight, from where the camera looks."""
        if self.view.ren_win is None:  # closed, while an animation was still under way
            return
        bounds = np.array(self.view.renderer.ComputeVisiblePropBounds()).reshape(3, 2)
        for drawn in self.fragments.values():  # the letters stand a little outside
            if drawn.label is not None and drawn.label.GetVisibility() and bounds[0, 0] <= bounds[0, 1]:
                place = np.array(drawn.label.GetPosition())
                bounds = np.stack([np.minimum(bounds[:, 0], place), np.maximum(bounds[:, 1], place)], axis=1)
        self.view.renderer.GetActiveCamera().SetViewAngle(30.0)
        self.view.renderer.ResetCamera(bounds.ravel().tolist())
        self._come_closer(bounds)
        self.view.renderer.ResetCameraClippingRange()
        self.view.update()

    def _come_closer(self, bounds: FloatArray) -> None:
        """Fill the view: the usual reset leaves room for the fragments turned any other way."""
        corners = [self._corners(np.array(drawn.actor.GetBounds()).reshape(3, 2)) for drawn in self.fragments.values()
                   if drawn.actor.GetVisibility()]  # fmt: skip
        points = np.concatenate([*(corners or [self._corners(bounds)]), *(
            np.array(drawn.label.GetPosition())[None] for drawn in self.fragments.values()
            if drawn.label is not None and drawn.label.GetVisibility())])  # fmt: skip
        wide, high = self.view.drawn_size()
        shown = self.view.project(points)[:, :2] / (np.array([wide, high]) / 2.0) - 1.0
        reach = float(np.abs(shown).max())
        if np.isfinite(reach) and reach > 0:
            self.view.renderer.GetActiveCamera().Zoom(float(np.clip(0.86 / reach, 0.5, 2.5)))

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
