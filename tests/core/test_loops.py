"""Joints that close a loop, joints that touch nothing, and original surfaces across the crack."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.alignment import adjust
from rejoin.core.alignment.loops import strongest
from rejoin.core.contact import opposite, side_of, skirt_of, steps_across
from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, FractureFace, Fragment, Joint, Mesh, Scan
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import apply, displacement, from_vector, identity, inverse, rigid
from rejoin.core.uncertainty.jointly import Lever, variance
from tests.core.plates import PROVEN, block, flat, joint_of, waves

SECTOR = 2.0 * np.pi / 3.0


def sector(number: int, seed: int, sprung: float = 0.0) -> tuple[Fragment, np.ndarray, np.ndarray]:
    """A third of a ring about z: only its two broken ends are scanned, each a plate in relief.

    The end at the sector's start is the upper half of a break, the one at its
    end the lower half; ``sprung`` mm is how far the latter has moved outwards.
    """
    away, meshes = 40.0, []
    for end, upper in ((number, True), (number + 1, False)):
        turn = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]).T  # the plates' normal lies along the ring
        angle = end * SECTOR
        about = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])

        def height(x: FloatArray, y: FloatArray, k: int = end % 3) -> FloatArray:
            return waves(x + 2.0 * k, y - 1.5 * k)

        half = block(height, upper=upper, noise=0.01, seed=10 * seed + 2 * number + upper, depth=2)
        out = np.array([away + (0.0 if upper else sprung), 0.0, 0.0])
        pose = rigid(about @ turn, about @ out)
        meshes.append(Mesh(apply(pose, half.fragment.mesh.vertices), half.fragment.mesh.triangles))
        face = half.triangles
    first, second = meshes
    count, faces = len(first.vertices), len(first.triangles)
    mesh = Mesh(np.vstack([first.vertices, second.vertices]), np.vstack([first.triangles, second.triangles + count]))
    scan = Scan(f"sector {number}", (), mesh, "mm", True, False, ())
    return Fragment(scan, mesh, 0.4, 0.01, (), 0, False, ()), face, (face + faces).astype(np.int32)


def ring(sprung: float, pinned: int | None = None) -> tuple[tuple[Fragment, ...], list[Joint]]:
    made = [sector(number, 3, sprung if number == 2 else 0.0) for number in range(3)]
    joints = []
    for number in range(3):
        other = (number + 1) % 3
        faces = FractureFace(number, made[number][2], 1.0, 1.0, "p"), FractureFace(other, made[other][1], 1.0, 1.0, "p")
        evidence = replace(PROVEN, score=100.0 - 10.0 * number)
        state = "pinned" if number == pinned else "found"
        joints.append(Joint(number, other, *faces, identity(), evidence, state))
    return tuple(fragment for fragment, _, _ in made), joints


START = {number: identity() for number in range(3)}


def test_a_loop_that_closes_is_adjusted_whole() -> None:
    fragments, joints = ring(0.0)
    found = adjust(fragments, joints, START, AlignSettings(missing_layer=False), silent)
    assert found.left_out == {} and len(found.contacts) == 3
    for number in (1, 2):
        moved = displacement(found.part_from_scan[number], identity(), fragments[number].mesh.vertices).max()
        assert moved < 0.03


def test_a_joint_is_held_as_well_whichever_fragment_is_held() -> None:
    """Three like joints: across each a size is known about as well, though two of them touch what is held."""
    fragments, joints = ring(0.0)
    found = adjust(fragments, joints, START, AlignSettings(missing_layer=False), silent)
    placements = [found.placement(n) for n in range(3)]
    told = []
    for joint, end in zip(joints, (1, 2, 3), strict=True):
        place = 40.0 * np.array([np.cos(end * SECTOR), np.sin(end * SECTOR), 0.0])
        levers = []
        for number, sign in ((joint.a, -1.0), (joint.b, 1.0)):
            arm = place - fragments[number].mesh.vertices.mean(axis=0)
            slopes = np.vstack([np.hstack([np.cross(arm, axis), axis]) for axis in np.eye(3)])
            levers.append(Lever(number, placements[number], sign * slopes))
        told.append(float(variance(levers).sum()))
    assert max(told) < 2.0 * min(told)
    one, other = placements[1].shared, placements[2].shared
    assert one is not None and other is not None and np.allclose(one[2], other[1].T)
    assert np.allclose(one[1], placements[1].covariance) and not one[0].any()


def test_what_hangs_on_a_joint_in_doubt_is_told_so() -> None:
    """A chain 0 - 1 - 2 in doubt at its first joint; in a ring another joint leads to the last one too."""
    fragments, joints = ring(0.0)
    adjusted = adjust(fragments, joints, START, AlignSettings(missing_layer=False), silent)
    found = replace(adjusted, against={0: "it steps"})
    assert {(joint.a, joint.b) for joint in joints[:2]} == {(0, 1), (1, 2)} and found.reference == 0
    assert [note for note in found.notes(joints[:2], 1) if "it steps" in note] == [
        "This holds only if it is the right place: it steps."
    ]
    assert "It hangs on a joint that is in doubt: it steps." in found.notes(joints[:2], 2)
    assert not any("it steps" in note for note in found.notes(joints, 2))


@pytest.mark.parametrize("pinned, opened", [(None, 2), (2, 1)])
def test_a_sprung_ring_is_left_open_where_the_person_lets_it(pinned: int | None, opened: int) -> None:
    """0.4 mm locked in: it shows at one joint, in full, and the others stay closed."""
    fragments, joints = ring(0.4, pinned)
    found = adjust(fragments, joints, START, AlignSettings(missing_layer=False), silent)
    assert list(found.left_out) == [opened]
    assert "sprung 0.4" in found.left_out[opened]
    assert found.notes(joints, joints[opened].b) == (found.left_out[opened],)
    updated = found.updated(joints)
    for number in range(3):
        joint, face = joints[number], fragments[joints[number].b].mesh
        points = face.vertices[np.unique(face.triangles[joint.face_b.triangles])]
        true = from_vector(np.array([0, 0, 0, 0.4, 0, 0]), np.zeros(3)) if number == 2 else identity()
        missed = float(np.median(displacement(updated[number].a_from_b, true, points)))
        assert (missed > 0.3) == (number == opened)


def test_the_strongest_joints_tie_all_together_and_pinned_ones_come_first() -> None:
    _, joints = ring(0.0)
    assert strongest(joints) == [0, 1]
    assert strongest(ring(0.0, pinned=2)[1]) == [0, 2]


def test_a_joint_that_touches_nothing_is_left_out_with_a_note() -> None:
    fragments, joints = ring(0.0)
    # The third joint claims a face that lies on the far side of its fragment.
    wrong = replace(joints[2], face_b=replace(joints[2].face_b, triangles=joints[0].face_a.triangles))
    found = adjust(fragments, [joints[0], joints[1], wrong], START, AlignSettings(missing_layer=False), silent)
    assert list(found.left_out) == [2] and "nothing opposite" in found.left_out[2]
    with pytest.raises(NoAnswer, match="nothing opposite"):
        adjust(fragments, [joints[0], wrong], START, AlignSettings(missing_layer=False), silent)


def test_faces_that_fall_apart_with_a_free_layer_are_still_joined(monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core.alignment.solver import Solver
    from rejoin.core.alignment.state import NothingOpposite

    whole = Solver.settle

    def settle(self: Solver, poses, layers, free, report):  # type: ignore[no-untyped-def]
        if free:
            raise NothingOpposite(0, "lower", "upper")
        return whole(self, poses, layers, free, report)

    monkeypatch.setattr(Solver, "settle", settle)
    lower, upper = block(waves, upper=False, noise=0.01, seed=1), block(waves, upper=True, noise=0.01, seed=2)
    found = adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, identity())],
                   {0: identity(), 1: identity()}, AlignSettings(), silent)  # fmt: skip
    assert displacement(found.part_from_scan[1], identity(), upper.fragment.mesh.vertices).max() < 0.02
    assert found.layers[0].apart_mm == 0.0


def bar(aside: FloatArray, noise: float = 0.0) -> tuple[object, object, FloatArray]:
    lower = block(flat, upper=False, noise=noise, seed=5)
    upper = block(flat, upper=True, noise=noise, seed=6)
    sides = [side_of(half.fragment, half.triangles) for half in (lower, upper)]
    skirts = [skirt_of(half.fragment, side) for half, side in zip((lower, upper), sides, strict=True)]
    return skirts[0], skirts[1], from_vector(np.append(np.zeros(3), aside), np.zeros(3))


def test_steps_across_the_crack_are_the_shift_along_each_side() -> None:
    """Closed form: a bar's half shifted by t shows the step -t·n on a side of normal n."""
    aside = np.array([0.15, -0.08, 0.3])
    one, other, moved = bar(aside)
    steps = steps_across(one, other, identity(), moved)  # type: ignore[arg-type]
    assert len(steps.steps) >= 8
    np.testing.assert_allclose(steps.steps, -steps.normals @ aside, atol=1e-6)
    facing = {tuple(np.round(normal).astype(int)) for normal in steps.normals}
    assert facing == {(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)}


