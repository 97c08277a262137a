"""Row 30 in class mode: the alignment again, round by round, with its pairs and its curve."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import Qt, QTimer
from PySide6.QtWidgets import QCheckBox, QHBoxLayout, QSlider, QVBoxLayout, QWidget

from rejoin.app.lessons.curve import Curve
from rejoin.app.panels.base import Panel
from rejoin.app.view.front import Stroke
from rejoin.app.view.poses import between
from rejoin.app.words import sentences
from rejoin.app.work import lesson_tasks
from rejoin.core.records import Project, Replay
from rejoin.core.transforms import apply, inverse

PER_ROUND, EVERY_MS = 4, 35
"""Pictures from one round to the next while it plays, and the time of each."""

UNSEEN_MM = 0.005
"""Half of the last digit shown."""


class Replaying(QWidget):
    """Makes a replay and steps through it; the project is never changed.

    ``beside_changed`` is called when the curve comes or goes, ``lay_joined`` to bring the fragments into the place in
    which they are joined.
    """

    def __init__(self, panel: Panel, beside_changed: Callable[[], None], lay_joined: Callable[[], None]) -> None:
        super().__init__()
        self.panel, self.bench, self.scene = panel, panel.bench, panel.scene
        self.beside_changed, self.lay_joined = beside_changed, lay_joined
        self.replay: Replay | None = None
        self.of: Project | None = None
        self.at = 0.0
        self.curve = Curve(lambda: self.scene.palette)
        self.curve.chosen.connect(self._go)
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.make_button = panel.button("Show the alignment", "Draw the fragments off each other and watch how the "
                                        "program brings them together. Nothing is changed.", self.make)  # fmt: skip
        self.slider = QSlider(Qt.Orientation.Horizontal)
        self.slider.setAccessibleName("Round of the alignment")
        self.slider.setToolTip("Round after round, from drawn apart to joined.")
        self.slider.valueChanged.connect(self._slid)
        self.back_button = panel.button("◀", "One round back.", lambda: self._go(self.slider.value() - 1))
        self.on_button = panel.button("▶", "One round on.", lambda: self._go(self.slider.value() + 1))
        self.play_button = panel.button("Play", "Run through all rounds, or stop.", self.play)
        self.end_button = panel.button("Done", "Put the fragments back where they were.", self.stop)
        self.pairs = QCheckBox("Draw the pairs")
        self.pairs.setToolTip("Lines between points that lie opposite each other in this round.")
        self.pairs.setChecked(True)
        self.pairs.toggled.connect(lambda on: self._show())
        self.words = panel.text()
        self.steps = QWidget()
        line = QHBoxLayout(self.steps)
        line.setContentsMargins(0, 0, 0, 0)
        for widget in (self.back_button, self.slider, self.on_button):
            line.addWidget(widget)
        self.buttons = panel.row(self.play_button, self.end_button)
        for widget in (panel.row(self.make_button), self.words, self.steps, panel.row(self.pairs), self.buttons):
            box.addWidget(widget)
        self.timer = QTimer(self, interval=EVERY_MS)
        self.timer.timeout.connect(self._run)
        self.bench.answered.connect(self._answered)
        self.bench.units_changed.connect(self._show)
        self._visible()

    def show_project(self, project: Project) -> None:
        """A replay is of one project: another one ends it."""
        if self.replay is not None and self.of is not project:
            self.stop()
        self.make_button.setEnabled(sentences.placed_count(project) >= 2 and not self.bench.jobs.busy)

    def make(self) -> None:
        """Let the worker align the fragments again and keep every round."""
        self.stop()
        self.of = self.bench.project
        self.bench.ask("Replay", lesson_tasks.replay, "replay")

    def play(self) -> None:
        if self.timer.isActive():
            self._pause()
        elif self.replay is not None:
            if self.at >= len(self.replay.rounds) - 1:
                self._go(0)
            self.play_button.setText("Stop")
            self.timer.start()

    def stop(self) -> None:
        """Put everything back as it was."""
        self._pause()
        if self.replay is None:
            return
        self.replay = None
        self.scene.front.show("pairs")
        self.scene.set_apart(self.scene.apart)
        self._visible()

    def _answered(self, what: str, record: object) -> None:
        if what != "replay" or not isinstance(record, Replay) or self.of is not self.bench.project:
            return
        self.lay_joined()
        self.replay = record
        self.curve.show_replay(record, self.bench.units)
        self.slider.blockSignals(True)
        self.slider.setRange(0, len(record.rounds) - 1)
        self.slider.setValue(0)
        self.slider.blockSignals(False)
        self.at = 0.0
        self._visible()
        self._show()
        self.scene.fit()
        self.bench.said.emit("info", f"The alignment in {len(record.rounds)} rounds.", "Move the slider, or play it.")

    def _visible(self) -> None:
        shown = self.replay is not None
        for widget in (self.steps, self.pairs, self.buttons, self.words):
            widget.setVisible(shown)
        self.make_button.setVisible(not shown)
        self.panel.aside = self.curve if shown else None
        self.beside_changed()

    def _go(self, number: int) -> None:
        self._pause()
        self.slider.setValue(number)

    def _slid(self, value: int) -> None:
        self.at = float(value)
        self._show()

    def _pause(self) -> None:
        self.timer.stop()
        self.play_button.setText("Play")

    def _run(self) -> None:
        if self.replay is None:
            self._pause()
            return
        last = len(self.replay.rounds) - 1
        self.at = min(round(self.at * PER_ROUND + 1) / PER_ROUND, float(last))
        self.slider.blockSignals(True)
        self.slider.setValue(int(self.at))
        self.slider.blockSignals(False)
        self._show()
        if self.at >= last:
            self._pause()

    def _show(self) -> None:
        """The fragments, the pairs, the words and the curve of where the replay stands."""
        if self.replay is None:
            return
        rounds, number = self.replay.rounds, int(self.at)
        now, share = rounds[number], self.at - number
        world_from_part = self.scene.frames()[-1]
        for place, fragment in enumerate(self.replay.fragments):
            pose = now.poses[place]
            if share > 0.0:
                middle = self.bench.project.fragments[fragment].mesh.vertices.mean(axis=0)
                pose = between(pose, rounds[number + 1].poses[place], share, middle)
            self.scene.hand_pose(fragment, world_from_part @ pose)
        self.scene.front.show("pairs", self._pairs(world_from_part) if self.pairs.isChecked() and share == 0.0 else ())
        self.scene.view.update()
        self.curve.units = self.bench.units
        self.curve.set_at(self.at)
        self.words.setText(self._told(number))

    def _pairs(self, world_from_part: np.ndarray) -> list[Stroke]:
        assert self.replay is not None
        now = self.replay.rounds[int(self.at)]
        if not len(now.points_a):
            return []
        ends = np.stack([apply(world_from_part, now.points_a), apply(world_from_part, now.points_b)], axis=1)
        return [Stroke(ends, self.scene.palette.mark, 2.0)]

    def _told(self, number: int) -> str:
        assert self.replay is not None
        units, now, last = self.bench.units, self.replay.rounds[number], len(self.replay.rounds) - 1
        lines = [f"Round {number + 1} of {last + 1}: {now.stage}.",
                 f"Half of the faces lie nearer than {units.length(now.misfit_mm)}."]  # fmt: skip
        if 0 < number:
            moved = self._moved(number)
            lines.append("Nothing is seen to move any more." if moved < UNSEEN_MM else
                         f"The farthest point has moved {units.length(moved)} in this round.")  # fmt: skip
        if number == last:
            off = self.replay.off_mm
            said = f"less than {units.length(2.0 * UNSEEN_MM)}" if off < UNSEEN_MM else units.length(off)
            lines.append(f"This is where the join had placed them, to {said}.")
        return "\n".join(lines)

    def _moved(self, number: int) -> float:
        """How far the worst corner of any fragment moved from the round before, mm."""
        assert self.replay is not None
        before, now, most = self.replay.rounds[number - 1], self.replay.rounds[number], 0.0
        for place, fragment in enumerate(self.replay.fragments):
            points = self.bench.project.fragments[fragment].mesh.vertices[::50]
            move = now.poses[place] @ inverse(before.poses[place])
            stood = apply(before.poses[place], points)
            most = max(most, float(np.linalg.norm(apply(move, stood) - stood, axis=1).max()))
        return most
