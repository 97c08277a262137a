"""Class mode: one switch, and every row of the job card explains itself; exercises and a replay come with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QVBoxLayout, QWidget

from rejoin.app.lessons.class_drawings import Drawing
from rejoin.app.lessons.class_words import EXPLAINED
from rejoin.app.lessons.replaying import Replaying
from rejoin.app.panels.base import Panel
from rejoin.app.parts.forms import Fold
from rejoin.app.words import sentences
from rejoin.app.work import lesson_tasks
from rejoin.core.lessons.stories import STORIES, story_of
from rejoin.core.records import Project, Score

if TYPE_CHECKING:
    from rejoin.app.window import Window


LAY = "Lay together"


class ClassMode:
    """The class's part of a window; ``on`` tells whether it is switched on."""

    def __init__(self, window: Window) -> None:
        self.window, self.bench = window, window.bench
        self.explained = [self._explanation(panel) for panel in window.panels]
        self.replaying = Replaying(window.join, window.show_beside, self._lay_joined)
        show = window.card.ensureWidgetVisible
        self.picks = Exercise(window.faces, "Score my faces", "Hold the faces that you chose against the true ones.",
                              True, show)  # fmt: skip
        self.placing = Exercise(window.join, "Score my placement", "Tell how far each fragment is from its true place.",
                                False, show)  # fmt: skip
        self.tries = WrongTries(window)
        self.folds = [*self.explained]
        for panel, title, content in (
            (window.faces, "Exercise: the true faces", self.picks),
            (window.join, "Replay of the alignment", self.replaying),
            (window.join, "Exercise: the true place", self.placing),
            (window.join, "Wrong tries", self.tries),
        ):
            fold = Fold(title, content)
            panel.box.addWidget(fold)
            self.folds.append(fold)
        self.on = self.bench.memory.value("class mode", "off") == "on"
        self._apply()

    def set_on(self, on: bool) -> None:
        """Switch class mode on or off; it is remembered."""
        self.on = on
        self.bench.memory.setValue("class mode", "on" if on else "off")
        self._apply()

    def show_project(self, project: Project) -> None:
        self.replaying.show_project(project)
        for exercise in (self.picks, self.placing):
            exercise.show_project(project)
        self.tries.show_project(project)

    def opened(self) -> None:
        """Another row was opened: a replay belongs to its own."""
        if self.window.panels[self.window.card.open_row] is not self.window.join:
            self.replaying.stop()

    def _apply(self) -> None:
        if not self.on:
            self.replaying.stop()
        for fold in self.folds:
            fold.setVisible(self.on)
        for fold in self.explained:
            fold.button.setChecked(self.on)
        self.window.card.fit_width()

    def _explanation(self, panel: Panel) -> Fold:
        told = EXPLAINED[panel.number]
        holder = QWidget()
        box = QVBoxLayout(holder)
        box.setContentsMargins(12, 0, 0, 4)
        box.setSpacing(5)
        box.addWidget(Drawing(panel.number, f"Drawing of {panel.number} {panel.title}", lambda: self._palette()))
        for title, words in (("What", told.what), ("Why", told.why), ("What can go wrong", told.wrong)):
            box.addWidget(panel.text(f"<b>{title}.</b> {words}"))
        fold = Fold("What happens here, and why", holder)
        panel.box.insertWidget(0, fold)
        return fold

    def _palette(self):  # type: ignore[no-untyped-def]
        return self.window.scene.palette

    def _lay_joined(self) -> None:
        self.window.apart.setValue(0)


class Exercise(QWidget):
    """A button and what it told: the job against the known answer of its sample."""

    def __init__(self, panel: Panel, text: str, why: str, faces: bool, show: Callable[[QWidget], None]) -> None:
        super().__init__()
        self.bench, self.faces = panel.bench, faces
        self.of: Project | None = None
        self.asked = False
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.button = panel.button(text, why, self.ask)
        self.words = panel.text("Open a sample: its true answer is stored. "
                                + ("Take the broken faces by hand, then ask." if faces else
                                   "Join the fragments as you like, then ask."), "faded")  # fmt: skip
        box.addWidget(self.words)
        box.addWidget(panel.row(self.button))
        self.told = panel.text()
        self.told.setVisible(False)
        self._later = QTimer(self, singleShot=True, interval=80)  # once the words have their height
        self._later.timeout.connect(lambda: show(self.told))
        box.addWidget(self.told)
        self.bench.answered.connect(self._answered)

    def show_project(self, project: Project) -> None:
        self.button.setEnabled(bool(project.fragments) and not self.bench.jobs.busy)
        if self.of is not project:
            self.told.setVisible(False)

    def ask(self) -> None:
        self.asked = self.bench.ask("Score", lesson_tasks.score, "score")

    def _answered(self, what: str, record: object) -> None:
        if what != "score" or not self.asked or not isinstance(record, Score):
            return
        self.asked, self.of = False, self.bench.project
        lines = self._faces(record) if self.faces else self._places(record)
        self.told.setText("\n".join(lines))
        self._later.start()
        self.bench.said.emit("info", "Held against the known answer.", "")
        self.told.setVisible(True)

    def _faces(self, score: Score) -> list[str]:
        whose = {"person": "your faces", "program": "the program's own", "nobody": "none"}
        return [f"{sentences.letter(f.fragment)} ({whose[f.by]}): {f.sentence}" for f in score.faces]

    def _places(self, score: Score) -> list[str]:
        if not score.placements:
            return ["Nothing is placed yet."]
        lines = []
        for told in score.placements:
            name = sentences.letter(told.fragment)
            if told.off_mm is None or told.turned_deg is None:
                lines.append(f"{name}: {told.sentence}")
            else:
                off = self.bench.units.length(told.off_mm)
                lines.append(f"{name}: its worst point is {off} off, turned by {told.turned_deg:.2f}°. {told.sentence}")
        return lines


class WrongTries(QWidget):
    """Small bars laid together; the evidence of row 30 and the gap of row 40 expose them."""

    def __init__(self, window: Window) -> None:
        super().__init__()
        self.owner, self.bench = window, window.bench
        panel = window.join
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        box.addWidget(panel.text("Each is made on the spot and takes the place of the job on the bench. Read the "
                                 "evidence of the joint above, then look at the gap in row 40.", "faded"))  # fmt: skip
        self.buttons = {}
        for story in STORIES:
            button = panel.button(story.title, story.story, lambda name=story.name: self.lay(name))
            self.buttons[story.name] = button
            box.addWidget(panel.row(button))
        self.words = panel.text()
        self.words.setVisible(False)
        box.addWidget(self.words)
        self.bench.done.connect(self._done)

    def _done(self, title: str) -> None:
        if title == LAY:  # the one before may have been drawn apart
            self.owner.apart.setValue(0)
            self.owner.scene.fit()

    def lay(self, name: str) -> None:
        """Put a try on the bench, in place of what lies there."""
        if self.owner.may_leave():
            self.bench.start_with(LAY, lesson_tasks.wrong_try, name=name)

    def show_project(self, project: Project) -> None:
        for button in self.buttons.values():
            button.setEnabled(not self.bench.jobs.busy)
        story = story_of(project)
        self.words.setVisible(story is not None)
        if story is not None:
            shows = "What shows it" if story.name == "true" else "What exposes it"
            self.words.setText(f"<b>{story.title}.</b> {story.story}<br><br><b>{shows}.</b> {story.exposed}")
