"""Refusals, and answers of nothing, that no larger test comes by: each in words, or plainly empty."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rejoin.core import edits, further, known, steps, storage
from rejoin.core.cardtables import Shown, dimensions, value_of
from rejoin.core.cleaning import clean_scan
from rejoin.core.dimensions import bynumber
from rejoin.core.dimensions.shapes import fit_shape
from rejoin.core.dimensions.tables import at_20_degrees, misalignment_limits_mm
from rejoin.core.dimensions.ways import order_in_words, order_of_assembly
from rejoin.core.edits import papers
from rejoin.core.errors import FileTrouble, NoAnswer, RejoinError, WrongUse
from rejoin.core.files import lists, read_fragment
from rejoin.core.fusing.stitching import border_loops
from rejoin.core.glued import Split, _worded, split_along
from rejoin.core.lessons.answers import _face_words, _placement_words, truly_broken
from rejoin.core.libraries.restoring import worked
from rejoin.core.libraries.solids import simplified, unite
from rejoin.core.meshes import is_closed
from rejoin.core.records import FractureFace, Joint, Mesh, Placement, Project, Reading, Scan, StatedSize
from rejoin.core.restoring import open_breaks
from rejoin.core.settings import RestoreSettings
from tests.core.scan_bytes import BALL, ply, put, trouble

SCAN = Scan("ball", ("ball.ply",), BALL, "mm", True, False, ("ball",))
FRAGMENT = clean_scan(SCAN)
HERE, NOWHERE = Placement(np.eye(4), "program"), Placement(None, "program")
TWO = Project(scans=(SCAN, SCAN), fragments=(FRAGMENT, FRAGMENT), placements=(HERE, NOWHERE))
SIZE = StatedSize(0, np.zeros(3), 1, np.zeros(3), 10.0, 0.1)
AROUND = Mesh(3 * BALL.vertices - 2 * BALL.vertices.mean(axis=0), BALL.triangles)
OPEN = Mesh(BALL.vertices, BALL.triangles[:-9])
POINTS = np.random.default_rng(1).normal(size=(30, 3))


@pytest.mark.parametrize("call, words", [
    (lambda: edits.state_size(TWO, replace(SIZE, b=7)), "no fragment 7"),
    (lambda: edits.state_size(TWO, replace(SIZE, b=0)), "on one fragment"),
    (lambda: edits.state_size(TWO, replace(SIZE, limit_mm=0.0)), "above zero"),
    (lambda: edits.join_as_placed(TWO, 1), "is not placed"),
    (lambda: edits.join_as_placed(TWO, 0), "No other fragment is placed"),
    (lambda: edits.rename(TWO, 0, "  "), "needs a name"),
    (lambda: edits.set_role(TWO, 0, "fragment", mirrored=True), "Only a reference"),
    (lambda: edits.with_readings(TWO, [Reading("a", "wall", POINTS[:1], (5,))]), "not there"),
    (lambda: edits.remove_reading(TWO, 3), "no dimension 4"),
    (lambda: edits.attach(TWO, "photograph", "", Path("a.doc")), "no photograph"),
    (lambda: edits.write_originals(TWO, "/no/such/folder"), "no folder"),
    (lambda: fit_shape("torus", POINTS), "no shape known"),
    (lambda: fit_shape("cylinder", POINTS[:, :2]), "two columns"),
    (lambda: fit_shape("plane", POINTS * np.nan), "not numbers"),
    (lambda: at_20_degrees(10.0, "steel", 30.0, "cheese", 20.0), "is not known here"),
    (lambda: misalignment_limits_mm(0.3, "steel"), "begins at a wall of 0.5"),
    (lambda: bynumber.restored_plane(None, None, SimpleNamespace(normal=None), 1.0), "no face"),  # type: ignore[arg-type]
    (lambda: bynumber._patch(BALL, np.array([0])), "too small"),
    (lambda: bynumber._finished(None, SimpleNamespace(mesh=OPEN), None), "not closed"),  # type: ignore[arg-type]
    (lambda: split_along(FRAGMENT, BALL.vertices[:5] + 90.0), "does not lie on the scan"),
    (lambda: split_along(FRAGMENT, np.repeat(BALL.vertices[:1], 6, axis=0)), "on one line"),
    (lambda: truly_broken(FRAGMENT, np.zeros(3, bool)), "not the sample's"),
    (lambda: unite([BALL, OPEN]), "Body 2 of the union"),
    (lambda: simplified(OPEN, 0.1), "not a closed solid"),
    (lambda: worked(OPEN, []), "not a closed solid"),
    (lambda: worked(BALL, [("cut", AROUND)]), "Nothing|empty|left"),
])  # fmt: skip
def test_a_refusal_is_two_sentences(call: Any, words: str) -> None:
    with pytest.raises(RejoinError, match=words) as caught:
        call()
    assert caught.value.what_happened.endswith(".") and caught.value.what_to_do.endswith(".")


def test_files_too_large_for_what_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "known.json").write_text(json.dumps([{"file": "a"}]))
    with pytest.raises(WrongUse):
        known.read_known(tmp_path / "known.json", (SCAN,), ("a",))
    monkeypatch.setattr(lists, "LARGEST_FILE", 5)
    with pytest.raises(FileTrouble, match="too large"):
        known.read_known(tmp_path / "known.json", (SCAN,), ("a",))
    monkeypatch.setattr(papers, "LARGEST", 5)
    with pytest.raises(WrongUse, match="too large to be kept"):
        edits.attach(TWO, "part", "", tmp_path / "known.json")
    storage.save_recovery(TWO, tmp_path / "copy")
    array = next((tmp_path / "copy").glob("*.npy"))
    data = array.read_bytes()
    array.write_bytes(data[:6] + b"\2" + data[7:])
    with pytest.raises(FileTrouble, match="damaged"):
        storage.load_recovery(tmp_path / "copy")
    monkeypatch.setattr(storage, "_LARGEST_JSON", 5)
    with pytest.raises(FileTrouble, match="damaged"):
        storage.load_recovery(tmp_path / "copy")


def test_breaks_without_a_partner() -> None:
    assert open_breaks(Project()).shape == (0,)
    half = np.arange(len(BALL.triangles) // 2, dtype=np.int32)
    face = FractureFace(0, half, 1.0, 1.0, "program")
    whole = SimpleNamespace(mesh=BALL)
    alone = replace(TWO, faces=(face,), whole=whole)  # type: ignore[arg-type]
    assert 0.3 < open_breaks(alone).mean() < 0.7
    joint = Joint(0, 1, face, replace(face, fragment=1), np.eye(4), None)  # type: ignore[arg-type]
    assert not open_breaks(replace(alone, joints=(joint,))).any()
    rejected = replace(joint, state="rejected")
    assert open_breaks(replace(alone, joints=(rejected,))).any()


def test_what_a_check_cannot_measure_on() -> None:
    far = replace(TWO, whole=None)
    readings = (
        Reading("whole", "wall", BALL.vertices[:1], (-1,)),
        Reading("across", "faces", BALL.vertices[:2], (0, 1)),
        Reading("heavy", "weight", np.empty((0, 3)), ()),
    )
    told = [check.sentence for check in further.check_dimensions(edits.with_readings(far, readings)).checks]
    assert "no whole to measure on" in told[0] and "is not placed" in told[1] and "needs a closed whole" in told[2]


def test_nothing_to_put_in_order() -> None:
    assert order_of_assembly((FRAGMENT,), (NOWHERE,), ()) == () and order_in_words((), ("a",)) == ""
    bow_tie = np.array([[0, 1, 2], [0, 3, 4]])
    assert border_loops(bow_tie, 5) is None  # two loops meet in a point
    assert border_loops(np.array([[0, 1, 2], [0, 1, 3]]), 4) is None  # an edge run twice the same way


def test_glue_of_which_nothing_is_known() -> None:
    split = Split(np.arange(3), np.arange(3), np.zeros(3), np.array([0, 0, 1.0]), np.zeros(3))
    line = _worded(split, np.zeros(6), np.eye(6), np.eye(6), 0)
    assert line.thickness_mm is line.step_mm is line.tilt_deg is None and len(line.unknown) == 4
    assert "Nothing could be told" in line.sentence


def test_lengths_on_the_card_that_are_not_known_or_in_inches() -> None:
    inch, mm = Shown("inch"), Shown()
    assert {shown.length(None) for shown in (inch, mm)} == {"–"} == {mm.area(None), inch.volume(None)}
    assert (inch.length(25.4), inch.area(25.4**2), inch.volume(25.4**3)) == ("1.0000 in", "1.000 in²", "1.0000 in³")
    assert (mm.length(1.5), mm.area(3.0), mm.volume(4.0)) == ("1.500 mm", "3 mm²", "4.0 mm³")
    assert inch.words("A gap of 25.4 mm.") == "A gap of 1.00 in." and mm.words("25.4 mm") == "25.4 mm"
    assert [value_of(kind, 2.0, mm) for kind in ("angle", "weight", "bore")] == ["2.00°", "2 g", "2.000 mm"]
    nothing = dict.fromkeys(("value", "u95", "reading", "difference", "normalised_error"))
    row = {"name": "a", "kind": "bore", "agreement": "", "verdict": "", "sentence": "No bore.", "scale_proven": False}
    row |= nothing
    measured = {**row, "value": 20.0, "u95": 0.1}
    apart = {**measured, "reading": 19.9, "difference": 0.1}
    proven = {**apart, "normalised_error": 0.7, "scale_proven": True}
    text = dimensions({"dimensions": [row, measured, apart, proven]}, mm)
    assert "No bore." in text and text.count("Scan minus reading: 0.100 mm") == 2
    assert text.count("Scale not proven.") == 1 and "0.70 of what both are good for" in text


@pytest.mark.parametrize("covered, wrong, words", [
    (0.01, 0.5, "not where it broke"), (0.95, 0.01, "That is the face"), (0.95, 0.5, "runs over the rim"),
    (0.5, 0.01, "Part of the face is missing"), (0.5, 0.5, "misses part of the face"),
])  # fmt: skip
def test_a_face_is_scored_in_words(covered: float, wrong: float, words: str) -> None:
    assert words in _face_words("person", covered, wrong)
    assert "No fracture face" in _face_words("nobody", covered, wrong)


def test_a_placement_is_scored_in_words() -> None:
    told = {_placement_words(FRAGMENT, share * FRAGMENT.spacing_mm) for share in (0.01, 3.0, 300.0)}
    assert len(told) == 3 and all(text.endswith(".") for text in told)


def test_steps_over_projects_that_hold_little(monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core import restoring
    from rejoin.core.dimensions.told import as_whole

    face = FractureFace(0, np.arange(300, dtype=np.int32), 1.0, 1.0, "person")
    mating = replace(FRAGMENT, scan=replace(SCAN, role="mating"))
    judged = steps.judge(Project(scans=(SCAN, mating.scan), fragments=(FRAGMENT, mating), faces=(face,)))
    assert all(fragment.faults is not None for fragment in judged.fragments)
    rejected = Joint(0, 1, face, replace(face, fragment=1), np.eye(4), None, "rejected")  # type: ignore[arg-type]
    assert steps.measure_fit(replace(TWO, joints=(rejected,))).fits == ()
    monkeypatch.setattr(restoring, "sources_of", lambda *_: ())
    with pytest.raises(WrongUse, match="only 0 ways"):
        further.restore_lost_piece(replace(TWO, whole=as_whole(FRAGMENT)), RestoreSettings(choice=3))


def test_a_reference_on_which_nothing_lies(monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core.merging import onto

    def nothing(*_: object) -> None:
        raise NoAnswer("It does not lie on it.", "Look at both.")

    reference = replace(FRAGMENT, scan=replace(SCAN, role="reference"))
    pieces = (FRAGMENT, FRAGMENT, reference)
    assert onto.placed_on_reference(pieces[:2], (HERE, NOWHERE))[1].part_from_scan is None
    monkeypatch.setattr(onto, "lay_on_reference", nothing)
    kept = onto.placed_on_reference(pieces, (HERE, NOWHERE, NOWHERE))
    assert kept[0] is HERE and kept[1].part_from_scan is None
    assert (kept[1].why or "") == f"{NOWHERE.why or ''} It does not lie on it. Look at both.".strip()
    alone = onto.placed_on_reference(pieces, (NOWHERE, NOWHERE, NOWHERE))
    assert all("does not lie on it" in (place.why or "") for place in alone[:2])


def test_faces_without_anything_beside_them() -> None:
    from rejoin.core import fit
    from rejoin.core.contact import skirt_of
    from rejoin.core.misalignment import misalignment

    empty = np.empty(0, np.int32)
    assert not len(fit._gaps(FRAGMENT, empty, FRAGMENT, np.eye(4)).gaps)
    assert misalignment(FRAGMENT, FRAGMENT, (empty, empty), np.eye(4)) is None
    everything = np.arange(len(BALL.vertices))
    side = SimpleNamespace(vertices=everything, points=BALL.vertices, border=np.zeros(len(everything), bool))
    assert not len(skirt_of(FRAGMENT, side).points)  # type: ignore[arg-type]
    side.border[:3] = True
    assert not len(skirt_of(FRAGMENT, side).points)  # type: ignore[arg-type]


def test_regions_of_a_chosen_shape() -> None:
    import trimesh

    from rejoin.core.making.regions import region_at, seed_of
    from rejoin.core.making.surface import Surface

    box = trimesh.creation.box((20, 10, 5)).subdivide().subdivide()
    surface = Surface(Mesh(np.array(box.vertices), np.array(box.faces, np.int32)))
    top = np.array([0.0, 0, 2.5])
    assert region_at(surface, top, "plane").area_mm2 == pytest.approx(200.0)
    assert region_at(surface, top, "free").area_mm2 == pytest.approx(200.0)
    with pytest.raises(NoAnswer, match="not round"):
        region_at(surface, top, "round")
    with pytest.raises(NoAnswer, match="off the surface"):
        region_at(surface, 9.0 * top + 500.0, "auto")
    assert seed_of(surface, top, np.zeros(3))[1] == np.inf


def test_shapes_of_few_points() -> None:
    turns = np.linspace(0, 5, 7)
    ring = np.column_stack([3.0 * np.cos(turns), 3.0 * np.sin(turns)])
    assert fit_shape("circle", ring).radius_mm == pytest.approx(3.0)
    along = np.linspace(0, 9, 12)[:, None] * [1.0, 2.0, 2.0]
    line = fit_shape("line", along)
    assert line.minimum_zone_mm is None and line.rms_mm == pytest.approx(0.0, abs=1e-9)


def test_memory_on_other_systems(monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core import capacity

    monkeypatch.setattr(capacity.os.path, "exists", lambda path: False)
    half = capacity.free_bytes()
    assert half is not None and half > 1e7
    monkeypatch.setattr(capacity.sys, "platform", "win32")
    assert capacity.free_bytes() is None  # no such call here


def test_edits_that_change_nothing() -> None:
    assert edits.rename(Project(scans=(SCAN,)), 0, "arm").scans[0].name == "arm"
    assert edits.set_role(TWO, 0, "fragment") is TWO
    with pytest.raises(WrongUse, match="no fragment 9"):
        edits.split_glued(TWO, 9, BALL.vertices[:5])


def test_meshes_that_are_not_closed() -> None:
    assert not is_closed(Mesh(BALL.vertices, BALL.triangles[:0]))
    assert not is_closed(Mesh(BALL.vertices, np.vstack([BALL.triangles, BALL.triangles[:1]])))


def test_rows_of_a_ply_that_are_passed_over(tmp_path: Path) -> None:
    good = ply(BALL, "", extras=False)
    more = b"element stuff 1\nproperty list uchar int a\nelement vertex"
    head, body = good.replace(b"element vertex", more, 1).split(b"end_header\n")
    scan = read_fragment(put(tmp_path, "a.ply", head + b"end_header\n2 5 6\n" + body))
    np.testing.assert_allclose(scan.mesh.vertices, BALL.vertices)
    points = ply(BALL, "", extras=False, faces=False)
    assert "ends before" in trouble(put(tmp_path, "b.ply", points[: len(points) // 2])).what_happened


@pytest.mark.parametrize("what, text, amount", [
    ("draft", '{"degrees": 2}', 2.0), ("fit", '{"tight_mm": 0.2}', -0.2), ("fit", '{"loose_mm": 0.2}', 0.2),
    ("restore", '{"diameter_mm": 20}', 0.0), ("stock", '{"mm": 3, "core": true}', 3.0),
])  # fmt: skip
def test_each_kind_of_pick_has_its_amount(tmp_path: Path, what: str, text: str, amount: float) -> None:
    from rejoin.core.making.picks import read_picks

    (tmp_path / "picks.json").write_text(f"[{text[:-1]}, " + '"point": [1, 2, 3]}]')
    (pick,) = read_picks(tmp_path / "picks.json", what, "mm")
    assert pick.amount == amount and (pick.diameter_mm == 20.0) == ("diameter" in text)
    assert pick.what == ("core" if "core" in text else what)


def test_readings_without_a_limit_or_a_fragment() -> None:
    unlimited = Reading("a", "points", BALL.vertices[[0, 9]], (0, 0), 5.0)
    readings = (unlimited, Reading("b", "wall", BALL.vertices[:1], (1,)))
    project = replace(TWO, fragments=(FRAGMENT,), placements=(HERE,))
    told = [check.sentence for check in further.check_dimensions(edits.with_readings(project, readings)).checks]
    assert "Without the instrument's limit" in told[0] and "no longer there" in told[1]
