"""The window: job card at the left, view in the middle, message strip below."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, QVariantAnimation
from PySide6.QtGui import QCloseEvent, QColor, QDragEnterEvent, QDropEvent, QPalette
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMessageBox,
    QSlider,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

import rejoin
from rejoin.app import colours, dialogs, sentences
from rejoin.app.actions import Actions
from rejoin.app.bench import Bench
from rejoin.app.colour_bar import ColourBar
from rejoin.app.job_card import JobCard
from rejoin.app.panels.faces import FacesPanel
from rejoin.app.panels.gap import GapPanel
from rejoin.app.panels.join import JoinPanel
from rejoin.app.panels.scans import ScansPanel
from rejoin.app.panels.whole import WholePanel
from rejoin.app.scene import Scene
from rejoin.app.strip import Strip
from rejoin.app.tools import Tools
from rejoin.app.view import View
from rejoin.core.records import Project

ROW_AFTER = {"Open scans": 0, "Find fracture faces": 1, "Fuse": 4}
"""Which row a finished step leaves open; whatever joins leaves 30 Join open."""


class Window(QMainWindow):
    def __init__(self, bench: Bench | None = None, animated: bool = True) -> None:
        super().__init__()
        self.bench = bench or Bench(parent=self)
        self.animated, self._closed = animated, False
        self.ask_keep = dialogs.ask_keep
        self.bench.ask_unit = dialogs.ask_unit(self)
        self.palette_name = str(self.bench.memory.value("palette", _system_palette()))
        self.setAcceptDrops(True)
        self._build()
        self.actions_ = Actions(self)
        self._connect()
        self.set_colours(self.palette_name)
        self._show(Project(), self.bench.project)
        self._title()

    def _build(self) -> None:
        self.view = View(self)
        self.scene = Scene(self.view, self)
        self.tools = Tools(self.bench, self.scene, self)
        self.bar = ColourBar()
        self.bar.setVisible(False)
        parts = self.bench, self.scene, self.tools
        self.scans, self.faces, self.join = ScansPanel(*parts), FacesPanel(*parts), JoinPanel(*parts)
        self.gap, self.whole = GapPanel(*parts, self.bar), WholePanel(*parts)
        self.panels = (self.scans, self.faces, self.join, self.gap, self.whole)
        self.card = JobCard(self.panels)
        self.strip = Strip(self.bench.jobs)
        side = QWidget()
        right = QVBoxLayout(side)
        right.setContentsMargins(0, 0, 0, 0)
        right.setSpacing(0)
        middle = QHBoxLayout()
        middle.setSpacing(0)
        middle.addWidget(self.view, 1)
        middle.addWidget(self.bar)
        right.addLayout(middle, 1)
        right.addWidget(self._apart_line())
        splitter = QSplitter(Qt.Orientation.Horizontal)
        splitter.addWidget(self.card)
        splitter.addWidget(side)
        splitter.setStretchFactor(1, 1)
        splitter.setChildrenCollapsible(False)
        whole = QWidget()
        box = QVBoxLayout(whole)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(splitter, 1)
        box.addWidget(self.strip)
        self.setCentralWidget(whole)
        self.resize(1280, 800)

    def _apart_line(self) -> QWidget:
        holder = QWidget()
        holder.setObjectName("strip")
        line = QHBoxLayout(holder)
        line.setContentsMargins(12, 5, 12, 5)
        self.apart = QSlider(Qt.Orientation.Horizontal, minimum=0, maximum=100, value=100)
        self.apart.setToolTip("Move the fragments from joined to lying on the bench.")
        self.apart.setAccessibleName("Apart")
        self.apart.setFixedWidth(220)
        self.apart.valueChanged.connect(lambda value: self.scene.set_apart(value / 100.0))
        self.pointed = QLabel()
        self.pointed.setMinimumWidth(40)
        title = QLabel("Apart")
        title.setObjectName("opTitle")
        for widget in (title, QLabel("joined"), self.apart, QLabel("on the bench")):
            line.addWidget(widget)
        line.addSpacing(18)
        line.addWidget(self.pointed, 1)
        return holder

    def _connect(self) -> None:
        session = self.bench.session
        session.changed.connect(self._show)
        session.stack.cleanChanged.connect(self._title)
        self.bench.said.connect(self.strip.say)
        self.bench.done.connect(self._done)
        self.bench.units_changed.connect(self._units)
        self.bench.jobs.busy_changed.connect(self._busy)
        self.tools.pointed.connect(self.pointed.setText)
        self.card.opened.connect(self._opened)
        self.scans.open_wanted.connect(self.open_scans)
        self.whole.save_wanted.connect(self.save_whole)

    # showing

    def _show(self, before: Project, after: Project) -> None:
        self.scene.show(after)
        for panel in self.panels:
            panel.show_project(after)
        joined = sentences.placed_count(after) >= 2
        self.apart.setEnabled(joined)
        if joined and sentences.placed_count(before) < 2:
            self._slide(0)
        elif not joined:
            self._slide(100, at_once=True)
        self._states()

    def _states(self) -> None:
        project = self.bench.project
        name = self.bench.session.path.stem if self.bench.session.path else "not named yet"
        self.card.show_project(project, name, self.bench.units)
        self._enable()
        self._title()

    def _enable(self) -> None:
        idle, project = not self.bench.jobs.busy, self.bench.project
        a = self.actions_
        a.find.setEnabled(idle and bool(project.fragments))
        a.join.setEnabled(idle and len(project.fragments) >= 2)
        a.fuse.setEnabled(idle and sentences.placed_count(project) >= 2)
        a.settle.setEnabled(idle and any(p.placed_by == "person" for p in project.placements))
        a.save_whole.setEnabled(idle and project.whole is not None)
        a.cancel.setEnabled(not idle)
        stack = self.bench.session.stack
        a.undo.setEnabled(idle and stack.canUndo())
        a.redo.setEnabled(idle and stack.canRedo())

    def _busy(self, busy: bool) -> None:
        for panel in self.panels:
            panel.setEnabled(not busy)
        self._enable()

    def _done(self, title: str) -> None:
        row = ROW_AFTER.get(title, 2 if title.startswith(("Join", "Bring")) else None)
        if row is not None:
            self.card.unfold(row)
            self.say_next(title)
        self._states()

    def _opened(self, row: int) -> None:
        mode = self.panels[row].mode
        self.bar.setVisible(mode == "gap" and bool(self.bench.project.fits))
        self.scene.set_mode(mode)
        self._states()

    def _units(self) -> None:
        self.scene.units = self.bench.units
        for panel in self.panels:
            panel.show_project(self.bench.project)
        self._states()

    def _slide(self, value: int, at_once: bool = False) -> None:
        if at_once or not self.animated or not self.isVisible():
            self.apart.setValue(value)
            self.scene.fit()
            return
        motion = QVariantAnimation(self, startValue=self.apart.value(), endValue=value, duration=700)
        motion.valueChanged.connect(lambda at: self.apart.setValue(int(at)))
        motion.finished.connect(self.scene.fit)
        motion.start(QVariantAnimation.DeletionPolicy.DeleteWhenStopped)

    def _title(self, clean: bool = True) -> None:
        path = self.bench.session.path
        self.setWindowTitle(f"{path.name if path else 'New job'}[*] – rejoin")
        self.setWindowModified(self.bench.session.modified)

    def set_colours(self, name: str) -> None:
        """Switch between the light and the dark palette."""
        self.palette_name = name
        self.bench.memory.setValue("palette", name)
        chosen = colours.LAMP if name == "dark" else colours.PAPER
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        app.setPalette(_qt_palette(chosen))
        self.setStyleSheet(colours.style_sheet(chosen))
        self.scene.set_palette(chosen)
        self.bar.set_palette(chosen)
        self.card.fit_width()

    def change_text(self, by: int) -> None:
        """Larger or smaller words everywhere."""
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        font = app.font()
        font.setPointSizeF(min(max(font.pointSizeF() + by, 7.0), 24.0))
        app.setFont(font)
        self.set_colours(self.palette_name)

    def take_tool(self, tool: str) -> None:
        """Unfold the row that a tool belongs to and take it."""
        row = {"take": 1, "paint": 1, "rub": 1, "mark": 2, "move": 2}.get(tool)
        if row is not None:
            self.card.unfold(row)
        self.tools.choose(tool)

    def say_next(self, title: str = "") -> None:
        """Say in the strip what comes next."""
        row = self.card.next_row()
        done = f"{title}: done. " if title else ""
        if title.startswith("Join") and sentences.placed_count(self.bench.project) < 2:
            self.strip.say("trouble", "The fragments could not be joined.",
                           "Row 30 says why; choose the broken faces in row 20, or join by hand.")  # fmt: skip
            return
        if row is None:
            self.strip.say("info", f"{done}The job card is complete.", "Save the whole from row 50.")
        else:
            panel = self.panels[row]
            self.strip.say("info", f"{done}Next: {panel.number} {panel.title}.", "")

    def show_cautions(self) -> None:
        QMessageBox.information(self, "Cautions", "\n\n".join(sentences.CAUTIONS))

    def show_about(self) -> None:
        QMessageBox.about(self, "About", f"rejoin {rejoin.__version__}\n\nRejoins the scanned fragments of a broken part.")

    # files

    def new(self) -> None:
        if self.may_leave():
            self.bench.new()
            self.card.unfold(0)

    def open_scans(self) -> None:
        files = dialogs.ask_scans(self, self._folder())
        if files:
            self._remember_folder(files[0])
            self.bench.open_scans(files)

    def open_folder(self) -> None:
        folder = dialogs.ask_folder(self, self._folder())
        if folder:
            self.bench.open_scans([folder])

    def open_project(self, path: str = "") -> None:
        if not self.may_leave():
            return
        path = path or dialogs.ask_project(self, self._folder())
        if path:
            self._remember_folder(path)
            self.bench.load(path)

    def save_project(self) -> bool:
        path = self.bench.session.path
        return self.bench.save(str(path)) if path else self.save_project_as()

    def save_project_as(self) -> bool:
        path = dialogs.ask_save_project(self, self._folder())
        return bool(path) and self.bench.save(path)

    def save_whole(self) -> None:
        if self.bench.project.whole is None:
            self.strip.say("info", "There is no whole to save yet.", "Fuse the fragments in row 50 first.")
            return
        path = dialogs.ask_save_whole(self, self._folder())
        if path:
            self._remember_folder(path)
            self.bench.save_whole(path, self.bench.units.name)

    def may_leave(self) -> bool:
        """Ask before unsaved work would be lost."""
        if not self.bench.session.modified:
            return True
        answer = self.ask_keep(self)
        if answer == "save" and self.save_project():
            while self.bench.jobs.busy:
                QApplication.processEvents()
            return not self.bench.session.modified
        return answer == "discard"

    def _folder(self) -> str:
        return str(self.bench.memory.value("folder", str(Path.home())))

    def _remember_folder(self, path: str) -> None:
        self.bench.memory.setValue("folder", str(Path(path).parent))

    # events

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        projects = [path for path in paths if path.endswith(".rejoin")]
        if projects:
            self.open_project(projects[0])
        elif paths:
            self.bench.open_scans(paths)
        event.acceptProposedAction()

    def closeEvent(self, event: QCloseEvent) -> None:
        if self._closed or not self.may_leave():
            event.setAccepted(self._closed)
            return
        self._closed = True
        session = self.bench.session
        session.changed.disconnect(self._show)
        session.stack.cleanChanged.disconnect(self._title)
        self.bench.close()
        self.view.close()
        event.accept()


def _system_palette() -> str:
    from PySide6.QtGui import QGuiApplication

    return "dark" if QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark else "light"


def _qt_palette(chosen: colours.Palette) -> QPalette:
    palette = QPalette()
    role = QPalette.ColorRole
    for kind, colour in ((role.Window, chosen.desk), (role.WindowText, chosen.ink), (role.Base, chosen.raised),
                         (role.AlternateBase, chosen.card), (role.Text, chosen.ink), (role.Button, chosen.raised),
                         (role.ButtonText, chosen.ink), (role.Highlight, chosen.accent),
                         (role.HighlightedText, chosen.on_accent), (role.PlaceholderText, chosen.faded),
                         (role.ToolTipBase, chosen.raised), (role.ToolTipText, chosen.ink)):  # fmt: skip
        palette.setColor(kind, QColor(colour))
    if chosen is colours.LAMP:  # the style draws frames in a darker shade of Window, which would vanish here
        palette.setColor(role.Window, QColor(chosen.rule).lighter(190))
    for kind in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, kind, QColor(chosen.faded))
    return palette
