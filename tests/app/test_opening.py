"""Scans opened wrongly: twice, beside a saved job, of another unit; and what the strip says after each step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QMimeData, QPoint, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication, QStyle, QStyleOptionButton
from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

from rejoin.core.storage import save_project
from tests.app import made_up
from tests.app.person import CONTROL, LEFT, NONE, Person


def drop(person: Person, *paths: Path) -> None:
    """Let files fall on the window."""
    what = QMimeData()
    what.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    place, copies = QPoint(600, 300), Qt.DropAction.CopyAction
    QApplication.sendEvent(person.window, QDragEnterEvent(place, copies, what, LEFT, NONE))
    QApplication.sendEvent(person.window, QDropEvent(place.toPointF(), copies, what, LEFT, NONE))
    person.wait_until_done()


def test_a_scan_dropped_twice_is_opened_once_and_that_is_said(window, tmp_path: Path) -> None:
    person, bench = Person(window), window.bench
    bench.ask_unit = lambda question, readings: "mm"
    first, second = made_up.write_scans(tmp_path)
    drop(person, first, second, first)
    assert [scan.name for scan in bench.project.scans] == [first.stem, second.stem]
    said = window.strip.words.text()
    assert f"{first.stem} is on the bench as A already" in said and "Next: 20" in said, said
    before = bench.project
    drop(person, second)
    assert bench.project is before and f"{second.stem} is on the bench as B already" in window.strip.words.text()
    person.key(Qt.Key.Key_Z, CONTROL)
    drop(person, second)
    assert [scan.name for scan in bench.project.scans] == [second.stem], "what was undone may be opened again"


def test_a_unit_taken_without_asking_is_still_said_when_the_scan_is_there(window, tmp_path: Path) -> None:
    person, bench = Person(window), window.bench
    bench.ask_unit = lambda question, readings: "inch"
    first, second = made_up.write_scans(tmp_path)
    drop(person, first)
    drop(person, second)
    assert [scan.unit for scan in bench.project.scans] == ["inch", "inch"]
    assert "Taken to be in inch" in window.strip.words.text() and "Unit…" in window.strip.words.text()


def test_a_stated_unit_ends_the_doubt_about_it(window, tmp_path: Path) -> None:
    person, bench = Person(window), window.bench
    bench.ask_unit = lambda question, readings: "inch"
    small = tmp_path / "small.obj"
    block = made_up.block(0)[0]
    rows = [f"v {x} {y} {z}" for x, y, z in block.vertices / 25.4]
    small.write_text("\n".join(rows + [f"f {a} {b} {c}" for a, b, c in block.triangles + 1]))
    drop(person, small)
    tree = window.scans.table.topLevelItem(0)
    lines = [tree.child(row).text(0) for row in range(tree.childCount())]
    assert bench.project.scans[0].unit == "inch" and not any("does not say its unit" in line for line in lines), lines


def test_a_job_dropped_with_scans_opens_nothing_and_says_so(window, tmp_path: Path) -> None:
    person, bench = Person(window), window.bench
    scans, job = made_up.write_scans(tmp_path), tmp_path / "lever, repaired é.rejoin"
    save_project(made_up.joined(), job)
    drop(person, job, scans[0])
    assert not bench.project.scans and "together with other files" in person.troubles[-1]
    drop(person, job)
    assert len(bench.project.fragments) == 2 and bench.session.path == job


def test_what_went_wrong_is_not_said_any_longer_once_something_else_was_done(window, tmp_path: Path) -> None:
    person, bench = Person(window), window.bench
    bench.session.apply("Join", made_up.joined())
    text = tmp_path / "notes.txt"
    text.write_text("on the pump")
    drop(person, text)
    assert "notes.txt" in window.strip.words.text()
    person.open_row(10)
    person.select_rows(window.scans.table, [0])
    person.click(window.scans.remove_button)
    assert "notes.txt" not in window.strip.words.text() and "Next: 10 Scans." in window.strip.words.text()


def test_the_joint_that_is_doubtful_is_the_one_that_row_30_shows(window) -> None:
    project = made_up.joined()
    doubt = replace(project.joints[0], evidence=replace(project.joints[0].evidence, good=False, reason="Too little."))
    window.bench.session.apply("Join", replace(project, joints=(project.joints[0], doubt)))
    Person(window).open_row(30)
    assert window.join.list.currentRow() == 1 and "doubtful" in window.join.list.currentItem().text()


def test_a_whole_that_stayed_open_is_not_passed_over(window) -> None:
    project = made_up.whole()
    window.bench.session.apply("Fuse", replace(project, whole=replace(project.whole, closed=False)))
    window.bench.done.emit("Fuse")
    assert "not closed" in window.strip.words.text()


def test_words_in_the_view_grow_with_the_others(window, qapp) -> None:
    project, old = made_up.joined(), qapp.font()
    weak = replace(project.placements[1], covariance=np.diag([1e-12] * 3 + [1e-4, 0.09, 1e-4]))
    window.bench.session.apply("Join", replace(project, placements=(project.placements[0], weak)))
    Person(window).open_row(30)

    def size() -> int:
        (text,) = (prop for prop in window.scene.front._groups["slips"] if isinstance(prop, vtkBillboardTextActor3D))
        return int(text.GetTextProperty().GetFontSize())

    usual = size()
    try:
        window.appearance.change_text(9)
        Person(window).pause(300)
        assert size() == pytest.approx(usual * qapp.font().pointSizeF() / old.pointSizeF(), abs=1) and size() > usual
    finally:
        qapp.setFont(old)
        window.appearance.change_text(0)
    assert size() == usual


def test_the_largest_letters_make_no_window_wider_than_a_small_screen(window, qapp) -> None:
    line, old = window.apart_line, qapp.font()
    window.resize(1024, 700)
    Person(window).pause(60)
    assert line.title.isVisible() and line.left.isVisible() and line.right.isVisible()
    try:
        window.appearance.change_text(24)
        Person(window).pause(400)
        assert window.width() == 1024 and window.minimumSizeHint().width() <= 1024
        tick, shown = window.whole.tint, QStyleOptionButton()
        shown.initFrom(tick)
        size = tick.style().subElementRect(QStyle.SubElement.SE_CheckBoxIndicator, shown, tick).height()
        assert size > 0.7 * tick.fontMetrics().height(), "a tick grows with its words"
        assert not line.right.isVisible() and line.slider.width() >= 70
        window.resize(1280, 720)
        Person(window).pause(60)
        assert line.left.isVisible() and line.right.isVisible(), "where there is room they come back"
        assert line.right.width() >= line.right.sizeHint().width()
        window.tools.pointed.emit("A · half of the lever")
        Person(window).pause(60)
        assert line.pointed.width() >= line.pointed.sizeHint().width(), "what is pointed at is read whole"
        window.tools.pointed.emit("")
        Person(window).pause(60)
        assert line.left.isVisible() and line.right.isVisible()
    finally:
        qapp.setFont(old)
        window.appearance.change_text(0)
