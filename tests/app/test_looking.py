"""Looking closely: what an outline takes, the cut, the slip arrow, other ways, the recovery copy, the picture."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest

from rejoin.app.view.slip import slips
from rejoin.core import edits
from rejoin.core.records import StatedSize
from rejoin.core.storage import load_recovery
from rejoin.core.transforms import apply
from tests.app import made_up
from tests.app.person import Person, facing_normal

TWICE = """
from rejoin.app.parts.forms import Fold
from tests.app import made_up
from tests.app.person import Person, assert_no_word_is_cut, opened
with opened() as window:
    window.bench.session.apply("Fuse", made_up.whole())
    person = Person(window)
    assert window.devicePixelRatioF() == 2.0
    for row, panel in enumerate(window.panels):
        window.card.unfold(row)
        for fold in panel.findChildren(Fold):
            fold.button.setChecked(True)
        person.pause(120)
        assert_no_word_is_cut(panel)
        assert panel.width() <= window.card.viewport().width()
"""
LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


@pytest.mark.parametrize("tool", ["box", "outline"])
def test_what_is_drawn_round_is_taken_where_it_is_seen(window, qtbot, tool):
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.take_tool(tool)
    qtbot.wait(80)
    view = window.view
    ring = [QPoint(2, 2), QPoint(view.width() - 3, 2), QPoint(view.width() - 3, view.height() - 3),
            QPoint(2, view.height() - 3)]  # fmt: skip
    QTest.mousePress(view, LEFT, NONE, ring[0])
    for point in ring[1:] if tool == "outline" else [ring[2]]:
        QTest.mouseMove(view, point)
    QTest.mouseRelease(view, LEFT, NONE, ring[-1] if tool == "outline" else ring[2])
    qtbot.wait(30)
    project = window.bench.project
    assert {face.fragment for face in project.faces} == {0, 1}
    assert window.bench.session.stack.count() == 2, "one step"
    eye = np.array(view.renderer.GetActiveCamera().GetPosition())
    for face in project.faces:
        pose, mesh = window.scene.poses()[face.fragment], project.fragments[face.fragment].mesh
        corners = apply(pose, mesh.vertices)[mesh.triangles]
        crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        towards = np.einsum("ij,ij->i", crosses, eye - corners.mean(axis=1)) > 0
        taken = np.isin(np.arange(len(towards)), face.triangles)
        assert towards[taken].mean() > 0.98, "nothing on the far side"
        assert taken[towards].mean() > 0.7, "nearly all that is seen"


def test_a_line_round_nothing_says_so(window, qtbot):
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.take_tool("box")
    qtbot.wait(50)
    QTest.mousePress(window.view, LEFT, NONE, QPoint(3, 3))
    QTest.mouseMove(window.view, QPoint(12, 12))
    QTest.mouseRelease(window.view, LEFT, NONE, QPoint(12, 12))
    assert "Nothing lies inside" in window.strip.words.text() and window.bench.project.faces == ()


def test_the_cut_tells_the_gap_in_section(window, qtbot):
    window.bench.session.apply("Join", made_up.joined(shift_mm=0.4))
    window.card.unfold(3)
    window.apart.setValue(0)
    window.cut_open()
    qtbot.wait(50)
    gaps = window.scene.section.gaps_mm
    assert len(gaps) > 20 and abs(np.median(gaps) - 0.4) < 0.1, "mm; it was opened by 0.4"
    assert "In this section" in window.gap.section_words.text()
    before = window.gap.place.value()
    middle = window.view.rect().center()
    QTest.mousePress(window.view, LEFT, Qt.KeyboardModifier.ShiftModifier, middle)
    QTest.mouseMove(window.view, middle - QPoint(0, 120))
    QTest.mouseRelease(window.view, LEFT, Qt.KeyboardModifier.ShiftModifier, middle - QPoint(0, 120))
    assert window.gap.place.value() != before
    window.card.unfold(2)
    assert window.scene.section.gaps_mm.size == 0, "the cut belongs to row 40"


def assert_the_words_stand_clear_of_the_arrow(window) -> None:
    """On the screen, where the arrow lies level: the lowest line of the words is above the highest of its barbs."""
    *lines, words = window.scene.front._groups["slips"]
    window.scene.look_from((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    seen = window.view.renderer

    def height(x: float, y: float, z: float) -> float:
        seen.SetWorldPoint(x, y, z, 1.0)
        seen.WorldToDisplay()
        return float(seen.GetDisplayPoint()[1])

    drawn = [line.GetMapper().GetInput() for line in lines]
    points = [one.GetPoint(n) for one in drawn for n in range(one.GetNumberOfPoints())]
    half = words.GetTextProperty().GetFontSize() / 2 + 2
    assert words.GetInput().strip().startswith("A – B may be off")
    assert height(*words.GetPosition()) + words.GetDisplayOffset()[1] - half > max(height(*point) for point in points)


def test_a_selected_face_that_looks_away_is_turned_to(window):
    person = Person(window)
    window.bench.session.apply("Find fracture faces", made_up.with_faces())
    person.open_row(20)
    for row, face in enumerate(window.bench.project.faces):
        out = window.scene.poses()[face.fragment][:3, :3] @ facing_normal(window, face.fragment, face.triangles)
        window.scene.look_from(tuple(-out), (0.0, 0.0, 1.0))
        person.select_rows(window.faces.list, [row])
        back = np.array(window.view.renderer.GetActiveCamera().GetViewPlaneNormal())
        assert back @ out > 0.7, "it faces the person"
        window.scene.look_from(tuple(out + np.array([0.0, 0.0, 0.5])), (0.0, 0.0, 1.0))
        before = window.view.renderer.GetActiveCamera().GetPosition()
        window.faces.list.clearSelection()
        person.select_rows(window.faces.list, [row])
        assert window.view.renderer.GetActiveCamera().GetPosition() == before, "what is seen is left as it is seen"


def test_a_weak_joint_gets_an_arrow_with_its_size(window):
    """Known answer: 1.96 standard deviations along the direction that was made weak."""
    project = made_up.joined()
    assert slips(project) == []
    weak = replace(project.placements[1], covariance=np.diag([1e-12] * 3 + [1e-4, 0.09, 1e-4]))
    project = replace(project, placements=(project.placements[0], weak))
    (slip,) = slips(project)
    assert slip.size_mm == pytest.approx(1.96 * 0.3, rel=1e-3) and abs(slip.direction[1]) > 0.999
    assert slip.told_mm == slip.size_mm, "the row speaks of no motion at the crack"
    weak = replace(weak, weakest="may stand 0.61 mm closer or farther across the crack")
    project = replace(project, placements=(project.placements[0], weak))
    assert slips(project)[0].told_mm == 0.61, "view and row tell one size of one motion"
    spread = weak.covariance
    third = replace(weak, shared=np.stack([np.zeros((6, 6)), spread, spread]))
    on_it = replace(project.joints[0], a=1, b=2, face_a=project.faces[1], face_b=replace(project.faces[1], fragment=2))
    chain = replace(project, scans=(*project.scans, project.scans[1]), joints=(*project.joints, on_it),
                    fragments=(*project.fragments, project.fragments[1]),
                    placements=(project.placements[0], third, third))  # fmt: skip
    assert [slip.joint for slip in slips(chain)] == [0], "the third rides on the second: their joint is firm"
    loose = replace(third, covariance=spread + np.diag([0, 0, 0, 0, 0.04, 0]))
    chain = replace(chain, placements=(*chain.placements[:2], loose))
    assert [round(slip.size_mm, 3) for slip in slips(chain)] == [0.588, 0.392], "and of itself so much"
    window.bench.session.apply("Join", project)
    window.card.unfold(2)
    assert window.scene.front.shows("slips")
    window.apart.setValue(100)
    assert not window.scene.front.shows("slips"), "on the bench the way across the crack is no way of the fragment"
    window.apart.setValue(0)
    assert window.scene.front.shows("slips")
    assert_the_words_stand_clear_of_the_arrow(window)
    window.card.unfold(3)
    window.gap.cut.setChecked(True)
    assert not window.scene.front.shows("slips"), "it would hide the section"
    window.card.unfold(2)
    assert window.scene.front.shows("slips"), "the cut belongs to row 40"
    window.card.unfold(3)
    window.gap.cut.setChecked(False)
    assert window.scene.front.shows("slips")
    window.card.unfold(0)
    assert not window.scene.front.shows("slips")


def test_other_ways_are_stepped_through_and_used(window):
    window.bench.session.apply("Join", made_up.joined())
    window.card.unfold(2)
    joint = window.bench.project.joints[0]
    far = joint.a_from_b.copy()
    far[0, 3] += 20.0
    ways = (joint, replace(joint, a_from_b=far, evidence=replace(joint.evidence, good=False, reason="x; it is weak")))
    window.bench.ways_of = window.bench.project
    window.bench.ways_found.emit(ways)
    panel = window.join.ways
    assert panel.count.text() == "Way 1 of 2" and "8 times worse" in panel.words.text()
    before = window.scene.poses()[1]
    panel.on_button.click()
    assert panel.count.text() == "Way 2 of 2" and "It is weak." in panel.words.text()
    assert np.linalg.norm((window.scene.poses()[1] - before)[:3, 3]) > 15.0, "the view shows it"
    assert window.bench.project.joints[0] is joint, "nothing is changed by looking"
    assert "No other way" not in panel.words.text()
    window.bench.ways_found.emit(ways[:1])
    assert panel.words.text().endswith("No other way was found.")
    after = edits.use_candidate(window.bench.project, ways[1])
    assert after.joints[0].state == "pinned" and after.joints[0].found_by == "person"


def test_hand_edits_are_in_the_recovery_copy_at_once(window):
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.bench.edit("Rename", lambda p: edits.rename(p, 0, "handle"))
    assert window.bench.recovery.keeper.wait(20.0)
    assert load_recovery(window.bench.recovery.folder).scans[0].name == "handle"
    window.bench.session.stack.undo()
    assert window.bench.recovery.keeper.wait(20.0)
    assert load_recovery(window.bench.recovery.folder).scans[0].name != "handle"


def test_a_picture_for_printing(window, tmp_path: Path):
    from rejoin.app.view.pictures import save_picture

    window.bench.session.apply("Join", made_up.joined())
    window.card.unfold(3)
    save_picture(window.view, window.scene, window.shown_bar(), tmp_path / "gap.png")
    image = QImage(str(tmp_path / "gap.png"))
    assert image.width() >= 180 / 25.4 * 300 and image.dotsPerMeterX() == 11811
    line = image.height() // 4
    column = [image.pixelColor(x, line) for x in range(int(image.width() * 0.88), image.width())]
    assert any(c.blue() - c.red() > 60 for c in column), "the blue of the bar"
    with pytest.raises(OSError):
        save_picture(window.view, window.scene, None, tmp_path / "no such folder" / "gap.png")


def test_sizes_that_are_known_are_stated_and_dropped():
    project = made_up.joined()
    size = StatedSize(0, np.zeros(3), 1, np.ones(3), 60.0, 0.1)
    after = edits.state_size(project, size)
    assert after.stated == (size,) and after.placements == () and after.joints == project.joints
    assert edits.drop_size(after, 0).stated == ()
    assert edits.remove_fragment(after, 1).stated == ()


def test_removing_an_unplaced_fragment_keeps_the_others_placed():
    project = made_up.whole()
    third = replace(project.fragments[0], scan=replace(project.scans[0]))
    nowhere = replace(project.placements[1], part_from_scan=None, why="It fits nowhere.")
    project = replace(project, scans=(*project.scans, third.scan), fragments=(*project.fragments, third),
                      placements=(*project.placements, nowhere))  # fmt: skip
    after = edits.remove_fragment(project, 2)
    assert after.placements == project.placements[:2] and after.whole is project.whole
    assert [fit.joint for fit in after.fits] == [0]


def test_a_repair_can_be_taken_back(window):
    person = Person(window)
    project = made_up.cleaned()
    window.bench.session.apply("Open scans", project)
    item = window.scans.table.topLevelItem(0)
    ticks = [item.child(n) for n in range(item.childCount()) if item.child(n).flags() & Qt.ItemFlag.ItemIsUserCheckable]
    (tick,) = ticks
    tick.setCheckState(0, Qt.CheckState.Unchecked)
    person.wait_until_done()
    assert window.bench.session.stack.undoText() == "Take repairs back", person.troubles
    assert not any(r.kind == "specks" for r in window.bench.project.fragments[0].repairs)
    assert window.bench.project.fragments[1] is project.fragments[1]


def test_closing_while_work_runs_asks_first(window, qtbot):
    from tests.app import odd_tasks

    window.bench.work("Dawdle", odd_tasks.dawdle, seconds=60.0)
    qtbot.wait(100)
    asked = []
    window.ask_stop = lambda parent, title: bool(asked.append(title))
    assert not window.close() and window.bench.jobs.busy
    window.ask_stop = lambda parent, title: True
    assert window.close() and asked == ["Dawdle"] and not window.bench.jobs.busy


@pytest.mark.parametrize("row", [2, 4])
def test_what_was_all_in_sight_stays_so_in_a_smaller_window(window, qtbot, row):
    """The fragments of row 30, and the whole of row 50."""
    assert not window.scene.all_in_sight(), "nothing is there"
    window.bench.session.apply("Fuse", made_up.whole())
    window.card.unfold(row)
    assert window.scene.shows_whole() == (row == 4)
    window.scene.look_from((0.3, -1.0, 0.6), (0.0, 0.0, 1.0))
    window.view.renderer.GetActiveCamera().Zoom(1.1)  # the whole is in sight, the corners of its box are not
    qtbot.wait(100)
    assert window.scene.all_in_sight()
    window.resize(820, 560)
    qtbot.waitUntil(lambda: window.view.ren_win.GetSize()[0] == window.view.width() and window.scene.all_in_sight())
    camera = window.view.renderer.GetActiveCamera()
    camera.Zoom(4.0)
    near, angle = camera.GetPosition(), camera.GetViewAngle()
    window.resize(1000, 700)
    qtbot.wait(200)
    assert (camera.GetPosition(), camera.GetViewAngle()) == (near, angle), "who looks closely goes on looking closely"


@pytest.mark.parametrize("key", [Qt.Key.Key_Return, Qt.Key.Key_Escape])
def test_no_key_pressed_in_haste_stops_running_work(window, key):
    from PySide6.QtWidgets import QMessageBox

    from rejoin.app.parts.dialogs import ask_stop

    person, seen = Person(window), []
    person.when_asked(QMessageBox, lambda box: (seen.append(box.text()), QTest.keyClick(box, key)))
    assert ask_stop(window, "Join") is False and seen, "Return and Esc both stay"


def test_a_card_that_nobody_touches_rests(window, qtbot):
    from PySide6.QtCore import QEvent, QObject

    class Paints(QObject):
        count = 0

        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            self.count += event.type() in (QEvent.Type.Paint, QEvent.Type.LayoutRequest)
            return False

    window.bench.session.apply("Fuse", made_up.whole())
    for row, panel in enumerate(window.panels):
        window.card.unfold(row)
        seen, looks = Paints(), 0
        panel.installEventFilter(seen)
        while seen.count or not looks:
            looks += 1
            assert looks < 15, f"{panel.title} is laid out again and again"
            seen.count = 0
            qtbot.wait(150)
        panel.removeEventFilter(seen)


def test_no_word_is_cut_on_a_screen_of_twice_the_pixels(tmp_path):
    """In a process of its own: the scale is set once, before the first window."""
    done = subprocess.run([sys.executable, "-c", TWICE], env={**os.environ, "QT_SCALE_FACTOR": "2"}, timeout=120,
                          capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]


def test_settings_are_shown_in_the_readers_unit_and_stay_exact(qapp):
    from rejoin.app.parts.forms import Form
    from rejoin.app.words.sentences import Units
    from rejoin.core.settings import FuseSettings, as_pairs

    form = Form(FuseSettings)
    form.set_units(Units("inch"))
    spin = form._lengths["largest_hole_mm"][0]
    assert spin.suffix() == " in" and spin.value() == pytest.approx(10.0 / 25.4, abs=5e-5)
    assert as_pairs(form.value()) == as_pairs(FuseSettings()), "what is only shown with fewer digits is not changed"
    spin.setValue(0.5)
    form.set_units(Units("mm"))
    assert form.value().largest_hole_mm == pytest.approx(12.7) and spin.value() == pytest.approx(12.7)


def test_what_was_opened_is_scrolled_into_sight(window, qtbot):
    window.bench.session.apply("Fuse", made_up.whole())
    window.resize(900, 420)
    window.card.unfold(5)
    head, view = window.card.heads[5], window.card.viewport()
    qtbot.waitUntil(lambda: 0 <= head.mapTo(view, QPoint(0, 0)).y() < 40, timeout=2000)


def test_a_joint_is_opened_like_a_book(window):
    """Both faces look at the person, side by side; whatever the person does next finds the fragments in place."""
    person, project, scene = Person(window), made_up.joined(), window.scene
    window.bench.session.apply("Join", project)
    person.open_row(30)
    joint, button = project.joints[0], window.join.book_button
    before, camera = scene.poses(), scene.view.renderer.GetActiveCamera()
    looked = np.array([*camera.GetPosition(), *camera.GetFocalPoint(), *camera.GetViewUp()])
    person.click(button)
    assert button.isChecked() and window.gap.book_button.isChecked()
    towards = np.array(camera.GetViewPlaneNormal())
    middles = []
    for number, face in ((joint.a, joint.face_a), (joint.b, joint.face_b)):
        assert scene.poses()[number][:3, :3] @ facing_normal(window, number, face.triangles) @ towards > 0.95
        mesh = project.fragments[number].mesh
        corners = apply(scene.poses()[number], mesh.vertices[np.unique(mesh.triangles[face.triangles])])
        middles.append(window.view.widget_position(corners.mean(axis=0)).toPoint())
        hit = scene.pick(*scene.view.project(corners.mean(axis=0)[None])[0, :2])
        assert hit is not None and hit.fragment == number and hit.triangle in face.triangles, "nothing hides the face"
    assert middles[0].x() + 40 < middles[1].x() and abs(middles[0].y() - middles[1].y()) < 20
    assert scene.all_in_sight() and abs(sum(m.x() for m in middles) / 2 - window.view.width() / 2) < 60, "in the middle"

    def is_back() -> bool:
        now = np.array([*camera.GetPosition(), *camera.GetFocalPoint(), *camera.GetViewUp()])
        same = all(np.allclose(scene.poses()[n], pose) for n, pose in before.items())
        return same and np.allclose(now, looked) and not button.isChecked() and not window.gap.book_button.isChecked()

    person.click(button)
    assert is_back()
    person.click(button)
    person.open_row(40)
    assert window.gap.book_button.isChecked(), "the colours of the gap are seen on both faces"
    person.click(window.gap.book_button)
    assert is_back()
    person.open_row(30)
    person.click(button)
    window.take_tool("move")
    assert is_back(), "what is moved by hand is moved in its place"
    window.take_tool("look")
    person.click(button)
    person.open_row(20)
    assert is_back()
    person.open_row(30)
    person.click(button)
    person.set_slider(window.apart, 0.3)
    assert not button.isChecked() and len(scene.shown()) == 2
    person.click(button)
    window.bench.session.apply("Open", made_up.joined())
    assert not button.isChecked() and not scene.alone and person.troubles == []
