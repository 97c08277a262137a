"""The window: job card at the left, view in the middle, message strip below."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from PySide6.QtCore import QChildEvent, QSize, Qt, QTimer, QVariantAnimation
from PySide6.QtGui import QCloseEvent, QColor, QDragEnterEvent, QDropEvent, QGuiApplication
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QMessageBox,
    QVBoxLayout,
    QWidget,
)

import rejoin
from rejoin.app.actions import Actions
from rejoin.app.apart_line import ApartLine
from rejoin.app.bench.bench import Bench
from rejoin.app.file_work import FileWork
from rejoin.app.job_card import JobCard
from rejoin.app.lessons.class_mode import ClassMode
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.panels.book import Book
from rejoin.app.panels.dimensions import DimensionsPanel
from rejoin.app.panels.faces import FacesPanel
from rejoin.app.panels.gap import GapPanel
from rejoin.app.panels.join import JoinPanel
from rejoin.app.panels.make import MakePanel
from rejoin.app.panels.scans import ScansPanel
from rejoin.app.panels.whole import WholePanel
from rejoin.app.paper.pages import Pages
from rejoin.app.parts import colours, dialogs
from rejoin.app.parts.colour_bar import ColourBar
from rejoin.app.parts.dress import Dress, Holder, Splitter
from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.parts.turns import later
from rejoin.app.parts.wrapped import Wrapped
from rejoin.app.strip import Strip
from rejoin.app.view.scene import Scene
from rejoin.app.view.widget import View
from rejoin.app.words import sentences
from rejoin.app.words.in_units import in_units
from rejoin.core.cautions import CAUTIONS
from rejoin.core.records import Project

PANELS: tuple[type[Panel], ...] = (
    ScansPanel, FacesPanel, JoinPanel, GapPanel, WholePanel, DimensionsPanel, MakePanel,
)  # fmt: skip
"""The rows of the job card, from the top."""

TOOL_ROWS = {"take": 20, "paint": 20, "rub": 20, "box": 20, "outline": 20, "mark": 30, "size": 30, "move": 30}
"""The row that each tool of the mouse belongs to."""
SLID_MS = 100
"""The slider rests when it has not moved for so long."""

Kind = TypeVar("Kind", bound=Panel)


class Window(FileWork):
    def __init__(self, bench: Bench | None = None, animated: bool = True) -> None:
        super().__init__()
        self.bench = bench or Bench(parent=self)
        self.animated, self._closed = animated, False
        self.pages: Pages | None = None
        self._told_row: int | None = None
        self._usual_points = max(QApplication.font().pointSizeF(), 1.0)
        self.dress = Dress(self)
        self.ask_keep, self.ask_stop = dialogs.ask_keep, dialogs.ask_stop
        self.bench.ask_unit = dialogs.ask_unit(self)
        self.palette_name = str(self.bench.memory.value("palette", _system_palette()))
        self.setAcceptDrops(True)
        self._build()
        self.class_mode = ClassMode(self)
        self.actions_ = Actions(self)
        self._connect()
        self.set_colours(self.palette_name)
        self.card.fit_width()
        self._show(Project(), self.bench.project)
        self._title()

    def _build(self) -> None:
        self.view = View(self)
        self.scene = Scene(self.view, self)
        self.book = Book(self.bench, self.scene, self)
        self.tools = Tools(self.bench, self.scene, self)
        self.panels = tuple(kind(self.bench, self.scene, self.tools) for kind in PANELS)
        self.scans, self.faces = self.panel(ScansPanel), self.panel(FacesPanel)
        self.join, self.gap, self.whole = self.panel(JoinPanel), self.panel(GapPanel), self.panel(WholePanel)
        self.dimensions, self.make = self.panel(DimensionsPanel), self.panel(MakePanel)
        self.bar = self.gap.bar
        self.card = JobCard(self.panels)
        self.strip = Strip(self.bench.jobs)
        side = Holder()
        right = QVBoxLayout(side)
        right.setContentsMargins(0, 0, 0, 0)
        right.setSpacing(0)
        middle = QHBoxLayout()
        middle.setSpacing(0)
        middle.addWidget(self.view, 1)
        self.beside = middle
        right.addLayout(middle, 1)
        right.addWidget(self._apart_line())
        splitter = Splitter(Qt.Orientation.Horizontal)
        splitter.addWidget(self.card)
        splitter.addWidget(side)
        splitter.setStretchFactor(1, 1)
        splitter.setChildrenCollapsible(False)
        whole = Holder()
        box = QVBoxLayout(whole)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(splitter, 1)
        box.addWidget(self.strip)
        self.setCentralWidget(whole)
        self.resize(QSize(1280, 800).boundedTo(QGuiApplication.primaryScreen().availableSize()))

    def panel(self, kind: type[Kind]) -> Kind:
        """The panel of a kind."""
        return next(panel for panel in self.panels if isinstance(panel, kind))

    def _apart_line(self) -> ApartLine:
        self.apart_line = line = ApartLine()
        self.apart, self.pointed = line.slider, line.pointed
        self.apart.valueChanged.connect(self._slid)
        self._slid_last = QTimer(self, singleShot=True, interval=SLID_MS)
        self._slid_last.timeout.connect(lambda: self._see_all() if self._saw_all else None)
        self._saw_all: bool = False
        return line

    def _connect(self) -> None:
        session = self.bench.session
        session.changed.connect(self._show)
        session.stack.cleanChanged.connect(self._title)
        self.bench.said.connect(self._say)
        self.bench.done.connect(self._done)
        self.bench.units_changed.connect(self._units)
        self.bench.jobs.busy_changed.connect(self._busy)
        self.tools.pointed.connect(self.apart_line.point)
        self.view.resizing.connect(self._resizing)
        self.card.opened.connect(self._opened)
        self.scans.open_wanted.connect(self.open_scans)
        self.scans.sample_wanted.connect(self.open_sample)
        self.whole.save_wanted.connect(self.save_whole)
        self.gap.apart_wanted.connect(self._slide)
        for button in (self.join.book_button, self.gap.book_button):
            button.clicked.connect(lambda: self.book.toggle(self.join.chosen()))
            self.book.changed.connect(button.setChecked)
        self.join.list.currentRowChanged.connect(lambda row: self.book.open(row) if self.book.is_open else None)
        self.tools.tool_changed.connect(lambda tool: self.book.close() if tool == "move" else None)
        self.tools.tool_changed.connect(lambda tool: self._enable())
        self.dimensions.beside_changed.connect(self.show_beside)

    # showing

    def _show(self, before: Project, after: Project) -> None:
        saw_all = self.isVisible() and self.scene.all_in_sight()
        self.scene.show(after)
        self.tools.project_changed()
        for panel in self.panels:
            panel.show_project(after)
        self.class_mode.show_project(after)
        joined = sentences.placed_count(after) >= 2
        self.apart.setEnabled(joined)
        if joined and sentences.placed_count(before) < 2:
            self.scene.look_at_joined()
            self._slide(0)
        elif not joined:
            self._slide(100, at_once=True)
        elif saw_all:  # pieces may stand elsewhere now
            self._see_all()
        self.show_beside()
        self._states()
        old = self.isVisible() and before is not after and not self.strip.tells_progress  # said of what was before
        if self.strip.tells_next or old:
            self.say_next()

    def _say(self, kind: str, what_happened: str, what_to_do: str) -> None:
        """Show a message, which core wrote in millimetres, in the person's unit."""
        units = self.bench.units
        self.strip.say(kind, in_units(what_happened, units), in_units(what_to_do, units))

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
        for action in a.needs_fragments:
            action.setEnabled(idle and bool(project.fragments))
        for action in a.needs_joints:
            action.setEnabled(idle and bool(project.joints))
        a.save_whole.setEnabled(idle and project.whole is not None)
        a.cancel.setEnabled(not idle or self.tools.tool != "look")

    def _busy(self, busy: bool) -> None:
        for panel in self.panels:
            panel.set_busy(busy)
        self.class_mode.show_project(self.bench.project)
        self._enable()

    def _done(self, title: str) -> None:
        row = next((n for n, panel in enumerate(self.panels) if title in panel.follows), None)
        if row is not None:
            self.card.unfold(row)
        if row is not None or self.strip.tells_progress:
            self.say_next(title)
        self._states()

    def _opened(self, row: int) -> None:
        mode = self.panels[row].mode
        self.scene.set_mode(mode)
        self.class_mode.opened()
        self.show_beside()
        self._states()
        if self.strip.tells_next and self._told_row != self.card.next_row():  # a row that is done by being looked at
            self.say_next()

    def shown_bar(self) -> ColourBar | None:
        beside = self.panels[self.card.open_row].beside()
        return beside if isinstance(beside, ColourBar) else None

    def show_beside(self) -> None:
        """What the open row wants beside the view, and nothing else."""
        wanted = self.panels[self.card.open_row].beside()
        if wanted is not None and self.beside.indexOf(wanted) < 0:
            self.beside.addWidget(wanted)
        changes = [widget for widget in (self.beside.itemAt(place).widget() for place in range(1, self.beside.count()))
                   if widget.isHidden() == (widget is wanted)]  # fmt: skip
        whole = bool(changes) and self.isVisible() and self.scene.all_in_sight()
        for widget in changes:
            widget.setVisible(widget is wanted)
        if whole:  # the view is narrower now, or wider
            QTimer.singleShot(0, self, self._see_all)

    def _see_all(self) -> None:
        if not self._closed and not self.scene.all_in_sight():
            self.scene.fit()

    def _resizing(self) -> None:
        """The view is about to have another size; where all were in sight, all are in sight afterwards."""
        if not self._closed and self.scene.all_in_sight():
            QTimer.singleShot(0, self, self._see_all)

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

    def _slid(self, value: int) -> None:
        """Move the fragments; where all were in sight before, all are in sight afterwards."""
        if not self._slid_last.isActive():
            self._saw_all = self.scene.all_in_sight()
        self._slid_last.start()
        self.scene.set_apart(value / 100.0)

    def _title(self, clean: bool = True) -> None:
        path = self.bench.session.path
        self.setWindowTitle(f"{path.name if path else 'New job'}[*] – rejoin")
        self.setWindowModified(self.bench.session.modified)

    def set_colours(self, name: str, at_once: bool = True) -> None:
        """Switch between the light and the dark palette."""
        self.palette_name = name
        self.bench.memory.setValue("palette", name)
        chosen = colours.LAMP if name == "dark" else colours.PAPER
        self.dress.wear(chosen, at_once)
        self.scene.set_palette(chosen)
        self.view.band.ink = QColor(chosen.accent)
        for bar in (self.bar, self.dimensions.maps.bar):
            bar.set_palette(chosen)

    def change_colours(self, name: str) -> None:
        """`set_colours` in several turns of the event loop: every widget is polished, laid out and drawn anew."""
        later(self, lambda: self.set_colours(name, at_once=False))

    def change_text(self, by: int) -> None:
        """Larger or smaller words everywhere."""
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        font = app.font()
        font.setPointSizeF(min(max(font.pointSizeF() + by, 7.0), 24.0))
        app.setFont(font)
        self.scene.front.letters = max(font.pointSizeF() / self._usual_points, 1.0)
        self.scene.refresh()
        self.dress.wear(self.dress.palette, at_once=False, then=self._widen)

    def _widen(self) -> None:
        """Words have another size."""
        for words in self.findChildren(Wrapped):
            words.claim_later()
        self.card.fit_width()

    def take_tool(self, tool: str) -> None:
        """Unfold the row that a tool belongs to and take it."""
        if tool in TOOL_ROWS:
            self.card.unfold([panel.number for panel in self.panels].index(TOOL_ROWS[tool]))
        self.tools.choose(tool)

    def in_row(self, number: int, action: Callable[[], object]) -> None:
        """Unfold a row, then do something there."""
        self.card.unfold([panel.number for panel in self.panels].index(number))
        action()

    def cut_open(self) -> None:
        """Open row 40 and cut, or close the cut."""
        self.card.unfold(self.panels.index(self.gap))
        self.gap.cut.click()

    def cancel(self) -> None:
        """Stop the running work; where none runs, put the tool of the mouse down."""
        if self.bench.jobs.busy:
            self.bench.jobs.cancel()
        else:
            self.tools.choose("look")

    def say_next(self, title: str = "") -> None:
        """Say in the strip what comes next."""
        row = self.card.next_row()
        done = f"{title}: done. " if title else ""
        short = next((told for panel in self.panels if (told := panel.fell_short(title))), None)
        if short:
            self.strip.say("trouble", *short)
            return
        if row is None:
            self.strip.say("info", f"{done}The job card is complete.", "Save the whole from row 50.")
        else:
            panel = self.panels[row]
            hint = next((told for panel in self.panels if (told := panel.go_on(title))), "")
            if panel is self.scans:
                hint = f"{hint} {sentences.wanted_scans(self.bench.project)}".strip()
            self.strip.say("info", f"{done}Next: {panel.number} {panel.title}.", hint)
        self.strip.tells_next, self._told_row = True, row

    def show_page(self, page: str) -> None:
        """A page of help, in a window of its own."""
        if self.pages is None:
            self.pages = Pages(self.open_sample, self)
        self.pages.show_page(page)

    def open_sample(self, name: str) -> None:
        """Put a sample on the bench, in place of what lies there."""
        if self.may_leave():
            self.bench.open_sample(name)

    def show_cautions(self) -> None:
        dialogs.CautionDialog("\n\n".join(CAUTIONS), self).exec()

    def show_about(self) -> None:
        words = f"rejoin {rejoin.__version__}\n\nRejoins the scanned fragments of a broken part."
        QMessageBox.about(self, "About", words)

    # events

    @called_by_qt
    def childEvent(self, event: QChildEvent) -> None:
        super().childEvent(event)
        if event.polished():  # a child that is being deleted may not be touched
            child = event.child()
            if isinstance(child, QWidget) and child.isWindow():
                self.dress.put_on(child)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    @called_by_qt
    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        self.open_any(paths)
        event.acceptProposedAction()

    @called_by_qt
    def closeEvent(self, event: QCloseEvent) -> None:
        if self._closed or not (self.may_stop() and self.may_leave()):
            event.setAccepted(self._closed)
            return
        self._closed = True
        session = self.bench.session
        session.changed.disconnect(self._show)
        session.stack.cleanChanged.disconnect(self._title)
        self.bench.close()
        self.scene.close()
        self.view.close()
        event.accept()


def _system_palette() -> str:
    from PySide6.QtGui import QGuiApplication

    return "dark" if QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark else "light"
