"""Class mode as a person meets it: one switch, rows that explain themselves, a replay, exercises, wrong tries."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QImage, QPalette
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel

from rejoin.app.lessons import class_drawings
from rejoin.app.lessons.class_drawings import Drawing
from rejoin.app.lessons.class_words import EXPLAINED
from rejoin.app.paper.pages import PAGES, slug, source_of
from rejoin.app.parts import colours
from rejoin.core.records import FaceScore, PlacementScore, Score
from rejoin.core.samples import sample_names
from tests.app import made_up
from tests.app.lesson import Lesson, sound
from tests.app.person import Person, assert_no_word_is_cut


def folds(window):
    return window.class_mode.folds


def test_nothing_of_it_is_seen_until_it_is_switched_on(window):
    person = Person(window)
    for panel in window.panels:
        person.open_row(panel.number)
        assert not any(fold.isVisible() for fold in folds(window))
    before = window.card.minimumWidth()
    person.menu("Help", "Class mode")
    for fold, panel in zip(window.class_mode.explained, window.panels, strict=True):
        person.open_row(panel.number)
        assert fold.isVisible() and fold.content.isVisible()
        words = " ".join(label.text() for label in fold.findChildren(QLabel))
        for part in (EXPLAINED[panel.number].what, EXPLAINED[panel.number].why, EXPLAINED[panel.number].wrong):
            assert part in words
    assert window.card.minimumWidth() <= 1.1 * before, "the card does not grow for it"
    person.click(fold.button)
    assert not fold.content.isVisible(), "each can be folded away"
    window.actions_.class_mode.trigger()  # a click where the pointer rests already would not count as one
    assert not any(fold.isVisible() for fold in folds(window))


def test_the_switch_is_remembered(qtbot, window, tmp_path: Path):
    from rejoin.app.bench.bench import Bench
    from rejoin.app.window import Window

    Person(window).menu("Help", "Class mode")
    other = Window(Bench(window.bench.memory, tmp_path / "other", warm=False))
    qtbot.addWidget(other)
    assert other.class_mode.on and other.actions_.class_mode.isChecked()
    other.close()


@pytest.mark.parametrize("palette", [colours.PAPER, colours.LAMP], ids=lambda palette: palette.name)
@pytest.mark.parametrize("points", [9, 18])
def test_every_drawing_is_drawn_whole_in_both_palettes(qtbot, palette, points):
    for number in EXPLAINED:
        drawing = Drawing(number, "a drawing", lambda: palette)
        qtbot.addWidget(drawing)
        font = drawing.font()
        font.setPointSize(points)
        drawing.setFont(font)
        ground = drawing.palette()
        ground.setColor(QPalette.ColorRole.Window, QColor(palette.card))
        drawing.setPalette(ground)
        drawing.resize(drawing.sizeHint())
        image = QImage(drawing.size(), QImage.Format.Format_RGB32)
        drawing.render(image)
        grey = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.width(), 4)[..., :3]
        inked = (np.abs(grey.astype(int) - grey[0, 0]) > 60).any(axis=2)
        assert 0.02 < inked.mean() < 0.6, number
        rim = np.concatenate([inked[0], inked[-1], inked[:, 0], inked[:, -1]])
        assert not rim.any(), f"drawing {number} is cut at its edge"
    assert set(class_drawings.DRAWINGS) == set(EXPLAINED)


def test_a_short_lesson(window):
    """The scripted person of `tests.app.lesson`, on what takes no minutes: one try, its replay, the lesson's end."""
    window.resize(860, 620)  # without a graphics card every point of the view costs
    person = Person(window)
    lesson = Lesson(person)
    person.menu("Help", "Class mode")
    told = lesson.wrong_try("stranger")
    assert "doubtful" in told and "Too little of the faces touches" in told and "Little of the face touches" in told
    assert "certain" in lesson.wrong_try("true")
    before = window.bench.project
    person.open_row(30)
    replay = lesson.replay()
    assert replay["from_mm"] > 5.0 and replay["to_mm"] < 0.01 and replay["off_mm"] < 0.01
    assert window.bench.project is before, "a replay changes nothing"
    assert not window.bench.session.modified
    lesson.end()
    assert person.troubles == []


