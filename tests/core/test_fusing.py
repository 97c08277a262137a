"""Fusing: known solids cut and fused again, against closed forms, manifold3d, trimesh and pyvista."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import manifold3d
import numpy as np
import pytest

from rejoin.core import meshes
from rejoin.core.errors import Cancelled, NoAnswer
from rejoin.core.fusing import chips, crack, fuse_fragments, healing, reducing, sewing, untangling
from rejoin.core.records import FractureFace, Fragment, Joint, Mesh, Placement, Whole
from rejoin.core.settings import FuseSettings
from rejoin.core.transforms import apply
from tests.core import broken_solids as solids


def fused(fragments: tuple[Fragment, ...], placements: tuple[Placement, ...], joints: tuple[Joint, ...] = ()) -> Whole:
    return fuse_fragments(fragments, placements, joints, FuseSettings())


@pytest.fixture(scope="module")
def block() -> tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole]:
    fragments, placements = solids.in_two(solids.bored_block())
    return fragments, placements, fused(fragments, placements)


def test_bored_block_is_one_closed_shell_with_its_bore(block: tuple[object, object, Whole]) -> None:
    whole = block[2]
    assert whole.closed and meshes.is_closed(whole.mesh)
    assert (whole.shells, whole.genus) == (1, 1)
    assert whole.notes == ()
    # closed form: block less a 64-sided prism
    exact = 12 * 10 * 20 - 20 * 0.5 * 64 * 2.5**2 * np.sin(2 * np.pi / 64)
    assert whole.volume_mm3 == pytest.approx(exact, rel=3e-3)
    assert exact == pytest.approx(solids.bored_block().volume(), rel=1e-9)


def test_trimesh_and_pyvista_agree(block: tuple[object, object, Whole]) -> None:
    import pyvista
    import trimesh

    whole = block[2]
    other = trimesh.Trimesh(whole.mesh.vertices, whole.mesh.triangles, process=False)
    assert other.is_watertight and other.is_winding_consistent
    assert other.euler_number == 2 - 2 * whole.genus
    assert other.volume == pytest.approx(whole.volume_mm3, rel=1e-9)
    faces = np.column_stack([np.full(len(whole.mesh.triangles), 3), whole.mesh.triangles]).ravel()
    surface = pyvista.PolyData(np.array(whole.mesh.vertices), faces)
    assert surface.area == pytest.approx(whole.area_mm2, rel=1e-5)  # pyvista keeps float32 areas
    assert surface.n_open_edges == 0


def test_kept_vertices_do_not_move_by_a_bit(block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole]) -> None:
    fragments, placements, whole = block
    standing = {vertex.tobytes() for vertex in whole.mesh.vertices}
    trees = [apply(p.part_from_scan, f.mesh.vertices) for f, p in zip(fragments, placements, strict=True)]
    for own, other in ((trees[0], trees[1]), (trees[1], trees[0])):
        from scipy.spatial import cKDTree

        far = cKDTree(other).query(own)[0] > 4.0 * fragments[0].spacing_mm
        assert far.sum() > 1000
        assert all(vertex.tobytes() in standing for vertex in own[far])
    assert whole.original_moved_mm == 0.0


def test_seam_lies_on_the_intact_surface(block: tuple[object, object, Whole]) -> None:
    import pyvista

    whole = block[2]
    out = solids.bored_block().to_mesh()
    faces = np.column_stack([np.full(len(out.tri_verts), 3), out.tri_verts]).ravel()
    intact = pyvista.PolyData(np.array(out.vert_properties[:, :3]), faces)
    seam = pyvista.PolyData(whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.seam_triangles])])
    distance = np.abs(seam.compute_implicit_distance(intact)["implicit_distance"])
    assert np.percentile(distance, 95) < 0.17  # a third of the 0.5 mm spacing; 0.1 mm is asked at 0.3


@pytest.mark.parametrize("gap_mm", [-0.15, 0.12, 0.4])
def test_closed_whether_faces_overlap_or_gape(gap_mm: float) -> None:
    fragments, placements = solids.in_two(solids.bored_block(), gap_mm)
    whole = fused(fragments, placements)
    assert whole.closed and (whole.shells, whole.genus) == (1, 1)
    # what is missing between the faces is closed: the whole has the intact volume again
    assert whole.volume_mm3 == pytest.approx(solids.bored_block().volume(), rel=4e-3)


def test_three_fragments_meet_at_one_edge() -> None:
    fragments, placements = solids.in_three(solids.bored_block())
    whole = fused(fragments, placements)
    assert whole.closed and (whole.shells, whole.genus) == (1, 1)
    assert whole.volume_mm3 == pytest.approx(solids.bored_block().volume(), rel=6e-3)  # spacing 0.5 on a 12 mm block


def test_a_flat_coplanar_break_without_noise() -> None:
    solid = solids.bored_block()
    upper, lower = solid.split_by_plane([0, 0, 1], 0.0)
    both = [solids.fragment(body, 0.3, 0.0, k, f"f{k}") for k, body in enumerate((upper, lower))]
    whole = fused(tuple(f for f, _ in both), tuple(p for _, p in both))
    assert whole.closed and (whole.shells, whole.genus, whole.crossing_pairs) == (1, 1, 0)
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=6e-3)  # spacing 0.4 on a 12 mm block


def without_disc(fragment: Fragment, placement: Placement, centre: list[float], radius: float) -> Fragment:
    placed = meshes.placed(fragment.mesh, placement.part_from_scan)
    keep = np.linalg.norm(meshes.triangle_centres(placed) - centre, axis=1) > radius
    mesh, _ = meshes.compacted(fragment.mesh, np.flatnonzero(keep).astype(np.int32))
    return replace(fragment, mesh=mesh, closed=False)


def test_scan_hole_is_closed_and_listed_and_a_large_one_left_open(block: tuple[object, object, Whole]) -> None:
    fragments, placements, plain = block
    holed = without_disc(fragments[0], placements[0], [6.0, 0.0, 6.0], 1.5)  # type: ignore[index]
    whole = fused((holed, fragments[1]), placements)  # type: ignore[index,arg-type]
    assert whole.closed and [fill.kind for fill in whole.fills] == ["scan hole"]
    assert whole.fills[0].across_mm == pytest.approx(3.0, abs=0.6)
    assert whole.volume_mm3 == pytest.approx(plain.volume_mm3, rel=1e-3)
    assert len(whole.filled_triangles) > 20
    filled = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])]
    assert np.abs(filled[:, 0] - 6.0).max() < 0.15  # the flat side goes on
    left_open = fuse_fragments((holed, fragments[1]), placements, (), FuseSettings(largest_hole_mm=1.0))  # type: ignore[index,arg-type]
    assert not left_open.closed and "left open" in left_open.notes[0] and left_open.fills == ()
    assert len(meshes.border_edges(left_open.mesh)) > 10


def test_the_volume_of_a_fill_in_a_hollow_surface_is_no_less_than_nothing(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole],
) -> None:
    """In the wall of the bore a fill lies beyond the flat lid over its hole."""
    (first, second), (at_first, at_second), _ = block
    whole = fused((without_disc(first, at_first, [2.5, 0.0, 6.0], 1.3), second), (at_first, at_second))
    (fill,) = whole.fills
    depth = 2.5 - np.sqrt(2.5**2 - 1.3**2)  # of the arc across the hole
    assert 0.0 < fill.volume_mm3 < depth * np.pi * 1.3**2
    assert whole.filled_mm3 == fill.volume_mm3


def test_hole_in_a_fracture_face_vanishes_with_the_crack(block: tuple[object, object, Whole]) -> None:
    fragments, placements, _ = block
    holed = without_disc(fragments[0], placements[0], [4.2, 0.0, solids.wave(np.array(4.2), np.array(0.0)) * 1.0], 0.9)  # type: ignore[index]
    whole = fused((holed, fragments[1]), placements)  # type: ignore[index,arg-type]
    assert whole.closed and whole.fills == () and (whole.shells, whole.genus) == (1, 1)


def test_inside_out_nested_and_twice_placed_scans(block: tuple[object, object, Whole]) -> None:
    (first, second), (at_first, at_second), plain = block  # type: ignore[misc]
    turned = replace(first, mesh=Mesh(first.mesh.vertices, first.mesh.triangles[:, ::-1].copy()))
    ball = manifold3d.Manifold.sphere(1.0, 24).translate([4.2, 0.0, 6.0]).to_mesh()
    inner = np.linalg.inv(at_first.part_from_scan)
    nested = Mesh(
        np.concatenate([first.mesh.vertices, apply(inner, np.asarray(ball.vert_properties[:, :3], float))]),
        np.concatenate([first.mesh.triangles, ball.tri_verts[:, ::-1].astype(np.int64) + len(first.mesh.vertices)]),
    )
    for fragments, places, word in (
        ((turned, second), (at_first, at_second), "inside out"),
        ((replace(first, mesh=nested), second), (at_first, at_second), "inside it"),
        ((first, second, second), (at_first, at_second, at_second), "already"),
    ):
        whole = fused(fragments, places)
        assert whole.closed and (whole.shells, whole.genus) == (1, 1)
        assert any(word in note for note in whole.notes) and len(whole.notes) == 1
        assert whole.volume_mm3 == pytest.approx(plain.volume_mm3, rel=1e-6)


Chipped = tuple[tuple[Fragment, ...], tuple[Placement, ...], tuple[Joint, ...]]


@pytest.fixture(scope="module")
def chipped() -> Chipped:
    """The bored block broken in two, with a chip at the rim."""
    solid = solids.bored_block()
    ball = manifold3d.Manifold.sphere(1.6, 48).translate([6.2, 0.5, 0.6])
    upper, lower = solid ^ solids.beyond(0, True, 0.4, 0.0), solid ^ solids.beyond(0, False, 0.4, 0.37)
    both = [solids.fragment(body, 0.4, 0.02, k, f"f{k}") for k, body in enumerate((upper - ball, lower - ball))]
    fragments, placements = tuple(f for f, _ in both), tuple(p for _, p in both)
    faces = []
    for index, (one, at) in enumerate(both):
        placed = meshes.placed(one.mesh, at.part_from_scan)
        centre = meshes.triangle_centres(placed)
        wall = np.abs(np.linalg.norm(centre - [6.2, 0.5, 0.6], axis=1) - 1.6) < 0.15
        face = np.abs(centre[:, 2] - solids.wave(centre[:, 0], centre[:, 1])) < 0.15
        faces.append(FractureFace(index, np.flatnonzero(wall | face).astype(np.int32), 0.0, 1.0, "person"))
    return fragments, placements, (Joint(0, 1, faces[0], faces[1], np.eye(4), None),)  # type: ignore[arg-type]


def test_chip_at_the_rim_is_healed_only_where_fracture_faces_tell_it(chipped: Chipped) -> None:
    fragments, placements, (joint,) = chipped
    solid = solids.bored_block()
    ball = manifold3d.Manifold.sphere(1.6, 48).translate([6.2, 0.5, 0.6])
    notched, healed = fused(fragments, placements), fused(fragments, placements, (joint,))
    assert notched.closed and healed.closed and healed.genus == notched.genus == 1
    left = fuse_fragments(fragments, placements, (joint,), FuseSettings(chips="leave"))
    small = fuse_fragments(fragments, placements, (joint,), FuseSettings(largest_chip_mm=1.0))
    assert left.fills == small.fills == () and left.volume_mm3 == notched.volume_mm3 == small.volume_mm3
    assert notched.fills == () and [fill.kind for fill in healed.fills] == ["chip"]
    missing = (solid ^ ball).volume()
    assert healed.volume_mm3 == pytest.approx(solid.volume(), rel=3e-3)
    assert healed.volume_mm3 - notched.volume_mm3 > 0.3 * missing
    assert healed.filled_mm3 == pytest.approx(healed.volume_mm3 - notched.volume_mm3, rel=0.35)  # four points deep


def test_a_hollow_that_reaches_too_far_is_said_and_left(chipped: Chipped, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chips, "cut_short", lambda parts, rims, found: [True] * len(found))
    whole = fused(*chipped)
    assert whole.closed and whole.fills == ()
    assert [note for note in whole.notes if "reaches too far from the crack" in note] == list(whole.notes)


def test_a_frame_broken_in_two_places_is_one_body_through_both_halves() -> None:
    """The cracks are two bodies of new surface; each half ends along both."""
    frame = manifold3d.Manifold.cube([24, 6, 40], True) - manifold3d.Manifold.cube([12, 20, 28], True)
    whole = fused(*solids.in_two(frame))
    assert whole.closed and (whole.shells, whole.genus) == (1, 1)
    assert whole.volume_mm3 == pytest.approx(frame.volume(), rel=5e-3)


def test_a_hollow_larger_than_is_filled_is_said_and_left(chipped: Chipped) -> None:
    healed = fused(*chipped)
    across = max(fill.across_mm for fill in healed.fills)
    left = fuse_fragments(*chipped, FuseSettings(largest_chip_mm=0.3 * across))
    assert left.closed and left.fills == () and left.volume_mm3 < healed.volume_mm3
    assert len([note for note in left.notes if "larger than" in note and "left as it is" in note]) == 1


def test_where_the_healing_surface_cannot_be_sewn_it_is_cut_back_farther(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gap in it beside the crack is a border without a partner, on a finer grid too; cut back, it has none."""
    whole_patch, asked = sewing._healing_patch, list[tuple[float, float]]()

    def with_a_gap(ready: Any, shore: Any, overlap: float, spacing_mm: float) -> Mesh:
        patch = whole_patch(ready, shore, overlap, spacing_mm)
        asked.append((ready.healing.field.step_mm / spacing_mm, overlap))
        if overlap == sewing.OVERLAPS[0]:
            far = np.linalg.norm(meshes.triangle_centres(patch) - patch.vertices[0], axis=1)
            patch = meshes.compacted(patch, np.flatnonzero(far > 6.0).astype(np.int32))[0]
        return patch

    monkeypatch.setattr(sewing, "_healing_patch", with_a_gap)
    whole = fused(block[0], block[1])
    wide, fine = sewing.STEPS
    near, farther = sewing.OVERLAPS
    assert np.allclose(asked, [(wide, near), (fine, near), (fine, farther)])
    assert whole.closed and (whole.shells, whole.genus) == (1, 1) and whole.notes == ()


