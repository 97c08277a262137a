"""Row 70: forms from the settings, the fixed order, before and after, files, the trial and its revision."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PySide6.QtWidgets import QLabel

from rejoin.app.parts.wishes import WishForm
from rejoin.app.words import make_words
from rejoin.app.words.sentences import Units
from rejoin.app.work import making_tasks
from rejoin.core.errors import WrongUse
from rejoin.core.settings import MakeSettings
from tests.app import made_plate, made_up
from tests.app.person import Person, assert_no_word_is_cut


def test_a_form_reads_lengths_as_they_are_typed(qapp):
    labels = {**make_words.CORES, **make_words.PRINTER, **make_words.PARTING, **make_words.CASTING}
    form = WishForm(MakeSettings, labels, {"metal": make_words.metals(), "convention": make_words.CONVENTIONS})
    usual = MakeSettings()
    assert form.values() == {name: getattr(usual, name) for name in form.values()}, "as the settings begin"
    form.editors["box_wall_mm"].setText("12,5")
    form.editors["dowel_mm"].setText("3/8 in")
    form.editors["bed"].setText("220 × 220 × 250")
    form.editors["allowance"].setText("1,04")
    form.editors["split"].setChecked(True)
    form.editors["metal"].setCurrentIndex(1)
    values = form.values()
    assert values["box_wall_mm"] == 12.5 and values["split"] is True
    assert values["dowel_mm"] == pytest.approx(9.525), "3/8 in, 25.4 mm to the inch"
    assert [float(one) for one in values["bed"].split(",")] == [220.0, 220.0, 250.0]
    assert values["allowance"] == "1.04" and values["metal"] == "grey iron"
    MakeSettings(**values)
    form.set_units(Units("inch"))
    assert form.editors["dowel_mm"].text() == "0.375 in"
    assert form.values()["bed"] == pytest.approx(values["bed"]) or form.values()["bed"].startswith("220")
    assert form.values()["core_clearance_mm"] == usual.core_clearance_mm, "exactly, though fewer digits are shown"
    form.editors["dowel_mm"].setText("thick")
    with pytest.raises(WrongUse, match="Dowels"):
        form.values()


def test_the_pull_is_square_to_a_noisy_face():
    from rejoin.app.panels.parting import facing
    from rejoin.core.records import Mesh

    mesh = made_plate.plate(1.0)
    noisy = Mesh(mesh.vertices + np.random.default_rng(3).normal(0.0, 0.05, mesh.vertices.shape), mesh.triangles)
    centres = mesh.vertices[mesh.triangles].mean(axis=1)
    for point, normal in (((40.0, 20.0, 10.0), (0, 0, 1)), ((40.0, 0.0, 5.0), (0, -1, 0))):
        near = int(np.argmin(np.linalg.norm(centres - point, axis=1)))
        found = facing(noisy, np.array(point), near)
        assert np.degrees(np.arccos(found @ np.array(normal, float))) < 2.0, "degrees"


def test_a_pattern_from_a_click_to_checked_files(window, tmp_path: Path):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(70)
    panel, whole = window.make, window.bench.project.whole
    panel.purpose.setCurrentIndex(panel.purpose.findData("pattern"))
    person.click(panel.make_button)
    person.wait_until_done()
    assert not window.bench.project.made and "needs a contraction" in window.strip.words.text()
    person.troubles.clear()
    panel.casting.editors["allowance"].setText("1/96")
    person.unfold(panel, "Picked faces")
    made_plate.look(window, (0.8, -1.0, 0.9))
    person.click(panel.faces.pick_button)
    person.click_view(made_plate.seen_at(window, (80.0, 20.0, 5.0)))
    window.tools.choose("look")
    (pick,) = window.bench.project.picks
    assert (pick.what, pick.amount) == ("stock", 3.0) and panel.faces.list.count() == 1
    panel.parting.pull.setCurrentIndex(panel.parting.pull.findData("z"))
    asked = panel.settings()
    person.click(panel.make_button)
    person.wait_until_done()
    (part,) = window.bench.project.made
    size = np.ptp(part.mesh.vertices, axis=0)
    assert size == pytest.approx([83.0 * 97 / 96, 40.0 * 97 / 96, 10.0 * 97 / 96], abs=0.01), "(80 + 3) at 1 in 96"
    assert window.bench.project.whole is whole and panel.is_done(window.bench.project)
    words = [label.text() for label in panel.steps.findChildren(type(panel.heading))]
    assert [w.split(" ")[0] for w in words] == ["1", "2", "3", "4", "5"], "all steps, in their order"
    assert "✓" in words[1] and "–" in words[2]
    assert panel.legend.isVisible() and panel.cautions.layout().count() == len(part.cautions)

    view = panel.shown
    assert view.way == make_words.AFTER and not window.scene.whole.actor.GetVisibility()
    for way, visible in ((make_words.BEFORE, True), (make_words.BOTH, True), (make_words.IN_FILE, False)):
        person.click(panel._way_buttons[way])
        assert bool(window.scene.whole.actor.GetVisibility()) is visible
    person.open_row(50)
    assert window.scene.whole.actor.GetVisibility()
    person.open_row(70)
    person.click(panel._way_buttons[make_words.AFTER])
    for unit, wall in (("mm", "10.10 mm"), ("inch", "0.3976 in")):  # of 10 x 97 / 96, told to a hundredth of a mm
        window.bench.set_units(unit)
        notes = [label.text() for label in panel.findChildren(QLabel)]
        assert any(f"Thinnest wall found: {wall} at" in note for note in notes), "in the row"
        assert f"thinnest wall {wall}" in person.words_in_front("made"), "and with the same digits in the view"

    for name, unit, one in (("pattern.stl", "mm", 1.0), ("pattern.ply", "inch", 25.4)):
        window.bench.set_units(unit)
        file = tmp_path / name
        panel.ask_save = lambda *asked, file=file: str(file)
        person.click(panel.save_button)
        person.wait_until_done()
        read = trimesh.load(file)
        assert read.is_watertight and read.extents * one == pytest.approx(size, abs=1e-3), "by an independent reader"
        told = json.loads(file.with_suffix(".json").read_text())
        assert told["purpose"] == "pattern" and told["unit"] == unit and len(told["steps"]) == 5
        assert told["asked"]["settings"]["allowance"] == "1/96" and len(told["asked"]["picks"]) == 1
    assert person.troubles == []
    panel.casting.editors["allowance"].setText("2")
    panel.parting.pull.setCurrentIndex(0)
    window.actions_.undo.trigger()
    assert not window.bench.project.made and window.bench.project.picks, "one step"
    window.actions_.redo.trigger()
    kept = window.bench.project
    window.bench.new()
    window.bench.session.apply("Open again", kept)
    again = panel.settings()
    assert again.allowance == "1/96" and again.parting == asked.parting, "the form shows what it was made with"


def test_the_test_bar_and_an_obj_from_the_window_in_inches(window, tmp_path: Path):
    """Read by an independent library (trimesh): arms of 100 mm, and the plate of 80 mm in inches."""
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    window.bench.set_units("inch")
    person.open_row(70)
    panel, bar, part = window.make, tmp_path / "bar.obj", tmp_path / "part.obj"
    person.unfold(panel, "Printer")
    panel.ask_save = lambda *asked: str(bar)
    panel.save_bar()
    person.wait_until_done()
    read = trimesh.load(bar, process=False)
    assert np.allclose(np.ptp(read.vertices, axis=0), 100.0 / 25.4, atol=1e-4) and read.is_watertight
    person.click(panel.make_button)
    person.wait_until_done()
    panel.ask_save = lambda *asked: str(part)
    person.click(panel.save_button)
    person.wait_until_done()
    read = trimesh.load(part, process=False)
    assert np.ptp(read.vertices, axis=0)[0] == pytest.approx(80.0 / 25.4, abs=1e-4) and read.is_watertight
    told = json.loads(part.with_suffix(".json").read_text())
    assert told["unit"] == "inch" and told["purpose"] == "print"
    assert person.troubles == []


def test_the_trial_brings_revision_b_and_one_undo_takes_it_back(window):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(70)
    panel = window.make
    person.click(panel.make_button)
    person.wait_until_done()
    first = window.bench.project.made[0]
    assert first.revision == "A" and np.ptp(first.mesh.vertices, axis=0) == pytest.approx([80, 40, 10], abs=1e-4)
    person.unfold(panel, "After the trial: the next revision")
    trial = panel.trial
    person.click(trial.next_button)
    person.wait_until_done()
    assert window.bench.project.made[0] is first and "no correction" in window.strip.words.text()
    trial.sign.setCurrentIndex(1)
    trial.amount.setText("0.3")
    made_plate.look(window, (0.8, -1.0, 0.9))
    person.click(trial.pick_button)
    person.click_view(made_plate.seen_at(window, (80.0, 20.0, 5.0)))
    assert trial.list.count() == 1
    meant, printed = trial.measured["z"]
    meant.setText("10")
    printed.setText("9,95")
    person.click(trial.next_button)
    person.wait_until_done()
    second = window.bench.project.made[0]
    assert second.revision == "B" and trial.list.count() == 0, "applied once"
    assert np.ptp(second.mesh.vertices, axis=0) == pytest.approx([80.3, 40.0, 10.0 * 10 / 9.95], abs=1e-3)
    assert any(note.startswith("Against revision A") and "+0.300" in note for note in second.notes)
    assert making_tasks.asked_of(window.bench.project, second).correction == pytest.approx((1, 1, 10 / 9.95), abs=1e-9)
    window.actions_.undo.trigger()
    assert window.bench.project.made[0] is first


def test_the_cradle_stands_around_the_part(window, tmp_path: Path):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(70)
    panel = window.make
    panel.purpose.setCurrentIndex(panel.purpose.findData("cradle"))
    assert panel.cradle.isVisible() and not panel.casting.isVisible()
    panel.cradle.editors["cradle_wall_mm"].setText("3")
    person.click(panel.make_button)
    person.wait_until_done()
    (part,) = window.bench.project.made
    panel.purpose.setCurrentIndex(panel.purpose.findData("machining"))
    person.click(panel.make_button)
    person.wait_until_done()
    panel.purpose.setCurrentIndex(panel.purpose.findData("cradle"))
    assert panel.part() is part and panel.cradle.values()["cradle_wall_mm"] == 3.0
    panel.ask_save = lambda *asked: str(tmp_path / "cradle.3mf")
    person.click(panel.save_button)
    person.wait_until_done()
    told = json.loads((tmp_path / "cradle.json").read_text())
    assert told["asked"]["settings"]["cradle_wall_mm"] == 3.0, "though something else was made since"
    assert (tmp_path / "cradle-1.3mf").exists() and (tmp_path / "cradle-2.3mf").exists()
    assert len(part.bodies) == 2 and panel.shown.way == make_words.AFTER
    around = np.concatenate([
        body.mesh.vertices @ np.linalg.inv(body.file_from_part)[:3, :3].T + np.linalg.inv(body.file_from_part)[:3, 3]
        for body in part.bodies
    ])  # fmt: skip
    assert (around.min(axis=0) < [-2.9, -2.9, -2.9]).all() and (around.max(axis=0) > [82.9, 42.9, 12.9]).all()
    assert person.troubles == []


def test_cancel_leaves_everything_as_it_was(window):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(70)
    before = window.bench.project
    window.make.purpose.setCurrentIndex(window.make.purpose.findData("cradle"))
    person.click(window.make.make_button)
    assert not window.make.make_button.isEnabled() and window.strip.cancel.isVisible()
    person.click(window.strip.cancel)
    assert window.bench.project is before and "cancelled" in window.strip.words.text()
    assert window.make.make_button.isEnabled()


def test_the_job_card_is_written_from_the_menu(window, tmp_path: Path):
    person = Person(window)
    window.save_card()
    assert "nothing to put on a card" in window.strip.words.text()
    window.bench.session.apply("Fuse", made_up.whole())
    window.ask_card = lambda *asked: str(tmp_path / "card.html")
    window.save_card()
    person.wait_until_done()
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    assert "pump lever" in page and "data:image/png" in page
    assert person.troubles == []


@pytest.mark.parametrize("number, points", [(60, 9), (70, 9), (60, 13), (70, 13)])
def test_no_word_is_cut_with_everything_unfolded(window, qtbot, number, points):
    from PySide6.QtWidgets import QApplication

    from rejoin.app.parts.forms import Fold

    old = QApplication.font()
    try:
        window.appearance.change_text(points - old.pointSizeF())
        window.bench.session.apply("Fuse", made_plate.whole())
        index = [panel.number for panel in window.panels].index(number)
        panel = window.panels[index]
        window.card.unfold(index)
        for fold in panel.findChildren(Fold):
            fold.button.setChecked(True)
        for purpose in range(4 if number == 70 else 1):
            if number == 70:
                panel.purpose.setCurrentIndex(purpose)
            qtbot.wait(60)
            assert_no_word_is_cut(panel)
            assert panel.width() <= window.card.viewport().width()
    finally:
        QApplication.setFont(old)
        window.appearance.change_text(0)
