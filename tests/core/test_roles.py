"""Scans that are no pieces: a reference, on which fragments are laid, of either hand; a mating part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core import edits, steps
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.merging import onto
from rejoin.core.merging.onto import lay_on_reference, placed_on_reference
from rejoin.core.meshes import placed, volume
from rejoin.core.project import changed
from rejoin.core.records import Mesh, Placement, Project, Scan
from rejoin.core.transforms import displacement, inverse
from tests.makers import Case, make_case
from tests.makers.views import _meshed

pytestmark = pytest.mark.usefixtures("fewer_tries")


@pytest.fixture(scope="module")
def case() -> Case:
    return make_case("knob", 3, spacing_mm=0.9)


@pytest.fixture(scope="module")
def sister(case: Case) -> Mesh:
    """A whole part of the same pattern, scanned by itself."""
    return _meshed(case.intact, 1.0, np.random.default_rng(4))


def scan_of(mesh: Mesh, name: str, role: str = "fragment", mirrored: bool = False) -> Scan:
    return Scan(name, (name,), mesh, "mm", True, False, (name,), role=role, mirrored=mirrored)


def test_a_fragment_is_found_on_a_sister_part_and_on_the_opposite_hand(case: Case, sister: Mesh) -> None:
    fragment = clean_scan(scan_of(case.fragments[0], "piece"))
    other_hand = Mesh(sister.vertices * [-1.0, 1.0, 1.0], np.ascontiguousarray(sister.triangles[:, ::-1]))
    for mesh, mirrored in ((sister, False), (other_hand, True)):
        reference = clean_scan(scan_of(mesh, "sister", "reference", mirrored))
        assert volume(reference.mesh) > 0
        laid = lay_on_reference(fragment, reference)
        right = case.part_from_scan[0]
        assert displacement(laid.reference_from_fragment, right, fragment.mesh.vertices).max() < 1.0
        assert laid.off_mm < 0.5


def test_what_joins_nothing_is_placed_by_the_reference(case: Case, sister: Mesh) -> None:
    scans = [scan_of(mesh, f"piece {n}") for n, mesh in enumerate(case.fragments)]
    fragments = [clean_scan(scan) for scan in (*scans, scan_of(sister, "sister", "reference"))]
    lost = Placement(None, "program", why="nothing")
    found = placed_on_reference(fragments, [Placement(np.eye(4), "program"), lost, lost])
    assert found[1].placed_by == "reference" and found[2].part_from_scan is None
    pose = found[1].part_from_scan
    assert pose is not None and found[1].u95_mm is not None
    right = inverse(case.part_from_scan[0]) @ case.part_from_scan[1]
    assert displacement(pose, right, fragments[1].mesh.vertices).max() < 1.5
    assert "Laid on sister" in found[1].notes[0] and "no piece" in (found[2].why or "")


@pytest.mark.parametrize("said", [False, True])
def test_a_reference_of_the_wrong_hand_is_told_and_nothing_is_laid_on_it(case: Case, sister: Mesh, said: bool) -> None:
    """A sister part called of the opposite hand, and one of the opposite hand that is not called so."""
    hand = -1.0 if not said else 1.0
    scanned = Mesh(sister.vertices * [hand, 1.0, 1.0], np.ascontiguousarray(sister.triangles[:, :: int(hand)]))
    fragments = [clean_scan(scan_of(case.fragments[0], "piece")),
                 clean_scan(scan_of(scanned, "sister", "reference", said))]  # fmt: skip
    lost = Placement(None, "program", why="It joins nothing.")
    found = placed_on_reference(fragments, [lost, lost])[0]
    assert found.part_from_scan is None and found.why is not None
    assert ("as it was scanned" in found.why) == said and ("mirror image of sister" in found.why) == (not said)


def test_another_way_to_lie_nearly_as_well_is_in_the_bound(monkeypatch: pytest.MonkeyPatch, case: Case) -> None:
    piece = clean_scan(scan_of(case.fragments[0], "piece"))
    reference = replace(piece, scan=replace(piece.scan, role="reference"))
    lost = Placement(None, "program", why="It joins nothing.")
    for rival, bound in ((0.5, 0.1), (0.9, 12.0)):
        laid = onto.Laid(np.eye(4), 0.9, 0.1, rival, 12.0)
        monkeypatch.setattr(onto, "lay_on_reference", lambda *_, laid=laid: laid)
        found = placed_on_reference([piece, reference], [lost, lost])[0]
        assert found.u95_mm == pytest.approx(bound) and ("12.0 mm off" in " ".join(found.notes)) == (rival > 0.8)


def test_a_part_of_another_pattern_is_refused(case: Case) -> None:
    other = make_case("bracket", 2, spacing_mm=1.5)
    reference = clean_scan(scan_of(placed(other.fragments[0], np.eye(4)), "other", "reference"))
    with pytest.raises(NoAnswer, match="was not found on"):
        lay_on_reference(clean_scan(scan_of(case.fragments[0], "piece")), reference)


def test_roles_are_set_and_taken_back(case: Case) -> None:
    scans = tuple(scan_of(mesh, f"piece {n}") for n, mesh in enumerate(case.fragments))
    project = steps.clean(changed(Project(), scans=scans))
    faces = steps.find_faces(project).faces
    as_mating = edits.set_role(replace(project, faces=faces), 1, "mating")
    assert as_mating.scans[1].role == "mating" and as_mating.fragments[1].scan.role == "mating"
    assert {face.fragment for face in as_mating.faces} == {0}
    assert {face.fragment for face in steps.find_faces(as_mating).faces} == {0}
    with pytest.raises(WrongUse, match="opposite hand"):
        edits.set_role(project, 0, "fragment", mirrored=True)
    with pytest.raises(WrongUse):
        edits.set_role(project, 0, "spare")
    mirrored = steps.clean(edits.set_role(project, 1, "reference", mirrored=True))
    assert np.allclose(mirrored.fragments[1].mesh.vertices[:, 0].min(), -project.fragments[1].mesh.vertices[:, 0].max())
