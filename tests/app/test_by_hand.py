"""The ways to join by hand, each followed by the same exact adjustment in the worker."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint

from rejoin.core.transforms import apply, displacement, inverse
from tests.app import made_up
from tests.app.person import Person, facing_normal

RIGHT_MM = 0.15
"""The noise is 0.02 mm at 1.2 mm spacing."""


def misplaced(window) -> float:
    project = window.bench.project
    a, b = (p.part_from_scan for p in project.placements)
    truth_a, truth_b = made_up.true_poses()
    return float(displacement(inverse(a) @ b, inverse(truth_a) @ truth_b, project.fragments[1].mesh.vertices).max())


def middle_of(window, fragment: int, triangle: int) -> np.ndarray:
    mesh = window.bench.project.fragments[fragment].mesh
    return mesh.vertices[mesh.triangles[triangle]].mean(axis=0)


def place_of(window, fragment: int, point) -> QPoint:
    return window.view.widget_position(apply(window.scene.poses()[fragment], point[None])[0]).toPoint()


def show_broken_face(person, fragment: int) -> np.ndarray:
    triangles = made_up.block(fragment)[1]
    mesh = person.window.bench.project.fragments[fragment].mesh
    middle = mesh.vertices[mesh.triangles[triangles]].mean(axis=(0, 1))
    person.see(fragment, middle, facing_normal(person.window, fragment, triangles))
    return triangles


def test_by_three_marks(window):
    person = Person(window)
    window.bench.session.apply("Find", made_up.with_faces())
    person.open_row(30)
    person.unfold(window.join, "It did not work?")
    person.click(window.join.by_hand.mark_button)
    truth_a, truth_b = made_up.true_poses()
    spots = [60, 420, 890]
    in_part = [apply(truth_a, middle_of(window, 0, int(made_up.block(0)[1][s]))[None])[0] for s in spots]
    for fragment, pose in ((0, truth_a), (1, truth_b)):
        show_broken_face(person, fragment)
        for point in in_part:
            person.click_view(place_of(window, fragment, apply(inverse(pose), point[None])[0]))
    assert [len(marks) for marks in window.tools.marks.values()] == [3, 3]
    person.show_only(None)
    person.click(window.join.by_hand.use_marks_button)
    person.wait_until_done()
    assert person.troubles == [] and misplaced(window) < RIGHT_MM
    assert window.bench.project.joints[0].found_by == "person" and window.tools.marks == {}
    assert window.bench.session.stack.undoText() == "Join by marks"


def test_by_two_picked_faces(window):
    person = Person(window)
    window.bench.session.apply("Open scans", made_up.cleaned())
    person.open_row(20)
    for fragment in (0, 1):
        show_broken_face(person, fragment)
        person.click_view(place_of(window, fragment, middle_of(window, fragment, int(made_up.block(fragment)[1][470]))))
    assert window.faces.list.count() == 2 and not window.faces.pair_button.isEnabled()
    person.select_rows(window.faces.list, [0, 1])
    person.click(window.faces.pair_button)
    person.wait_until_done()
    assert person.troubles == [] and misplaced(window) < RIGHT_MM
    assert window.bench.project.joints[0].state == "pinned" and window.card.open_row == 2


def test_by_moving_and_bringing_into_contact(window):
    person = Person(window)
    window.bench.session.apply("Join", made_up.joined())
    person.open_row(30)
    person.unfold(window.join, "It did not work?")
    person.click(window.join.by_hand.move_button)
    mesh = window.bench.project.fragments[1].mesh
    for triangle in range(0, len(mesh.triangles), 31):
        position = place_of(window, 1, middle_of(window, 1, triangle))
        hit = window.scene.pick(*window.view.display(position.toPointF()))
        if hit is not None and hit.triangle == triangle and hit.fragment == 1:
            break
    person.drag_view(position, QPoint(9, -4))
    moved = misplaced(window)
    assert moved > 0.5
    person.click(window.join.by_hand.settle_button)
    person.wait_until_done()
    assert person.troubles == [] and misplaced(window) < RIGHT_MM
    window.bench.session.stack.undo()
    assert misplaced(window) == pytest.approx(moved)
