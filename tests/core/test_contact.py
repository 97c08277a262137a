"""Distances, pairs, facing faces and overlap against closed forms and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest

from rejoin.core.contact import (
    border_vertices,
    closest_on_triangles,
    facing_triangles,
    opposite,
    rows,
    side_of,
    signed_distances,
)
from rejoin.core.meshes import border_edges
from rejoin.core.records import Fragment, Mesh, Scan
from rejoin.core.robust import robust_scale, sigma_of, tukey
from rejoin.core.transforms import apply, from_vector, identity, rigid
from tests.core.plates import block, flat, waves

trimesh = pytest.importorskip("trimesh")


def ball(radius: float = 10.0, fine: int = 4, moved: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    made = trimesh.creation.icosphere(subdivisions=fine, radius=radius)
    return Mesh(np.array(made.vertices) + moved, np.array(made.faces, np.int32))


def as_fragment(mesh: Mesh, spacing: float) -> Fragment:
    return Fragment(Scan("ball", (), mesh, "mm", True, False, ()), mesh, spacing, 0.01, (), 0, True, ())


def test_closest_point_agrees_with_trimesh() -> None:
    rng = np.random.default_rng(1)
    corners, points = rng.normal(size=(500, 3, 3)), 2.0 * rng.normal(size=(500, 3))
    closest, weights = closest_on_triangles(points, corners)
    np.testing.assert_allclose(closest, trimesh.triangles.closest_point(corners, points), atol=1e-12)
    assert weights.min() >= 0.0
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-12)


def test_signed_distance_agrees_with_vtk() -> None:
    pyvista = pytest.importorskip("pyvista")
    mesh, rng = ball(fine=3), np.random.default_rng(2)
    points = rng.uniform(-14, 14, (400, 3))
    surface = pyvista.PolyData.from_regular_faces(mesh.vertices, mesh.triangles)
    theirs = pyvista.PolyData(points).compute_implicit_distance(surface)["implicit_distance"]
    np.testing.assert_allclose(signed_distances(points, mesh).signed, theirs, atol=1e-6)


def test_signed_distance_of_a_cube_is_the_closed_form_at_faces_edges_and_corners() -> None:
    made = trimesh.creation.box((2.0, 2.0, 2.0))
    mesh = Mesh(np.array(made.vertices), np.array(made.faces, np.int32))
    points = np.array([[0, 0, 1.5], [0, 0, 0.75], [1.5, 1.5, 0.2], [2, 2, 2], [0.9, 0.8, 0.7], [-1.3, 0.1, 1.4]])
    found = signed_distances(points, mesh)
    np.testing.assert_allclose(found.signed, [0.5, -0.25, np.sqrt(0.5), np.sqrt(3), -0.1, 0.5], atol=1e-7)
    assert not found.on_border.any()


def test_points_past_an_open_edge_are_told_apart() -> None:
    half = block(flat, upper=False, depth=1)
    mesh = Mesh(half.fragment.mesh.vertices, half.fragment.mesh.triangles[half.triangles])
    found = signed_distances(np.array([[0.1, 0.2, 0.5], [9.0, 0.0, 0.0]]), mesh)
    assert list(found.on_border) == [False, True]
    assert found.signed[0] == pytest.approx(0.5)


def test_border_vertices_are_those_of_the_border_edges() -> None:
    mesh = block(waves, upper=True).fragment.mesh
    assert set(np.flatnonzero(border_vertices(mesh))) == set(border_edges(mesh).ravel())
    assert not border_vertices(ball(fine=2)).any()


def test_the_gap_of_two_concentric_balls_is_the_same_whatever_the_pairs() -> None:
    """Symmetric normals are exact on curves of one curvature (Rusinkiewicz 2019, section 3)."""
    inner, outer = ball(10.0, 4), ball(10.1, 4)
    turned = Mesh(apply(from_vector(np.array([0.02, 0.03, 0.01, 0, 0, 0.0]), np.zeros(3)), outer.vertices),
                  outer.triangles[:, ::-1])  # fmt: skip
    a, b = (side_of(as_fragment(m, 0.7), np.arange(len(m.triangles), dtype=np.int32)) for m in (inner, turned))
    gaps = opposite(a, b, identity(), identity(), 2.0).gaps
    assert len(gaps) == len(a.points) + len(b.points)
    np.testing.assert_allclose(gaps, 0.1, atol=3e-3)


def test_rows_are_the_derivative_of_the_gap() -> None:
    rng = np.random.default_rng(3)
    points, centre = rng.normal(size=(20, 3)), np.array([0.3, -1.0, 2.0])
    directions = rng.normal(size=(20, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    jacobian = rows(points, directions, centre)
    for column in range(6):
        motion = np.zeros(6)
        motion[column] = 1e-6
        change = np.einsum("ij,ij->i", apply(from_vector(motion, centre), points) - points, directions) / 1e-6
        np.testing.assert_allclose(jacobian[:, column], change, atol=1e-5)
    np.testing.assert_array_equal(jacobian[:, 6], -1.0)


def test_a_uniform_gap_counts_in_the_robust_scale() -> None:
    residuals = np.full(100, 0.3)
    assert robust_scale(residuals, np.ones(100)) == pytest.approx(1.4826 * 0.3)
    normal = np.random.default_rng(4).normal(0, 0.05, 20_000)
    assert robust_scale(normal, np.ones(20_000)) == pytest.approx(0.05, rel=0.03)
    assert sigma_of(normal) == pytest.approx(0.05, rel=0.03) and sigma_of(normal[:0]) == 0.0
    np.testing.assert_allclose(tukey(np.array([0.0, 0.5, 1.0, 2.0]), 1.0), [1.0, 0.5625, 0.0, 0.0])


def test_facing_triangles_are_the_fracture_and_not_the_walls() -> None:
    lower, upper = block(waves, upper=False, seed=1), block(waves, upper=True, seed=2, lift=0.05)
    found = facing_triangles(lower.fragment.mesh, upper.fragment.mesh, identity(), 0.6)
    for triangles, half in zip(found, (lower, upper), strict=True):
        on_face = np.isin(triangles, half.triangles)
        assert on_face.mean() > 0.995
        # Only the outermost ring, whose normals lean over the rim, may be missing.
        mesh, ring = half.fragment.mesh, 6.0 - 1.7 * half.fragment.spacing_mm
        inner = np.abs(mesh.vertices[mesh.triangles[half.triangles]][..., :2]).max(axis=(1, 2)) < ring
        assert np.isin(half.triangles[inner], triangles).all()


def test_facing_triangles_find_nothing_on_fragments_that_stand_apart() -> None:
    lower, upper = block(waves, upper=False), block(waves, upper=True)
    away = rigid(np.eye(3), np.array([0.0, 0.0, 5.0]))
    assert [len(t) for t in facing_triangles(lower.fragment.mesh, upper.fragment.mesh, away, 0.6)] == [0, 0]


def test_a_crater_deeper_than_the_reach_stays_out() -> None:
    def chipped(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return waves(x, y) - 2.0 * np.exp(-((x - 1) ** 2 + y**2) / 1.5)

    lower, upper = block(chipped, upper=False, seed=1), block(waves, upper=True, seed=2)
    triangles, _ = facing_triangles(lower.fragment.mesh, upper.fragment.mesh, identity(), 0.5)
    centres = lower.fragment.mesh.vertices[lower.fragment.mesh.triangles[triangles]].mean(axis=1)
    assert np.hypot(centres[:, 0] - 1, centres[:, 1]).min() > 0.9
    assert len(triangles) > 0.8 * len(lower.triangles)
