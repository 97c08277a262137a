"""Relief that repeats itself: original surfaces beside the crack tell which of the places that fit is right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold as Solid

from rejoin.core import steps
from rejoin.core.continuity import running_on
from rejoin.core.records import Fragment, Project
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


def test_a_relief_cut_off_by_the_triangles_is_found_all_the_same() -> None:
    # The shortest of three waves is 1.6 mm long: triangles of .4 mm cut .05 mm off its crests.
    fragments, true = broken(0.35, 0.02, solids.wave)
    project = steps.align(matched(fragments))
    assert off(project, true) < 0.05
    assert project.joints[0].evidence.good


def test_the_rims_tell_how_far_a_position_is_aside() -> None:
    fragments, true = broken(0.4, 0.01, two_sines)
    a_from_b = inverse(true[0]) @ true[1]
    right = running_on(*fragments, a_from_b)
    assert right is not None and right.share > 0.9 and not right.against
    aside = running_on(*fragments, inverse(true[0]) @ rigid(np.eye(3), np.array([0.9, 0.0, 0.0])) @ true[1])
    assert aside is not None and aside.slid_mm == pytest.approx(0.9, abs=0.1) and "0.9" in aside.against
    assert "30 % of the rim only" in replace(right, share=0.3).against


def test_of_places_that_fit_alike_the_one_whose_original_surfaces_run_on_is_taken() -> None:
    fragments, true = broken(0.4, 0.01, two_sines)
    project = steps.align(matched(fragments))
    assert off(project, true) < 0.05


def test_a_place_a_period_aside_is_never_called_good() -> None:
    fragments, true = broken(0.4, 0.01, two_sines)
    project = matched(fragments)
    # Along the crests of one wave, by a period of the other: the relief is the same there.
    ways = np.array([[0.8, 0.6], [-0.3, 1.0]]) / np.array([[LONG], [SHORT]])
    aside = rigid(np.eye(3), np.append(np.linalg.solve(ways, [0.0, 1.0]), 0.0))
    wrong = inverse(true[0]) @ aside @ true[1]
    joint = replace(project.joints[0], a_from_b=wrong, state="pinned")
    assert joint.evidence.good and not joint.evidence.against
    found = steps.align(replace(project, joints=(joint,)))
    assert off(found, true) > 1.0
    assert not found.joints[0].evidence.good
    assert "the original surfaces" in found.joints[0].evidence.reason

