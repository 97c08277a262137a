"""What a class is shown is what the program does: the replay ends where the join ended, scores follow the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core import edits, steps
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.lessons.answers import (
    answer_to,
    packed,
    sample_of,
    scored,
    truly_broken,
    unpacked,
)
from rejoin.core.lessons.blocks import Bar, break_height, half
from rejoin.core.lessons.replay import replayed, settings_of
from rejoin.core.lessons.stories import STORIES, story_of
from rejoin.core.lessons.tries import tried
from rejoin.core.meshes import border_edges, triangle_areas, volume
from rejoin.core.records import FractureFace, Mesh, Placement, Project, Replay, StepRecord
from rejoin.core.samples import picture_of, readings_of, sample_about, sample_fragments, sample_names
from rejoin.core.settings import AlignSettings, as_pairs
from rejoin.core.transforms import apply, displacement, from_vector, inverse
from tests.app import made_up


@pytest.fixture(scope="module")
def matched() -> Project:
    """A bar in two, its joint found and not yet adjusted."""
    bar = Bar(11)
    project = steps.clean(Project(scans=tuple(half(bar, part, f"half {part}")[0] for part in (0, 1))))
    return steps.match(steps.find_faces(project))


@pytest.fixture(scope="module")
def joined(matched: Project) -> Project:
    return steps.align(matched)


@pytest.fixture(scope="module")
def film(joined: Project) -> Replay:
    return replayed(joined)


def test_a_replay_of_the_joints_as_found_ends_in_the_very_pose(matched: Project, joined: Project) -> None:
    standing = replace(joined, joints=matched.joints)
    seen = replayed(standing, drawn_apart=False)
    for number, pose in zip(seen.fragments, seen.rounds[-1].poses, strict=True):
        assert np.abs(pose - joined.placements[number].part_from_scan).max() < 1e-9
    assert seen.off_mm < 1e-9


def test_watching_changes_nothing(matched: Project, joined: Project) -> None:
    from rejoin.core.placing import place_fragments

    seen: list[str] = []
    _, placements = place_fragments(
        matched.fragments, matched.joints, AlignSettings(), lambda *_: None, (), lambda stage, poses: seen.append(stage)
    )
    assert {"start", "every point of the faces"} <= set(seen)
    for one, other in zip(placements, joined.placements, strict=True):
        assert np.array_equal(one.part_from_scan, other.part_from_scan)


def test_a_replay_from_afar_comes_back_to_the_place(joined: Project, film: Replay) -> None:
    seen = film
    spacing = joined.fragments[1].spacing_mm
    placed, points = joined.placements[1].part_from_scan, joined.fragments[1].mesh.vertices
    start = displacement(seen.rounds[0].poses[1], placed, points)
    assert start.max() > 5.0 * spacing, "there is something to see"
    assert seen.off_mm < 0.1 * seen.noise_mm
    assert len(seen.rounds) >= 6 and seen.rounds[0].misfit_mm > 10.0 * seen.rounds[-1].misfit_mm
    assert seen.rounds[-1].misfit_mm < seen.noise_mm, "half of the points are nearer than one sigma of both scans"
    for shown in seen.rounds:
        assert 40 < len(shown.points_a) == len(shown.points_b) and np.isfinite(shown.points_a).all()
        assert np.allclose(np.linalg.det(shown.poses[:, :3, :3]), 1.0)


def test_the_pairs_of_a_round_lie_on_the_faces(joined: Project, film: Replay) -> None:
    last = film.rounds[-1]
    a, b = (joined.fragments[n].mesh.vertices for n in (0, 1))
    for points, vertices, pose in ((last.points_a, a, last.poses[0]), (last.points_b, b, last.poses[1])):
        own = apply(inverse(pose), points)
        nearest = np.linalg.norm(own[:, None] - vertices[None], axis=2).min(axis=1)
        assert nearest.max() < joined.fragments[0].spacing_mm


def test_a_replay_needs_a_join(matched: Project) -> None:
    with pytest.raises(NoAnswer):
        replayed(matched)


def test_a_replay_takes_the_settings_of_the_join(joined: Project) -> None:
    own = AlignSettings(iterations=12, missing_layer=False)
    told = replace(joined, history=(*joined.history, StepRecord("align", as_pairs(own), 0.1)))
    assert settings_of(told) == own and settings_of(Project()) == AlignSettings()


def test_a_bar_is_closed_and_as_large_as_it_says() -> None:
    """Closed form: the heights of the break average out, so both halves fill the bar."""
    bar = Bar(21, noise_mm=0.0)
    whole = 0.0
    for part in (0, 1):
        scan, pose, broken = half(bar, part, "half")
        assert len(border_edges(scan.mesh)) == 0
        whole += volume(scan.mesh)
        points = apply(pose, scan.mesh.vertices[np.unique(scan.mesh.triangles[broken])])
        assert np.abs(points[:, 0] - 36.0 - break_height(bar, points[:, 1], points[:, 2])).max() < 1e-9
    assert whole == pytest.approx(72.0 * 32.0 * 22.0, rel=1e-6)


def test_the_tries_are_exposed_by_the_evidence_and_not_by_their_name() -> None:
    seen = {story.name: tried(story.name) for story in STORIES}
    assert all(story_of(seen[story.name]) is story for story in STORIES) and story_of(made_up.cleaned()) is None
    for name, words in (("stranger", "too little of the faces touches"), ("flat", "too little relief to tell")):
        (joint,) = seen[name].joints
        assert not joint.evidence.good and words in joint.evidence.reason
        assert seen[name].fits[0].verdict == "doubtful"
    refused = steps.match(replace(seen["stranger"], joints=(), placements=(), fits=()))
    assert refused.joints == (), "asked to join, the program does not"
    assert seen["stranger"].joints[0].evidence.rms_mm > 3.0 * seen["flat"].joints[0].evidence.rms_mm
    (worn,) = seen["worn"].joints
    assert worn.evidence.good and abs(worn.missing_layer_mm - 0.5) < 2.0 * worn.missing_layer_sd_mm
    assert "missing between them" in seen["worn"].fits[0].sentence
    with pytest.raises(WrongUse):
        tried("wrong")
    (true,) = seen["true"].joints
    assert true.evidence.good and seen["true"].fits[0].verdict == "good" and true.missing_layer_mm < 0.1


def test_a_speck_of_a_face_without_triangles_is_no_face() -> None:
    """Two bars on which a region of nodes began no triangle."""
    for part in (0, 1):
        fragment = steps.clean(Project(scans=(half(Bar(6, worn_mm=0.15), part, "bar")[0],)))
        assert all(len(face.triangles) for face in steps.find_faces(fragment).faces)


@pytest.fixture(scope="module")
def sample() -> Project:
    return steps.clean(steps.read(sample_fragments("pump_rocker")))


def truth_of(project: Project) -> list[np.ndarray]:
    answer = answer_to("pump_rocker")
    return [np.flatnonzero(truly_broken(f, answer.broken[n])[0]) for n, f in enumerate(project.fragments)]


def test_a_mask_survives_its_text() -> None:
    mask = np.random.default_rng(1).random(1003) < 0.3
    assert np.array_equal(unpacked(packed(mask), 1003), mask)


@pytest.mark.parametrize("name", sample_names())
def test_every_sample_has_its_answer_readings_and_picture(name: str) -> None:
    answer = answer_to(name)
    assert len(answer.broken) == len(answer.part_from_scan) == len(sample_fragments(name))
    assert all(0.005 < mask.mean() < 0.4 for mask in answer.broken)
    assert len(readings_of(name)) >= 3
    assert picture_of(name).stat().st_size > 5_000
    assert sample_about(name).count(". ") + 1 == 2, "two sentences"


def test_the_true_faces_score_in_full_and_others_do_not(sample: Project) -> None:
    project = sample
    for number, triangles in enumerate(truth_of(sample)):
        project = edits.choose_face(project, number, triangles)
    for face in scored(project).faces:
        assert face.by == "person" and face.covered == 1.0 and face.wrong == 0.0 and "That is the face" in face.sentence
    part = edits.choose_face(sample, 0, truth_of(sample)[0][::2])
    areas = triangle_areas(sample.fragments[0].mesh)
    half_score = scored(part).faces[0]
    assert half_score.covered == pytest.approx(0.5, abs=0.02) and "missing" in half_score.sentence
    everything = edits.choose_face(sample, 0, np.arange(len(areas)))
    spread = scored(everything).faces[0]
    truth = float(areas[truth_of(sample)[0]].sum() / areas.sum())
    assert spread.covered == 1.0 and spread.wrong == pytest.approx(1.0 - truth, abs=0.06) and "rim" in spread.sentence
    elsewhere = edits.choose_face(sample, 0, np.setdiff1d(np.arange(len(areas)), truth_of(sample)[0]))
    assert "not where it broke" in scored(elsewhere).faces[0].sentence
    assert scored(sample).faces[0].by == "nobody"


def test_a_placement_is_scored_in_millimetres(sample: Project) -> None:
    """Closed form: a shift moves every point by its length, and a turn is told in degrees."""
    true = answer_to("pump_rocker").part_from_scan
    move = from_vector(np.array([0.0, 0.0, 0.0, 0.3, 0.4, 1.2]), np.zeros(3))
    placements = (Placement(true[0], "program"), Placement(move @ true[1], "person"))
    (told,) = scored(replace(sample, placements=placements)).placements
    assert told.off_mm == pytest.approx(1.3, abs=1e-9) and told.turned_deg == pytest.approx(0.0, abs=1e-5)
    turned = from_vector(np.array([np.radians(20.0), 0.0, 0.0, 0.0, 0.0, 0.0]), np.zeros(3))
    placements = (Placement(true[0], "program"), Placement(turned @ true[1], "person"))
    (told,) = scored(replace(sample, placements=placements)).placements
    assert told.turned_deg == pytest.approx(20.0, abs=1e-9) and "wrong" in told.sentence
    placements = (Placement(true[0], "program"), Placement(None, "program", "Nothing fits."))
    assert scored(replace(sample, placements=placements)).placements[0].off_mm is None
    assert scored(replace(sample, placements=())).placements == ()


def test_a_sample_is_known_by_its_bytes_in_any_order(sample: Project) -> None:
    assert sample_of(sample.scans) == ("pump_rocker", (0, 1))
    assert sample_of(sample.scans[::-1]) == ("pump_rocker", (1, 0))
    assert sample_of(made_up.scans().scans) is None and sample_of(()) is None
    with pytest.raises(NoAnswer):
        scored(made_up.with_faces())


def test_a_face_of_the_program_counts_where_nobody_chose(sample: Project) -> None:
    triangles = truth_of(sample)[1]
    face = FractureFace(1, triangles, 1.0, 0.5, "program")
    told = scored(replace(sample, faces=(face,))).faces
    assert told[1].by == "program" and told[1].covered == 1.0


def test_a_cleaned_scan_keeps_its_true_face(sample: Project) -> None:
    """Triangles in another order, as a repair may leave them: each is still told by its place."""
    fragment, mask = sample.fragments[0], answer_to("pump_rocker").broken[0]
    order = np.random.default_rng(2).permutation(len(mask))
    mixed = replace(fragment, mesh=Mesh(fragment.mesh.vertices, fragment.mesh.triangles[order]))
    assert np.array_equal(truly_broken(mixed, mask)[0], mask[order])
