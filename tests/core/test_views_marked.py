"""Views that the program cannot lay on each other go together as a person marked them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold

from rejoin.core import edits, steps
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.files import write_mesh
from rejoin.core.files.marks import read_marks
from rejoin.core.merging import merge_scans
from rejoin.core.merging.close import fine_of
from rejoin.core.merging.looks import Known
from rejoin.core.merging.pointed import pointed, tied
from rejoin.core.records import FractureFace, Mesh, Project, SamePlaces, Scan, StatedSize
from rejoin.core.settings import ReadSettings
from rejoin.core.transforms import apply, displacement, from_vector, inverse
from tests.makers.breaking import as_mesh
from tests.makers.views import Views, make_views, marked_by_hand

SPACING = 1.0
BAR = "more than one way|could not be laid"


def scan_of(mesh: Mesh, name: str) -> Scan:
    return Scan(name, (f"{name}.ply",), mesh, "mm", True, False, (name,))


@pytest.fixture(scope="module")
def bar() -> Views:
    """Views of a bar that looks the same from two sides: without marks they are refused."""
    solid = Manifold.cube([40.0, 12.0, 12.0], True)
    for at in (-14.0, 6.0):
        solid += Manifold.cube([6.0, 18.0, 18.0], True).translate([at, 0.0, 0.0])
    return make_views(as_mesh(solid), 4, count=2, spacing_mm=SPACING, overlap=(0.4, 0.7), support=False)


@pytest.fixture(scope="module")
def project(bar: Views) -> Project:
    scans = tuple(scan_of(mesh, f"view {n}") for n, mesh in enumerate(bar.meshes))
    stranger = scan_of(as_mesh(Manifold.sphere(9.0, 40)), "knob")
    return steps.clean(replace(Project(), scans=(stranger, *scans)))


@pytest.fixture(scope="module")
def marks(bar: Views) -> SamePlaces:
    return marked_by_hand(bar, 5, 0.8)[0]


def error_mm(bar: Views, scan: Scan) -> float:
    first_from_second = inverse(bar.part_from_view[0]) @ bar.part_from_view[1]
    return float(displacement(scan.views[1].scan_from_view, first_from_second, bar.meshes[1].vertices).max())


def test_what_is_refused_is_made_one_where_marks_hold_it(bar: Views, project: Project, marks: SamePlaces) -> None:
    with pytest.raises(NoAnswer, match=BAR) as refused:
        edits.make_one(project, (1, 2))
    assert "mark the same three places" in refused.value.what_to_do
    before = project.scans
    made = edits.make_one(project, (2, 1), [replace(marks, a=1, b=2)])
    assert [scan.name for scan in made.scans] == ["knob", "view 0"]
    assert made.scans[0] is before[0] and made.fragments[0] is project.fragments[0]
    assert made.fragments[1].scan is made.scans[1] and made.scans[1].files == ("view 0.ply", "view 1.ply")
    assert error_mm(bar, made.scans[1]) < 0.5 * SPACING
    assert error_mm(bar, made.scans[1]) < made.scans[1].views_u95_mm
    assert project.scans == before


def moved(bar: Views, marks: SamePlaces, motion: np.ndarray) -> SamePlaces:
    """Marks that lay the second view elsewhere: a motion of the bar off."""
    return replace(marks, on_b=apply(inverse(bar.part_from_view[1]) @ motion @ bar.part_from_view[0], marks.on_a))


def test_what_was_worked_out_with_one_of_the_scans_is_forgotten(project: Project, marks: SamePlaces) -> None:
    faces = tuple(FractureFace(number, np.arange(9, dtype=np.int32), 1.0, 1.0, "person") for number in range(3))
    sizes = StatedSize(0, np.zeros(3), 2, np.ones(3), 9.0, 0.1), StatedSize(0, np.zeros(3), 1, np.ones(3), 9.0, 0.1)
    begun = replace(project, faces=faces, stated=sizes)
    made = edits.make_one(begun, (1, 2), [replace(marks, a=1, b=2)])
    assert [face.fragment for face in made.faces] == [0] and made.stated == () and len(begun.stated) == 2


def test_marks_where_the_surfaces_do_not_fit_are_not_followed(bar: Views, marks: SamePlaces) -> None:
    scans = [scan_of(mesh, f"view {n}") for n, mesh in enumerate(bar.meshes)]
    along = from_vector(np.array([0.0, 0.0, 0.0, 11.0, 0.0, 0.0]), np.zeros(3))
    with pytest.raises(NoAnswer, match="where they were marked|too weakly|too little"):
        merge_scans(scans, "bar", marks=[moved(bar, marks, along)])


def test_marks_of_other_places_and_marks_on_a_line_are_refused_in_words(bar: Views, marks: SamePlaces) -> None:
    scans = [scan_of(mesh, f"view {n}") for n, mesh in enumerate(bar.meshes)]
    with pytest.raises(NoAnswer, match="view 0 and view 1 are not of the same places.* mm apart"):
        merge_scans(scans, "bar", marks=[replace(marks, on_b=marks.on_b * 3.0)])
    line = np.outer([0.0, 1.0, 2.0], [1.0, 0.0, 0.0])
    with pytest.raises(WrongUse, match="on one line"):
        merge_scans(scans, "bar", marks=[replace(marks, on_a=line, on_b=line)])
    narrow = line + [[0.0, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, 0.0, 0.0]]
    with pytest.raises(NoAnswer, match="too near to one line"):
        merge_scans(scans, "bar", marks=[replace(marks, on_a=narrow, on_b=narrow)])
    with pytest.raises(WrongUse, match="Three marks"):
        merge_scans(scans, "bar", marks=[replace(marks, on_a=marks.on_a[:2], on_b=marks.on_b[:2])])


def test_marks_hold_as_nearly_as_they_were_pointed_out(project: Project, marks: SamePlaces) -> None:
    fine = [fine_of(fragment) for fragment in project.fragments[1:]]
    one = pointed([marks], project.scans[1:], fine)[0]
    assert one.allows(one.a_from_b, fine[1])
    turned = one.a_from_b @ np.diag([-1.0, -1.0, 1.0, 1.0])
    assert not one.allows(turned, fine[1])
    steady = pointed([replace(marks, on_b=apply(inverse(one.a_from_b), marks.on_a))], project.scans[1:], fine)[0]
    shaky = pointed([replace(marks, on_b=marks.on_b + 2.0 * np.eye(3))], project.scans[1:], fine)[0]
    assert steady.within_mm < shaky.within_mm
    assert tied([one], [0, 1]) and not tied([one], [0, 1, 2]) and not tied([one], [0])


@pytest.mark.parametrize("which, words", [((1,), "two scans"), ((1, 9), "two scans"), ((0, 1), "not among those")])
def test_what_cannot_be_made_one_is_said(project: Project, marks: SamePlaces, which: Any, words: str) -> None:
    with pytest.raises(WrongUse, match=words):
        edits.make_one(project, which, [replace(marks, a=1, b=2)])
    other = edits.set_role(project, 2, "reference")
    with pytest.raises(WrongUse, match="different roles"):
        edits.make_one(other, (1, 2))


def written(folder: Path, bar: Views, marks: SamePlaces) -> tuple[Path, list[dict[str, Any]]]:
    (folder / "bar").mkdir()
    for name, mesh in zip(("top", "bottom"), bar.meshes, strict=True):
        write_mesh(Mesh(mesh.vertices / 25.4, mesh.triangles), folder / "bar" / f"{name}.ply", "mm")
    ends = ({"top.ply": marks.on_a, "bottom.ply": marks.on_b}).items()
    places = [[{"file": name, "point": list(point / 25.4)} for point in points] for name, points in ends]
    return folder / "bar", [{"a": a, "b": b} for a, b in zip(*places, strict=True)]


def test_marks_from_a_file_in_the_unit_of_the_scans(tmp_path: Path, bar: Views, marks: SamePlaces) -> None:
    folder, places = written(tmp_path, bar, marks)
    file = tmp_path / "marks.json"
    places[1] = {"a": places[1]["b"], "b": places[1]["a"]}
    file.write_text(json.dumps(places), encoding="utf-8")
    read = steps.read([folder], ReadSettings(unit="inch"), marks=read_marks(file, [folder]))
    assert [view.name for view in read.scans[0].views] == ["bottom", "top"]
    assert read.scans[0].views_u95_mm < 4.0 * SPACING
    truth = inverse(bar.part_from_view[1]) @ bar.part_from_view[0]
    assert displacement(read.scans[0].views[1].scan_from_view, truth, bar.meshes[0].vertices).max() < 0.5 * SPACING


@pytest.mark.parametrize("change, words", [
    (lambda places: {"a": 1}, "list of marks"),
    (lambda places: [{"a": places[0]["a"]}], "mark 1: it must hold a and b"),
    (lambda places: [{**places[0], "b": places[0]["a"]}], "two scans of one folder"),
    (lambda places: [{**places[0], "b": {"file": "side.ply", "point": [1, 2, 3]}}], "names none of the scans"),
    (lambda places: [{**places[0], "b": {"file": "top.ply", "point": [1, 2]}}], "three numbers"),
    (lambda places: [{**places[0], "b": {"file": "top.ply"}}], "mark 1, b: it must hold file and point"),
])  # fmt: skip
def test_a_file_of_marks_that_says_too_little_is_refused(
    tmp_path: Path, bar: Views, marks: SamePlaces, change: Any, words: str
) -> None:
    folder, places = written(tmp_path, bar, marks)
    file = tmp_path / "marks.json"
    file.write_text(json.dumps(change(places)), encoding="utf-8")
    with pytest.raises(WrongUse, match=words):
        read_marks(file, [folder])


def test_a_rival_place_counts_as_far_as_the_marks_allow_it(project: Project, marks: SamePlaces) -> None:
    """A slide of eight spacings is nearly as good to surfaces that run along it, and not to three marks."""
    fine = [fine_of(fragment) for fragment in project.fragments[1:]]
    (one,) = pointed([marks], project.scans[1:], fine)
    known = Known(fine, [], [], [one])
    slid = from_vector(np.array([0.0, 0.0, 0.0, 8.0 * SPACING, 0.0, 0.0]), np.zeros(3)) @ one.a_from_b
    near, far = ({0: np.eye(4), 1: pose} for pose in (one.a_from_b, slid))
    assert -3.0 < known.nats(near) <= 0.0
    assert known.nats(far) < known.nats(near) - 10.0
    turned = {1: np.eye(4), 0: inverse(slid)}
    assert known.nats(turned) == pytest.approx(known.nats(far)) and not known.nats({0: np.eye(4)})
