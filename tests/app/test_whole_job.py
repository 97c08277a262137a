"""A person rejoins a part by clicking from the first row of the job card to the last."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rejoin.core.transforms import displacement, inverse
from tests.app import made_up
from tests.app.person import Person, assert_no_word_is_cut


def misplaced(window) -> float:
    """How far the second half stands from where it truly belongs, relative to the first, mm."""
    project = window.bench.project
    a, b = (p.part_from_scan for p in project.placements)
    truth_a, truth_b = made_up.true_poses()
    return float(displacement(inverse(a) @ b, inverse(truth_a) @ truth_b, project.fragments[1].mesh.vertices).max())


def test_the_whole_job_by_clicks(window, tmp_path: Path):
    person = Person(window)
    person.open_scans(made_up.write_scans(tmp_path))
    assert window.card.heads[0].state_label.text().startswith("2 fragments")
    assert window.card.next_row() == 1 and window.bench.session.modified
    person.open_row(20)
    person.click(window.faces.find_button)
    person.wait_until_done()
    assert window.faces.list.count() >= 2 and window.card.next_row() == 2
    person.open_row(30)
    person.click(window.join.join_button)
    assert window.strip.cancel.isVisible() and not window.join.join_button.isEnabled()
    person.wait_until_done()
    assert misplaced(window) < 0.1, "mm, the largest error anywhere; the noise is 0.02 mm"
    assert window.apart.value() == 0 and "good to" in window.card.heads[2].state_label.text()
    assert window.card.next_row() == 3, "the gap is there to be looked at"
    person.open_row(40)
    assert window.card.next_row() == 4
    assert window.bar.isVisible() and "Median" in window.gap.numbers.text()
    person.open_row(50)
    person.click(window.whole.fuse_button)
    person.wait_until_done()
    whole = window.bench.project.whole
    assert whole is not None and whole.closed, person.troubles
    assert whole.volume_mm3 == pytest.approx(float(np.prod(made_up.SIZE)), rel=0.01)
    saved = tmp_path / "lever.stl"
    person.save_whole(saved)
    assert saved.stat().st_size == 84 + 50 * len(whole.mesh.triangles), "the size of a binary STL file"
    done = window.bench.project
    person.undo_everything()
    assert window.bench.project.scans == ()
    person.redo_everything()
    assert window.bench.project is done
    assert person.troubles == []


def test_the_strip_tells_what_the_card_tells(window, tmp_path: Path):
    """A row that is done by being looked at is not what comes next any more; what was made can be saved."""
    person = Person(window)
    window.bench.session.apply("Join", made_up.joined())
    window.next_row.say("Join")
    assert window.strip.words.text() == "Join: done. Next: 40 Gap."
    person.open_row(40)
    assert window.card.next_row() == 4 and window.strip.words.text() == "Next: 50 Whole."
    window.bench.session.apply("Fuse", replace(window.bench.project, whole=made_up.whole().whole))
    window.next_row.say("Fuse")
    assert "Next: 60" in window.strip.words.text() and "Save the whole" in window.strip.words.text()
    placed, left = window.bench.project.placements
    left = replace(left, part_from_scan=None, why="It fits nothing.")
    window.bench.session.apply("Fuse", replace(window.bench.project, placements=(placed, left)))
    assert "B is not in it" in window.whole.notes.text()
    window.next_row.say("Make")
    assert "Save it" in window.strip.words.text()


def test_the_keys_come_back_after_work(window):
    from tests.app import odd_tasks

    person = Person(window)
    window.bench.session.apply("Join", made_up.joined())
    person.open_row(50)
    window.whole.fuse_button.setFocus()
    window.bench.work("Dawdle", odd_tasks.dawdle, seconds=60.0)
    person.pause(100)
    assert not window.whole.fuse_button.hasFocus()
    window.bench.jobs.cancel()
    person.wait_until_done()
    assert window.focusWidget() is window.whole.fuse_button
    window.bench.work("Dawdle", odd_tasks.dawdle, seconds=60.0)
    person.pause(100)
    window.strip.cancel.setFocus()
    window.whole.tint.setFocus()
    held = window.focusWidget()
    window.bench.jobs.cancel()
    person.wait_until_done()
    assert window.focusWidget() is held, "who went elsewhere meanwhile stays there"


def test_cancel_in_the_middle_changes_nothing(window, tmp_path: Path):
    from tests.app import odd_tasks

    person = Person(window)
    window.bench.session.apply("Open scans", made_up.cleaned())
    before = window.bench.project
    window.bench.work("Dawdle", odd_tasks.dawdle, seconds=60.0)
    person.pause(200)
    window.actions_.undo.trigger()
    assert window.strip.cancel.isVisible() and window.bench.project is before
    person.click(window.strip.cancel)
    assert window.bench.project is before and not window.bench.jobs.busy
    assert not window.strip.cancel.isVisible() and "cancelled" in window.strip.words.text()
    assert window.scans.open_button.isEnabled()


def test_trouble_is_said_with_a_sign_and_both_sentences(window):
    from tests.app import odd_tasks

    person = Person(window)
    window.bench.work("Try", odd_tasks.give_up)
    person.wait_until_done()
    assert window.strip.words.text() == "⚠ Nothing fits. Try another part."


def test_a_saved_project_opens_again_and_the_mark_goes(window, tmp_path: Path):
    person = Person(window)
    window.bench.session.apply("Join", made_up.whole())
    assert window.isWindowModified()
    person.save_project(tmp_path / "lever")
    assert not window.isWindowModified() and window.windowTitle().startswith("lever.rejoin")
    window.bench.new()
    assert window.bench.project.scans == ()
    window.open_project(str(tmp_path / "lever.rejoin"))
    person.wait_until_done()
    again, before = window.bench.project, made_up.whole()
    assert np.array_equal(again.whole.mesh.vertices, before.whole.mesh.vertices)
    assert not window.isWindowModified() and not window.bench.session.stack.canUndo()
    assert window.bench.recent() == [str(tmp_path / "lever.rejoin")]
    assert person.troubles == []


def test_unsaved_work_is_kept_for_the_next_start(window, tmp_path: Path, qapp):
    from rejoin.app.bench.bench import Bench
    from tests.app import odd_tasks

    person = Person(window)
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.bench.work("Rename", odd_tasks.rename_first, name="handle")
    person.wait_until_done()
    assert window.bench.recovery.keeper.wait()
    other = Bench(window.bench.memory, window.bench.recovery.root, warm=False)
    assert other.recovery.left_behind() == [], "this run still lives"
    window.bench.recovery.lock.unlock()
    try:
        (left,) = other.recovery.left_behind()
        assert other.recover(left)
        for _ in range(500):
            person.pause(20)
            if not other.jobs.busy:
                break
        assert other.project.scans[0].name == "handle" and other.session.modified
        assert other.recovery.left_behind() == []
    finally:
        other.jobs.close()


def test_dropped_scans_are_opened(window, tmp_path: Path):
    from PySide6.QtCore import QMimeData, QPointF, Qt, QUrl
    from PySide6.QtGui import QDropEvent

    dropped, asked = QMimeData(), []
    dropped.setUrls([QUrl.fromLocalFile(str(path)) for path in made_up.write_scans(tmp_path)])
    window.bench.ask_unit = lambda question, readings: asked.append(question) or "inch"
    window.dropEvent(QDropEvent(QPointF(600, 300), Qt.DropAction.CopyAction, dropped, Qt.MouseButton.LeftButton,
                                Qt.KeyboardModifier.NoModifier))  # fmt: skip
    Person(window).wait_until_done()
    assert len(asked) == 1 and [scan.unit for scan in window.bench.project.scans] == ["inch", "inch"]
    size = np.ptp(window.bench.project.fragments[0].mesh.vertices, axis=0).max()
    assert size == pytest.approx(25.4 * np.ptp(made_up.scans().scans[0].mesh.vertices, axis=0).max(), rel=1e-5)
    assert window.bench.session.stack.count() == 1, "reading and measuring are one step"


@pytest.mark.parametrize("name", ["job.rejoin", "JOB.REJOIN"])
def test_a_saved_job_among_the_scans_is_opened_as_one(window, tmp_path: Path, monkeypatch, name: str):
    from rejoin.app.parts import dialogs

    path, opened = str(tmp_path / name), []
    monkeypatch.setattr(window.bench, "load", opened.append)
    monkeypatch.setattr(window.bench, "open_scans", lambda paths: pytest.fail("read as a scan"))
    monkeypatch.setattr(dialogs, "ask_scans", lambda parent, folder: [path])
    window.open_scans()
    assert opened == [path]


def test_the_dialog_offers_what_can_be_read_and_nothing_else():
    from rejoin.app.parts import dialogs
    from rejoin.core.files import READABLE

    shown = dialogs.SCANS.partition("(")[2].partition(")")[0].split()
    assert sorted(shown) == sorted(f"*{suffix}" for suffix in READABLE)


def test_every_action_is_in_a_menu_and_keys_are_not_used_twice(window):
    keys: list[str] = []
    texts = []

    def walk(menu):
        for action in menu.actions():
            if action.menu() is not None:
                walk(action.menu())
            elif not action.isSeparator():
                texts.append(action.text().replace("&", ""))
                keys.extend(key.toString() for key in action.shortcuts())

    for action in window.menuBar().actions():
        walk(action.menu())
    assert len(keys) == len(set(keys)), sorted(keys)
    for needed in ("Open scans…", "Save project", "Join", "Fuse", "Find fracture faces", "Take a face", "Inches",
                   "Dark", "Set marks", "Move by hand", "Save the whole…", "Cancel"):  # fmt: skip
        assert needed in texts


def test_every_button_says_why(window):
    from PySide6.QtWidgets import QAbstractButton

    for panel in window.panels:
        for button in panel.findChildren(QAbstractButton):
            if button.text() and button.objectName() not in ("fold", "qt_toolbar_ext_button"):
                assert button.toolTip(), button.text()


@pytest.mark.parametrize("points", [9, 13])
def test_no_word_is_cut(window, qtbot, points):
    from PySide6.QtWidgets import QApplication

    old = QApplication.font()
    try:
        window.appearance.change_text(points - old.pointSizeF())
        window.bench.session.apply("Fuse", made_up.whole())
        for index, panel in enumerate(window.panels):
            window.card.unfold(index)
            qtbot.wait(30)
            assert_no_word_is_cut(panel)
    finally:
        QApplication.setFont(old)
        window.appearance.change_text(0)
