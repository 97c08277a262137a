"""A glued part: split along its marked seam; thickness, step and tilt of the glue against the exact truth."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from manifold3d import Manifold
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rejoin.core import edits, meshes, steps
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.fusing.ends import sewn_ends
from rejoin.core.glued import GlueLine, Split, _solved, _worded, closed_up, glue_line, split_along
from rejoin.core.records import FloatArray, Fragment, Mesh, Project, Scan
from rejoin.core.transforms import apply, from_vector
from tests.makers import scanning
from tests.makers.breaking import as_mesh
from tests.makers.views import _meshed

SPACING, NOISE = 0.35, 0.02


def glued(solid: Manifold, motion: FloatArray) -> tuple[Fragment, FloatArray]:
    """The scan of a solid cut at z = 0, its upper half moved by ``motion`` (6,), glue in between; marks on the seam."""
    below, above = solid.trim_by_plane((0, 0, -1), 0.0), solid.trim_by_plane((0, 0, 1), 0.0)
    pose = from_vector(motion, np.zeros(3))
    gap = solid.slice(0.0).extrude(0.5).translate((0, 0, -0.1))
    whole = as_mesh(below + above.transform(pose[:3]) + gap)
    rng = np.random.default_rng(2)
    mesh = _meshed(whole, scanning.PITCH_PER_SPACING * SPACING, rng)
    points, _ = scanning.projected(whole, mesh.vertices)
    normals = meshes.vertex_normals(Mesh(points, mesh.triangles))
    noise = 0.85 * scanning.smooth_field(points, 3 * SPACING, rng) + 0.5 * rng.normal(size=len(points))
    mesh = Mesh(points + (NOISE * noise)[:, None] * normals, mesh.triangles)
    fragment = clean_scan(Scan("lever", ("lever.ply",), mesh, "mm", True, False, ("x",)))
    near = np.flatnonzero(np.abs(mesh.vertices[:, 2] - 0.1) < 0.3)
    angle = np.arctan2(mesh.vertices[near, 1], mesh.vertices[near, 0])
    marks = mesh.vertices[[near[np.argmin(np.abs(angle - a))] for a in np.linspace(-3, 3, 8)]]
    return fragment, marks


def told(solid: Manifold, motion: list[float], known: bool = False) -> tuple[GlueLine, Fragment, Split]:
    fragment, marks = glued(solid, np.array(motion))
    split = split_along(fragment, marks)
    size = None
    if known:
        points = np.array([[0.0, 0, -20.0], [0.0, 0, 20.0]])
        moved = apply(from_vector(np.array(motion), np.zeros(3)), points[1:])[0]
        lower = points[0] if split.normal[2] > 0 else moved
        upper = moved if split.normal[2] > 0 else points[0]
        size = (lower, upper, 40.0, 0.02)
    return glue_line(fragment, split, size), fragment, split


def swollen() -> Manifold:
    """A body whose surface leans to the pull at the seam: the surfaces tell the thickness."""

    def bent(points: np.ndarray) -> np.ndarray:
        z = np.asarray(points)[:, 2]
        swell = 1.0 + 0.35 * np.sin(z / 11.0) + 0.12 * np.cos(2 * np.arctan2(points[:, 1], points[:, 0]) + z / 12.0)
        return np.column_stack([points[:, 0] * swell, points[:, 1] * swell, z])

    return Manifold.cylinder(44, 12, 12, 128, True).refine_to_length(1.0).warp_batch(bent)


def test_glue_of_a_fifth_of_a_millimetre_is_found_where_the_surfaces_lean() -> None:
    line, fragment, split = told(swollen(), [0.0, 0.0, 0.0, 0.0, 0.0, 0.2])
    assert line.thickness_mm is not None and line.thickness_mm == pytest.approx(0.2, abs=0.05)
    assert line.thickness_u95_mm is not None and abs(line.thickness_mm - 0.2) < 2.0 * line.thickness_u95_mm
    assert line.step_mm is not None and line.step_mm < 0.06 and line.stretches > 20
    lower, upper = closed_up(fragment, split, line)
    assert len(lower.triangles) > 1000 and len(upper.triangles) > 1000


def test_a_round_surface_whose_radius_changes_is_not_taken_for_a_step(monkeypatch: pytest.MonkeyPatch) -> None:
    def leaning(points: np.ndarray) -> np.ndarray:
        x, y, z = np.asarray(points).T
        swell = 1.0 + 0.24 * np.sin(z / 14.0 + 3.8) + 0.035 * np.cos(4 * np.arctan2(y, x) + 0.09 * z)
        return np.column_stack([1.13 * x * swell + 0.28 * z, 0.96 * y * swell, z])

    monkeypatch.setattr(sys.modules[__name__], "NOISE", 0.002)
    body = Manifold.cylinder(44, 12, 12, 128, True).refine_to_length(1.0).warp_batch(leaning)
    line, _, _ = told(body, [0.0, 0.0, 0.0, 0.08, 0.05, 0.2])
    assert line.thickness_mm == pytest.approx(0.2, abs=0.03) and line.step_mm == pytest.approx(0.094, abs=0.02)


def test_what_the_fit_cannot_follow_on_a_lobed_body_is_in_its_uncertainty(monkeypatch: pytest.MonkeyPatch) -> None:
    def lobed(points: np.ndarray) -> np.ndarray:
        x, y, z = np.asarray(points).T
        swell = 1.0 + 0.26 * np.sin(z / 15.2 + 0.6) + 0.12 * np.cos(3 * np.arctan2(y, x) + 0.06 * z)
        return np.column_stack([1.05 * x * swell + 0.04 * z, 0.95 * y * swell, z])

    body = Manifold.cylinder(44, 12, 12, 128, True).refine_to_length(1.0).warp_batch(lobed)
    for noise, most in ((0.002, 0.05), (0.02, 0.2)):
        monkeypatch.setattr(sys.modules[__name__], "NOISE", noise)
        line, _, _ = told(body, [0.0, 0.0, 0.0, 0.0, 0.0, 0.2])
        assert line.thickness_mm is not None and line.thickness_u95_mm is not None
        assert abs(line.thickness_mm - 0.2) < line.thickness_u95_mm < most


def test_marks_beside_the_seam_do_not_make_a_step_smaller() -> None:
    """Points between the seam and its marks lie on the wrong side: counted there, they wear a step away."""
    for body in (Manifold.cylinder(60, 9, 7.5, 128, True), Manifold.cube((16, 14, 60), True)):
        fragment, _ = glued(body, np.array([0.0, 0.0, 0.0, -0.04, 0.113, 0.2]))
        points = fragment.mesh.vertices
        angle, rng = np.arctan2(points[:, 1], points[:, 0]), np.random.default_rng(5)
        off = np.abs(points[:, 2] - 0.1)
        seam = points[[int(np.argmin(9.0 * np.abs(angle - a) + off)) for a in np.linspace(-np.pi, np.pi, 17)[:-1]]]
        for stray, most in ((0.0, 0.05), (0.5, 0.1)):
            marks = points[cKDTree(points).query(seam + stray * rng.normal(size=seam.shape))[1]]
            split = split_along(fragment, marks)
            line = glue_line(fragment, split)
            assert (split.wander_mm > 0.3) == ("stray" in line.sentence) == (stray > 0.0)
            assert line.step_mm is not None and line.step_u95_mm is not None
            assert abs(line.step_mm - 0.12) < line.step_u95_mm < most and abs(line.step_mm - 0.12) < 0.04
            assert line.thickness_mm is None and line.tilt_deg is None and len(line.unknown) >= 2


def test_what_nothing_holds_may_lean_on_what_is_told() -> None:
    """A step told together with a little of a turn that nothing holds: at the rim the turn moves as far as the step."""
    jacobian = np.zeros((40, 6))
    jacobian[:, 3] = 1.0
    jacobian[:, 0] = 0.2  # mm at the step for a turn of 1
    found, covariance, loose = _solved(60.0, 0.02, jacobian, np.full(40, 0.2), 1e-6 * np.eye(40), 10.0)
    narrow = _solved(60.0, 0.02, jacobian, np.full(40, 0.2), 1e-6 * np.eye(40))[1]
    assert loose.shape[1] == 5 and covariance[0, 0] == pytest.approx(36.0 * narrow[0, 0], rel=0.01)
    assert 1.96 * np.sqrt(covariance[0, 0]) == pytest.approx(found[3] / 10.0, rel=0.01)


def test_places_along_the_seam_that_contradict_the_others_do_not_lead_the_motion_astray() -> None:
    rng = np.random.default_rng(3)
    jacobian, motion = rng.normal(size=(80, 6)), np.array([0.01, -0.02, 0.0, 0.1, 0.0, -0.2])
    jacobian[:, :3] *= 20.0
    said = jacobian @ motion + 0.01 * rng.normal(size=80)
    said[::4] += 3.0
    found, covariance, loose = _solved(20.0, 0.02, jacobian, said, 1e-4 * np.eye(80))
    assert not loose.size and np.abs(found - motion)[3:].max() < 0.02
    assert np.sqrt(np.diag(covariance))[3:].max() < 0.01


def test_motions_that_nothing_holds_may_be_as_large_as_those_that_are_known() -> None:
    jacobian = np.zeros((40, 6))
    jacobian[:, 3:5] = [0.8, 0.6]
    found, covariance, loose = _solved(20.0, 0.02, jacobian, np.full(40, 0.2), 1e-6 * np.eye(40))
    assert loose.shape == (6, 5) and found[3:] == pytest.approx([0.16, 0.12, 0.0])
    assert 1.96 * np.sqrt(covariance[5, 5]) == pytest.approx(0.2)


def test_the_bound_of_a_step_holds_in_its_plane() -> None:
    """Of a step of nothing two sigma are passed more often than one in twenty: k = 2.45 in a plane.

    JCGM 102:2011, 6.5.2, table 1 (bivariate normal, p = 0.95), from memory.
    """
    none = np.zeros(0, np.int32)
    split = Split(none, none, np.zeros(3), np.array([0.0, 0.0, 1.0]), np.zeros(0))
    covariance, loose, rng = np.diag([0.01] * 3 + [0.05, 0.05, 0.02]) ** 2, np.zeros((6, 0)), np.random.default_rng(4)
    motions = rng.multivariate_normal(np.zeros(6), covariance, 4000)
    lines = [_worded(split, motion, covariance, loose, 9) for motion in motions]
    assert lines[0].step_u95_mm == pytest.approx(2.4477 * 0.05, rel=1e-4)
    assert lines[0].thickness_u95_mm == pytest.approx(1.96 * 0.02, rel=1e-4)
    within = np.mean([(line.step_mm or 0.0) <= (line.step_u95_mm or 0.0) for line in lines])
    thick = np.mean([abs(line.thickness_mm or 0.0) <= (line.thickness_u95_mm or 0.0) for line in lines])
    tilt = np.mean([(line.tilt_deg or 0.0) <= (line.tilt_u95_deg or 0.0) for line in lines])
    assert min(within, thick, tilt) > 0.94 and max(within, thick, tilt) < 0.96


def test_a_step_is_found_and_a_tilt_that_the_seam_cannot_tell_is_said_to_be_unknown() -> None:
    turn = Rotation.from_euler("y", 0.5, degrees=True).as_rotvec()
    line, _, _ = told(swollen(), [*turn, 0.15, 0.0, 0.2])
    assert line.step_mm == pytest.approx(0.15, abs=0.06)
    assert line.tilt_deg is None and any("tilted" in words for words in line.unknown)


def test_on_a_straight_bar_the_thickness_is_unknown_until_a_size_is_given() -> None:
    bar = Manifold.cube((24, 18, 44), True)
    line, _, _ = told(bar, [0.0, 0.0, 0.0, 0.0, 0.0, 0.2])
    assert line.thickness_mm is None and any("thickness" in words for words in line.unknown)
    line, _, _ = told(bar, [0.0, 0.0, 0.0, 0.0, 0.0, 0.2], known=True)
    assert line.thickness_mm is not None and line.thickness_mm == pytest.approx(0.2, abs=0.05)


def test_both_sides_fuse_to_one_closed_whole_without_the_glue() -> None:
    solid = swollen() - Manifold.cylinder(60, 4, 4, 64, True)
    fragment, marks = glued(solid, np.array([0.0, 0.0, 0.0, 0.05, 0.0, 0.3]))
    project = edits.split_glued(Project(scans=(fragment.scan,), fragments=(fragment,)), 0, marks)
    whole = steps.fuse(project).whole
    assert whole is not None and whole.closed and (whole.shells, whole.genus) == (1, 1)
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=1e-3)
    assert meshes.volume(fragment.mesh) > 1.005 * solid.volume()
    assert whole.original_moved_mm < 1e-9 and len(whole.seam_triangles) > 100 and "end along" in whole.notes[0]


def test_a_hole_across_the_seam_is_no_reason_to_sew_ends_together() -> None:
    ball = Manifold.sphere(9.0, 160)
    mesh = as_mesh(ball.refine_to_length(0.6))
    holed = Mesh(mesh.vertices, mesh.triangles[mesh.vertices[mesh.triangles[:, 0], 2] < 8.0])
    assert sewn_ends(holed, Mesh(holed.vertices + [0.2, 0, 0], holed.triangles), 0.6) is None


def test_marks_that_make_no_seam_are_refused() -> None:
    fragment, marks = glued(swollen(), np.zeros(6))
    with pytest.raises(WrongUse, match="three marks"):
        split_along(fragment, marks[:2])
    with pytest.raises(WrongUse, match="does not lie"):
        split_along(fragment, marks + 50.0)
    with pytest.raises(NoAnswer, match="fall in two"):
        split_along(fragment, fragment.mesh.vertices[:: len(fragment.mesh.vertices) // 3][:3], 0.01)


