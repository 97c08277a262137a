"""Plane original surfaces that run on across a crack: what they tell of a pose, and when they are not believed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.alignment import adjust, solver
from rejoin.core.contact import Level, Skirt, Steps, levels_across, side_of, skirt_of, steps_across
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Fragment, Mesh
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import displacement, from_vector, identity
from rejoin.core.uncertainty.steps import agreeing_levels, level_equations
from tests.core.plates import Block, block, flat, joint_of

NOISE = 0.02


def long_block(upper: bool, seed: int, warp: Callable[[FloatArray], FloatArray] | None = None) -> Block:
    """A flat-ended square bar 24 mm long, scanned with noise; ``warp`` moves its points along x by their height."""
    plain = block(flat, upper=upper, spacing=0.4, depth=60, seed=seed)
    mesh = plain.fragment.mesh
    points = mesh.vertices + NOISE * np.random.default_rng(seed).standard_normal((len(mesh.vertices), 1)) * (
        vertex_normals(mesh)
    )
    if warp is not None:
        points[:, 0] += warp(points[:, 2])
    noisy = Mesh(points, mesh.triangles)
    fragment = replace(plain.fragment, mesh=noisy, scan=replace(plain.fragment.scan, mesh=noisy), noise_mm=NOISE)
    return replace(plain, fragment=fragment)


def seen(a: Block, b: Block, part_from_b: FloatArray) -> list[Level]:
    two: tuple[Fragment, Fragment] = (a.fragment, b.fragment)
    skirts: tuple[Skirt, Skirt] = tuple(skirt_of(one.fragment, side_of(one.fragment, one.triangles)) for one in (a, b))  # type: ignore[assignment]
    steps: Steps = steps_across(*skirts, identity(), identity())
    return levels_across(two, skirts, steps, (identity(), part_from_b))


@pytest.fixture(scope="module")
def bars() -> tuple[Block, Block]:
    return long_block(False, 1), long_block(True, 2)


def test_the_sides_of_a_bar_are_seen_and_follow_its_pose(bars: tuple[Block, Block]) -> None:
    """Four planes; what they tell changes with the pose by the closed form of a small motion."""
    levels = seen(*bars, identity())
    assert len(levels) == 4
    assert max(float(one.apart @ np.linalg.solve(one.covariance, one.apart)) for one in levels) < 20.0
    assert all(np.sqrt(np.diag(one.covariance))[1:].max() < 2e-3 for one in levels)
    motion = np.array([1e-3, -2e-3, 1.5e-3, 0.01, -0.02, 0.0])
    moved = seen(*bars, from_vector(-motion, np.zeros(3)))
    for one, other in zip(levels, moved, strict=True):
        change = other.apart - one.apart
        np.testing.assert_allclose(change, one.rows(np.zeros(3)) @ motion, atol=2e-3)
        np.testing.assert_allclose(change[1:], (one.rows(np.zeros(3)) @ motion)[1:], atol=3e-4)
    matrix, right = level_equations(levels, np.zeros(3), np.zeros(6))
    found = np.linalg.lstsq(matrix, right, rcond=1e-9)[0]
    assert np.linalg.norm(found[:3]) < 2e-3, "true within a few standard deviations"


def test_a_side_that_bends_is_no_plane(bars: tuple[Block, Block]) -> None:
    bent = long_block(True, 3, lambda z: 0.002 * z * z)
    normals = np.array([level.normal for level in seen(bars[0], bent, identity())])
    assert len(normals) == 2 and np.abs(normals[:, 1]).min() > 0.99, "only the sides that face along y"


def test_planes_that_do_not_agree_are_not_believed(bars: tuple[Block, Block]) -> None:
    levels = seen(*bars, identity())
    covariance = np.diag([1e-2] * 3 + [0.3] * 3) ** 2
    assert len(agreeing_levels(levels, np.zeros(3), covariance)) == 4
    leaning = [replace(one, apart=one.apart + [0.0, 0.02, 0.0]) for one in levels]
    kept = agreeing_levels([leaning[0], *levels[1:]], np.zeros(3), covariance)
    assert len(kept) == 3 and not any(one is leaning[0] for one in kept)
    tight = np.diag([1e-4] * 3 + [1e-3] * 3) ** 2
    assert agreeing_levels(leaning, np.zeros(3), tight) == [], "the faces say that the part is bent"
    both = [replace(levels[0], apart=levels[0].apart + [0.0, lean, 0.0]) for lean in (0.015, -0.015)]
    assert agreeing_levels(both, np.zeros(3), covariance) == [], "one against one"
    assert len(agreeing_levels(both[:1], np.zeros(3), covariance)) == 1


def test_a_flat_break_is_held_by_the_sides_of_the_bar(
    bars: tuple[Block, Block], monkeypatch: pytest.MonkeyPatch
) -> None:
    fragments = [one.fragment for one in bars]
    start = from_vector(np.array([1e-3, -1e-3, 4e-3, 0.05, 0.05, 0.05]), np.zeros(3))
    errors, bounds = [], []
    for far in (True, False):
        if not far:
            monkeypatch.setattr(solver, "levels_across", lambda *_: [])
        found = adjust(fragments, [joint_of(*bars, start)], {0: identity(), 1: start}, AlignSettings(), silent)
        errors.append(float(displacement(found.part_from_scan[1], identity(), fragments[1].mesh.vertices).max()))
        bounds.append(found.certainty[1].covariance[2, 2])
    assert errors[0] < 0.03 and errors[0] < 1.2 * errors[1]
    assert bounds[0] < 0.5 * bounds[1], "the turn about the bar"


def test_what_faces_as_the_crack_does_is_no_original_surface_beside_it(bars: tuple[Block, Block]) -> None:
    """Half of a face is unmarked: it lies beside the other half, but no crack crosses it."""
    fragment, triangles = bars[0].fragment, bars[0].triangles
    middles = fragment.mesh.vertices[fragment.mesh.triangles[triangles]].mean(axis=1)
    skirt = skirt_of(fragment, side_of(fragment, triangles[middles[:, 0] < 0.0]))
    on_end = (skirt.points[:, 2] > -0.2) & (np.abs(skirt.points[:, :2]).max(axis=1) < 5.0)
    assert len(skirt.points) > 100 and not on_end.any()