def test_a_replay_shows_its_pairs_and_follows_a_click_on_its_curve(window):
    person = Person(window)
    window.bench.session.apply("Join", made_up.joined(0.0))
    person.menu("Help", "Class mode")
    person.open_row(30)
    person.unfold(window.join, "Replay of the alignment")
    replaying = window.class_mode.replaying
    person.click(replaying.make_button)
    person.wait_until_done()
    person.pause(100)
    assert replaying.curve.isVisible() and window.scene.front.shows("pairs") and window.apart.value() == 0
    assert "Round 1 of" in replaying.words.text() and "drawn apart" in replaying.words.text()
    last = len(replaying.replay.rounds) - 1
    spot = replaying.curve.place(last, replaying.replay.rounds[last].misfit_mm).toPoint()
    QTest.mouseClick(replaying.curve, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, spot)
    assert replaying.slider.value() == last and "where the join had placed them" in replaying.words.text()
    person.click(replaying.pairs)
    assert not window.scene.front.shows("pairs")
    person.menu("View", "Inches")
    assert " in." in replaying.words.text()
    person.open_row(40)
    assert replaying.replay is None and not replaying.curve.isVisible(), "another row ends it"
    assert not window.scene._hand_pose


def test_a_replay_needs_a_join_and_ends_with_another_project(window):
    person = Person(window)
    person.menu("Help", "Class mode")
    window.bench.session.apply("Open scans", made_up.with_faces())
    person.open_row(30)
    person.unfold(window.join, "Replay of the alignment")
    replaying = window.class_mode.replaying
    assert not replaying.make_button.isEnabled()
    window.bench.session.apply("Join", made_up.joined(0.0))
    person.click(replaying.make_button)
    person.wait_until_done()
    assert replaying.replay is not None
    person.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert replaying.replay is None


def test_scores_are_told_in_words(window):
    mode, person = window.class_mode, Person(window)
    window.bench.session.apply("Join", made_up.joined())
    person.menu("Help", "Class mode")
    person.open_row(20)
    person.unfold(window.faces, "Exercise: the true faces")
    places = PlacementScore(1, 2.54, 3.0, "Near its place."), PlacementScore(2, None, None, "Not placed.")
    score = Score("pump_rocker", (FaceScore(0, "person", 0.5, 0.2, "Half of it."),), places)
    mode.picks.asked = True
    window.bench.answered.emit("score", score)
    assert mode.picks.told.isVisible() and mode.picks.told.text() == "A (your faces): Half of it."
    assert not mode.placing.told.isVisible(), "only what was asked is answered"
    person.open_row(30)
    person.unfold(window.join, "Exercise: the true place")
    mode.placing.asked = True
    window.bench.answered.emit("score", score)
    first, second = mode.placing.told.text().split("\n")
    assert first == "B: its worst point is 2.54 mm off, turned by 3.00°. Near its place."
    assert second == "C: Not placed."


def test_scans_of_no_sample_have_no_score(window):
    person = Person(window)
    window.bench.session.apply("Join", made_up.joined())
    person.menu("Help", "Class mode")
    person.open_row(30)
    person.unfold(window.join, "Exercise: the true place")
    person.click(window.class_mode.placing.button)
    person.wait_until_done()
    assert "Nobody knows the true answer" in window.strip.words.text()


def test_a_try_asks_before_work_is_lost(window):
    person, asked = Person(window), []
    window.bench.session.apply("Join", made_up.joined())
    window.ask_keep = lambda parent: asked.append(1) or "stay"
    person.menu("Help", "Class mode")
    person.open_row(30)
    person.unfold(window.join, "Wrong tries")
    before = window.bench.project
    person.click(window.class_mode.tries.buttons["flat"])
    assert asked and window.bench.project is before and not window.bench.jobs.busy
    window.ask_keep = lambda parent: "discard"


@pytest.mark.parametrize("points", [9, 13])
def test_no_word_of_it_is_cut(window, qtbot, points):
    from PySide6.QtWidgets import QApplication

    old = QApplication.font()
    try:
        window.appearance.change_text(points - old.pointSizeF())
        window.class_mode.set_on(True)
        for fold in folds(window):
            fold.button.setChecked(True)
        window.bench.session.apply("Join", made_up.joined())
        for index, panel in enumerate(window.panels):
            window.card.unfold(index)
            qtbot.wait(60)
            assert_no_word_is_cut(panel)
    finally:
        QApplication.setFont(old)
        window.appearance.change_text(0)


def test_the_empty_bench_shows_the_samples(window):
    shelf = window.scans.shelf
    assert shelf.isVisible() and not window.scans.table.isVisible()
    assert set(shelf.buttons) == set(sample_names())
    for name, label in shelf.told.items():
        assert "The true answer is known" in label.text() and "±" in label.text(), name
    assert "113.99 ± 0.03 mm" in shelf.told["pump_rocker"].text()
    Person(window).menu("View", "Inches")
    assert "4.4878 ± 0.0012 in" in shelf.told["pump_rocker"].text()
    window.bench.session.apply("Open scans", made_up.cleaned())
    assert not shelf.isVisible() and window.scans.table.isVisible()


