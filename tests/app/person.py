"""A scripted person at the window: real mouse and key events, waiting as a person waits."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from PySide6.QtCore import QPoint, QSettings, Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QCheckBox,
    QFileDialog,
    QLabel,
    QLineEdit,
    QMenu,
    QPushButton,
    QRadioButton,
    QWidget,
)
from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

from rejoin.app.bench.bench import Bench
from rejoin.app.parts.dialogs import UnitDialog
from rejoin.app.parts.forms import Fold
from rejoin.app.tidying import Tidier
from rejoin.app.window import Window
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply

LEFT, NONE, CONTROL = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ControlModifier


@contextmanager
def opened(size: tuple[int, int] = (1280, 800)) -> Iterator[Window]:
    """A window with a working process, that remembers nothing of the person's own; for scripts outside the tests."""
    app = QApplication.instance() or QApplication(sys.argv[:1])
    app.setStyle("Fusion")  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as scratch:
        memory = QSettings(str(Path(scratch) / "memory.ini"), QSettings.Format.IniFormat)
        memory.setValue("palette", "light")
        window = Window(Bench(memory, Path(scratch) / "recovery"))
        window.ask_keep = lambda parent: "discard"
        window.resize(*size)
        window.show()
        tidier = Tidier(window)  # as the program does
        yield window
        tidier.end()
        window.close()


def assert_no_word_is_cut(panel: QWidget) -> None:
    """Every label, button and box of a panel that is shown has the width that its words need, within the panel."""
    for widget in (w for kind in (QLabel, QPushButton, QCheckBox, QRadioButton) for w in panel.findChildren(kind)):
        if widget.isVisible() and widget.text():
            need = widget.minimumSizeHint() if isinstance(widget, QLabel) else widget.sizeHint()
            assert widget.width() >= need.width() - 1, (panel.title, widget.text())
            assert panel.rect().right() >= widget.mapTo(panel, widget.rect().topRight()).x(), widget.text()


