"""A lost piece restored from a mirror image, a turn or a sister part, against the intact solid it was cut from."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest

from rejoin.core import further, restoring, steps
from rejoin.core.contact import signed_distances
from rejoin.core.dimensions.told import as_whole
from rejoin.core.errors import NoAnswer
from rejoin.core.files import write_mesh
from rejoin.core.meshes import genus, mirrored, vertex_normals, volume
from rejoin.core.project import changed
from rejoin.core.records import FractureFace, Mesh, Placement, Project
from rejoin.core.restoring import doubtful, open_breaks
from rejoin.core.restoring.sources import as_fragment
from rejoin.core.restoring.standing import standing_on_break
from rejoin.core.settings import RestoreSettings
from rejoin.core.transforms import apply, from_vector, identity
from tests.makers.breaking import as_mesh
from tests.makers.scanning import evenly_meshed
from tests.makers.shapes import SHAPES

SPACING, NOISE = 1.0, 0.02
FINER = 0.8
SEARCHED: dict[tuple[int, float, str], tuple[Mesh, Any]] = {}


def solid_of(mesh: Mesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64)))


def scanned(exact: Mesh, seed: int, spacing: float = SPACING) -> Mesh:
    rng = np.random.default_rng(seed)
    mesh = evenly_meshed(exact, spacing, rng)
    return Mesh(mesh.vertices + vertex_normals(mesh) * rng.normal(0, NOISE, (len(mesh.vertices), 1)), mesh.triangles)


@cache
def broken(shape: str, seed: int, spacing: float = SPACING, share: float = 0.16) -> tuple[Mesh, Project]:
    """The exact part, and a project whose whole lacks an end of it."""
    rng = np.random.default_rng(seed)
    exact = as_mesh(SHAPES[shape](rng))
    mesh = scanned(exact, seed, spacing)
    along = np.linalg.svd(mesh.vertices[::50] - mesh.vertices.mean(axis=0), full_matrices=False)[2][0]
    along = along + 0.2 * rng.normal(size=3)
    along /= np.linalg.norm(along)
    at = float(np.quantile(mesh.vertices @ along, 1 - share))
    left = as_mesh(solid_of(mesh).trim_by_plane((-along).tolist(), -at).refine_to_length(1.2 * spacing))
    fragment = as_fragment(left, spacing, NOISE)
    on_break = (np.abs(left.vertices @ along - at) < 1e-6)[left.triangles].all(axis=1)
    face = FractureFace(0, np.flatnonzero(on_break).astype(np.int32), 1.0, 1.0, "person")
    return exact, changed(
        Project(scans=(fragment.scan,), fragments=(fragment,), faces=(face,)),
        placements=(Placement(identity(), "person"),), whole=as_whole(fragment),
    )  # fmt: skip


@pytest.fixture(autouse=True)
def searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The very search that another test made of the same part is not made again."""

    def remembered(mesh, noise, source, reference, known, report):
        if reference is not None:
            return search(mesh, noise, source, reference, known, report)
        key = id(mesh), noise, source
        if key not in SEARCHED:
            SEARCHED[key] = mesh, search(mesh, noise, source, None, known, report)
        return SEARCHED[key][1]

    search = restoring.sources_of
    monkeypatch.setattr(restoring, "sources_of", remembered)


def assert_like(exact: Mesh, project: Project, seam: float = 0.35) -> None:
    whole, before = project.whole, broken.cache_info()
    assert whole is not None and before is not None
    assert whole.closed and whole.shells == 1 and whole.genus == genus(exact)
    assert whole.volume_mm3 == pytest.approx(volume(exact), rel=0.01)
    new = np.unique(whole.mesh.triangles[whole.filled_triangles])
    off = np.abs(signed_distances(whole.mesh.vertices[new], exact).signed)
    assert np.quantile(off, 0.95) < seam, np.quantile(off, 0.95)


def test_a_wheel_from_itself_turned():
    exact, project = broken("wheel", 2)
    after = further.restore_lost_piece(project, RestoreSettings(source="turn"))
    assert_like(exact, after)
    assert project.whole is not None and after.whole is not None
    (fill,) = after.whole.fills
    assert fill.kind == "lost piece"
    assert fill.volume_mm3 == pytest.approx(after.whole.volume_mm3 - project.whole.volume_mm3)
    assert after.whole.filled_mm3 == fill.volume_mm3
    assert "not measured" in after.whole.notes[-1] and "copy of the break" not in after.whole.notes[-1]
    kept = set(map(tuple, project.whole.mesh.vertices)) & set(map(tuple, after.whole.mesh.vertices))
    assert len(kept) > 0.85 * len(project.whole.mesh.vertices)  # what was scanned stays where it is


