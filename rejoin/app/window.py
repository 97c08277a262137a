"""The window: job card at the left, view in the middle, message strip below."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from PySide6.QtCore import QChildEvent, QSize, Qt
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QGuiApplication
from PySide6.QtWidgets import QMessageBox, QVBoxLayout, QWidget

import rejoin
from rejoin.app.actions import Actions
from rejoin.app.apart_line import ApartLine
from rejoin.app.appearance import Appearance
from rejoin.app.bench.bench import Bench
from rejoin.app.beside import Beside
from rejoin.app.file_work import FileWork
from rejoin.app.in_sight import InSight
from rejoin.app.job_card import JobCard
from rejoin.app.lessons.class_mode import ClassMode
from rejoin.app.mouse.tools import Tools
from rejoin.app.next_row import NextRow
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
from rejoin.app.parts import dialogs
from rejoin.app.parts.colour_bar import ColourBar
from rejoin.app.parts.dress import Dress, Holder, Splitter
from rejoin.app.parts.overrides import called_by_qt
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

Kind = TypeVar("Kind", bound=Panel)


class Window(FileWork):
    def __init__(self, bench: Bench | None = None, animated: bool = True) -> None:
        super().__init__()
        self.bench = bench or Bench(parent=self)
        self._animated, self._closed = animated, False
        self.pages: Pages | None = None
        self.dress = Dress(self)
        self.ask_keep, self.ask_stop = dialogs.ask_keep, dialogs.ask_stop
        self.bench.ask_unit = dialogs.ask_unit(self)
        self.appearance = Appearance(self)
        self.setAcceptDrops(True)
        self._build()
        self.class_mode = ClassMode(self)
        self.actions_ = Actions(self)
        self._connect()
        self.appearance.set_colours(self.appearance.palette_name)
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
        self.next_row = NextRow(self.bench, self.card, self.panels, self.strip)
        self.apart_line = ApartLine()
        self.apart, self.pointed = self.apart_line.slider, self.apart_line.pointed
        self.in_sight = InSight(self.scene, self.apart, self, self._animated)
        self.beside = Beside(self.view, self.in_sight)
        self._lay_out()

    def _lay_out(self) -> None:
        side, whole = Holder(), Holder()
        right, box = QVBoxLayout(side), QVBoxLayout(whole)
        for layout in (right, box):
            layout.setContentsMargins(0, 0, 0, 0)
            layout.setSpacing(0)
        right.addLayout(self.beside, 1)
        right.addWidget(self.apart_line)
        splitter = Splitter(Qt.Orientation.Horizontal)
        splitter.addWidget(self.card)
        splitter.addWidget(side)
        splitter.setStretchFactor(1, 1)
        splitter.setChildrenCollapsible(False)
        box.addWidget(splitter, 1)
        box.addWidget(self.strip)
        self.setCentralWidget(whole)
        self.resize(QSize(1280, 800).boundedTo(QGuiApplication.primaryScreen().availableSize()))

    def panel(self, kind: type[Kind]) -> Kind:
        """The panel of a kind."""
        return next(panel for panel in self.panels if isinstance(panel, kind))

    def _connect(self) -> None:
        session = self.bench.session
        session.changed.connect(self._show)
        session.stack.cleanChanged.connect(self._title)
        self.bench.said.connect(self._say)
        self.bench.done.connect(self._done)
        self.bench.units_changed.connect(self._units)
        self.bench.jobs.busy_changed.connect(self._busy)
        self.tools.pointed.connect(self.apart_line.point)
        self.card.opened.connect(self._opened)
        self.scans.open_wanted.connect(self.open_scans)
        self.scans.sample_wanted.connect(self.open_sample)
        self.whole.save_wanted.connect(self.save_whole)
        self.gap.apart_wanted.connect(self.in_sight.slide)
        for button in (self.join.book_button, self.gap.book_button):
            button.clicked.connect(lambda: self.book.toggle(self.join.chosen()))
            self.book.changed.connect(button.setChecked)
        self.join.list.currentRowChanged.connect(lambda row: self.book.open(row) if self.book.is_open else None)
        self.tools.tool_changed.connect(lambda tool: self.book.close() if tool == "move" else None)
        self.tools.tool_changed.connect(lambda tool: self._enable())
        self.dimensions.beside_changed.connect(self.show_beside)

    # showing

    def _show(self, before: Project, after: Project) -> None:
        saw_all = self.in_sight.sees_all()
        self.scene.show(after)
        self.tools.project_changed()
        for panel in self.panels:
            panel.show_project(after)
        self.class_mode.show_project(after)
        joined = sentences.placed_count(after) >= 2
        self.apart.setEnabled(joined)
        if joined and sentences.placed_count(before) < 2:
            self.scene.look_at_joined()
            self.in_sight.slide(0)
        elif not joined:
            self.in_sight.slide(100, at_once=True)
        elif saw_all:  # pieces may stand elsewhere now
            self.in_sight.see_all()
        self.show_beside()
        self._states()
        old = self.isVisible() and before is not after and not self.strip.tells_progress  # said of what was before
        if self.strip.tells_next or old:
            self.next_row.say()

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
        self.actions_.enable(self.bench.project, not self.bench.jobs.busy, self.tools.tool)

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
            self.next_row.say(title)
        self._states()

    def _opened(self, row: int) -> None:
        mode = self.panels[row].mode
        self.scene.set_mode(mode)
        self.class_mode.opened()
        self.show_beside()
        self._states()
        self.next_row.say_if_another()

    def shown_bar(self) -> ColourBar | None:
        beside = self.panels[self.card.open_row].beside()
        return beside if isinstance(beside, ColourBar) else None

    def show_beside(self) -> None:
        """What the open row wants beside the view, and nothing else."""
        self.beside.show_only(self.panels[self.card.open_row].beside())

    def _units(self) -> None:
        self.scene.units = self.bench.units
        for panel in self.panels:
            panel.show_project(self.bench.project)
        self._states()

    def _title(self, clean: bool = True) -> None:
        path = self.bench.session.path
        self.setWindowTitle(f"{path.name if path else 'New job'}[*] – rejoin")
        self.setWindowModified(self.bench.session.modified)

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
        self.in_sight.end()
        session = self.bench.session
        session.changed.disconnect(self._show)
        session.stack.cleanChanged.disconnect(self._title)
        self.bench.close()
        self.scene.close()
        self.view.close()
        event.accept()
