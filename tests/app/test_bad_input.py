"""What a person does wrong is said in the window, in two sentences, and nothing is lost by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from PySide6.QtCore import Qt

from rejoin.core import edits
from rejoin.core.cleaning import clean_scan
from tests.app import made_up
from tests.app.person import Person


def said(window) -> str:
    return window.strip.words.text()


def test_with_nothing_selected_it_is_said_what_to_select(window):
    window.bench.session.apply("Join", made_up.joined())
    person = Person(window)
    for row, entry, words in ((10, window.scans.remove_button, "No fragment is selected."),
                              (10, window.scans.rename_button, "No fragment is selected.")):  # fmt: skip
        person.open_row(row)
        window.scans.table.setCurrentItem(None)
        person.click(entry)
        assert words in said(window) and "Click on one in the list first." in said(window)
    before = window.bench.project
    person.open_row(20)
    window.faces.clear()
    assert "No face is selected." in said(window)
    window.faces.pair()
    assert "Two faces are needed" in said(window)
    assert window.bench.project is before


def test_one_fragment_alone_cannot_be_joined_and_says_so(window):
    project = made_up.cleaned()
    window.bench.session.apply("Open scans", replace(project, scans=project.scans[:1], fragments=project.fragments[:1]))
    assert window.card.heads[2].state_label.text() == "Needs two fragments"
    Person(window).open_row(30)
    assert not window.join.join_button.isEnabled() and not window.actions_.join.isEnabled()
    window.bench.join()  # as by a script: the worker refuses
    Person(window).wait_until_done()
    assert "two" in said(window).lower() and not window.bench.project.joints


def test_fragments_that_do_not_belong_together_are_not_told_as_done(window):
    project = made_up.cleaned()
    scan = replace(project.scans[1], mesh=made_up.block(1, seed=99)[0])
    project = replace(project, scans=(project.scans[0], scan), fragments=(project.fragments[0], clean_scan(scan)))
    window.bench.session.apply("Open scans", project)
    person = Person(window)
    person.open_row(30)
    person.click(window.join.join_button)
    person.wait_until_done()
    assert "could not be joined" in said(window) and "done" not in said(window)
    assert window.bench.project.fragments == project.fragments


def test_faces_painted_on_the_wrong_side_are_no_good_joint_and_can_be_undone(window):
    project = made_up.cleaned()
    for part in (0, 1):
        mesh, fracture = made_up.block(part)
        away = np.setdiff1d(np.arange(len(mesh.triangles)), fracture)
        far = mesh.vertices[mesh.triangles[away]].mean(axis=1)
        project = edits.choose_face(project, part, away[far[:, 2] > 0.98 * far[:, 2].max()])  # the smooth upper side
    window.bench.session.apply("Paint", project)
    person = Person(window)
    person.open_row(20)
    person.select_rows(window.faces.list, [0, 1])
    person.click(window.faces.pair_button)
    person.wait_until_done()
    joints = window.bench.project.joints
    assert person.troubles or (joints and not joints[0].evidence.good), "never called certain"
    if not person.troubles:
        assert "doubtful" in window.card.heads[2].state_label.text()
        person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert window.bench.project is project, "one step back, or nothing changed"
