"""Single points that a scanner put far off the surface."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from rejoin.core.cleaning import clean_scan
from rejoin.core.meshes import edge_spacing
from rejoin.core.records import Mesh, Scan
from tests.makers import make_case


def _scan(vertices: np.ndarray, triangles: np.ndarray) -> Scan:
    return Scan("piece", (), Mesh(np.array(vertices), np.array(triangles, np.int32)), "mm", True, False, ())


def _noisy_ball() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=20.0)
    ways = np.array(ball.vertices) / 20.0
    return ways, (20.0 + np.random.default_rng(3).normal(0.0, 0.03, len(ways)))[:, None] * ways, np.array(ball.faces)


@pytest.mark.parametrize("spacings", [4.0, -4.0, 9.0])
def test_stray_points_are_set_back_and_told(spacings: float) -> None:
    ways, points, triangles = _noisy_ball()
    spacing = edge_spacing(Mesh(points, triangles.astype(np.int32)))
    stray = np.array([100, 2000, 5000, 9000])
    shot = points.copy()
    shot[stray] += spacings * spacing * ways[stray]
    fragment = clean_scan(_scan(shot, triangles))
    (told,) = [repair for repair in fragment.repairs if repair.kind == "stray"]
    assert told.count == 4 and f"{abs(spacings) * spacing:.1f}"[:3] in told.sentence
    assert np.abs(np.linalg.norm(fragment.mesh.vertices[stray], axis=1) - 20.0).max() < 0.15
    other = np.setdiff1d(np.arange(len(points)), stray)
    assert np.array_equal(fragment.mesh.vertices[other], points[other])


def test_what_stands_out_by_less_is_surface() -> None:
    ways, points, triangles = _noisy_ball()
    points[2000] += 2.0 * edge_spacing(Mesh(points, triangles.astype(np.int32))) * ways[2000]
    scan = _scan(points, triangles)
    assert clean_scan(scan).mesh is scan.mesh


@pytest.mark.parametrize("sides", [8, 64])
def test_the_tip_of_a_drawn_cone_is_its_own(sides: int) -> None:
    cone = trimesh.creation.cone(3.0, 60.0, sections=sides)
    if sides == 8:  # more triangles than a scan must have, and as few at the tip as around a scanned point
        cone = trimesh.util.concatenate([cone, trimesh.creation.box((40.0, 40.0, 1.0)).subdivide().subdivide()])
    fragment = clean_scan(_scan(cone.vertices, cone.faces))
    assert not [repair for repair in fragment.repairs if repair.kind == "stray"]


def test_a_rough_break_has_none() -> None:
    case = make_case("rocker", 91, spacing_mm=0.4, noise_mm=0.04)
    for mesh in case.fragments:
        repairs = clean_scan(_scan(mesh.vertices, mesh.triangles)).repairs
        assert not [repair for repair in repairs if repair.kind == "stray"]


def test_a_tip_on_uneven_surface_is_its_own() -> None:
    """A grid of 1 mm with a tip of 4 mm: on even surface it is stray, between points that go up and down it is form."""
    x, y = np.meshgrid(np.arange(20.0), np.arange(20.0), indexing="ij")
    i = np.arange(400).reshape(20, 20)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])

    def stray(uneven_mm: float) -> bool:
        height = np.zeros((20, 20))
        height[9, 10], height[11, 10], height[10, 9], height[10, 11] = np.array([1, 1, -1, -1]) * uneven_mm
        height[10, 10] = 5.0
        fragment = clean_scan(_scan(np.stack([x.ravel(), y.ravel(), height.ravel()], 1), triangles))
        return any(repair.kind == "stray" for repair in fragment.repairs)

    assert stray(0.0) and stray(0.3) and not stray(2.0)
