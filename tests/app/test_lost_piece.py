"""Row 50: a lost piece restored by clicks, undone, and refused in words."""

from __future__ import annotations

from PySide6.QtWidgets import QLabel

from tests.app import made_up
from tests.app.person import Person
from tests.core.test_restoring import broken


def ask(person: Person, source: int) -> None:
    person.open_row(50)
    person.unfold(person.window.whole, "A piece is lost")
    person.window.whole.lost.source.setCurrentIndex(source)
    person.click(person.window.whole.lost.button)
    person.wait_until_done()


def test_a_lost_piece_is_restored_and_undone(window):
    person = Person(window)
    before = broken("wheel", 2)[1]
    window.bench.session.apply("Fuse", before)
    ask(person, 1)
    assert person.troubles == []
    whole = window.bench.project.whole
    assert whole is not None and whole.closed and whole.fills[-1].kind == "lost piece"
    assert "1 lost piece restored" in " ".join(label.text() for label in window.whole.findChildren(QLabel))
    assert "not measured" in window.whole.notes.text()
    person.undo_everything()
    assert window.bench.project.whole is None


def test_without_a_source_it_says_what_to_do(window):
    person = Person(window)
    window.bench.session.apply("Fuse", made_up.whole())
    ask(person, 2)
    assert len(person.troubles) == 1 and "no reference scan" in person.troubles[0]
