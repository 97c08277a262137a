"""What the view shows, and where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkRenderingCore import vtkCamera

from rejoin.app.parts import colours
from rejoin.app.view import tints
from rejoin.app.view.letters import letter_places
from rejoin.app.view.poses import bench as bench_poses
from rejoin.app.view.poses import world_poses
from rejoin.app.words import sentences, size_words
from rejoin.core import further, steps
from rejoin.core.transforms import apply, inverse
from tests.app import made_up


def picture(window):
    window.scene.view.repaint()
    image = window.grab().toImage().convertToFormat(window.grab().toImage().Format.Format_RGB888)
    buffer = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    whole = buffer[:, : 3 * image.width()].reshape(image.height(), image.width(), 3)
    ratio = window.devicePixelRatioF()
    corner = window.view.mapTo(window, window.view.rect().topLeft())
    left, top = int(corner.x() * ratio), int(corner.y() * ratio)
    size = int(window.view.width() * ratio), int(window.view.height() * ratio)
    return whole[top : top + size[1], left : left + size[0]].astype(int)


def test_joined_fragments_stand_as_the_placements_say():
    project = made_up.joined()
    first, second = world_poses(project, 0.0)
    a, b = (p.part_from_scan for p in project.placements)
    assert np.allclose(inverse(first) @ second, inverse(a) @ b)


def test_bench_poses_do_not_overlap_and_stand_on_one_table():
    project = made_up.cleaned()
    poses = bench_poses(project.fragments)
    boxes = [apply(pose, f.mesh.vertices) for pose, f in zip(poses, project.fragments, strict=True)]
    assert boxes[0][:, 0].max() < boxes[1][:, 0].min()
    assert np.allclose([box[:, 2].min() for box in boxes], 0.0)


@pytest.mark.parametrize("apart", [0.1, 0.5, 0.75, 1.0])
def test_every_pose_on_the_way_is_rigid_and_the_way_has_no_jump(apart):
    project = made_up.joined()
    here, near = world_poses(project, apart), world_poses(project, apart - 1e-4)
    for one, other in zip(here, near, strict=True):
        assert np.allclose(one[:3, :3] @ one[:3, :3].T, np.eye(3)) and np.linalg.det(one[:3, :3]) > 0
        assert np.abs(one - other).max() < 0.1


def test_an_unplaced_fragment_stays_on_the_bench_and_out_of_the_way():
    from dataclasses import replace

    project = made_up.joined()
    third = replace(project.fragments[0])
    nowhere = replace(project.placements[1], part_from_scan=None, why="It fits nowhere.")
    project = replace(project, fragments=(*project.fragments, third), placements=(*project.placements, nowhere))
    poses = world_poses(project, 0.0)
    alone = apply(poses[2], third.mesh.vertices)
    joined = np.vstack([apply(poses[i], project.fragments[i].mesh.vertices) for i in (0, 1)])
    assert alone[:, 0].max() < joined[:, 0].min() or alone[:, 0].min() > joined[:, 0].max()


def test_the_view_is_drawn_and_fragments_appear(window):
    empty = picture(window)
    assert empty.std() > 0 and empty.mean() > 60, "a light ground, not black"
    window.bench.session.apply("Open scans", made_up.cleaned())
    shown = picture(window)
    assert (np.abs(shown - empty).max(axis=2) > 20).mean() > 0.03


def test_open_gaps_are_shown_blue(window):
    window.bench.session.apply("Join", made_up.joined(shift_mm=0.6))
    window.card.unfold(3)
    window.gap.limit.setValue(0.6)
    window.apart.setValue(50)
    window.scene.look_from((0.9, -0.5, 0.2), (0, 0, 1))
    shown = picture(window)
    blue = (shown[..., 2] - shown[..., 0] > 60).mean()
    red = (shown[..., 0] - shown[..., 2] > 60).mean()
    assert blue > 0.005 and blue > 20 * red


def test_a_fragment_can_be_hidden(window):
    window.bench.session.apply("Open scans", made_up.cleaned())
    both = picture(window)
    from PySide6.QtCore import Qt

    window.scans.table.topLevelItem(1).setCheckState(0, Qt.CheckState.Unchecked)
    assert (np.abs(picture(window) - both).max(axis=2) > 20).mean() > 0.01


def test_palettes_colour_the_ground(window):
    for name in ("dark", "light"):
        window.appearance.set_colours(name)
        corner = picture(window)[5:15, 5:15].mean()
        palette = colours.LAMP if name == "dark" else colours.PAPER
        assert corner == pytest.approx(colours.rgb(palette.sky).mean(), abs=12)


def test_the_whole_stands_where_the_joined_fragments_stood(window):
    window.bench.session.apply("Fuse", made_up.whole())
    window.card.unfold(4)
    scene = window.scene
    bounds = np.array(scene.whole.actor.GetBounds()).reshape(3, 2)
    poses = world_poses(made_up.whole(), 0.0)
    project = window.bench.project
    cloud = np.vstack([apply(pose, f.mesh.vertices) for pose, f in zip(poses, project.fragments, strict=True)])
    assert np.allclose(bounds[:, 0], cloud.min(axis=0), atol=0.5)
    assert np.allclose(bounds[:, 1], cloud.max(axis=0), atol=0.5)


def test_letters_are_in_sight_after_fitting(window, qtbot):
    window.bench.session.apply("Join", made_up.joined())
    for direction in ((0.45, -1.0, 0.55), (0.0, -1.0, 0.0)):
        window.scene.look_from(direction, (0, 0, 1))
        qtbot.wait(30)
        for drawn in window.scene.fragments.values():
            place = window.view.widget_position(np.array(drawn.label.GetPosition())).toPoint()
            assert window.view.rect().contains(place)


@pytest.mark.parametrize("shift", [0.0, 9.0, -9.0])
def test_no_letter_lies_on_another_fragment(shift):
    """A small piece before the middle of a large one, as seen from the front: its letter goes where it is free."""
    corners = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    large, small = corners * [40.0, 1.0, 30.0], corners * [8.0, 1.0, 20.0] + [2.0, -10.0, -16.0 + shift]
    camera = vtkCamera()
    camera.SetPosition(0.0, -400.0, 0.0)
    camera.SetFocalPoint(0.0, 0.0, 0.0)
    camera.SetViewUp(0.0, 0.0, 1.0)
    camera.SetViewAngle(30.0)
    of_large, of_small = letter_places(camera, 800, [large, small])
    assert of_large[2] > 30.0 and abs(of_large[0]) < 1.0, "over its own, as usual"
    seen = of_small * (400.0 / (400.0 + of_small[1]))
    assert abs(seen[0]) > 40.0 or abs(seen[2]) > 30.0, "not on the large one"
    assert abs(seen[2]) < 60.0 and abs(seen[0]) < 60.0, "nor far away"
    assert np.linalg.norm(of_large - of_small) > 5.0


@pytest.mark.parametrize("along", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.3, -0.4, -0.9)])
def test_letters_stand_over_their_fragments_and_beside_each_other(window, qtbot, along):
    """Also where one fragment hides the other, as along the part; where one is seen over the other, beside them."""
    scene, view = window.scene, window.view
    window.bench.session.apply("Join", made_up.joined())
    scene.set_apart(0.0)
    scene.look_from(along, (0, 0, 1) if along[0] else (1, 0, 0))
    qtbot.wait(30)
    places, seen = [], [view.project(apply(scene.poses()[number], fragment.mesh.vertices))
                        for number, fragment in enumerate(window.bench.project.fragments)]  # fmt: skip
    for number, drawn in scene.fragments.items():
        own, other = seen[number], seen[1 - number]
        x, y, _ = view.project(np.array([drawn.label.GetPosition()]))[0]
        over = own[:, 1].max() < y < own[:, 1].max() + 60
        aside = own[:, 0].min() - 60 < x < min(own[:, 0].min(), other[:, 0].min())
        assert over or (along == (0.0, 1.0, 0.0) and aside)
        places.append((x, y))
    (ax, ay), (bx, by) = places
    assert max(abs(ax - bx), abs(ay - by)) > 15


def test_beside_a_gap_map_no_fragment_has_a_colour_of_the_map(window):
    """The second fragment is blue, as what gapes is."""
    project = steps.measure_fit(made_up.joined())
    window.bench.session.apply("Join", project)

    def tone() -> float:
        """How much more blue than red B is where it lies against nothing."""
        drawn = window.scene.fragments[1]
        shown = vtk_to_numpy(drawn.data.GetPointData().GetScalars()).astype(float)
        away = np.setdiff1d(drawn.display.vertex_of, tints.gaps_of(project, 1)[1])
        shown = shown[np.isin(drawn.display.vertex_of, away)]
        return float((shown[:, 2] - shown[:, 0]).max())

    window.scene.set_mode("gap")
    assert tone() < 10
    rgb = colours.rgb(colours.FRAGMENTS[1]).astype(float)
    assert rgb[2] - rgb[0] > 30, "on its own it is blue"


def test_a_gap_that_overlaps_is_told_as_such():
    project = steps.measure_fit(made_up.joined())
    (one,) = further.check_dimensions(project).fit_ups
    for low, told in ((-0.05, True), (0.02, False)):
        lines = [words for _, words in size_words.fit_up_lines(project, replace(one, gap_low_mm=low, gap_high_mm=0.1),
                                                               sentences.Units())]  # fmt: skip
        assert any("Below zero they overlap." in words for words in lines) == told


def test_words_above_their_places_do_not_cover_each_other(window):
    """Two joints that are weak in nearly the same place, each with its arrow and its words."""
    from rejoin.app.view.front import Words, size_of

    window.bench.session.apply("Join", made_up.joined())
    words = [Words(f"may be off ± 0.2{n} mm", np.array([0.3 * n, 0.0, 0.0]), "#ffffff", "#aa3311", 14, lift=16)
             for n in range(3)]  # fmt: skip
    front = window.scene.front
    front.show("slips", words=words)
    window.view.grabFramebuffer()
    boxes = []
    for actor in front._groups["slips"]:
        at = window.view.project(np.array([actor.GetPosition()]))[0, :2] + actor.GetDisplayOffset()
        boxes.append((at, np.array(size_of(actor)) / 2))
    for n, (one, half) in enumerate(boxes):
        for other, its in boxes[:n]:
            assert (np.abs(one - other) >= half + its - 1).any(), "one lies over the other"
