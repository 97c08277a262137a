"""From where the parts are looked at: a joined part so that it tells most; a view of the person's own is kept."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from scipy.spatial.transform import Rotation

from rejoin.app.view.sight import telling_view
from tests.app import made_up
from tests.app.person import Person


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("axis", range(3))
def test_a_telling_view_shows_much_of_a_body_and_its_joint_from_the_side(seed, axis):
    """A box of 80 x 40 x 12, however it lies, broken across any of its axes; its shadow is known in closed form."""
    turn = Rotation.random(random_state=seed).as_matrix()
    sides = np.array([80.0, 40.0, 12.0])
    corners = np.array(list(product((-0.5, 0.5), repeat=3))) * sides @ turn.T
    across = turn[:, axis]
    direction, up = (np.array(way) for way in telling_view(corners, across))
    assert np.linalg.norm(direction) == pytest.approx(1) and np.linalg.norm(up) == pytest.approx(1)
    assert direction @ up == pytest.approx(0, abs=1e-9)
    faces = np.array([sides[1] * sides[2], sides[0] * sides[2], sides[0] * sides[1]])
    shadow = np.abs(turn.T @ direction) @ faces
    # broken flatwise, the joint is seen from its thin side only
    assert shadow > (0.45 if axis == 2 else 0.75) * faces[2] and abs(direction @ across) < 0.5
    assert (np.abs(turn.T @ direction) > 0.3).all(), "three sides are seen"
    assert abs(up @ turn[:, 0]) < 1e-9, "the longest side lies level"


@pytest.mark.parametrize("seed", (6, 44, 55, 56, 64, 65, 113, 0, 1, 2))  # in all but the last three it would
def test_what_lies_beside_a_joined_part_does_not_stand_before_it(seed):
    """A box beside another, however both lie, seen from the telling view: their shadows are apart."""
    turn = Rotation.random(random_state=seed).as_matrix()
    corners = np.array(list(product((-0.5, 0.5), repeat=3))) * [60.0, 50.0, 20.0] @ turn.T
    other = np.array(list(product((-0.5, 0.5), repeat=3))) * [50.0, 60.0, 50.0] @ turn
    other[:, 0] -= other[:, 0].max() - corners[:, 0].min() + 0.6 * float(np.ptp(corners[:, 0]))
    direction, up = (np.array(way) for way in telling_view(corners, turn[:, 0], other))
    flat = np.linalg.svd(direction[None])[2][1:]
    ways = flat.T @ np.stack([np.cos(np.linspace(0, np.pi, 90)), np.sin(np.linspace(0, np.pi, 90))])
    seen, beside = corners @ ways, other @ ways
    assert np.maximum(seen.min(axis=0) - beside.max(axis=0), beside.min(axis=0) - seen.max(axis=0)).max() > 0


def test_after_the_join_the_part_is_shown_and_a_view_of_ones_own_is_kept(window, qtbot):
    camera, person = window.view.renderer.GetActiveCamera(), Person(window)

    def looks() -> np.ndarray:
        return np.array(camera.GetViewPlaneNormal())

    def turn_by_hand() -> None:
        QTest.mousePress(window.view, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(30, 300))
        for step in (1, 2, 3):
            QTest.mouseMove(window.view, QPoint(30 + 40 * step, 300 - 30 * step))
        QTest.mouseRelease(window.view, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(150, 210))

    joined = made_up.joined()
    for tool, kept in (("take", False), ("look", True)):
        window.bench.session.apply("Open scans", replace(joined, placements=(), joints=(), fits=()))
        person.open_row(20)
        window.tools.choose(tool)
        before = looks()
        turn_by_hand()
        turned = looks()
        assert turned @ before < 0.99
        window.bench.session.apply("Join", joined)
        assert (looks() @ turned > 0.9999) == kept
        if not kept:
            across = window.scene.joint_direction()
            assert abs(looks() @ across) < 0.6
        window.bench.session.replace(made_up.Project(), None)


def test_the_scale_beside_the_view_cuts_nothing_off(window, qtbot):
    window.bench.session.apply("Join", made_up.joined())
    window.scene.fit()
    window.view.renderer.GetActiveCamera().Zoom(1.12)
    assert window.scene.all_in_sight()
    wide = window.view.width()
    window.card.unfold(3)
    qtbot.waitUntil(lambda: window.view.width() < wide and window.scene.all_in_sight(), timeout=2000)
    qtbot.wait(50)
    assert window.scene.all_in_sight()
    window.view.renderer.GetActiveCamera().Zoom(3.0)  # the person went closer: so it stays
    window.card.unfold(2)
    qtbot.wait(50)
    assert not window.scene.all_in_sight()


def test_pieces_that_are_placed_anew_do_not_run_out_of_the_view(window, qtbot):
    """Joined again, with another piece placed: where all were in sight before, all are in sight afterwards."""
    window.bench.session.apply("Join", made_up.joined())
    qtbot.waitUntil(lambda: window.apart.value() == 0 and window.scene.all_in_sight(), timeout=3000)
    project = window.bench.project
    far = project.placements[1].part_from_scan.copy()
    far[:3, 3] += 150.0
    moved = replace(project, placements=(project.placements[0], replace(project.placements[1], part_from_scan=far)))
    window.bench.session.apply("Join", moved)
    assert window.scene.all_in_sight()
    camera = window.view.renderer.GetActiveCamera()
    camera.Zoom(4.0)  # a person looks at something near
    angle = camera.GetViewAngle()
    window.bench.session.apply("Join", project)
    assert camera.GetViewAngle() == angle, "and goes on looking at it"
