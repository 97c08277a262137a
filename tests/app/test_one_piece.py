"""Scans of one piece that were opened one by one are made one, by clicks; where they cannot be, marks tell how."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold
from PySide6.QtCore import Qt

from rejoin.core.files import write_mesh
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import SamePlaces
from rejoin.core.transforms import displacement, inverse
from tests.app.person import CONTROL, Person, assert_no_word_is_cut
from tests.makers.breaking import as_mesh
from tests.makers.views import Views, make_views, marked_by_hand


@pytest.fixture(scope="module")
def handle() -> Views:
    """A bar with two collars that looks the same from two sides."""
    solid = Manifold.cube([40.0, 12.0, 12.0], True)
    for at in (-14.0, 6.0):
        solid += Manifold.cube([6.0, 18.0, 18.0], True).translate([at, 0.0, 0.0])
    return make_views(as_mesh(solid), 4, count=2, spacing_mm=1.0, overlap=(0.4, 0.7), support=False)


def mark(person: Person, places: SamePlaces) -> None:
    """Click the same places on both scans."""
    for number, points in ((0, places.on_a), (1, places.on_b)):
        mesh = person.window.bench.project.fragments[number].mesh
        normals = vertex_normals(mesh)
        for point in points:
            nearest = int(np.argmin(np.linalg.norm(mesh.vertices - point, axis=1)))
            marks = person.window.tools.marks
            for aside in ([0.0, 0.0, 0.0], [0.5, 0.5, 0.0], [-0.5, 0.0, 0.5], [0.0, -0.5, -0.5]):
                before, way = len(marks.get(number, [])), normals[nearest] + aside
                person.click_view(person.see(number, mesh.vertices[nearest], way / np.linalg.norm(way)))
                if len(marks.get(number, [])) > before:  # else something stands before it: from another side then
                    break
    person.show_only(None)
    person.open_row(10)


@pytest.fixture
def person(window, tmp_path: Path, handle: Views) -> Person:
    """Someone who has opened both scans of the handle, each by its file."""
    person = Person(window)
    files = [tmp_path / f"handle {number}.ply" for number in (1, 2)]
    for mesh, file in zip(handle.meshes, files, strict=True):
        write_mesh(mesh, file, "mm")
    person.open_scans(files)
    person.unfold(window.scans, "Several scans of one piece")
    return person


def test_scans_that_could_go_together_in_two_ways_go_as_they_are_marked(window, person: Person, handle: Views) -> None:
    part = window.scans.pieces
    assert not part.make_button.isEnabled() and part.words.text() == "Tick two scans or more."
    for tick in part.ticks:
        person.click(tick)
    person.click(part.make_button)
    person.wait_until_done()
    assert "in more than one way" in person.troubles[-1] and "mark the same three places" in person.troubles[-1]
    assert len(window.bench.project.scans) == 2

    person.click(part.mark_button)
    mark(person, marked_by_hand(handle, 5, 0.0)[0])
    assert part.marks_words.text() == "Marks on A: 3, B: 3"
    assert_no_word_is_cut(window.scans)
    person.click(part.ticks[1])
    assert not part.make_button.isEnabled() and part.words.text() == "Tick two scans or more."
    person.click(part.ticks[1])
    person.click(part.make_button)
    person.wait_until_done()
    (scan,) = window.bench.project.scans
    true = inverse(handle.part_from_view[0]) @ handle.part_from_view[1]
    error = displacement(scan.views[1].scan_from_view, true, handle.meshes[1].vertices).max()
    assert error < 0.5 and error < scan.views_u95_mm
    assert len(person.troubles) == 1 and not window.tools.marks
    assert window.scans.pieces_fold.isHidden()
    person.key(Qt.Key.Key_Z, CONTROL)
    assert len(window.bench.project.scans) == 2 and len(part.ticks) == 2


def test_uneven_marks_are_told_before_any_work(window, person: Person, handle: Views) -> None:
    part = window.scans.pieces
    person.click(part.mark_button)
    places = marked_by_hand(handle, 5, 0.0)[0]
    mark(person, SamePlaces(0, 1, np.concatenate([places.on_a, places.on_a[:1]]), places.on_b))
    assert part.marks_words.text() == "Marks on A: 4, B: 3"
    for tick in part.ticks:
        if not tick.isChecked():
            person.click(tick)
    heard: list[str] = []
    window.bench.said.connect(lambda kind, what, to_do: heard.append(what))
    person.click(part.make_button)
    assert heard == ["The marks are not of the same number, or fewer than three."] and not window.bench.jobs.busy
    person.click(part.clear_button)
    assert part.marks_words.text() == "No marks yet"