def test_a_treadle_from_its_mirror_images():
    """One that has all of the piece, and one that lacks a part of it too and says so."""
    exact, project = broken("treadle", 1, FINER)
    best = further.restore_lost_piece(project, RestoreSettings(source="mirror"))
    assert_like(exact, best)
    second = further.restore_lost_piece(project, RestoreSettings(source="mirror", choice=2))
    assert best.whole is not None and second.whole is not None
    assert "copy of the break" not in best.whole.notes[-1] and "copy of the break" in second.whole.notes[-1]
    assert second.whole.volume_mm3 < 0.97 * best.whole.volume_mm3
    assert doubtful(second.whole) and not doubtful(best.whole)


def test_the_break_is_the_likeliest_face_that_no_joint_uses():
    _, project = broken("wheel", 2)
    true = open_breaks(project)
    found = steps.find_faces(replace(project, faces=()))
    assert len(found.faces) > 20
    guessed = open_breaks(replace(project, faces=found.faces))
    assert np.mean(guessed[true]) > 0.3 and guessed.mean() < 0.2
    assert not open_breaks(replace(project, faces=())).any()


def test_a_face_that_is_hardly_a_break_is_not_taken_for_one():
    """Of a part that lacks nothing the likeliest face left is an original one; a person's choice stands as it is."""
    _, project = broken("wheel", 2)
    (face,) = project.faces
    for confidence, by, taken in ((0.06, "program", False), (0.4, "program", True), (0.06, "person", True)):
        faces = (replace(face, confidence=confidence, chosen_by=by),)
        assert open_breaks(replace(project, faces=faces)).any() == taken, (confidence, by)


def with_reference(project: Project, mesh: Mesh, opposite_hand: bool) -> Project:
    """The project with one more scan, that of a sister part."""
    scan = replace(as_fragment(mesh, SPACING, NOISE).scan, role="reference", mirrored=opposite_hand)
    (sister,) = steps.clean(Project(scans=(scan,))).fragments
    return replace(project, scans=(*project.scans, scan), fragments=(*project.fragments, sister),
                   placements=(*project.placements, Placement(None, "program")))  # fmt: skip


def test_from_a_sister_part_of_the_opposite_hand_and_never_of_the_wrong_one():
    """The grip has no symmetry at all, so that a hand taken twice or not at all cannot pass."""
    exact, project = broken("knob", 1)
    sister = scanned(exact, 77)
    moved = Mesh(apply(from_vector(np.array([0.3, -0.8, 0.5, 40.0, 5.0, -9.0]), np.zeros(3)), sister.vertices),
                 sister.triangles)  # fmt: skip
    asked = RestoreSettings(source="reference")
    assert_like(exact, further.restore_lost_piece(with_reference(project, mirrored(moved), True), asked))
    with pytest.raises(NoAnswer, match="same hand|of the same|does not lie"):
        further.restore_lost_piece(with_reference(project, mirrored(moved), False), asked)


def test_a_piece_that_cannot_be_joined_on_cleanly_is_refused(monkeypatch: pytest.MonkeyPatch):
    """Where the fuser falls back on a union as it lies, tunnels along the crack are likely."""
    from rejoin.core.restoring import adding

    def fell_back(*given, **more):
        return replace(adding_fuse(*given, **more), notes=("The crack could not be healed along its edge.",))

    adding_fuse = adding.fuse_fragments
    monkeypatch.setattr(adding, "fuse_fragments", fell_back)
    with pytest.raises(NoAnswer, match="cleanly"):
        further.restore_lost_piece(broken("wheel", 2)[1], RestoreSettings(source="turn"))


@pytest.mark.parametrize(("shape", "source"), [("knob", "mirror")])
def test_a_part_without_the_symmetry_is_refused(shape: str, source: str):
    with pytest.raises(NoAnswer, match="mirror image|repeat"):
        further.restore_lost_piece(broken(shape, 1)[1], RestoreSettings(source=source))


