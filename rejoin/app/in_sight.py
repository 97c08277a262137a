"""Where all was in sight it stays in sight: when fragments move apart, and when the view becomes wider or narrower."""

from __future__ import annotations

from PySide6.QtCore import QObject, QTimer, QVariantAnimation
from PySide6.QtWidgets import QSlider, QWidget

from rejoin.app.view.scene import Scene

SLID_MS = 100
"""The slider rests when it has not moved for so long."""


class InSight(QObject):
    """Moves the fragments apart as the slider says, and the camera after them."""

    def __init__(self, scene: Scene, slider: QSlider, window: QWidget, animated: bool) -> None:
        super().__init__(window)
        self.scene, self.slider, self.animated = scene, slider, animated
        self._window = window
        self._saw_all = self._ended = False
        slider.valueChanged.connect(self._slid)
        self._slid_last = QTimer(self, singleShot=True, interval=SLID_MS)
        self._slid_last.timeout.connect(lambda: self.see_all() if self._saw_all else None)
        scene.view.resizing.connect(self._resizing)

    def end(self) -> None:
        """Leave the camera alone: the window is closed."""
        self._ended = True

    def sees_all(self) -> bool:
        """Whether all is in sight of a person."""
        return self._window.isVisible() and self.scene.all_in_sight()

    def see_all(self) -> None:
        """Bring all into sight, if it is not."""
        if not self._ended and not self.scene.all_in_sight():
            self.scene.fit()

    def see_all_soon(self) -> None:
        """`see_all` once the view has the size that it is about to have."""
        QTimer.singleShot(0, self, self.see_all)

    def slide(self, value: int, at_once: bool = False) -> None:
        """Move the slider, and all with it, from where it stands."""
        if at_once or not self.animated or not self._window.isVisible():
            self.slider.setValue(value)
            self.scene.fit()
            return
        motion = QVariantAnimation(self, startValue=self.slider.value(), endValue=value, duration=700)
        motion.valueChanged.connect(lambda at: self.slider.setValue(int(at)))
        motion.finished.connect(self.scene.fit)
        motion.start(QVariantAnimation.DeletionPolicy.DeleteWhenStopped)

    def _slid(self, value: int) -> None:
        """Move the fragments; where all were in sight before, all are in sight afterwards."""
        if not self._slid_last.isActive():
            self._saw_all = self.scene.all_in_sight()
        self._slid_last.start()
        self.scene.set_apart(value / 100.0)

    def _resizing(self) -> None:
        """The view is about to have another size; where all were in sight, all are in sight afterwards."""
        if not self._ended and self.scene.all_in_sight():
            self.see_all_soon()
