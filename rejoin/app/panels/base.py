"""What all panels of the job card share."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget
from shiboken6 import isValid

from rejoin.app.bench import ask_files
from rejoin.app.bench.bench import Bench
from rejoin.app.bench.jobs import Task
from rejoin.app.mouse.tools import Tools
from rejoin.app.parts.wrapped import Wrapped
from rejoin.app.view.scene import Scene
from rejoin.core.records import Project


class Panel(QWidget):
    """The controls of one operation, unfolded under its row.

    Subclasses set ``number``, ``title`` and ``mode`` and fill `words`,
    `is_done` and `show_project`.
    """

    number = 0
    title = ""
    mode = "scans"
    follows: tuple[str, ...] = ()
    """Titles of finished work after which this row is unfolded."""
    aside: QWidget | None = None
    """What stands beside the view while this row is open, where the row has nothing of its own there."""

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__()
        self.setObjectName("panel")
        self.bench, self.scene, self.tools = bench, scene, tools
        self.ask_open, self.ask_save = ask_files.to_open, ask_files.to_save
        self._held: QWidget | None = None
        self._passed_to: QWidget | None = None
        self.box = QVBoxLayout(self)
        self.box.setContentsMargins(14, 6, 14, 12)
        self.box.setSpacing(7)

    def words(self, project: Project) -> str:
        """The state in words and numbers."""
        raise NotImplementedError

    def is_done(self, project: Project) -> bool:
        raise NotImplementedError

    def show_project(self, project: Project) -> None:
        raise NotImplementedError

    def beside(self) -> QWidget | None:
        """What belongs beside the view while this row is open."""
        return self.aside

    def save_as(self, title: str, file: str, kinds: dict[str, str], task: Task, **wishes: object) -> None:
        """Ask for a file and let the worker write it."""
        path = self.ask_save(self, self.bench, title, file, kinds)
        if path:
            self.bench.errand(title, task, path, **wishes)

    def fell_short(self, title: str) -> tuple[str, str] | None:
        """What to say, and what to do, where work of this title was done but came to nothing."""
        return None

    def go_on(self, title: str) -> str:
        """What may be done next where work of this title was done, beside the next row."""
        return ""

    def set_busy(self, busy: bool) -> None:
        """While work runs nothing else may be started, but looking stays possible."""
        held = self.window().focusWidget()
        for made in self.findChildren(QPushButton):
            made.setEnabled(not busy)
        if busy:  # a button that is switched off passes the keys on to the next; it gets them back
            self._held = held if held is not None and self.isAncestorOf(held) and not held.isEnabled() else None
            self._passed_to = self.window().focusWidget()
            return
        self.show_project(self.bench.project)
        if self._held is not None and isValid(self._held) and self._held.isVisible() and self._held.isEnabled() \
                and self.window().focusWidget() is self._passed_to:  # fmt: skip
            self._held.setFocus()
        self._held = None

    def unfolded(self) -> None:
        """The row was opened."""
        self.tools.choose("look")

    # small helpers

    def button(self, text: str, why: str, action: object, main: bool = False) -> QPushButton:
        made = QPushButton(text)
        made.setToolTip(why)
        if main:
            made.setObjectName("main")
        made.clicked.connect(lambda: action())  # type: ignore[operator]
        return made

    def row(self, *widgets: QWidget) -> QWidget:
        holder = QWidget()
        line = QHBoxLayout(holder)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(6)
        for widget in widgets:
            line.addWidget(widget)
        line.addStretch(1)
        return holder

    def text(self, words: str = "", name: str = "") -> QLabel:
        label = Wrapped(words)
        label.setObjectName(name)
        label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        label.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        return label


def book_button() -> QPushButton:
    """The button that opens a joint like a book; the window knows what it does."""
    made = QPushButton("Open like a book")
    made.setToolTip("Turn both faces of the joint towards you, side by side; once more, and all stands as before.")
    made.setCheckable(True)
    return made