def test_what_crosses_inside_and_is_dropped_is_not_counted(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two bubbles that run through each other under the original surface, made by the healing: neither is kept."""
    recut, seen = crack.recut, list[int]()
    bubbles = manifold3d.Manifold.sphere(0.4).translate([-4.5, -3.2, 0.0]).to_mesh()
    one = Mesh(bubbles.vert_properties[:, :3].astype(float), bubbles.tri_verts.astype(np.int32))
    two = Mesh(one.vertices + [0.2, 0.1, 0.05], one.triangles)

    def with_bubbles(band: sewing.Sewn, rims: Any, spacing_mm: float) -> tuple[sewing.Sewn, Any]:
        band = recut(band, rims, spacing_mm)[0]
        origin = np.concatenate([band.origin, np.full(2 * len(one.vertices), -1)])
        both = sewing.Sewn(sewing.joined([band.mesh, one, two]), origin)
        pairs = untangling.seam_crossings(both.mesh, origin < 0)
        seen.append(len(pairs))
        return both, pairs

    monkeypatch.setattr(crack, "recut", with_bubbles)
    monkeypatch.setattr(crack, "untangled", lambda mesh, new, _: (mesh, untangling.seam_crossings(mesh, new)))
    whole = fused(block[0], block[1])
    assert seen[0] > 0 and whole.shells == 1 and whole.crossing_pairs == 0


@pytest.mark.parametrize(("spacings", "taken"), [(0.5, True), (2.0, False)])
def test_triangles_are_freed_only_where_that_bends_nothing(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole], monkeypatch: pytest.MonkeyPatch,
    spacings: float, taken: bool,
) -> None:  # fmt: skip
    """One corner of the new surface is pushed through it; what frees it lifts that corner by so many spacings."""

    def folded(band: sewing.Sewn, rims: Any, spacing_mm: float) -> tuple[sewing.Sewn, Any]:
        new, vertices = np.flatnonzero(band.origin < 0), np.array(band.mesh.vertices)
        at = new[np.linalg.norm(vertices[new] - vertices[new].mean(axis=0), axis=1).argmin()]
        vertices[at] = vertices[new[np.linalg.norm(vertices[new] - vertices[at], axis=1).argsort()[20]]] + 0.05
        band = sewing.Sewn(Mesh(vertices, band.mesh.triangles), band.origin)
        return band, untangling.seam_crossings(band.mesh, band.origin < 0)

    def lifted(mesh: Mesh, new: Any, spacing_mm: float) -> tuple[Mesh, Any]:
        moved = np.array(mesh.vertices)
        moved[np.flatnonzero(new)[0], 2] += spacings * spacing_mm
        return Mesh(moved, mesh.triangles), np.zeros((0, 2), np.int64)

    monkeypatch.setattr(crack, "recut", folded)
    monkeypatch.setattr(crack, "untangled", lifted)
    assert (fused(block[0], block[1]).crossing_pairs == 0) == taken


def test_an_edge_that_ran_through_a_chip_is_carried_on() -> None:
    """Closed form: the edge of a block, 12 by 10 mm. Fairing alone rounds it off by 0.6 mm."""
    solid = solids.bored_block()
    ball = manifold3d.Manifold.sphere(2.8, 48).translate([5.4, 4.4, 0.5])
    upper, lower = solid ^ solids.beyond(0, True, 0.4, 0.0), solid ^ solids.beyond(0, False, 0.4, 0.37)
    both = [solids.fragment(body, 0.4, 0.02, k, f"f{k}") for k, body in enumerate((upper - ball, lower))]
    faces = solids.faces_of_break(both)
    joint = Joint(0, 1, faces[0], faces[1], np.eye(4), None)  # type: ignore[arg-type]
    whole = fused(tuple(f for f, _ in both), tuple(p for _, p in both), (joint,))
    assert whole.closed and (whole.shells, whole.genus) == (1, 1)
    assert [fill.kind for fill in whole.fills] == ["chip"]
    x, y, _ = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])].T
    off = np.abs(np.maximum(x - 6.0, y - 5.0))
    assert len(off) > 20 and np.median(off) < 0.05 and np.percentile(off, 95) < 0.3
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=1.5e-3)


def test_unplaced_fragments_are_skipped_and_none_placed_is_no_answer(block: tuple[object, object, Whole]) -> None:
    (first, second), (at_first, _), _ = block  # type: ignore[misc]
    nowhere = Placement(None, "program", why="no joint")
    alone = fused((first, second), (at_first, nowhere))
    assert alone.closed and alone.volume_mm3 == pytest.approx(meshes.volume(first.mesh), rel=1e-9)
    with pytest.raises(NoAnswer):
        fused((first, second), (nowhere, nowhere))


def test_same_input_gives_the_same_bytes(block: tuple[object, object, Whole]) -> None:
    fragments, placements, whole = block
    again = fused(fragments, placements)  # type: ignore[arg-type]
    assert again.mesh.vertices.tobytes() == whole.mesh.vertices.tobytes()
    assert again.mesh.triangles.tobytes() == whole.mesh.triangles.tobytes()


def test_the_person_can_stop_it(block: tuple[object, object, Whole]) -> None:
    def stop(share: float, sentence: str) -> None:
        if share > 0.25:
            raise Cancelled

    with pytest.raises(Cancelled):
        fuse_fragments(block[0], block[1], (), FuseSettings(), stop)  # type: ignore[arg-type]


@pytest.mark.parametrize("moved_mm", [(0.3, 0.2, 0.1), (3.0, -2.0, 0.4), (0.0, 0.0, 60.0), (3.0, 2.5, -6.0)])
def test_wrong_placements_end_in_a_whole_that_says_so(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole], moved_mm: tuple[float, float, float]
) -> None:
    fragments, (first, second), _ = block
    matrix = np.array(second.part_from_scan)
    matrix[:3, 3] -= moved_mm
    whole = fused(fragments, (first, Placement(matrix, "person")))
    assert whole.closed == meshes.is_closed(whole.mesh)
    assert whole.closed or whole.notes
    assert (whole.shells > 1) == any("separate bodies" in note for note in whole.notes)
    if moved_mm[2] < 0:  # nearly half of either lies inside the other
        assert any("volume" in note for note in whole.notes)


def test_a_crack_too_large_for_the_grid_is_united_and_said(
    block: tuple[tuple[Fragment, ...], tuple[Placement, ...], Whole], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(healing, "MOST_POINTS", 1000)
    whole = fused(block[0], block[1])
    assert whole.closed and any("could not be healed" in note for note in whole.notes)


def test_size_wall_and_distances_of_the_bored_block(block: tuple[object, object, Whole]) -> None:
    whole = block[2]
    # closed form: 12 x 10 x 20 mm; between the bore of radius 2.5 and the flat side at 5 stand 2.5 mm
    assert whole.size_mm == pytest.approx([12, 10, 20], abs=0.15)  # noise of 0.02 mm, and its largest on either side
    assert whole.thinnest_mm == pytest.approx(2.5, abs=0.15)
    assert whole.farthest_in_band_mm is not None and 0.0 < whole.farthest_in_band_mm < 0.6
    assert whole.farthest_outside_mm == 0.0 and whole.open_holes == () and whole.reduced_mm is None


def test_the_thinnest_wall_is_no_noise_of_a_fine_scan() -> None:
    """Closed form: 5 - 2.5 mm beside the bore. Triangles as small as their noise lean by 30 degrees."""
    whole = fused(*solids.in_two(solids.bored_block(), spacing_mm=0.15, noise_mm=0.04))
    assert whole.thinnest_mm == pytest.approx(2.5, abs=0.25)


def test_reduced_to_a_tolerance_that_is_measured(block: tuple[object, object, Whole]) -> None:
    import pyvista

    fragments, placements, plain = block
    whole = fuse_fragments(fragments, placements, (), FuseSettings(reduce_mm=0.15))  # type: ignore[arg-type]
    assert whole.closed and (whole.shells, whole.genus) == (1, 1)
    assert whole.reduced_mm is not None and whole.reduced_mm == whole.farthest_outside_mm
    assert len(whole.mesh.triangles) < 0.3 * len(plain.mesh.triangles)
    assert len(whole.seam_triangles) > 0
    faces = np.column_stack([np.full(len(whole.mesh.triangles), 3), whole.mesh.triangles]).ravel()
    surface = pyvista.PolyData(np.array(whole.mesh.vertices), faces)
    asked = pyvista.PolyData(plain.mesh.vertices[::40])
    distance = np.abs(asked.compute_implicit_distance(surface)["implicit_distance"])
    assert distance.max() <= whole.reduced_mm + 1e-5  # both trees keep single precision
    assert whole.reduced_mm <= 0.15 or any("strays" in note for note in whole.notes)
    assert whole.volume_mm3 == pytest.approx(plain.volume_mm3, rel=5e-3)


def test_an_open_whole_is_not_reduced_and_says_so(block: tuple[object, object, Whole]) -> None:
    fragments, placements, _ = block
    holed = without_disc(fragments[0], placements[0], [6.0, 0.0, 6.0], 1.5)  # type: ignore[index]
    options = FuseSettings(largest_hole_mm=1.0, reduce_mm=0.1)
    whole = fuse_fragments((holed, fragments[1]), placements, (), options)  # type: ignore[index,arg-type]
    assert not whole.closed and whole.reduced_mm is None and len(whole.open_holes) == 1
    assert any("not reduced" in note for note in whole.notes)


def test_bare_points_are_told(block: tuple[object, object, Whole]) -> None:
    (first, second), placements, _ = block  # type: ignore[misc]
    points = replace(first, scan=replace(first.scan, from_points=True))
    whole = fused((points, second), placements)  # type: ignore[arg-type]
    assert len(whole.notes) == 1 and "bare points" in whole.notes[0]


def test_a_reduction_that_strays_is_told_or_not_taken(
    block: tuple[object, object, Whole], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = block[2]
    told = reducing.reduced(whole, 1e-9)
    assert told.reduced_mm is not None and told.reduced_mm > 1e-9 and "strays by up to" in told.notes[-1]
    monkeypatch.setattr(reducing, "STRAYS", 0.0)
    kept = reducing.reduced(whole, 1e-9)
    assert kept.mesh is whole.mesh and "no reduction kept within 1e-09 mm" in kept.notes[-1]
    torn = replace(whole, mesh=Mesh(whole.mesh.vertices, whole.mesh.triangles[:-5]))
    assert "not a closed solid" in reducing.reduced(torn, 0.05).notes[-1]


@pytest.mark.parametrize(("spacing_mm", "through"), [(0.4, 1), (0.8, 0)])
def test_a_hole_too_small_for_the_scans_is_not_closed_in_silence(spacing_mm: float, through: int) -> None:
    """A bolt hole of 3 mm, through which the crack runs: its wall is given up with the strip where scans are coarse."""
    plate = manifold3d.Manifold.cube([24, 20, 6], True) - manifold3d.Manifold.cylinder(30, 1.5, 1.5, 64, True)
    pairs = [
        solids.fragment(plate ^ solids.beyond(0.0, up, 0.3, shift, turned=True), spacing_mm, 0.02, int(up), f"f{shift}")
        for up, shift in ((True, 0.0), (False, 0.4))
    ]
    whole = fuse_fragments(*zip(*pairs, strict=True), [])
    told = [note for note in whole.notes if "may have been closed there" in note]
    assert (whole.closed, whole.genus, len(told)) == (True, through, 1 - through)
    places = [float(number) for note in told for number in re.findall(r"-?\d+\.\d", note.partition(" mm")[0])]
    assert len(places) == 3 * len(told) and np.abs(places).max(initial=0.0) < 1.6, "it is told where"


def test_across_the_mouth_of_a_hollow_what_is_kept_is_not_made_again() -> None:
    """A hollow on a nose along which the break runs: the flanks are near its border only through the air."""
    nose = manifold3d.CrossSection.circle(4.0, 128)
    foot = manifold3d.CrossSection.square([26, 2], True).translate([0, -9])
    solid = manifold3d.Manifold.extrude(manifold3d.CrossSection.batch_hull([nose, foot]), 24).translate([0, 0, -12])
    ends = [manifold3d.Manifold.sphere(1.8, 48).translate([0.3, 4.2, z]) for z in (-3.0, 3.0)]
    lost = manifold3d.Manifold.batch_hull(ends)
    halves = [solid ^ solids.beyond(0, up, 0.4, shift, turned=True) for up, shift in ((True, 0.0), (False, 0.37))]
    both = [solids.fragment(half - lost, 0.35, 0.02, k, f"f{k}") for k, half in enumerate(halves)]
    faces = solids.faces_of_break(both, turned=True)
    joint = Joint(0, 1, faces[0], faces[1], np.eye(4), None)  # type: ignore[arg-type]
    whole = fused(tuple(f for f, _ in both), tuple(p for _, p in both), (joint,))
    assert whole.closed and (whole.shells, whole.genus) == (1, 0)
    assert not any("united" in note for note in whole.notes)
    assert whole.volume_mm3 == pytest.approx((solid - lost).volume(), rel=3e-3)
