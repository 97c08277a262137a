"""Relief that repeats itself: original surfaces beside the crack tell which of the places that fit is right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold as Solid

from rejoin.core import steps
from rejoin.core.continuity import running_on
from rejoin.core.evidence import LEAST_SCORE, Pose, decided, judge
from rejoin.core.icp import refined
from rejoin.core.records import Fragment, Project
from rejoin.core.rims import Rims
from rejoin.core.surfaces import Surface, surface_of
from rejoin.core.transforms import displacement, inverse, rigid
from tests.core import broken_solids as solids

BLOCK = [30.0, 16.0, 24.0]
LONG, SHORT = 7.2, 2.3
"""Wavelengths (mm) of a relief of two sines: it repeats itself along two ways."""


def broken(spacing_mm: float, noise_mm: float, relief: solids.Relief) -> tuple[list[Fragment], list[np.ndarray]]:
    """A block's two halves as scans, and their true placements."""
    solid = Solid.cube(BLOCK, True)
    sides = (True, 0.0), (False, 0.37)
    halves = [solid ^ solids.beyond(0, up, spacing_mm, shift, relief=relief) for up, shift in sides]
    both = [solids.fragment(body, spacing_mm, noise_mm, k, f"f{k}") for k, body in enumerate(halves)]
    return [fragment for fragment, _ in both], [at.part_from_scan for _, at in both]


def matched(fragments: list[Fragment]) -> Project:
    scans = tuple(replace(f.scan, mesh=f.mesh) for f in fragments)
    return steps.match(steps.find_faces(steps.clean(Project(scans=scans))))


def off(project: Project, true: list[np.ndarray]) -> float:
    """How far the second half's worst point is off, mm."""
    a, b = (placement.part_from_scan for placement in project.placements)
    assert a is not None and b is not None
    return float(displacement(inverse(a) @ b, inverse(true[0]) @ true[1], project.fragments[1].mesh.vertices).max())


def two_sines(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi / LONG * (0.8 * x + 0.6 * y)) + 0.25 * np.sin(2 * np.pi / SHORT * (y - 0.3 * x))


Ripples = tuple[list[Fragment], list[np.ndarray], Project]


@pytest.fixture(scope="module")
def ripples() -> Ripples:
    """Two halves of a block broken along two sines, their true placements, and the match."""
    fragments, true = broken(0.4, 0.01, two_sines)
    return fragments, true, matched(fragments)


def aside(true: list[np.ndarray], waves: list[int]) -> np.ndarray:
    """The a_from_b that is aside by so many of the long and of the short waves: the relief is the same there."""
    ways = np.array([[0.8, 0.6], [-0.3, 1.0]]) / np.array([[LONG], [SHORT]])
    shift = rigid(np.eye(3), np.append(np.linalg.solve(ways, waves), 0.0))
    return np.asarray(inverse(true[0]) @ shift @ true[1])


def pose_of(first: Surface, second: Surface, a_from_b: np.ndarray) -> Pose:
    pose = refined(first, second, a_from_b)
    return Pose(pose, judge(first, second, pose))


def test_a_relief_cut_off_by_the_triangles_is_found_all_the_same() -> None:
    # The shortest of three waves is 1.6 mm long: triangles of .4 mm cut .05 mm off its crests.
    fragments, true = broken(0.35, 0.02, solids.wave)
    project = steps.align(matched(fragments))
    assert off(project, true) < 0.05
    assert project.joints[0].evidence.good


def test_the_rims_tell_how_far_a_position_is_aside(ripples: Ripples) -> None:
    fragments, true, _ = ripples
    a_from_b = inverse(true[0]) @ true[1]
    right = running_on(*fragments, a_from_b)
    assert right is not None and right.share > 0.9 and not right.against
    moved = running_on(*fragments, inverse(true[0]) @ rigid(np.eye(3), np.array([0.9, 0.0, 0.0])) @ true[1])
    assert moved is not None and moved.slid_mm == pytest.approx(0.9, abs=0.1) and "0.9" in moved.against
    assert "30 % of the rim only" in replace(right, share=0.3).against


def test_of_places_that_fit_alike_the_one_whose_original_surfaces_run_on_is_taken(ripples: Ripples) -> None:
    _, true, project = ripples
    assert off(steps.align(project), true) < 0.05


def test_a_place_a_wave_aside_is_never_called_good_until_it_is_set_right(ripples: Ripples) -> None:
    _, true, project = ripples
    joint = replace(project.joints[0], a_from_b=aside(true, [0, 1]), state="pinned")
    assert joint.evidence.good and not joint.evidence.against
    found = steps.align(replace(project, joints=(joint,)))
    assert off(found, true) > 1.0
    evidence = found.joints[0].evidence
    assert not evidence.good and evidence.against and evidence.reason.endswith(evidence.against)
    assert any("only if it is the right place" in note for note in found.placements[1].notes)
    again = steps.align(found)
    assert again.joints[0].evidence.reason.count("the original surfaces") == 1
    moved = replace(found.joints[0], a_from_b=inverse(true[0]) @ true[1])
    right = steps.align(replace(found, joints=(moved,)))
    assert off(right, true) < 0.05
    evidence = right.joints[0].evidence
    assert not right.placements[1].notes
    assert evidence.good and not evidence.against and evidence.reason == joint.evidence.reason


def test_a_place_whose_faces_are_bare_and_whose_rims_meet_nowhere_is_doubted(ripples: Ripples) -> None:
    fragments, true, project = ripples
    first, second = (surface_of(fragment) for fragment in fragments)
    rims = Rims(first, second)
    right, wrong = (pose_of(first, second, pose) for pose in (inverse(true[0]) @ true[1], aside(true, [1, 0])))
    assert wrong.evidence.score > 2.0 * LEAST_SCORE  # its relief would do
    assert rims.covers(right) and not rims.covers(wrong)
    told = decided(rims.told_apart([wrong])[0].evidence, 0.0)
    assert not told.good and "leave each other bare" in told.reason
    assert decided(rims.told_apart([right])[0].evidence, 0.0).good
    assert [pose.a_from_b is right.a_from_b for pose in rims.told_apart([wrong, right])] == [True]


def test_where_the_relief_lets_a_piece_slide_the_rims_lead_it() -> None:
    fragments, true = broken(0.4, 0.01, lambda x, y: 0.5 * np.sin(2 * np.pi / LONG * x + 0.0 * y))
    first, second = (surface_of(fragment) for fragment in fragments)
    slid = inverse(true[0]) @ rigid(np.eye(3), np.array([0.0, 0.8, 0.0])) @ true[1]
    pose = Pose(slid, judge(first, second, slid))
    led = Rims(first, second).looked_at(pose)
    points = fragments[1].mesh.vertices
    assert displacement(slid, inverse(true[0]) @ true[1], points).max() == pytest.approx(0.8)
    assert displacement(led.pose.a_from_b, inverse(true[0]) @ true[1], points).max() < 0.1