def test_flat_faces_are_held_along_the_crack_by_their_original_surfaces() -> None:
    lower, upper = block(flat, upper=False, noise=0.01, seed=5), block(flat, upper=True, noise=0.01, seed=6)
    start = from_vector(np.array([0.0, 0, 0.01, 0.2, -0.15, 0.05]), np.zeros(3))
    found = adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, start)],
                   {0: identity(), 1: start}, AlignSettings(missing_layer=False), silent)  # fmt: skip
    off = displacement(found.part_from_scan[1], identity(), upper.fragment.mesh.vertices).max()
    assert off < 0.03
    assert found.placement(1).u95_mm < 0.15  # type: ignore[operator]


def test_the_part_s_frame_does_not_matter() -> None:
    """The same scans, in frames far apart: the same place, also where original surfaces hold a flat face."""
    frame = from_vector(np.array([0.9, -0.7, 1.4, 200.0, -80.0, 50.0]), np.zeros(3))
    for height, close in ((flat, 0.002), (waves, 0.002)):
        found = []
        for pose in (identity(), frame):
            lower = block(height, upper=False, noise=0.01, seed=5)
            upper = block(height, upper=True, noise=0.01, seed=6, part_from_scan=pose)
            start = from_vector(np.array([0.0, 0, 0.01, 0.2, -0.15, 0.05]), np.zeros(3)) @ pose
            answer = adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, start)],
                            {0: identity(), 1: start}, AlignSettings(missing_layer=False), silent)  # fmt: skip
            found.append(answer.part_from_scan[1] @ inverse(pose))
        corners = block(height, upper=True).fragment.mesh.vertices
        assert displacement(found[0], found[1], corners).max() < close


def test_exact_pairs_end_on_the_other_s_triangles() -> None:
    lower, upper = block(waves, upper=False, seed=5), block(waves, upper=True, seed=6)
    one, other = side_of(lower.fragment, lower.triangles), side_of(upper.fragment, upper.triangles)
    vertex, exact = (opposite(one, other, identity(), identity(), 1.0, exact=kind) for kind in (False, True))
    assert np.abs(exact.gaps).mean() < 0.5 * np.linalg.norm(vertex.points_a - vertex.points_b, axis=1).mean()
    apart = np.linalg.norm(exact.points_a - exact.points_b, axis=1)
    np.testing.assert_allclose(np.abs(exact.gaps), apart, rtol=0.1, atol=0.002)
    only = (np.arange(len(one.points)) < 300, np.zeros(len(other.points), bool))
    some = opposite(one, other, identity(), inverse(identity()), 1.0, exact=True, only=only)
    assert 0 < len(some.gaps) <= 300 and not some.from_b.any()
