"""Dimension lines and gauge marks in the view of row 60."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QObject

from rejoin.app.view.front import Stroke, Words, arrowheads
from rejoin.app.view.scene import Scene
from rejoin.app.words import size_words
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply


class DimensionLines(QObject):
    """Draws the project's checked dimensions whenever the scene changes.

    Attributes
    ----------
    chosen : int
        Number of the dimension that stands out, or -1.
    fit_up : int
        Number of the fit-up whose gauge marks are shown, or -1.
    """

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.scene, self.chosen, self.fit_up = scene, -1, -1
        scene.moved.connect(self.show)

    def show(self) -> None:
        """Draw anew."""
        strokes: list[Stroke] = []
        words: list[Words] = []
        if self.scene.mode == "dimensions":
            frames, palette = self.scene.frames(), self.scene.palette
            ordered = sorted(enumerate(self.scene.project.checks), key=lambda pair: pair[0] == self.chosen)
            for number, check in ordered:  # the chosen one last, over the others
                if check.value is None or not self._in_sight(check.frame):
                    continue
                stands_out = number == self.chosen
                colour = palette.accent if stands_out else palette.ink
                text = f"{number + 1}  {size_words.short(check, self.scene.units)}" if stands_out else str(number + 1)
                for ends in check.lines_mm:
                    a, b = apply(frames[check.frame], ends)
                    room = self._room(a, b, text)
                    strokes += dimension_line(a, b, colour, 4.0 if stands_out else 2.0, room)
                    place = 0.5 * (a + b) if room < 1.0 else b + 0.3 * (b - a)
                    ink, ground = (palette.on_accent, palette.accent) if stands_out else (palette.ink, palette.card)
                    words.append(Words(text, place, ink, ground, 16 if stands_out else 14))
            words = self._uncovered(words) + self._gauge_marks(frames)
        self.scene.front.show("dimensions", strokes, words)
        self.scene.view.update()

    def _uncovered(self, words: list[Words]) -> list[Words]:
        """Without the numbers that would lie over the words of the chosen dimension, which come last."""
        if not words or self.chosen < 0:
            return words
        *others, chosen = words
        ratio = self.scene.view.devicePixelRatioF()
        seen = self.scene.view.project(np.array([one.place for one in words]))[:, :2] / ratio
        off = np.abs(seen[:-1] - seen[-1])
        free = (off[:, 0] > 6.0 * len(chosen.text) + 14.0) | (off[:, 1] > 22.0)
        return [*(one for one, shown in zip(others, free, strict=True) if shown), chosen]

    def _room(self, a: FloatArray, b: FloatArray, text: str) -> float:
        """Share of a line that is left open for its words, as on a drawing; 1 where they go beyond its end."""
        seen = self.scene.view.project(np.array([a, b]))[:, :2]
        long = float(np.linalg.norm(seen[1] - seen[0]))
        wide = (11.0 * len(text) + 14.0) * self.scene.view.devicePixelRatioF()
        return wide / long if 0 < wide < 0.7 * long else 1.0

    def _gauge_marks(self, frames: dict[int, FloatArray]) -> list[Words]:
        project, palette = self.scene.project, self.scene.palette
        if not 0 <= self.fit_up < len(project.fit_ups):
            return []
        one = project.fit_ups[self.fit_up]
        joint = project.joints[one.joint]
        return [
            Words(str(n), apply(frames[fragment], mark[None])[0], palette.card, palette.mark, 13)
            for fragment, marks in ((joint.a, one.marks_a_mm), (joint.b, one.marks_b_mm))
            for n, mark in enumerate(np.asarray(marks), 1)
            if self._in_sight(fragment)
        ]

    def _in_sight(self, frame: int) -> bool:
        """Whether what a size was taken on stands where the size would be drawn."""
        if frame < 0:
            return self.scene.shows_whole() or self.scene.apart == 0.0
        if self.scene.shows_whole():
            placements = self.scene.project.placements
            return frame < len(placements) and placements[frame].part_from_scan is not None
        return frame not in self.scene.hidden


def dimension_line(a: FloatArray, b: FloatArray, colour: str, width: float, room: float = 1.0) -> list[Stroke]:
    """A line with slender arrowheads at both ends, in two planes, so that one is always seen.

    A share ``room`` in its middle is left open, unless that is all of it.
    """
    way = b - a
    tips = arrowheads(a, b, (0.07, 0.02), colour, width)
    if not tips:
        return []
    open_from, open_to = (a + (0.5 - 0.5 * room) * way, a + (0.5 + 0.5 * room) * way) if room < 1.0 else (b, b)
    return [Stroke(np.array([a, open_from]), colour, width), Stroke(np.array([open_to, b]), colour, width), *tips]