class Person:
    """Uses a window; ``pictures`` is where it takes a picture of every state, if anywhere."""

    def __init__(self, window: Window, pictures: Path | None = None) -> None:
        self.window, self.pictures, self.taken = window, pictures, 0
        self.patience_s = 120.0
        self.troubles: list[str] = []
        self.thinks: Callable[[], None] = lambda: None  # told when the script itself took time
        window.bench.said.connect(self._hears)

    def click(self, widget: QWidget) -> None:
        """Click the middle of a widget that can be seen and used."""
        self.window.card.ensureWidgetVisible(widget)
        self.pause(30)
        assert widget.isVisible(), f"{widget.objectName()} {getattr(widget, 'text', str)()} cannot be seen"
        assert widget.isEnabled(), f"{getattr(widget, 'text', str)()} cannot be used"
        QTest.mouseClick(widget, LEFT, NONE, widget.rect().center())

    def open_row(self, number: int) -> None:
        """Click the row of an operation of the job card."""
        index = [panel.number for panel in self.window.panels].index(number)
        self.click(self.window.card.heads[index])
        assert self.window.card.open_row == index

    def unfold(self, panel: QWidget, title: str) -> None:
        fold = next(f for f in panel.findChildren(Fold) if f.button.text() == title)
        if not fold.button.isChecked():
            self.click(fold.button)

    def key(self, key: Qt.Key, modifiers: Qt.KeyboardModifier = NONE) -> None:
        if not self.window.isActiveWindow():
            self.window.activateWindow()
            self.window.setFocus()
            QTest.qWaitForWindowActive(self.window, 2000)
        QTest.keyClick(self.window.focusWidget() or self.window, key, modifiers)
        self.pause(20)

    def open_scans(self, paths: Sequence[Path]) -> None:
        """By the button and the dialog; says that the files are in millimetres."""
        self.window.bench.memory.setValue("folder", str(paths[0].parent))
        self.when_asked(QFileDialog, lambda d: self._type(d, " ".join(f'"{p}"' for p in paths)))
        self.when_asked(UnitDialog, lambda d: QTest.keyClick(d, Qt.Key.Key_Return))
        self.click(self.window.scans.open_button)
        self.wait_until_done()

    def open_sample(self, name: str) -> None:
        """By the samples button and a click in its menu."""
        waiting = QTimer(self.window, interval=100)

        def choose() -> None:
            menu = QApplication.activePopupWidget()
            if isinstance(menu, QMenu) and menu.isVisible():
                waiting.stop()
                wanted = name.replace("_", " ").capitalize()
                action = next(action for action in menu.actions() if action.text() == wanted)
                QTest.mouseMove(menu, menu.actionGeometry(action).center())
                QTest.mouseClick(menu, LEFT, NONE, menu.actionGeometry(action).center())

        waiting.timeout.connect(choose)
        waiting.start()
        self.click(self.window.scans.samples_button)
        self.wait_until_done()
        assert self.window.bench.project.fragments, f"the sample did not open: {self.window.strip.words.text()}"

    def save_whole(self, path: Path) -> None:
        self.when_asked(QFileDialog, lambda d: self._type(d, str(path)))
        self.click(self.window.whole.save_button)
        self.wait_until_done()

    def save_project(self, path: Path) -> None:
        self.when_asked(QFileDialog, lambda d: self._type(d, str(path)))
        self.key(Qt.Key.Key_S, CONTROL)
        self.wait_until_done()

    def menu(self, *path: str) -> None:
        """Click through a menu, from the menu bar to an entry."""
        bar = self.window.menuBar()
        place = next(a for a in bar.actions() if a.text().replace("&", "") == path[0])
        # a menu takes no click where the pointer rested when it opened
        QTest.mouseMove(bar, bar.actionGeometry(place).center())
        self.pause(60)  # the screen's own word of the move comes later
        QTest.mouseClick(bar, LEFT, NONE, bar.actionGeometry(place).center())
        self.pause(60)
        for name in path[1:]:
            menu = QApplication.activePopupWidget()
            assert isinstance(menu, QMenu), f"no menu is open for {name}"
            entry = next(a for a in menu.actions() if a.text().replace("&", "") == name)
            assert entry.isEnabled(), f"{name} cannot be used"
            QTest.mouseMove(menu, menu.actionGeometry(entry).center())
            QTest.mouseClick(menu, LEFT, NONE, menu.actionGeometry(entry).center())
            self.pause(60)

    def select_rows(self, view: QAbstractItemView, rows: Sequence[int]) -> None:
        """Click rows of a list, the further ones with Ctrl."""
        for count, row in enumerate(rows):
            index = view.model().index(row, 0)
            view.scrollTo(index)
            self.pause(20)
            middle = view.visualRect(index).center()
            QTest.mouseClick(view.viewport(), LEFT, CONTROL if count else NONE, middle)

    def see(self, fragment: int, point: FloatArray, normal: FloatArray) -> QPoint:
        """Show this fragment alone, turn the view until a place of it faces the person, and say where it appears."""
        self.show_only(fragment)
        pose = self.window.scene.poses()[fragment]
        self.turn_towards(pose[:3, :3] @ normal)
        return self.window.view.widget_position(apply(pose, point[None])[0]).toPoint()

    def turn_towards(self, out: FloatArray) -> None:
        """Drag beside the fragments until a direction of the world points at the person, then bring all into sight."""
        view = self.window.view
        tool = self.window.tools.tool
        if tool not in ("look", "take", "mark", "size"):
            self.window.tools.choose("look")
        for _ in range(60):
            camera = view.renderer.GetActiveCamera()
            back, up = np.array(camera.GetViewPlaneNormal()), np.array(camera.GetViewUp())
            right = np.cross(up, back)
            across, along = float(out @ right), float(out @ np.cross(back, right))
            if float(out @ back) > 0.97:
                break
            if abs(across) < 0.05 and abs(along) < 0.05:  # it points straight away
                across = 1.0
            start = QPoint(40, view.height() // 2)
            step = QPoint(int(np.clip(-120 * across, -90, 90)), int(np.clip(90 * along, -90, 90)))
            QTest.mousePress(view, LEFT, NONE, start)
            QTest.mouseMove(view, start + step / 2)
            QTest.mouseMove(view, start + step)
            QTest.mouseRelease(view, LEFT, NONE, start + step)
            self.pause(5)
        self.key(Qt.Key.Key_End)
        self.window.tools.choose(tool)
        self.pause(60)

    def show_only(self, fragment: int | None) -> None:
        """Tick one fragment in the list, or all, with the space bar, as row 10 offers it."""
        before, table = self.window.card.open_row, self.window.scans.table
        tool = self.window.tools.tool
        self.open_row(10)
        for number in range(table.topLevelItemCount()):
            item = table.topLevelItem(number)
            shown = fragment is None or number == fragment
            if (item.checkState(0) == Qt.CheckState.Checked) != shown:
                table.setFocus()
                table.setCurrentItem(item)
                QTest.keyClick(table, Qt.Key.Key_Space)
                self.pause(20)
            assert (item.checkState(0) == Qt.CheckState.Checked) == shown
        if self.window.panels[before].number != 10:
            self.open_row(self.window.panels[before].number)
        self.window.take_tool(tool)

    def click_view(self, position: QPoint, modifiers: Qt.KeyboardModifier = NONE) -> None:
        QTest.mouseMove(self.window.view, position)
        QTest.mouseClick(self.window.view, LEFT, modifiers, position)
        self.pause(60)
        self.pause(20)  # the first may all have gone into drawing

    def drag_view(self, start: QPoint, by: QPoint, modifiers: Qt.KeyboardModifier = NONE) -> None:
        QTest.mousePress(self.window.view, LEFT, modifiers, start)
        for step in range(1, 6):
            QTest.mouseMove(self.window.view, start + by * step / 5)
            self.pause(15)
        QTest.mouseRelease(self.window.view, LEFT, modifiers, start + by)
        self.pause(60)
        self.pause(20)

    def drag_round(self, middle: QPoint, reach: int) -> None:
        """Draw a ring round a place of the view."""
        ring = [middle + QPoint(int(reach * np.cos(a)), int(reach * np.sin(a))) for a in np.linspace(0, 6.1, 20)]
        QTest.mousePress(self.window.view, LEFT, NONE, ring[0])
        for point in ring[1:]:
            QTest.mouseMove(self.window.view, point)
            self.pause(10)
        QTest.mouseRelease(self.window.view, LEFT, NONE, ring[-1])
        self.pause(60)
        self.pause(20)

    def undo_everything(self) -> None:
        for _ in range(self.window.bench.session.stack.index()):
            self.key(Qt.Key.Key_Z, CONTROL)

    def redo_everything(self) -> None:
        stack = self.window.bench.session.stack
        for _ in range(stack.count() - stack.index()):
            self.key(Qt.Key.Key_Y, CONTROL)

    def set_slider(self, slider: QWidget, share: float) -> None:
        """Page down to the beginning, then up."""
        slider.setFocus()
        for _ in range(11):
            QTest.keyClick(slider, Qt.Key.Key_PageDown)
            self.pause(5)
        for _ in range(int(round(share * 10))):
            QTest.keyClick(slider, Qt.Key.Key_PageUp)
            self.pause(5)
        self.pause(160)  # until the view has followed

    def wait_until_done(self) -> None:
        end = time.monotonic() + self.patience_s
        quiet = 0
        while quiet < 5 and time.monotonic() < end:
            self.pause(20)
            quiet = 0 if self.window.bench.jobs.busy else quiet + 1
        assert not self.window.bench.jobs.busy, "the work took too long"

    def pause(self, milliseconds: int) -> None:
        QTest.qWait(milliseconds)

    def picture(self, name: str) -> None:
        if self.pictures is not None:
            self.pause(80)
            self.taken += 1
            self.window.grab().save(str(self.pictures / f"{self.taken:02d}_{name}.png"))
            self.thinks()

    def when_asked(self, kind: type[QWidget], answer: Callable[[QWidget], None]) -> None:
        """Answer a dialog of ``kind`` when it comes up."""
        end, timer = time.monotonic() + self.patience_s, QTimer(self.window, interval=150)
        seen: list[QWidget] = []

        def look() -> None:
            dialog = QApplication.activeModalWidget()
            if isinstance(dialog, kind) and dialog.isVisible():
                if len(seen) % 8 == 1:  # not at first sight: it is still reading its folder; and again, like a person
                    answer(dialog)
                seen.append(dialog)
            elif seen or time.monotonic() > end:
                timer.stop()

        timer.timeout.connect(look)
        timer.start()

    def words_in_front(self, group: str) -> list[str]:
        """What stands in the view before everything, of one group."""
        props = self.window.scene.front._groups.get(group, [])
        return [prop.GetInput().strip() for prop in props if isinstance(prop, vtkBillboardTextActor3D)]

    def _type(self, dialog: QWidget, text: str) -> None:
        line = dialog.findChild(QLineEdit, "fileNameEdit") or dialog.findChildren(QLineEdit)[0]
        line.setFocus()
        line.selectAll()
        QTest.keyClicks(line, text)
        QTest.keyClick(line, Qt.Key.Key_Return)

    def _hears(self, kind: str, what: str, to_do: str) -> None:
        if kind == "trouble":
            self.troubles.append(f"{what} {to_do}")


def facing_normal(window: Window, fragment: int, triangles) -> FloatArray:
    """Mean outward normal of some triangles, scan frame."""
    mesh = window.bench.project.fragments[fragment].mesh
    a, b, c = (mesh.vertices[mesh.triangles[triangles, i]] for i in range(3))
    normal = np.cross(b - a, c - a).sum(axis=0)
    return normal / np.linalg.norm(normal)
