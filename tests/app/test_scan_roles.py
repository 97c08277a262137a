"""Row 10: whether the scans are good enough, and what each is of."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from rejoin.app.panels.scans import ROLES, ScansPanel
from rejoin.app.words import sentences
from rejoin.app.words.sentences import Units
from rejoin.core.records import Hole, Mesh, ScanFault
from tests.app import made_up
from tests.app.person import Person


def test_scans_are_looked_over_and_given_a_role(window: Any) -> None:
    panel, person = window.panel(ScansPanel), Person(window)
    assert [action.text() for action in panel.role_menu.actions()] == [words for words, *_ in ROLES]
    assert not panel.more.isVisible()
    window.bench.session.apply("Open scans", made_up.cleaned())
    person.click(panel.judge_button)
    person.wait_until_done()
    assert all(fragment.faults is not None for fragment in window.bench.project.fragments)
    wanting = any(fragment.faults for fragment in window.bench.project.fragments)
    assert ("had better be scanned again" if wanting else "good enough") in window.strip.words.text()
    lines = [panel.table.topLevelItem(0).child(k).text(0) for k in range(panel.table.topLevelItem(0).childCount())]
    faults = window.bench.project.fragments[0].faults
    assert (faults[0].sentence if faults else "Good enough: nothing was found wanting.") in lines
    panel.table.setCurrentItem(panel.table.topLevelItem(1))
    before: Mesh = window.bench.project.fragments[1].mesh
    panel.role_menu.actions()[2].trigger()
    person.wait_until_done()
    scan = window.bench.project.scans[1]
    assert (scan.role, scan.mirrored) == ("reference", True) and "a reference" in panel.words(window.bench.project)
    assert window.bench.project.fragments[1].mesh.vertices[:, 0].max() == -before.vertices[:, 0].min()
    window.bench.session.stack.undo()
    assert window.bench.project.scans[1].role == "fragment"


def test_a_reference_is_searched_for_no_broken_face_and_keeps_nobody_waiting(window: Any) -> None:
    person, project = Person(window), made_up.joined()
    window.bench.session.apply("Open scans", replace(made_up.cleaned(), faces=project.faces))
    scan = replace(project.scans[0], name="sister part", role="reference", sha256=("f" * 64,))
    sister = replace(project.fragments[0], scan=scan)
    before = window.bench.project
    window.bench.session.apply("Open scans", replace(before, scans=(*before.scans, scan),
                                                     fragments=(*before.fragments, sister)))  # fmt: skip
    assert "Fracture faces" not in window.strip.words.text() and window.faces.is_done(window.bench.project)
    person.open_row(30)
    person.click(window.join.join_button)
    person.wait_until_done()
    assert not person.troubles, person.troubles
    assert "Next: 40 Gap" in window.strip.words.text(), window.strip.words.text()
    assert window.join.words(window.bench.project).startswith("Both placed"), "the reference is no piece"


def test_what_is_to_be_scanned_again_is_read_whole_and_marked_in_the_view(window: Any) -> None:
    person, project = Person(window), made_up.cleaned()
    place = project.fragments[1].mesh.vertices[10]
    words = "Part of a broken surface was covered or in shadow (8.2 mm across); rescan this side."
    faulty = replace(project.fragments[1], faults=(ScanFault("covered", words, place, 8.2),))
    window.bench.session.apply("Look the scans over", replace(project, fragments=(project.fragments[0], faulty)))
    person.open_row(10)
    person.pause(60)
    table, front = window.scans.table, window.scene.front
    item = table.topLevelItem(1)
    row = next(item.child(k) for k in range(item.childCount()) if item.child(k).text(0) == words)
    line = table.visualItemRect(table.topLevelItem(1).child(0)).height()
    rect, room = table.visualItemRect(row), table.viewport().width() - 2 * table.indentation()
    needed = table.fontMetrics().boundingRect(0, 0, room, 999, int(Qt.TextFlag.TextWordWrap.value), words)
    assert needed.height() > 1.5 * line and rect.height() >= needed.height(), "no word is cut"
    assert person.words_in_front("faults") == ["scan again here: 8.20 mm"]
    table.setCurrentItem(item)
    QTest.keyClick(table, Qt.Key.Key_Space)  # hidden: what is to be seen on it is too
    assert not front.shows("faults")
    QTest.keyClick(table, Qt.Key.Key_Space)
    assert front.shows("faults")
    person.open_row(20)
    assert not front.shows("faults")


def test_of_many_holes_the_largest_are_told_and_the_others_counted() -> None:
    fragment = made_up.cleaned().fragments[0]
    holes = tuple(Hole(np.arange(3), float(size), np.zeros(3)) for size in (1, 9, 2, 7, 5, 3))
    lines = sentences.fragment_notes(replace(fragment, holes=holes), Units("mm")).split("\n")
    assert [line for line in lines if "hole" in line] == [
        "An open hole, 9.00 mm across.", "An open hole, 7.00 mm across.", "An open hole, 5.00 mm across.",
        "3 smaller open holes, up to 3.00 mm across."]  # fmt: skip
