"""The parts of fusing: contour, hole closing, crossing triangles, borders, exact union, checks of the output."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing import recutting
from rejoin.core.fusing.bodies import reaching_rim
from rejoin.core.fusing.bounding import bounded, combined
from rejoin.core.fusing.coarsening import coarsened
from rejoin.core.fusing.continuing import continued, heights_over
from rejoin.core.fusing.contour import contour, pack, unpack
from rejoin.core.fusing.cropping import beyond_crops, crops, meets_rims
from rejoin.core.fusing.crossings import crossing_pairs
from rejoin.core.fusing.fairing import Measured, faired
from rejoin.core.fusing.healing import Field, ball_keys
from rejoin.core.fusing.holes import closed
from rejoin.core.fusing.hollow import Hollow, in_measure
from rejoin.core.fusing.recutting import recut
from rejoin.core.fusing.ring import Contact
from rejoin.core.fusing.scars import walls_facing
from rejoin.core.fusing.sewing import Sewn, joined
from rejoin.core.fusing.soundness import outer_triangles, output_checks
from rejoin.core.fusing.stitching import border_loops, clipped, zipped
from rejoin.core.fusing.torn import Torn
from rejoin.core.fusing.uniting import united
from rejoin.core.fusing.untangling import folded_crossings, seam_crossings, untangled
from rejoin.core.libraries.solids import unite
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import Mesh
from tests.core import broken_solids as solids


def grid(n: int) -> np.ndarray:
    axis = np.arange(2, n)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)


def test_contour_of_a_torus_has_its_volume_and_genus() -> None:
    points = grid(50)
    keys = pack(points)
    assert np.array_equal(unpack(keys), points) and np.all(np.diff(keys) > 0)
    away = points - 25.3
    values = 5.0**2 - (np.hypot(away[:, 0], away[:, 1]) - 14.0) ** 2 - away[:, 2] ** 2
    mesh = contour(keys, values, np.zeros(3), 1.0)
    assert meshes.is_closed(mesh) and meshes.genus(mesh) == 1
    assert meshes.volume(mesh) == pytest.approx(2 * np.pi**2 * 14 * 25, rel=0.02)  # 2 pi^2 R r^2
    assert len(crossing_pairs(mesh)) == 0


def test_contour_is_closed_whatever_the_values() -> None:
    points = grid(16)
    values = np.random.default_rng(3).normal(size=len(points))
    mesh = contour(pack(points), values, np.zeros(3), 1.0)
    assert meshes.is_closed(mesh) and meshes.volume(mesh) > 0
    assert len(meshes.border_edges(contour(pack(points), values, np.zeros(3), 1.0, closed=False))) > 0


def brute_force(mesh: Mesh) -> set[tuple[int, int]]:
    """Every edge against every triangle, by solving for the meeting point."""
    found = set()
    corners = mesh.vertices[mesh.triangles]
    for i, one in enumerate(corners):
        for j, other in enumerate(corners):
            if i == j or len(set(mesh.triangles[i]) & set(mesh.triangles[j])) > 1:
                continue
            for k in range(3):
                p, q = one[k], one[(k + 1) % 3]
                system = np.stack([q - p, other[0] - other[1], other[0] - other[2]], axis=1)
                if abs(np.linalg.det(system)) < 1e-12:
                    continue
                t, u, v = np.linalg.solve(system, other[0] - p)
                if 1e-9 < t < 1 - 1e-9 and u > 1e-9 and v > 1e-9 and u + v < 1 - 1e-9:
                    found.add((min(i, j), max(i, j)))
    return found


def test_crossing_pairs_against_every_pair_by_brute_force() -> None:
    rng = np.random.default_rng(0)
    centres = rng.uniform(0, 4, (60, 1, 3))
    corners = (centres + rng.normal(size=(60, 3, 3)) * rng.choice([0.1, 0.5, 1.5], (60, 1, 1))).reshape(-1, 3)
    triangles = np.arange(180).reshape(-1, 3)
    triangles[30:40, 0] = triangles[20:30, 0]
    mesh = Mesh(corners, triangles)
    expected = brute_force(mesh)
    assert len(expected) > 20
    assert {tuple(pair) for pair in crossing_pairs(mesh).tolist()} == expected


def test_hole_in_a_cylinder_is_closed_along_the_cylinder() -> None:
    body = manifold3d.Manifold.cylinder(30, 10, 10, 128, True)
    mesh = solids.fragment(body, 0.5, 0.0, 0, "c")
    placed = meshes.placed(mesh[0].mesh, mesh[1].part_from_scan)
    keep = np.linalg.norm(meshes.triangle_centres(placed) - [10, 0, 0], axis=1) > 3.0
    holed, _ = meshes.compacted(placed, np.flatnonzero(keep).astype(np.int32))
    result = closed(holed, 0.5)
    assert meshes.is_closed(result.mesh) and len(result.patches) == 1
    added = result.mesh.vertices[result.patches[0].vertices]
    # the sagitta of a 6 mm hole on a 10 mm radius is 0.46 mm: a flat lid would be that far off
    assert np.abs(np.hypot(added[:, 0], added[:, 1]) - 10.0).max() < 0.2  # measured 0.14
    assert np.array_equal(result.mesh.vertices[: len(holed.vertices)], holed.vertices)


def test_zipping_makes_a_ring_or_says_that_it_cannot() -> None:
    outer, inner = np.arange(7), np.arange(7, 18)
    band = zipped(outer, inner, np.arange(11) * 7 / 11)
    assert band is not None and len(band) == 18
    ring = Mesh(np.zeros((18, 3)), band.astype(np.int32))
    loops = border_loops(ring.triangles, 18)
    assert loops is not None and sorted(len(loop) for loop in loops) == [7, 11]
    assert zipped(outer, inner, np.abs(np.arange(11) - 5.0)) is None


def test_clipping_a_box_at_half_height() -> None:
    out = manifold3d.Manifold.cube([2, 2, 2], True).refine(5).to_mesh()
    mesh = Mesh(out.vert_properties[:, :3], out.tri_verts)
    part = clipped(mesh, mesh.vertices[:, 2], 0.1)
    assert part.vertices[:, 2].min() == pytest.approx(0.1)
    assert meshes.triangle_areas(part).sum() == pytest.approx(4 + 8 * 0.9)
    loops = border_loops(part.triangles, len(part.vertices))
    assert loops is not None and len(loops) == 1


def test_winding_number_inside_outside_and_at_an_open_box() -> None:
    out = manifold3d.Manifold.cube([2, 2, 2], True).to_mesh()
    mesh = Mesh(out.vert_properties[:, :3], out.tri_verts)
    field = WindingField(mesh.vertices, mesh.triangles)
    assert field(np.array([[0.0, 0, 0], [3, 0, 0]])) == pytest.approx([1, 0], abs=1e-3)
    top = (mesh.vertices[mesh.triangles][:, :, 2] > 0.9).all(axis=1)
    # a cube's face is seen from its middle under a sixth of the sphere
    assert WindingField(mesh.vertices, mesh.triangles[~top])(np.zeros((1, 3))) == pytest.approx([5 / 6], abs=1e-3)


def test_exact_union_keeps_what_it_does_not_touch_and_refuses_an_open_body() -> None:
    boxes = [manifold3d.Manifold.cube([2, 2, 2]).translate([k, 0.3 * k, 0.1 * k]).to_mesh() for k in (0, 1)]
    parts = [Mesh(b.vert_properties[:, :3], b.tri_verts) for b in boxes]
    result = united(parts, None)
    assert meshes.is_closed(result.mesh)
    overlap = 1.0 * 1.7 * 1.9
    assert meshes.volume(result.mesh) == pytest.approx(16 - overlap, rel=1e-6)
    kept = result.origin >= 0
    assert kept.sum() >= 12
    both = np.concatenate([part.vertices for part in parts])
    assert np.array_equal(result.mesh.vertices[kept], both[result.origin[kept]])
    with pytest.raises(NoAnswer):
        unite([Mesh(parts[0].vertices, parts[0].triangles[1:]), parts[1]])


def test_output_checks_trip() -> None:
    out = manifold3d.Manifold.cube([2, 2, 2], True).to_mesh()
    box = Mesh(out.vert_properties[:, :3], out.tri_verts)
    own, moved = box.vertices, box.vertices + [5.0, 0, 0]
    assert output_checks(8.0, own, [box], 8.0, 0.01, 0.1) == ()
    assert "volume" in output_checks(8.0, own, [box], 9.0, 0.01, 0.1)[0]
    assert "farther" in output_checks(8.0, moved, [box], 8.0, 0.01, 0.1)[0]


def test_what_is_cropped_away_is_still_seen_from_the_crack() -> None:
    fragments, placements = solids.in_two(solids.bored_block(), spacing_mm=0.2)
    parts = [meshes.placed(f.mesh, p.part_from_scan) for f, p in zip(fragments, placements, strict=True)]
    cut = crops(parts, [np.zeros(len(part.vertices), bool) for part in parts], 0.2)
    far = beyond_crops(parts, cut, 0.2).soup
    # the window of 12 to 24 spacings, and a few triangles for the others
    for part, crop in zip(parts, cut, strict=True):
        assert 0.1 < len(crop.beyond) / len(part.triangles) < 0.9
        assert len(crop.beyond) + len(crop.mesh.triangles) == len(part.triangles)
    assert 0 < len(far.triangles) < 0.1 * sum(len(crop.beyond) for crop in cut)
    asked = np.random.default_rng(0).uniform([-7, -6, -1], [7, 6, 1], (300, 3))
    for part, crop in zip(parts, cut, strict=True):
        alone = beyond_crops([part], [crop], 0.2).soup
        exact = WindingField(part.vertices, crop.beyond)(asked)
        assert np.abs(WindingField(alone.vertices, alone.triangles)(asked) - exact).max() < 5e-3
        assert crop.rim.any() and np.array_equal(part.vertices[crop.vertices], crop.mesh.vertices)


def test_inner_shells_are_told_from_outer_ones() -> None:
    out = manifold3d.Manifold.cube([4, 4, 4], True).to_mesh()
    box = Mesh(out.vert_properties[:, :3], out.tri_verts)
    count = len(box.vertices)
    both = Mesh(
        np.concatenate([box.vertices, 0.5 * box.vertices]),
        np.concatenate([box.triangles, box.triangles[:, ::-1] + count]),
    )
    keep, _, inner = outer_triangles(both)
    assert inner == 1 and np.array_equal(keep, np.arange(len(box.triangles)))


def test_folded_new_triangles_are_pulled_apart_and_the_others_stay() -> None:
    out = manifold3d.Manifold.cube([8, 8, 8], True).refine(16).to_mesh()
    box = Mesh(np.asarray(out.vert_properties[:, :3], float), out.tri_verts)
    new = (box.vertices[:, 2] > 3.9) & (np.abs(box.vertices[:, :2]).max(axis=1) < 3.6)
    vertices = np.array(box.vertices)
    folded = np.flatnonzero(new & (np.abs(box.vertices[:, :2]).max(axis=1) < 0.6))
    vertices[folded] += np.random.default_rng(0).normal(size=(len(folded), 3))
    mesh = Mesh(vertices, box.triangles)
    assert len(crossing_pairs(mesh)) > 5
    result, left = untangled(mesh, new, 0.5)
    assert len(crossing_pairs(result)) == len(left) == 0
    assert np.array_equal(result.vertices[~new], vertices[~new])


def test_kept_triangles_that_run_through_new_ones_are_cut_out_and_closed_again() -> None:
    out = manifold3d.Manifold.sphere(10.0, 96).refine(2).to_mesh64()
    vertices, triangles = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int32)
    new = (np.linalg.norm(vertices[:, :2], axis=1) < 3.0) & (vertices[:, 2] > 0)
    at = int(np.argmax(np.where(new, -np.inf, vertices[:, 2])))  # kept, beside what is new
    vertices[at, :2] *= 0.75  # over its neighbours, on the ball
    vertices[at] *= 10.0 / np.linalg.norm(vertices[at])
    band = Sewn(Mesh(vertices, triangles), np.where(new, -1, np.arange(len(vertices))))
    pairs = seam_crossings(band.mesh, new)
    assert len(pairs) > 3
    made, left = recut(band, np.zeros(len(vertices), bool), 0.4)
    assert len(left) == len(crossing_pairs(made.mesh)) == 0
    assert meshes.is_closed(made.mesh) and meshes.genus(made.mesh) == 0
    kept = made.origin >= 0
    assert kept.sum() > 0.9 * (~new).sum() and np.array_equal(made.mesh.vertices[kept], vertices[made.origin[kept]])
    assert np.abs(np.linalg.norm(made.mesh.vertices[~kept], axis=1) - 10.0).max() < 0.1
    assert recut(band, ~new, 0.4)[0] is band  # what has to stay is not cut


def test_a_scanned_corner_that_runs_through_a_large_new_triangle_is_given_up() -> None:
    """Its edges are as long as three of the scan's, so that what crosses it lies away from all new vertices."""
    out = manifold3d.Manifold.sphere(10.0, 96).refine(2).to_mesh64()
    vertices, triangles = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int32)
    within = (np.linalg.norm(vertices[:, :2], axis=1) < 1.0) & (vertices[:, 2] > 0)
    kept = triangles[~within[triangles].any(axis=1)]
    loop = (border_loops(kept, len(vertices)) or [])[0]
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), len(vertices))], axis=1)
    beside = np.setdiff1d(kept[np.isin(kept, loop).any(axis=1)], loop)
    aside = np.arctan2(vertices[beside[0], 1], vertices[beside[0], 0]) + 0.6
    vertices[beside[0]] = [0.5 * np.cos(aside), 0.5 * np.sin(aside), 9.985]
    mesh = Mesh(np.append(vertices, [[0.0, 0.0, 10.0]], axis=0), np.concatenate([kept, fan]).astype(np.int32))
    mesh, used = meshes.compacted(mesh)
    band = Sewn(mesh, np.where(used == len(vertices), -1, used))
    assert meshes.is_closed(mesh) and len(seam_crossings(mesh, band.origin < 0)) > 0
    made, left = recut(band, np.zeros(len(vertices), bool), 0.6)
    assert len(left) == len(crossing_pairs(made.mesh)) == 0 and meshes.is_closed(made.mesh)
    assert np.abs(np.linalg.norm(made.mesh.vertices, axis=1) - 10.0).max() < 0.15
    held = np.zeros(len(vertices), bool)
    held[beside[0]] = True
    assert len(recut(band, held, 0.6)[1]) > 0  # the rim stays


