"""Gap, overlap and step over a joint against blocks whose gap is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from rejoin.core import steps
from rejoin.core.errors import WrongUse
from rejoin.core.fit import measure_joint
from rejoin.core.misalignment import _beyond, misalignment
from rejoin.core.records import FitReport, FloatArray, Joint, Placement, Project, Scan
from rejoin.core.settings import FitSettings, silent
from rejoin.core.transforms import from_vector, identity, inverse, rigid
from tests.core.plates import Block, block, flat, joint_of, waves
from tests.makers import make_case

FRAME = from_vector(np.array([0.5, -0.8, 1.1, 30.0, -20.0, 12.0]), np.zeros(3))


def measured(lower: Block, upper: Block, part_from_part: FloatArray | None = None, **joint: object) -> FitReport:
    """The report of two blocks, the upper one moved by ``part_from_part``."""
    pose = (identity() if part_from_part is None else part_from_part) @ upper.part_from_scan
    placements = (Placement(lower.part_from_scan, "program"), Placement(pose, "program"))
    made: Joint = replace(joint_of(lower, upper, inverse(lower.part_from_scan) @ pose), **joint)  # type: ignore[arg-type]
    return measure_joint((lower.fragment, upper.fragment), placements, made, 4, FitSettings(), silent)


def pair(height=waves, **upper: object) -> tuple[Block, Block]:  # type: ignore[no-untyped-def]
    other = block(height, upper=True, seed=2, part_from_scan=FRAME, **upper)  # type: ignore[arg-type]
    return block(height, upper=False, seed=1), other


@pytest.mark.parametrize("gap", [0.25, -0.08, 0.0])
def test_a_uniform_gap_is_measured_with_its_sign(gap: float) -> None:
    lower, upper = pair(flat)
    found = measured(lower, upper, rigid(np.eye(3), np.array([0, 0, gap])))
    assert found.joint == 4
    both = ((found.gap_a_mm, found.vertices_a, lower), (found.gap_b_mm, found.vertices_b, upper))
    for values, vertices, half in both:
        np.testing.assert_allclose(values[np.isfinite(values)], gap, atol=1e-6)
        assert np.isfinite(values).mean() > 0.85
        assert set(vertices) == set(np.unique(half.fragment.mesh.triangles[half.triangles]))
    assert found.gap_median_mm == pytest.approx(gap, abs=1e-6)
    assert found.overlap_max_mm == pytest.approx(max(0.0, -gap), abs=1e-6)
    assert found.area_mm2 == pytest.approx(144.0, rel=0.15)


def test_no_minus_stands_before_a_nought() -> None:
    lower, upper = pair()
    found = measured(lower, upper, rigid(np.eye(3), np.array([0, 0, -0.002])))
    assert -0.005 < found.gap_median_mm < 0, "an overlap that two places round away"
    assert "median gap 0.00 mm" in found.sentence


@pytest.mark.parametrize("gap", [4.0, 6.0])
def test_a_gap_far_wider_than_the_spacing_is_measured_too(gap: float) -> None:
    """On a face 85 mm across, scanned at 0.4 mm: what is not found nearby is looked for a tenth of the face away."""
    lower, upper = block(flat, upper=False, seed=1, size=60.0), block(flat, upper=True, seed=2, size=60.0)
    found = measured(lower, upper, rigid(np.eye(3), np.array([0, 0, gap])))
    for values in (found.gap_a_mm, found.gap_b_mm):
        np.testing.assert_allclose(values[np.isfinite(values)], gap, atol=1e-6)
        assert np.isfinite(values).mean() > 0.85
    beyond = measured(lower, upper, rigid(np.eye(3), np.array([0, 0, 12.0])))
    assert np.isnan(beyond.gap_a_mm).all()


def test_a_tilt_shows_as_a_wedge() -> None:
    lower, upper = pair(flat)
    angle = 0.02
    found = measured(lower, upper, from_vector(np.array([0, -angle, 0, 0, 0, 0.3]), np.zeros(3)))
    x = lower.fragment.mesh.vertices[found.vertices_a, 0]
    met = np.isfinite(found.gap_a_mm)
    # Distance to a plane through (0, 0, 0.3) tilted by the angle.
    expected = 0.3 * np.cos(angle) + x * np.sin(angle)
    np.testing.assert_allclose(found.gap_a_mm[met], expected[met], atol=1e-4)
    assert found.gap_p95_mm == pytest.approx(0.3 + 0.9 * 6 * angle, abs=0.02)


def test_a_layer_worn_off_a_rough_face_is_the_gap() -> None:
    lower, upper = pair(lift=0.2)
    found = measured(lower, upper)
    assert found.gap_median_mm == pytest.approx(0.2, abs=0.01)
    assert found.verdict == "doubtful" and "apart" in found.sentence
    told = measured(lower, upper, missing_layer_mm=0.2, missing_layer_sd_mm=0.02)
    assert told.verdict == "good" and "missing" in told.sentence
    assert (told.missing_layer_mm, told.missing_layer_sd_mm) == (0.2, 0.02)


def test_touching_faces_in_relief_fit() -> None:
    found = measured(*pair())
    assert found.verdict == "good"
    assert abs(found.gap_median_mm) < 0.01
    assert found.touching_share > 0.6


def test_two_flat_faces_never_count_as_a_fit() -> None:
    lower, upper = pair(flat)
    evidence = replace(joint_of(lower, upper, identity()).evidence, held=0.4)
    found = measured(lower, upper, evidence=evidence)
    assert found.touching_share > 0.8
    assert found.verdict == "doubtful" and "smooth" in found.sentence


def test_a_joint_with_a_rival_is_doubtful() -> None:
    lower, upper = pair()
    evidence = replace(joint_of(lower, upper, identity()).evidence, good=False, reason="It has a rival.")
    rival = measured(lower, upper, evidence=replace(evidence, runner_up=0.9 * evidence.score))
    assert rival.verdict == "doubtful" and "Another place fits" in rival.sentence
    alone = measured(lower, upper, evidence=replace(evidence, runner_up=0.0))
    assert alone.verdict == "doubtful" and "Another place" not in alone.sentence
    told = "touches over 125 mm², misfit 0.041 mm; the contact has too little relief to tell"
    weak = measured(lower, upper, evidence=replace(evidence, runner_up=0.0, reason=told))
    assert weak.sentence.endswith("). The contact has too little relief to tell."), "one area only: the measured one"


def test_a_joint_that_the_original_surfaces_speak_against_says_so() -> None:
    lower, upper = pair()
    words = "the original surfaces run on along 30 % of the rim only"
    evidence = replace(joint_of(lower, upper, identity()).evidence, good=False, against=words)
    found = measured(lower, upper, evidence=evidence)
    assert found.verdict == "doubtful" and words in found.sentence and "wrong one" in found.sentence


def test_what_lies_opposite_nothing_has_no_gap() -> None:
    lower, upper = pair(flat)
    found = measured(lower, upper, rigid(np.eye(3), np.array([6.0, 0, 0])))
    x = lower.fragment.mesh.vertices[found.vertices_a, 0]
    assert np.isnan(found.gap_a_mm[x < -0.5]).all()
    assert np.isfinite(found.gap_a_mm[(x > 0.5) & (x < 5.5)]).mean() > 0.8
    away = measured(lower, upper, rigid(np.eye(3), np.array([0, 0, 500.0])))
    assert away.verdict == "doubtful" and np.isnan(away.gap_a_mm).all()


@pytest.mark.parametrize("aside", [0.0, 0.4])
def test_a_step_of_the_original_surface_is_measured(aside: float) -> None:
    """The upper block shifted along x: its two walls across x stand out by that much, the other two not."""
    lower, upper = pair(flat, aside=aside)
    assert measured(lower, upper).step_mm == pytest.approx(aside, abs=0.02)


@pytest.mark.parametrize(("shape", "seed"), [("rocker", 90211), ("wheel", 90216)])
def test_round_and_noisy_surfaces_in_line_are_not_called_out_of_line(shape: str, seed: int) -> None:
    """At the true place nothing is out of line; noise and form pass for 0.1 mm, beside the crack too."""
    case = make_case(shape, seed, spacing_mm=0.5, noise_mm=0.03)
    scans = tuple(Scan(f"f{n}", (), mesh, "mm", True, False, ()) for n, mesh in enumerate(case.fragments))
    first, second = steps.clean(Project(scans=scans)).fragments
    broken = [cKDTree(mesh.vertices[on]) for mesh, on in zip(case.fragments, case.fracture, strict=True)]
    faces = [
        np.flatnonzero((tree.query(one.mesh.vertices)[0] < 0.5)[one.mesh.triangles].all(axis=1)).astype(np.int32)
        for one, tree in zip((first, second), broken, strict=True)
    ]
    a_from_b = inverse(case.part_from_scan[0]) @ case.part_from_scan[1]
    told = misalignment(first, second, (faces[0], faces[1]), a_from_b)
    assert told is not None and told.step_mm < 0.08
    assert told.step_mm < 2.0 * told.u95_mm < 0.3
    aside = [misalignment(first, second, (faces[0], faces[1]), rigid(np.eye(3), 0.3 * way) @ a_from_b)
             for way in np.eye(3)]  # fmt: skip
    seen = max((step for step in aside if step is not None), key=lambda step: step.step_mm)
    assert seen.step_mm == pytest.approx(0.3, abs=0.06)
    assert abs(seen.step_mm - 0.3) < seen.u95_mm


def test_a_step_that_form_alone_would_hide_is_not_told() -> None:
    many, few = np.full(9, 1.0), np.full(2, 1.0)
    assert _beyond(0.5 * many, 0.3 * many, 0.4) == pytest.approx(0.4)
    assert _beyond(0.5 * many, 0.6 * many, 0.7) == 0.0
    assert _beyond(0.5 * many, 0.6 * many, 0.55) is None and _beyond(0.5 * few, 0.1 * many, 0.55) is None


def test_where_no_original_surface_runs_on_no_step_is_claimed() -> None:
    lower, upper = pair(flat)
    assert measured(lower, upper, rigid(np.eye(3), np.array([0, 0, 40.0]))).step_mm is None


def test_an_unplaced_fragment_has_no_fit() -> None:
    lower, upper = pair(flat)
    joint = joint_of(lower, upper, identity())
    placements = (Placement(identity(), "program"), Placement(None, "program", "It fits nowhere."))
    with pytest.raises(WrongUse):
        measure_joint((lower.fragment, upper.fragment), placements, joint, 0, FitSettings(), silent)
