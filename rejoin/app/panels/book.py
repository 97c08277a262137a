"""Both faces of a joint side by side in the view, until the person goes on."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject, Signal

from rejoin.app.bench.bench import Bench
from rejoin.app.view.poses import world_poses
from rejoin.app.view.scene import Scene
from rejoin.core.book import opened_like_a_book
from rejoin.core.errors import RejoinError

Camera = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], float]


class Book(QObject):
    """Opens a joint like a book and closes it, the view as it was.

    Attributes
    ----------
    changed : Signal(bool)
        It was opened, or closed.
    """

    changed = Signal(bool)

    def __init__(self, bench: Bench, scene: Scene, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.bench, self.scene = bench, scene
        self._before: Camera | None = None
        scene.moved.connect(self._moved)

    @property
    def is_open(self) -> bool:
        return bool(self.scene.alone)

    def open(self, number: int | None) -> None:
        """Show the faces of a joint side by side."""
        project = self.bench.project
        if number is None or not 0 <= number < len(project.joints):
            self.bench.said.emit("info", "There is no joint to open.", "Join the fragments first.")
            self.changed.emit(False)
            return
        joint = project.joints[number]
        up = world_poses(project, 0.0)[joint.a][:3, :3].T @ np.array([0.0, 0.0, 1.0])
        meshes = (project.fragments[n].mesh for n in (joint.a, joint.b))
        try:
            of_a, of_b = opened_like_a_book(*meshes, joint, up)
        except RejoinError as error:
            self.bench.say(error)
            self.changed.emit(False)
            return
        self._before = self._before or self._camera()
        self.scene.show_alone({joint.a: of_a, joint.b: of_b})
        self.scene.look_from((0.0, -1.0, 0.0), (0.0, 0.0, 1.0))
        self.changed.emit(True)

    def close(self) -> None:
        """Show the fragments where they were."""
        if self.is_open:
            self.scene.show_alone({})

    def toggle(self, number: int | None) -> None:
        """Open a joint, or close what is open."""
        self.close() if self.is_open else self.open(number)

    def _moved(self) -> None:
        """Something else may have been shown meanwhile: another project, another row, the slider."""
        if self._before is not None and not self.is_open:
            place, focus, up, angle = self._before
            self._before = None
            camera = self.scene.view.renderer.GetActiveCamera()
            camera.SetPosition(*place)
            camera.SetFocalPoint(*focus)
            camera.SetViewUp(*up)
            camera.SetViewAngle(angle)
            self.scene.view.renderer.ResetCameraClippingRange()
            self.changed.emit(False)

    def _camera(self) -> Camera:
        camera = self.scene.view.renderer.GetActiveCamera()
        return camera.GetPosition(), camera.GetFocalPoint(), camera.GetViewUp(), camera.GetViewAngle()