def test_a_spot_that_cannot_be_mended_does_not_keep_another_from_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two folds on a ball; what is made anew at the lower one is pushed through the surface, always."""
    out = manifold3d.Manifold.sphere(10.0, 96).refine(2).to_mesh64()
    vertices, triangles = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int32)
    new = np.linalg.norm(vertices[:, :2], axis=1) < 3.0
    for side in (1.0, -1.0):
        at = int(np.argmax(np.where(new, -np.inf, side * vertices[:, 2])))
        vertices[at, :2] *= 0.75
        vertices[at] *= 10.0 / np.linalg.norm(vertices[at])
    band = Sewn(Mesh(vertices, triangles), np.where(new, -1, np.arange(len(vertices))))
    before = band.mesh.vertices[band.mesh.triangles[seam_crossings(band.mesh, new)]][:, :, :, 2]
    assert (before > 0).any() and (before < 0).any()
    whole_faired = recutting.faired

    def spoilt(mesh: Mesh, free: np.ndarray, *rest: object) -> Mesh:
        moved = np.array(whole_faired(mesh, free, *rest).vertices)  # type: ignore[arg-type]
        low = free[moved[free, 2] < 0]
        moved[low, :2] += 2.0 * np.random.default_rng(0).normal(size=(len(low), 2))
        return Mesh(moved, mesh.triangles)

    monkeypatch.setattr(recutting, "faired", spoilt)
    made, left = recut(band, np.zeros(len(vertices), bool), 0.4)
    after = made.mesh.vertices[made.mesh.triangles[left]][:, :, :, 2]
    assert len(left) and (after < 0).all()


def test_near_some_places_a_part_of_the_field_draws_the_same_surface() -> None:
    places = np.array([[5.0, 0.3, 0.2], [0.1, -5.0, 0.4]])
    keys = ball_keys(np.zeros((1, 3)), 9.0, np.full(3, -12.0), 0.5)
    field = Field(keys, np.zeros(len(keys)), np.full(3, -12.0), 0.5)
    field = Field(keys, 5.0 - np.linalg.norm(field.points(), axis=1), field.origin, field.step_mm)
    part = field.near(places)
    assert 0 < len(part.keys) < 0.1 * len(keys)

    def around(mesh: Mesh) -> tuple[np.ndarray, int]:
        close = cKDTree(places).query(mesh.vertices)[0] < 2.0 * field.step_mm
        open_ones = np.unique(meshes.border_edges(mesh))
        return np.unique(mesh.vertices[close].round(9), axis=0), int(close[open_ones].sum())

    (some, ends), (every, _) = around(part.surface(closed=False)), around(field.surface(closed=False))
    assert len(some) > 10 and np.array_equal(some, every) and ends == 0


def torus() -> Mesh:
    points = grid(50)
    away = points - 25.3
    values = 5.0**2 - (np.hypot(away[:, 0], away[:, 1]) - 14.0) ** 2 - away[:, 2] ** 2
    return contour(pack(points), values, np.zeros(3), 1.0)


def test_coarsening_keeps_handle_border_and_place() -> None:
    mesh = torus()
    fewer = coarsened(mesh, 0.9)
    assert meshes.is_closed(fewer) and meshes.genus(fewer) == 1
    assert len(fewer.triangles) < 0.45 * len(mesh.triangles)
    assert meshes.volume(fewer) == pytest.approx(2 * np.pi**2 * 14 * 25, rel=0.03)  # 2 pi^2 R r^2
    ends = fewer.vertices[meshes.edges(fewer)]
    length = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)
    assert np.mean(length < 0.9) < 0.1
    half = meshes.compacted(mesh, np.flatnonzero(meshes.triangle_centres(mesh)[:, 0] > 25.3).astype(np.int32))[0]
    cut = coarsened(half, 0.9)
    loops = border_loops(cut.triangles, len(cut.vertices))
    assert loops is not None and len(loops) == len(border_loops(half.triangles, len(half.vertices)) or []) == 2


def test_fairing_runs_through_what_was_measured() -> None:
    out = manifold3d.Manifold.sphere(10.0, 96).refine(2).to_mesh64()
    ball = Mesh(np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int32))
    middle = np.linalg.norm(ball.vertices[:, :2], axis=1) < 3.0
    free = np.flatnonzero(middle & (ball.vertices[:, 2] > 0))
    exact = ball.vertices[free]
    smooth = faired(ball, free)
    # without measurements the patch goes on around its border: off by far less than the cap's height of 0.46 mm
    assert np.abs(np.linalg.norm(smooth.vertices[free], axis=1) - 10.0).max() < 0.1
    raised = Measured(exact * 1.02, exact / 10.0)
    held = faired(ball, free, raised, 0.4)
    inner = np.linalg.norm(exact[:, :2], axis=1) < 1.5
    assert np.abs(np.linalg.norm(held.vertices[free[inner]], axis=1) - 10.2).max() < 0.03
    away = Measured(exact * 1.02, -exact / 10.0)  # faces the other way: another surface, not followed
    assert np.abs(np.linalg.norm(faired(ball, free, away, 0.4).vertices[free], axis=1) - 10.0).max() < 0.1
    kept = np.setdiff1d(np.arange(len(ball.vertices)), free)
    assert np.array_equal(held.vertices[kept], ball.vertices[kept])


def test_open_vertices_are_those_of_a_missing_triangle() -> None:
    mesh = torus()
    assert not meshes.open_vertices(mesh).any()
    holed = Mesh(mesh.vertices, mesh.triangles[1:])
    assert set(np.flatnonzero(meshes.open_vertices(holed))) == set(mesh.triangles[0].tolist())


def test_a_band_must_end_where_the_crops_were_cut() -> None:
    fragments, placements = solids.in_two(solids.bored_block(), spacing_mm=0.3)
    parts = [meshes.placed(f.mesh, p.part_from_scan) for f, p in zip(fragments, placements, strict=True)]
    cut = crops(parts, [np.zeros(len(part.vertices), bool) for part in parts], 0.3)
    mesh = joined([crop.mesh for crop in cut])
    number = np.arange(len(mesh.vertices))
    assert meets_rims(cut, Sewn(mesh, number))
    assert not meets_rims(cut, Sewn(Mesh(mesh.vertices, mesh.triangles[1:]), number))
    assert not meets_rims(cut, Sewn(Mesh(mesh.vertices, np.vstack([mesh.triangles, mesh.triangles[:1]])), number))


def test_folds_of_the_scans_are_counted() -> None:
    mesh = torus()
    nothing = np.zeros(len(mesh.vertices), bool)
    assert folded_crossings(mesh, nothing) == 0
    vertices = np.array(mesh.vertices)
    corner = mesh.triangles[0, 0]
    normal = meshes.vertex_normals(mesh)[corner]
    aside = np.cross(normal, [0.3, 0.5, 0.8])
    vertices[corner] += 3.0 * aside / np.linalg.norm(aside) - 0.2 * normal
    folded = Mesh(vertices, mesh.triangles)
    assert 0 < folded_crossings(folded, nothing) <= len(crossing_pairs(folded))
    assert folded_crossings(folded, ~nothing) == 0


def test_fairing_leaves_a_body_without_anything_to_hold_it() -> None:
    mesh = torus()
    alone = faired(mesh, np.arange(len(mesh.vertices)))
    assert np.isfinite(alone.vertices).all()


def test_a_small_patch_that_ends_at_the_cut_counts_by_any_of_its_corners() -> None:
    """Six triangles around a point: all but the middle lie on the cut, and each triangle names the middle first."""
    around = np.deg2rad(np.arange(0, 360, 60))
    points = np.vstack([np.zeros((1, 3)), np.column_stack([np.cos(around), np.sin(around), np.zeros(6)])])
    fan = np.array([[0, k, k % 6 + 1] for k in range(1, 7)], np.int32)
    rim = np.arange(7) > 0
    assert reaching_rim(Sewn(Mesh(points, fan), np.arange(7)), rim, np.zeros(6, int)).tolist() == [True]
    assert reaching_rim(Sewn(Mesh(points, fan), np.full(7, -1)), rim, np.zeros(6, int)).tolist() == [False]


def test_what_goes_on_from_a_break_counts_only_where_roughness_tells() -> None:
    rng = np.random.default_rng(8)
    across = np.arange(40) * 0.3
    x, y = (side.ravel() for side in np.meshgrid(across, across, indexing="ij"))
    corner = (np.arange(39)[:, None] * 40 + np.arange(39)).ravel()
    triangles = np.vstack([np.column_stack([corner, corner + 40, corner + 1]),
                           np.column_stack([corner + 1, corner + 40, corner + 41])]).astype(np.int32)  # fmt: skip
    broken, asked = x < 4.0, x > 10.0
    side = Contact(np.full(1600, np.inf), np.zeros(1600, bool), np.zeros(0, np.int32), 1.0)
    for rough, found in ((0.02, False), (0.15, True)):
        z = rng.normal(scale=np.where(broken | asked, rough, 0.02))
        part = Mesh(np.column_stack([x, y, z]), triangles)
        normals = meshes.averaged_normals(part, meshes.vertex_normals(part), 2)
        torn = Torn(part, normals, side, broken, asked, 0.3)
        assert (len(torn([np.flatnonzero(asked)])[0]) > 0) == found


def test_surfaces_bound_a_step_with_a_corner_and_an_edge_in_one_order() -> None:
    """A step: floor z = 0 for x < 0, wall x = 0, top z = 2; the part is under the floor, or under the top behind x."""
    rng = np.random.default_rng(4)
    u, v = rng.uniform(0.3, 4.0, 300), rng.uniform(-4.0, 4.0, 300)
    zero = np.zeros(300)
    floor, top = np.column_stack([-u, v, zero]), np.column_stack([u, v, zero + 2.0])
    wall = np.column_stack([zero, v, u / 2.1])
    over = [lambda p: p[:, 2], lambda p: -p[:, 0], lambda p: p[:, 2] - 2.0]
    tree = combined([[height(points) for height in over] for points in (floor, wall, top)], 0.1)
    asked = np.array([[-1.0, 0.0, 0.4], [1.0, 0.0, 0.4], [1.0, 0.0, 2.5], [-0.2, 0.0, -1.0], [0.3, 0.0, 1.9]])
    assert tree is not None
    heights, which = bounded(tree, np.stack([height(asked) for height in over]))
    assert heights == pytest.approx([0.4, -1.0, 0.5, -1.0, -0.1]) and which.tolist() == [0, 1, 2, 0, 2]
    crossing = np.column_stack([u, v, rng.uniform(-2.0, 2.0, 300)])  # lies on none of them in any order
    assert combined([[height(points) for height in over] for points in (floor, wall, crossing)], 0.1) is None
    assert combined([], 0.1) is None



def test_a_wall_out_of_proportion_to_the_bare_fracture_is_no_chip() -> None:
    areas = [np.ones(10), np.ones(200)]
    bare, nothing = np.arange(10), np.zeros(0, np.int64)
    for walls, fits in ((0, False), (1, True), (90, True), (110, False)):
        assert in_measure(Hollow(0, bare, nothing, [nothing, np.arange(walls)]), areas, 1.0) == fits


def hollowed(height: np.ndarray, x: np.ndarray, y: np.ndarray, strip: float = -2.0) -> tuple[set[int], np.ndarray]:
    """What of a surface z(x, y) is a wall for bare fracture 1.5 mm above its middle; and which lies within 2 mm."""
    n = len(x)
    cell = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).reshape(-1)
    two = [[cell, cell + n, cell + 1], [cell + n, cell + n + 1, cell + 1]]
    part = Mesh(np.stack([x, y, height], -1).reshape(-1, 3), np.concatenate([np.stack(t, 1) for t in two]))
    removed = ((y < strip) & (y > strip - 0.9) & (np.abs(x) < 2.0)).ravel()
    side = Contact(np.zeros(n * n), removed, np.flatnonzero(removed), 0.9)
    steps = np.arange(-2.0, 2.1, 0.3)
    spots = np.array([[u, v, 1.5] for u in steps for v in steps])
    down = np.tile([0.0, 0.0, -1.0], (len(spots), 1))
    found = walls_facing(part, meshes.vertex_normals(part), spots, down, 16.0, ~removed, side, 0.3)
    return set(found.tolist()), (np.maximum(np.abs(x), np.abs(y)) <= 2.0).ravel()


def test_a_chips_wall_ends_at_its_edges_where_hollow_surface_beside_it_faces_it_too() -> None:
    noise = np.random.default_rng(4).normal(scale=0.01, size=(41, 41))
    x, y = np.meshgrid(0.3 * np.arange(-20, 21), 0.3 * np.arange(-20, 21), indexing="ij")
    trough = 0.04 * x**2 + noise
    pit = np.clip(2.0 - np.maximum(np.abs(x), np.abs(y)), 0.0, 1.0)
    found, within = hollowed(trough - pit, x, y)
    wide = (np.maximum(np.abs(x), np.abs(y)) <= 2.7).ravel()  # the edge itself is two rings wide
    assert len(found & set(np.flatnonzero(within))) > 0.95 * within.sum()
    assert found <= set(np.flatnonzero(wide))
    assert hollowed(trough - pit, x, y, strip=-5.0)[0] == set(), "no wall comes near to the strip"
    smooth = 0.6 * np.exp(-(x**2 + y**2) / 2.0)
    found, within = hollowed(trough - smooth, x, y)
    assert len(found) > 1.5 * within.sum(), "without edges all that faces the fracture counts"


def rounded_edge(radius: float, step: float) -> tuple[Mesh, np.ndarray]:
    """Two flanks square to each other and the round between them along z, and the exact height of each vertex."""
    x, z = (axis.ravel() for axis in np.meshgrid(np.arange(-8, 8.01, step), np.arange(-9, 9.01, step), indexing="ij"))
    ends = radius / np.sqrt(2)
    height = np.where(np.abs(x) < ends, np.sqrt(np.maximum(radius**2 - x**2, 0.0)), 2.0 * ends - np.abs(x))
    noise = 0.01 * np.random.default_rng(0).normal(size=len(x))
    across, along = len(np.arange(-8, 8.01, step)), len(np.arange(-9, 9.01, step))
    i = np.arange(len(x)).reshape(across, along)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    triangles = np.concatenate([np.stack([a, c, b], 1), np.stack([a, d, c], 1)]).astype(np.int32)
    return Mesh(np.stack([x, height + noise, z], axis=1), triangles), height


def test_a_fill_does_not_sharpen_a_rounded_edge() -> None:
    """Beside the chip the flanks are planes, which would meet 1.2 mm over the round: it shows beyond both ends."""
    mesh, height = rounded_edge(3.0, 0.3)
    x, _, z = mesh.vertices.T
    chip = (np.abs(x) < 3.0) & (np.abs(z) < 5.0)
    sunken = mesh.vertices - 0.15 * chip[:, None] * [0.0, 1.0, 0.0]
    made, _ = continued(Mesh(sunken, mesh.triangles), chip, chip | (np.abs(x) < 0.8), 0.3, 0.3)
    assert np.abs(made.vertices[chip, 1] - height[chip]).max() < 0.25


@pytest.mark.parametrize(("radius_mm", "step_mm"), [(1.0, 0.15), (2.0, 0.2), (3.0, 0.15), (3.0, 0.3)])
def test_over_a_chip_at_a_rounded_edge_its_flanks_tell_where_the_surface_was(radius_mm: float, step_mm: float) -> None:
    """Flanks and round run into each other without a bend: together they are neither a plane nor a quadric."""
    mesh, height = rounded_edge(radius_mm, step_mm)
    x, _, z = mesh.vertices.T
    chip = np.hypot(x - 1.5, z) < 2.0
    over = heights_over(mesh, [np.flatnonzero(chip)], chip, step_mm)[0]
    off = over(np.stack([x, height, z], axis=1)[chip])
    assert off is not None and off.max() < 0.05 and off.min() > -0.42 * radius_mm
    assert np.percentile(off, 50) > -0.15


def test_on_a_fine_scan_the_remains_of_a_chips_wall_are_not_carried_on() -> None:
    """A bowl in a plane, 6 mm wide at 0.1 mm: a strip of its wall is still there, ten spacings wide."""
    axis = np.arange(-7.0, 7.01, 0.1)
    x, y = (along.ravel() for along in np.meshgrid(axis, axis, indexing="ij"))
    within = x**2 + y**2 < 9.0
    deep = within * (1.0 - np.sqrt(np.maximum(10.0 - x**2 - y**2, 1.0)))
    i = np.arange(len(x)).reshape(len(axis), len(axis))
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    chip = within & (x > -2.0)
    height = np.where(chip, -0.3, deep) + 0.01 * np.random.default_rng(0).normal(size=len(x))
    made, _ = continued(Mesh(np.stack([x, y, height], axis=1), triangles), chip, chip, 0.1, 0.1)
    assert np.abs(made.vertices[chip, 2]).max() < 0.4