def visible_texts(window) -> set[str]:
    """Every text of the window that can be pressed, unfolded or chosen."""
    from PySide6.QtWidgets import QAbstractButton, QComboBox

    texts = {button.text() for button in window.findChildren(QAbstractButton)}
    texts |= {label.text() for label in window.findChildren(QLabel)}
    texts |= {box.itemText(i) for box in window.findChildren(QComboBox) for i in range(box.count())}
    window.scans.fill_samples()

    def walk(menu):
        for action in menu.actions():
            texts.add(action.text().replace("&", ""))
            if action.menu() is not None:
                walk(action.menu())

    for action in window.menuBar().actions():
        walk(action.menu())
    return texts


@pytest.mark.parametrize("page", ["lesson.md", "window.md"])
def test_what_the_pages_name_is_in_the_window(window, page):
    text, _ = source_of(page)
    named = re.findall(r"“([^”]+)”", text)
    texts = visible_texts(window) | {"doubtful", "could slide"}
    assert len(named) > 10
    assert [name for name in named if name not in texts] == []


def test_the_lesson_takes_45_minutes():
    text, _ = source_of("lesson.md")
    spans = [(int(a), int(b)) for a, b in re.findall(r"^\| (\d+) to (\d+) \|", text, flags=re.M)]
    assert spans[0][0] == 0 and spans[-1][1] == 45
    assert all(one[1] == other[0] for one, other in zip(spans, spans[1:], strict=False))


@pytest.mark.parametrize("page", [name for name, _ in PAGES])
def test_no_link_of_a_page_is_broken(page):
    text, folder = source_of(page)
    here = {slug(line.lstrip("# ")) for line in text.splitlines() if line.startswith("#")}
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", text):
        assert (folder / picture).is_file(), picture
    for link in re.findall(r"(?<!!)\[[^\]]+\]\(([^)]+)\)", text):
        file, _, heading = link.partition("#")
        if link.startswith("open:"):
            assert link.removeprefix("open:") in sample_names()
        elif "://" not in link:
            assert not file or file in dict(PAGES) or (folder / file).is_file(), link
            assert not heading or file or heading in here, link


def test_the_pages_are_read_and_printed(window, tmp_path: Path):
    import pypdfium2

    person = Person(window)
    for name, title in PAGES:
        person.menu("Help", title)
        person.pause(60)
        pages = window.pages
        assert pages.isVisible() and pages.shown == name and len(pages.page.toPlainText()) > 500
        pages.write_pdf(str(tmp_path / f"{title}.pdf"))
        document = pypdfium2.PdfDocument(tmp_path / f"{title}.pdf")
        printed = re.sub(r"\s", "", "".join(page.get_textpage().get_text_range() for page in document))
        assert document[0].get_size() == pytest.approx((595, 842), abs=1.0)
        document.close()
        words = re.findall(r"[A-Za-z]{6,}", pages.page.toPlainText())
        assert sum(word in printed for word in words) > 0.98 * len(words)
    pages.follow("#making")
    assert 0 <= pages.page.cursorRect().top() < 40, "the heading is at the top"
    pages.follow("samples")
    assert pages.shown == "samples"
    pages.follow("open:bracket")
    person.wait_until_done()
    assert len(window.bench.project.fragments) == 2
    pages.close()


def test_a_page_is_saved_and_printed_by_its_buttons(window, tmp_path: Path):
    from PySide6.QtPrintSupport import QPrintDialog
    from PySide6.QtWidgets import QFileDialog

    person, seen = Person(window), []
    person.menu("Help", "The lesson")
    person.pause(100)
    pages = window.pages
    person.when_asked(QFileDialog, lambda dialog: person._type(dialog, str(tmp_path / "lesson.pdf")))
    QTest.mouseClick(pages.save_button, Qt.MouseButton.LeftButton)
    assert (tmp_path / "lesson.pdf").read_bytes().startswith(b"%PDF")
    person.when_asked(QPrintDialog, lambda dialog: seen.append(dialog) or dialog.reject())
    QTest.mouseClick(pages.print_button, Qt.MouseButton.LeftButton)
    assert len(seen) == 1
    pages.close()


def test_a_lesson_that_misleads_is_not_sound():
    good = {
        "troubles": [], "faces": [(0.99, 0.02), (0.95, 0.1)], "off_mm": 0.08, "replay": {"off_mm": 0.001},
        "tries": {"stranger": "doubtful", "flat": "doubtful", "worn": "certain, missing", "true": "certain"},
    }  # fmt: skip
    assert sound(good)
    changes = [{"troubles": ["It stopped."]}, {"faces": [(0.5, 0.0)]}, {"off_mm": 2.0}, {"replay": {"off_mm": 0.1}}]
    changes += [{"tries": {**good["tries"], name: "certain"}} for name in ("stranger", "flat", "worn")]
    for change in changes:
        assert not sound({**good, **change}), change