@pytest.mark.parametrize("source", ["turn", "mirror"])
def test_a_part_that_lacks_nothing_is_left_as_it_is(source: str):
    """Its spokes do not stand evenly, so that a copy has spokes where the part has air."""
    fragment = as_fragment(scanned(as_mesh(SHAPES["wheel"](np.random.default_rng(7))), 7), SPACING, NOISE)
    sound = changed(Project(scans=(fragment.scan,), fragments=(fragment,)),
                    placements=(Placement(identity(), "person"),), whole=as_whole(fragment))  # fmt: skip
    for project in (sound, replace(sound, faces=steps.find_faces(sound).faces)):
        with pytest.raises(NoAnswer, match="Nothing is missing.*runs on without a break"):
            further.restore_lost_piece(project, RestoreSettings(source=source))


def test_what_is_lost_elsewhere_than_at_the_chosen_break_is_not_added():
    _, project = broken("wheel", 2)
    sound = np.flatnonzero(~open_breaks(project)[project.fragments[0].mesh.triangles].any(axis=1))[:2000]
    elsewhere = replace(project, faces=(replace(project.faces[0], triangles=sound.astype(np.int32)),))
    with pytest.raises(NoAnswer, match="Nothing is missing.*taken for the open break"):
        further.restore_lost_piece(elsewhere, RestoreSettings(source="turn"))


def test_a_copy_that_has_more_elsewhere_than_at_the_break_contradicts_the_part():
    _, project = broken("treadle", 1, FINER)
    with pytest.raises(NoAnswer, match="contradicts the part"):
        further.restore_lost_piece(project, RestoreSettings(source="mirror", choice=4))


def test_a_piece_that_broke_off_in_two_places_stands_on_both_though_one_break_was_found():
    """Unless a person said where it broke off. The wheel's end is cut through its rim, in two places."""
    _, project = broken("wheel", 2)
    assert project.whole is not None
    both = open_breaks(project)
    points = project.whole.mesh.vertices
    beside = (points - points[both].mean(axis=0)) @ _across(project.whole.mesh, both) > 0
    one = max(both & beside, both & ~beside, key=np.sum)
    assert one.sum() < 0.7 * both.sum()
    found = standing_on_break(project.whole.mesh, both, one, guessed=True)
    chosen = standing_on_break(project.whole.mesh, both, one, guessed=False)
    assert found.sum() > 0.95 * both.sum() and 0.95 * one.sum() < chosen.sum() < 1.05 * one.sum()


def _across(mesh: Mesh, break_: np.ndarray) -> np.ndarray:
    """The direction in which a break reaches farthest."""
    return np.linalg.svd(mesh.vertices[break_] - mesh.vertices[break_].mean(axis=0), full_matrices=False)[2][0]


def test_wrong_uses_are_sentences():
    _, project = broken("wheel", 2)
    with pytest.raises(NoAnswer, match="no whole"):
        further.restore_lost_piece(Project())
    with pytest.raises(NoAnswer, match="no reference"):
        further.restore_lost_piece(project, RestoreSettings(source="reference"))
    with pytest.raises(NoAnswer, match="does not lie"):
        other = scanned(broken("knob", 1)[0], 5)
        further.restore_lost_piece(project, RestoreSettings(source="reference"), reference=other)
    assert project.whole is not None
    opened = changed(project, whole=replace(project.whole, closed=False))
    with pytest.raises(NoAnswer, match="open"):
        further.restore_lost_piece(opened, RestoreSettings(source="turn"))


def test_the_command_restores_a_whole_file(tmp_path: Path):
    exact, project = broken("wheel", 2)
    assert project.whole is not None
    write_mesh(project.whole.mesh, tmp_path / "wheel.ply", "mm")
    command = [sys.executable, "-m", "rejoin", "restore", str(tmp_path / "wheel.ply"), "--source", "turn",
               "--unit", "mm", "--out", str(tmp_path / "restored.3mf"), "--json",
               str(tmp_path / "told.json")]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    told = json.loads((tmp_path / "told.json").read_text())
    assert told["closed"] and told["genus"] == genus(exact)
    assert [fill["kind"] for fill in told["fills"]] == ["lost piece"]
    assert "lost piece" in (tmp_path / "restored.report.txt").read_text()
    assert not told["notes"][-1].endswith("break.")
    for more, code, words in (
        (["--reference", str(tmp_path / "wheel.ply")], 2, "another source"),
        (["--opposite-hand"], 2, "--reference"),
    ):
        wrong = subprocess.run([*command, *more], capture_output=True, text=True)
        assert wrong.returncode == code and words in wrong.stderr
