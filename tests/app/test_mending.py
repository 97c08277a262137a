"""A glued part split, papers kept, mating and mended parts shown as maps: by clicks, against what is known."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel

from rejoin.core import edits
from rejoin.core.dimensions.mating import own_mating
from rejoin.core.files import write_mesh
from rejoin.core.records import Fragment, Mesh, Project, Scan
from rejoin.core.transforms import apply, inverse
from tests.app import made_up
from tests.app.person import Person, assert_no_word_is_cut


def typed(line, words: str) -> None:
    line.setFocus()
    line.selectAll()
    QTest.keyClicks(line, words)
    QTest.keyClick(line, Qt.Key.Key_Return)


def lines(box) -> list[str]:
    layout = box.layout()
    return [layout.itemAt(row).widget().text() for row in range(layout.count())]


@pytest.fixture
def row_60(window):
    """The whole in row 60, everything there unfolded that is asked for."""
    window.bench.session.apply("Fuse", made_up.whole())
    person = Person(window)
    person.open_row(60)
    return person, window.dimensions


def test_the_scan_that_row_10_calls_a_mating_part_is_the_one_measured_against(row_60, tmp_path: Path) -> None:
    person, panel = row_60
    bench, gap = person.window.bench, 0.2
    lid = made_up.whole().whole.mesh
    lid = Mesh(lid.vertices * [1, 1, 0.5] + [0, 0, made_up.SIZE[2] + gap], lid.triangles)
    project = bench.project
    scan = Scan("lid", ("lid.stl",), lid, "mm", True, False, ("x",), role="mating")
    assert own_mating(project) is None
    bench.session.apply("A mating part", replace(project, scans=(*project.scans, scan)))
    assert panel.cutting.where.text() == "Through the middle of the part, with lid."
    panel.mating.fold.button.setChecked(True)
    typed(panel.mating.reach, "0.5")
    assert panel.mating.own_button.text() == "With lid"
    person.click(panel.mating.own_button)
    person.wait_until_done()
    found = panel.maps.map
    assert found.name == "lid" and float(np.nanmedian(found.away_mm)) == pytest.approx(gap, abs=0.01)
    panel.maps.take(None)
    panel.mating.open()  # from the menu: nothing is asked for
    person.wait_until_done()
    assert panel.maps.map is not None and panel.maps.map.name == "lid"
    sheet = tmp_path / "section.dxf"
    panel.ask_save = lambda *asked: str(sheet)
    panel.cutting.save()
    person.wait_until_done()
    assert "Clearance 0.2" in sheet.read_text()


def test_the_clearance_with_a_mating_part_is_shown_and_told(row_60, qtbot, tmp_path: Path) -> None:
    person, panel = row_60
    window, gap = person.window, 0.2
    lid = made_up.whole().whole.mesh
    lid = Mesh(lid.vertices * [1, 1, 0.5] + [0, 0, made_up.SIZE[2] + gap], lid.triangles)
    write_mesh(lid, tmp_path / "lid.3mf", "mm")
    panel.ask_open = lambda *asked: str(tmp_path / "lid.3mf")
    person.unfold(panel, "Clearance with a mating part")
    typed(panel.mating.reach, "0.5")
    person.click(panel.mating.choose_button)
    person.wait_until_done()
    found, told = panel.maps.map, lines(panel.mating.told)
    assert not panel.mating.own_row.isVisible()
    met = found.away_mm[np.isfinite(found.away_mm)]
    assert found.mesh is window.bench.project.whole.mesh and len(met) > 100
    assert float(np.median(met)) == pytest.approx(gap, abs=0.01)
    assert told[0] == "lid.3mf" and "0.200" in told[1], told
    assert window.shown_bar() is panel.maps.bar and panel.maps.bar.isVisible()
    assert panel.maps._drawn.actor.GetVisibility() and not window.scene.whole.actor.GetVisibility()
    assert f"Each number ± {found.noise_mm:.3f} mm (95 %)" in told[1], told
    for low, word in ((0.2 + 0.5 * found.noise_mm, True), (0.2 + 2.0 * found.noise_mm, False)):
        typed(panel.mating.low, f"{low:.4f}")
        (line,) = (words for words in lines(panel.mating.told) if "tighter than" in words)
        assert line.startswith("100% of it") and ("Not proven: each number is ±" in line) == word, line
    typed(panel.mating.low, "0.25")
    assert any(words.startswith("100% of it is tighter than 0.25 mm") for words in lines(panel.mating.told))
    person.unfold(panel, "Limits by ISO 286 grades")
    typed(panel.mating.low, "0.19")
    typed(panel.mating.grade.nominal, "25")
    for combo in panel.mating.grade.grades:
        combo.setCurrentText("IT7")
    person.click(panel.mating.grade.button)
    assert panel.maps.high_mm == pytest.approx(0.19 + 2 * 0.021), "IT7 over 18 to 30 mm is 21 µm (ISO 286-1)"
    assert panel.maps.scale()[0] == pytest.approx(0.211) and panel.maps.bar.labels()[2] == "+0.21"
    assert_no_word_is_cut(panel)
    person.menu("View", "Inches")
    labels = {label.text() for label in panel.mating.findChildren(QLabel)}
    assert {"Clearance: from, in", "up to, in", "Looked for within, in", "Nominal size, in"} <= labels
    assert panel.mating.reach.text() == "0.01969", "the same length, not the same number"
    assert panel.mating.low.text() == "0.00748" and panel.maps.low_mm == pytest.approx(0.19)
    before = panel.height()
    person.click(panel.mating.hide_button)
    qtbot.waitUntil(lambda: panel.height() < before, timeout=2000)
    assert window.scene.whole.actor.GetVisibility() and window.shown_bar() is None


def test_a_mended_part_is_laid_on_the_whole_and_its_bend_is_told(row_60, tmp_path: Path) -> None:
    person, panel = row_60
    mesh, bend = made_up.whole().whole.mesh, 0.8
    share = np.clip(mesh.vertices[:, 0] / made_up.SIZE[0] - 0.5, 0, None) * 2
    bent = mesh.vertices + bend * share[:, None] ** 2 * np.array([0, 0, 1.0])
    write_mesh(Mesh(apply(inverse(made_up.true_poses()[1]), bent), mesh.triangles), tmp_path / "mended.3mf", "mm")
    panel.ask_open = lambda *asked: str(tmp_path / "mended.3mf")
    person.menu("Job", "After the repair…")
    person.wait_until_done()
    found = panel.maps.map
    assert found is not None and found.kind == "distortion", person.troubles
    # laid on where most of it agrees: the bend is left at one end, shared out at most by half
    assert bend / 3 < np.nanmax(np.abs(found.away_mm)) < 1.2 * bend
    assert found.worst_at_mm[0] > 0.6 * made_up.SIZE[0] or found.worst_at_mm[0] < 0.2 * made_up.SIZE[0]
    words = lines(panel.mended.told)[1]
    said = re.match(r"The mended part is bent\. .* at its farthest by (\d\.\d+) mm or more\.", words)
    assert said and 0.6 * bend < float(said[1]) < 1.05 * bend
    assert panel.maps.active() and not panel.mating.after.isVisible() and panel.mended.after.isVisible()
    person.window.bench.session.stack.undo()
    assert panel.maps.map is None and not panel.mended.after.isVisible(), "what it was measured on is gone"


def test_a_glued_part_is_split_by_marks_and_comes_back_by_undo(window) -> None:
    mesh = made_up.whole().whole.mesh
    scan = Scan("lever", ("lever.ply",), mesh, "mm", True, False, ("0" * 64,))
    window.bench.session.apply("Open scans", Project((scan,), (Fragment(scan, mesh, 1.2, 0.02, (), 0, True, ()),)))
    person, seam = Person(window), window.scans.seam
    person.menu("Job", "Split a glued part")
    middle = made_up.SIZE / 2
    for out in (np.array([0, -1.0, 0]), np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), np.array([0, 0, -1.0])):
        person.turn_towards(window.scene.poses()[0][:3, :3] @ out)
        for along in (-0.3, 0.3):
            place = middle + (out / 2 + along * np.abs(np.cross(out, [1.0, 0, 0]))) * made_up.SIZE
            at = window.view.widget_position(apply(window.scene.poses()[0], place[None])[0]).toPoint()
            person.click_view(at)
    assert len(seam.marks) == 8 and "8 marks" in seam.words.text() and window.scene.front.shows("seam")
    seam.ask_size = lambda *asked: (asked[2] - 0.3, 0.02)
    person.click(seam.split_button)
    person.wait_until_done()
    sides = window.bench.project.fragments
    assert len(sides) == 2 and not person.troubles, person.troubles
    lengths = [float(np.ptp(side.mesh.vertices[:, 0])) for side in sides]
    assert all(abs(length - middle[0]) < 4.0 for length in lengths), lengths
    assert any("Split along its glued seam" in note.sentence for note in sides[0].scan.read_notes)
    assert not seam.marks and window.apart.isEnabled(), "both stand as they belong together"
    words = window.strip.words.text()  # no broken face is there to be looked for: what is next is to fuse
    assert "Next: 50 Whole." in words and "Step" in words and "+-" not in words, words
    split = window.bench.project
    for row, button in ((20, window.faces.find_button), (30, window.join.join_button)):
        person.open_row(row)
        person.click(button)
        person.wait_until_done()
        assert window.bench.project is split and "no break to join" in window.strip.words.text()
    person.open_row(50)
    person.click(window.whole.fuse_button)
    person.wait_until_done()
    left = [note.sentence for note in sides[0].scan.read_notes if note.sentence.startswith("Not taken out: ")]
    assert left and all(words in window.whole.notes.text() for words in left), "the whole says what the glue left"
    assert window.bench.project.whole.closed and "Next: 60" in window.strip.words.text()
    person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert [one.scan.name for one in window.bench.project.fragments] == ["lever"]


def test_papers_are_added_listed_kept_and_written_out(window, tmp_path: Path) -> None:
    photo, original = tmp_path / "front.png", tmp_path / "half.ply"
    window.grab().save(str(photo))
    original.write_bytes(b"as scanned")
    import hashlib

    project = made_up.cleaned()
    scans = tuple(replace(scan, files=(str(original),), sha256=(hashlib.sha256(b"as scanned").hexdigest(),))
                  for scan in project.scans)  # fmt: skip
    window.bench.session.apply("Open scans", replace(project, scans=scans))
    person, papers = Person(window), window.scans.papers
    person.menu("File", "Papers of the part…")
    papers.kind.setCurrentIndex(1)
    typed(papers.text, "grey iron, 0.8 kg")
    papers.kind.setCurrentIndex(3)
    papers.ask_open = lambda *asked: str(photo)
    person.click(papers.file_button)
    person.wait_until_done()
    person.click(papers.originals_button)
    person.wait_until_done()
    shown = [papers.list.item(row).text() for row in range(papers.list.count())]
    assert shown[0] == "Material: grey iron, 0.8 kg" and shown[1] == "Photograph: (front.png, kept in the project)"
    assert shown[2].startswith("File of a scan") and len(shown) == 3
    papers.ask_folder = lambda *asked: str(tmp_path / "out")
    (tmp_path / "out").mkdir()
    person.click(papers.write_button)
    person.wait_until_done()
    assert (tmp_path / "out" / "front.png").read_bytes() == photo.read_bytes() and not person.troubles
    assert_no_word_is_cut(window.scans)
    window.bench.edit("Add a note", lambda p: edits.attach(p, "conditions", 3 * "warm and dry, sprayed thinly, "))
    person.pause(60)
    last = papers.list.visualItemRect(papers.list.item(3))
    assert last.height() > 1.5 * papers.list.fontMetrics().height(), "words that need several lines"
    assert last.bottom() < papers.list.viewport().height() and papers.list.verticalScrollBar().maximum() == 0
    person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    person.select_rows(papers.list, [0])
    person.click(papers.out_button)
    assert [one.kind for one in window.bench.project.attachments] == ["photograph", "original"]
    person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert len(window.bench.project.attachments) == 3
