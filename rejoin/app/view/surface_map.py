"""A map over the whole in the view of row 60: the clearance with a mating part, or what a mended part became."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal

from rejoin.app.parts import colours
from rejoin.app.parts.colour_bar import BarWords, ColourBar
from rejoin.app.view.drawn import Drawn, draw, matrix, set_colours
from rejoin.app.view.scene import Scene
from rejoin.core.records import Mesh, SurfaceMap

WORDS = {
    "clearance": BarWords("clearance", "looser", "tighter", ("nothing", "opposite"), "Blue is loose (+), brown-red "
                          "tight or overlapping (−), grey is within the limits, or within the noise where no limits "
                          "were typed. Violet-grey: nothing of the mating part is near."),
    "distortion": BarWords("distortion", "outside +", "inside −", ("not on", "the whole"), "Blue stands out over the "
                           "whole (+), brown-red is sunk (−), grey is within the noise of the scans. Violet-grey: the "
                           "whole has no surface there."),
}  # fmt: skip


class MapView(QObject):
    """Shows one map in place of the whole.

    Attributes
    ----------
    map : SurfaceMap or None
    low_mm, high_mm : float or None
        Limits of a clearance: what lies between them is grey.
    changed : Signal()
        Another map, other limits, or none.
    pointed : Signal(str)
        Words for what lies under the pointer.
    """

    changed = Signal()
    pointed = Signal(str)

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.scene, self.bar = scene, ColourBar(WORDS["clearance"])
        self.map: SurfaceMap | None = None
        self.low_mm: float | None = None
        self.high_mm: float | None = None
        self._of: Mesh | None = None
        self._drawn: Drawn | None = None
        self._painted: tuple[object, ...] = ()
        self._scale: tuple[float, float, float] | None = None
        scene.moved.connect(self.show)
        scene.view.rested.connect(self._rested)

    def take(self, found: SurfaceMap | None) -> None:
        """Show a map, or none."""
        self.map, self._of = found, self.scene.whole.mesh if self.scene.whole else None
        self._scale = None
        self.changed.emit()
        self.scene.refresh()

    def set_limits(self, low_mm: float | None, high_mm: float | None) -> None:
        """Limits of the clearance."""
        self.low_mm, self.high_mm, self._scale = low_mm, high_mm, None
        self.changed.emit()
        self.show()

    def active(self) -> bool:
        """Whether the map is what is seen."""
        return self.map is not None and self.scene.mode == "dimensions" and self.scene.shows_whole()

    def scale(self) -> tuple[float, float, float]:
        """Middle of the colours, size of the full colour, and size up to which all is grey, mm."""
        assert self.map is not None
        if self._scale is None:  # once a map: the view moves often
            self._scale = self._scaled(self.map)
        return self._scale

    def _scaled(self, shown: SurfaceMap) -> tuple[float, float, float]:
        limits = [] if shown.kind != "clearance" else [one for one in (self.low_mm, self.high_mm) if one is not None]
        middle = float(np.mean(limits)) if limits else 0.0
        grey = 0.5 * float(np.ptp(limits)) if len(limits) == 2 else shown.noise_mm
        away = np.abs(shown.away_mm[np.isfinite(shown.away_mm)] - middle)
        full = max(float(np.percentile(away, 98)) if len(away) else 1.0, 2.0 * grey, 1e-3)
        step = 10.0 ** np.floor(np.log10(full))
        return middle, float(np.ceil(full / step * 2.0) / 2.0 * step), grey

    def show(self) -> None:
        """Draw anew."""
        whole = self.scene.whole
        if self.map is not None and (whole is None or whole.mesh is not self._of):
            self.map = None  # the whole that it was measured on is gone
            self.changed.emit()
        if self._drawn is not None and (self.map is None or self._drawn.mesh is not self.map.mesh):
            self.scene.view.renderer.RemoveActor(self._drawn.actor)
            self._drawn, self._painted = None, ()
        active = self.active()
        if active:
            self._place()
        if self._drawn is not None:
            self._drawn.actor.SetVisibility(active)
        if whole is not None and active:
            whole.actor.SetVisibility(False)
        self.scene.view.update()

    def _place(self) -> None:
        assert self.map is not None
        if self._drawn is None:
            self._drawn = draw(self.map.mesh)
            look = self._drawn.actor.GetProperty()
            look.SetAmbient(0.65)  # a darkened colour would not be found on the bar again
            look.SetDiffuse(0.38)
            self.scene.view.renderer.AddActor(self._drawn.actor)
        self._drawn.actor.SetUserMatrix(matrix(self.scene.frames()[-1]))
        middle, full, grey = self.scale()
        wanted = (self.map, middle, full, grey, self.scene.units)
        if self._painted == wanted:
            return
        self._painted = wanted
        away = self.map.away_mm[self._drawn.display.vertex_of] - middle
        set_colours(self._drawn, colours.gap_colours(away, full, grey), of_points=True)
        self.bar.words = WORDS[self.map.kind]
        self.bar.set_range(full, grey, self.scene.units, middle)

    def _rested(self, x: float, y: float, modifiers: Qt.KeyboardModifier) -> None:
        if not self.active() or self.map is None:
            return
        hit = self.scene.picker.pick({-1: self.map.mesh}, {-1: self.scene.frames()[-1]}, *self.scene.view.ray(x, y))
        if hit is None:
            return
        away = float(np.mean(self.map.away_mm[self.map.mesh.triangles[hit.triangle]]))
        words = self.bar.words.nothing if not np.isfinite(away) else (
            self.map.kind, self.scene.units.length(away, signed=True))  # fmt: skip
        self.pointed.emit(" ".join(words))
