"""Copies that are drawn of large scans: what they stand for, and that pointing still finds the scan's own triangles."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from rejoin.app.view import section
from rejoin.app.view.growing import grow_face_to_rim, surface_of
from rejoin.app.view.picking import Picker
from rejoin.app.work import display
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import Mesh
from tests.app import made_up


@pytest.fixture
def large(monkeypatch) -> tuple[Mesh, np.ndarray, display.Display]:
    """A scan of 50 000 points with limits that make it a large one."""
    monkeypatch.setattr(display, "DRAWN_AS_IT_IS", 20_000)
    monkeypatch.setattr(display, "NODES", 6_000.0)
    mesh, broken = made_up.large_block(0, rounds=2)
    return mesh, broken, display.display_of(mesh)


def test_a_small_mesh_is_drawn_itself():
    mesh = made_up.block(0)[0]
    made = display.made(mesh)
    assert not made.is_copy and made.mesh is mesh
    assert np.array_equal(made.drawn_triangles(np.array([3, 5])), [3, 5])


def test_each_drawn_thing_stands_for_one_of_the_scan(large):
    mesh, _, made = large
    assert made.is_copy and len(made.triangle_of) < 0.4 * len(mesh.triangles)
    assert np.array_equal(made.mesh.vertices, mesh.vertices[made.vertex_of])
    assert np.array_equal(made.node_of[mesh.triangles[made.triangle_of]], made.mesh.triangles)
    assert np.array_equal(np.sort(made.order), np.arange(len(mesh.triangles))), "no triangle is lost"
    own = made.scan_triangles(np.array([7, 11]))
    assert np.array_equal(np.sort(own), np.flatnonzero(np.isin(made.node_of[mesh.triangles[:, 0]], [7, 11])))
    corners = mesh.vertices[mesh.triangles]
    far = np.linalg.norm(corners - made.mesh.vertices[made.node_of[mesh.triangles[:, 0]]][:, None], axis=2)
    assert far.max() == pytest.approx(made.reach_mm)
    assert np.array_equal(made.box, [mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)])
    assert triangle_areas(made.mesh).sum() == pytest.approx(triangle_areas(mesh).sum(), rel=0.05)


def test_a_copy_survives_the_wire(large):
    made = large[2]
    again = display.from_arrays(*display.to_arrays(made))
    assert np.array_equal(again.mesh.triangles, made.mesh.triangles) and again.reach_mm == made.reach_mm
    assert np.array_equal(again.order, made.order) and np.array_equal(again.box, made.box)


def test_pointing_at_a_copy_finds_the_scans_own_triangle(large):
    """Against every triangle of the full scan, by the ray formula on all of them."""
    mesh, broken, _ = large
    picker = Picker()
    rng = np.random.default_rng(3)
    normal = np.cross(*(mesh.vertices[mesh.triangles[broken, k]] - mesh.vertices[mesh.triangles[broken, 0]]
                        for k in (1, 2))).sum(axis=0)  # fmt: skip
    normal /= np.linalg.norm(normal)
    for triangle in rng.choice(broken, 12, replace=False):
        aim = mesh.vertices[mesh.triangles[triangle]].mean(axis=0)
        start, end = aim + 80 * normal, aim - 80 * normal
        a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
        way = end - start
        volume = [np.einsum("ij,j->i", np.cross(p - start, q - start), way) for p, q in ((a, b), (b, c), (c, a))]
        side = np.sign(volume)
        through = np.flatnonzero((side[0] == side[1]) & (side[1] == side[2]))
        first = through[np.argmin(np.linalg.norm(mesh.vertices[mesh.triangles[through]].mean(axis=1) - start, axis=1))]
        hit = picker.pick({0: mesh}, {0: np.eye(4)}, start, end)
        assert hit is not None and hit.triangle == first


def test_the_brush_covers_what_lies_within_its_radius(large):
    mesh, broken, _ = large
    centres = mesh.vertices[mesh.triangles].mean(axis=1)
    points = centres[broken[[5, 400, 900]]]
    for radius in (0.2, 1.5):
        truth = np.flatnonzero(cKDTree(points).query(centres)[0] <= radius)
        assert np.array_equal(Picker().brushed(mesh, points, radius), truth)


def test_what_is_enclosed_has_all_its_corners_inside(large):
    mesh, _, made = large
    chosen = np.random.default_rng(1).random(len(made.mesh.vertices)) < 0.7
    truth = np.flatnonzero(chosen[made.node_of][mesh.triangles].all(axis=1))
    assert np.array_equal(Picker().enclosed(mesh, chosen), truth) and len(truth) > 1000


def test_a_click_on_a_copy_takes_the_scans_own_face(large):
    mesh, broken, made = large
    taken = grow_face_to_rim(mesh, surface_of(mesh, made), int(broken[len(broken) // 3]))
    both = len(np.intersect1d(broken, taken))
    assert both / len(broken) > 0.95 and both / len(taken) > 0.9


def test_a_section_of_a_copy_is_that_of_the_scan(large):
    """Against all triangles of the scan; a closed block is cut along closed lines."""
    mesh, _, made = large
    normal, offset = np.array([0.6, 0.64, 0.48]), float(mesh.vertices.mean(axis=0) @ [0.6, 0.64, 0.48])
    cut = section.outline(made, mesh, normal, offset)
    height = mesh.vertices @ normal - offset
    crossed = np.ptp((height[mesh.triangles] > 0).astype(int), axis=1)
    assert len(cut.segments) == np.count_nonzero(crossed)
    assert np.abs(cut.points @ normal - offset).max() < 1e-9
    assert np.abs(np.bincount(cut.segments.ravel()) - 2).max() == 0, "closed lines, since the block is closed"
    inwards = cut.points - 1e-3 * cut.out
    middle = cut.points.mean(axis=0)
    nearer = np.linalg.norm(inwards - middle, axis=1) < np.linalg.norm(cut.points - middle, axis=1)
    assert nearer.mean() > 0.9, "out of the material"
