"""Real mouse events in the view: take, paint, rub out, marks, move."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from rejoin.core.transforms import apply, inverse
from tests.app import made_up

LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


def spot(window, fragment: int, triangle: int) -> QPoint:
    """Where the middle of a triangle appears in the view."""
    mesh = window.bench.project.fragments[fragment].mesh
    middle = mesh.vertices[mesh.triangles[triangle]].mean(axis=0)
    world = apply(window.scene.poses()[fragment], middle[None])[0]
    return window.view.widget_position(world).toPoint()


def seen_triangle(window, fragment: int, candidates) -> int:
    """One of the triangles that is really in sight at its spot."""
    for triangle in candidates[len(candidates) // 2 :]:
        position = spot(window, fragment, int(triangle))
        hit = window.scene.pick(*window.view.display(position.toPointF()))
        if hit is not None and hit.fragment == fragment and hit.triangle in candidates:
            return int(triangle)
    raise AssertionError("none of the triangles is in sight")


@pytest.fixture
def faces_open(window, qtbot):
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.card.unfold(1)
    window.scene.look_from((0.8, -0.5, 0.3), (0, 0, 1))
    qtbot.wait(50)
    return window


def test_a_click_takes_the_face_and_undo_gives_it_back(faces_open, qtbot):
    window, truth = faces_open, made_up.block(0)[1]
    position = spot(window, 0, seen_triangle(window, 0, truth))
    qtbot.mouseClick(window.view, LEFT, NONE, position)
    qtbot.waitUntil(lambda: bool(window.bench.project.faces))
    (face,) = window.bench.project.faces
    assert face.chosen_by == "person"
    assert len(np.intersect1d(face.triangles, truth)) > 0.9 * len(truth)
    assert window.faces.list.item(0).text().startswith("A · ")
    window.actions_.undo.trigger()
    assert window.bench.project.faces == ()


def test_hover_shows_what_a_click_takes(faces_open, qtbot):
    window, truth = faces_open, made_up.block(0)[1]
    position = spot(window, 0, seen_triangle(window, 0, truth))
    qtbot.mouseMove(window.view, position - QPoint(3, 0))
    qtbot.mouseMove(window.view, position)
    qtbot.waitUntil(lambda: "A click takes this face of A" in window.pointed.text(), timeout=2000)
    assert window.bench.project.faces == ()


def test_shift_adds_and_alt_takes_away(faces_open, qtbot):
    window, truth = faces_open, made_up.block(0)[1]
    mesh = window.bench.project.fragments[0].mesh
    broken = spot(window, 0, seen_triangle(window, 0, truth))
    others = np.setdiff1d(np.arange(len(mesh.triangles)), truth)
    side = spot(window, 0, seen_triangle(window, 0, others))
    qtbot.mouseClick(window.view, LEFT, NONE, broken)
    qtbot.waitUntil(lambda: bool(window.bench.project.faces))
    small = window.bench.project.faces[0].area_mm2
    qtbot.mouseClick(window.view, LEFT, Qt.KeyboardModifier.ShiftModifier, side)
    qtbot.wait(30)
    (face,) = window.bench.project.faces
    assert face.area_mm2 > 1.2 * small
    qtbot.mouseClick(window.view, LEFT, Qt.KeyboardModifier.AltModifier, side)
    qtbot.wait(30)
    (face,) = window.bench.project.faces
    assert face.area_mm2 == pytest.approx(small, rel=0.1)


def test_turning_the_view_is_no_click(faces_open, qtbot):
    window = faces_open
    middle = spot(window, 0, seen_triangle(window, 0, made_up.block(0)[1]))
    camera = window.view.renderer.GetActiveCamera()
    before = camera.GetPosition()
    QTest.mousePress(window.view, LEFT, NONE, middle)
    QTest.mouseMove(window.view, middle + QPoint(60, 10))
    QTest.mouseRelease(window.view, LEFT, NONE, middle + QPoint(60, 10))
    assert window.bench.project.faces == () and camera.GetPosition() != before


def test_a_brush_stroke_with_few_far_samples_has_no_gaps_and_is_one_step(faces_open, qtbot):
    window = faces_open
    window.tools.choose("paint")
    window.tools.radius_mm = 2.0
    mesh = window.bench.project.fragments[0].mesh
    truth = made_up.block(0)[1]
    centres = mesh.vertices[mesh.triangles].mean(axis=1)
    in_sight = [t for t in truth[::5] if _in_sight(window, int(t))]
    far = np.linalg.norm(centres[in_sight][:, None] - centres[in_sight][None], axis=2)
    first, last = (in_sight[i] for i in np.unravel_index(int(np.argmax(far)), far.shape))
    start, end = spot(window, 0, int(first)), spot(window, 0, int(last))
    count = window.bench.session.stack.count()
    QTest.mousePress(window.view, LEFT, NONE, start)
    QTest.mouseMove(window.view, end)
    QTest.mouseRelease(window.view, LEFT, NONE, end)
    qtbot.wait(30)
    assert window.bench.session.stack.count() == count + 1
    (face,) = window.bench.project.faces
    for share in np.linspace(0, 1, 9):
        point = centres[first] * (1 - share) + centres[last] * share
        assert np.linalg.norm(centres[face.triangles] - point, axis=1).min() < 2.5
    painted = face.area_mm2
    window.tools.choose("rub")
    QTest.mousePress(window.view, LEFT, NONE, start)
    QTest.mouseRelease(window.view, LEFT, NONE, start)
    qtbot.wait(30)
    assert window.bench.project.faces[0].area_mm2 < painted


def test_three_marks_on_each_allow_the_join(window, qtbot):
    window.bench.session.apply("Find", made_up.with_faces())
    window.take_tool("mark")
    window.scene.look_from((0.3, -0.8, 0.5), (0, 0, 1))
    qtbot.wait(30)
    for fragment in (0, 1):
        assert not window.join.by_hand.use_marks_button.isEnabled()
        mesh = window.bench.project.fragments[fragment].mesh
        done = 0
        for triangle in range(0, len(mesh.triangles), 97):
            if done < 3 and _in_sight(window, triangle, fragment):
                qtbot.mouseClick(window.view, LEFT, NONE, spot(window, fragment, triangle))
                done += 1
        assert len(window.tools.marks[fragment]) == 3
    assert window.join.by_hand.use_marks_button.isEnabled()
    window.tools.clear_marks()
    assert not window.join.by_hand.use_marks_button.isEnabled()


def test_dragging_moves_a_fragment_as_one_step_and_undo_brings_it_back(window, qtbot):
    window.bench.session.apply("Join", made_up.joined())
    window.take_tool("move")
    qtbot.wait(30)
    mesh = window.bench.project.fragments[1].mesh
    triangle = next(t for t in range(0, len(mesh.triangles), 31) if _in_sight(window, t, 1))
    start = spot(window, 1, triangle)
    before = window.bench.project
    QTest.mousePress(window.view, LEFT, NONE, start)
    for step in (20, 45, 80):
        QTest.mouseMove(window.view, start + QPoint(step, 0))
    QTest.mouseRelease(window.view, LEFT, NONE, start + QPoint(80, 0))
    after = window.bench.project
    assert after.placements[0] is before.placements[0] and after.placements[1].placed_by == "person"
    moved = after.placements[1].part_from_scan @ inverse(before.placements[1].part_from_scan)
    assert np.allclose(moved[:3, :3], np.eye(3)) and np.linalg.norm(moved[:3, 3]) > 3.0
    assert (spot(window, 1, triangle) - (start + QPoint(80, 0))).manhattanLength() <= 3, "it stays under the pointer"
    assert window.join.by_hand.settle_button.isEnabled() and after.fits == ()
    window.actions_.undo.trigger()
    assert window.bench.project is before


def test_control_drag_turns_about_the_middle(window, qtbot):
    window.bench.session.apply("Join", made_up.joined())
    window.take_tool("move")
    qtbot.wait(30)
    mesh = window.bench.project.fragments[1].mesh
    triangle = next(t for t in range(0, len(mesh.triangles), 31) if _in_sight(window, t, 1))
    start, control = spot(window, 1, triangle), Qt.KeyboardModifier.ControlModifier
    before = window.bench.project.placements[1].part_from_scan
    QTest.mousePress(window.view, LEFT, control, start)
    QTest.mouseRelease(window.view, LEFT, control, start + QPoint(70, 0))
    after = window.bench.project.placements[1].part_from_scan
    middle = (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2
    assert np.allclose(apply(after, middle[None]), apply(before, middle[None]), atol=1e-6)
    assert np.degrees(np.arccos((np.trace(after[:3, :3].T @ before[:3, :3]) - 1) / 2)) > 5


def _in_sight(window, triangle: int, fragment: int = 0) -> bool:
    position = spot(window, fragment, triangle)
    hit = window.scene.pick(*window.view.display(position.toPointF()))
    return hit is not None and hit.fragment == fragment and hit.triangle == triangle
