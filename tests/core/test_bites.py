"""Rims lost on both sides of a crack, chips right through a wall, and recesses of the part that are neither."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from rejoin.core import meshes
from rejoin.core.fusing import bites, chips, fuse_fragments, hollows
from rejoin.core.fusing.chips import broken_vertices
from rejoin.core.fusing.creasing import creased
from rejoin.core.fusing.quadrics import fitted, flat, misfit_together, step_between
from rejoin.core.fusing.repeats import Repeats
from rejoin.core.records import FractureFace, Fragment, Joint, Mesh, Placement, Whole
from tests.core import broken_solids as solids

Solid = manifold3d.Manifold
Broken = tuple[tuple[Fragment, ...], tuple[Placement, ...], tuple[Joint, ...]]
SPACING = 0.35


def ball(radius: float, x: float, y: float, z: float) -> Solid:
    return Solid.sphere(radius, 64).translate([x, y, z])


def broken(solid: Solid, off_upper: Solid | None = None, off_lower: Solid | None = None) -> Broken:
    """Two halves without what broke off each of them; the joint knows the faces that are in contact only."""
    halves = [solid ^ solids.beyond(0, up, SPACING, shift) for up, shift in ((True, 0.0), (False, 0.37))]
    lost = [half if off is None else half - off for half, off in zip(halves, (off_upper, off_lower), strict=True)]
    both = [solids.fragment(max(body.decompose(), key=Solid.volume), SPACING, 0.02, k, f"f{k}")
            for k, body in enumerate(lost)]  # fmt: skip
    faces = []
    for index, (one, at) in enumerate(both):
        x, y, z = meshes.triangle_centres(meshes.placed(one.mesh, at.part_from_scan)).T
        face = np.flatnonzero(np.abs(z - solids.wave(x, y)) < 0.15).astype(np.int32)
        faces.append(FractureFace(index, face, 0.0, 1.0, "program"))
    joint = Joint(0, 1, faces[0], faces[1], np.eye(4), None)  # type: ignore[arg-type]
    return tuple(f for f, _ in both), tuple(p for _, p in both), (joint,)


def below(parts: Broken, depth_mm: float, top_mm: float) -> list[FractureFace]:
    """What lies lower than a depth below the top (y), and near the crack, marked by a person on both pieces."""
    marked = []
    for index, (fragment, at) in enumerate(zip(parts[0], parts[1], strict=True)):
        x, y, z = meshes.triangle_centres(meshes.placed(fragment.mesh, at.part_from_scan)).T
        low = (np.abs(y) < top_mm - depth_mm) & (np.abs(y) > 1.0) & (y > 0) & (np.abs(z) < 5.0) & (np.abs(x) < 6.0)
        marked.append(FractureFace(index, np.flatnonzero(low).astype(np.int32), 0.0, 1.0, "person"))
    return marked


def fused(parts: Broken, faces: tuple[FractureFace, ...] = ()) -> Whole:
    whole = fuse_fragments(*parts, faces=faces)
    assert whole.closed and whole.shells == 1 and whole.crossing_pairs == 0
    return whole


def test_a_rim_lost_on_both_sides_of_the_crack_is_filled() -> None:
    """Closed form: the face y = 8 of a block. No fracture lies bare: the two bites meet at the crack."""
    solid = Solid.cube([30, 16, 24], True)
    whole = fused(broken(solid, ball(3.0, 0.8, 8.6, 0.4), ball(2.4, -0.6, 8.2, -0.3)))
    assert whole.genus == 0 and whole.fills and {fill.kind for fill in whole.fills} == {"chip"}
    spots = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])]
    assert np.percentile(np.abs(spots[:, 1] - 8.0), 95) < 0.1 and len(spots) > 100
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=1e-3)


def test_a_recess_across_the_crack_is_left_and_said_until_a_person_marks_it(monkeypatch: pytest.MonkeyPatch) -> None:
    dimple = ball(3.0, 0.0, 9.2, 0.3)
    parts = broken(Solid.cube([30, 16, 24], True) - dimple)
    whole = fused(parts)
    assert whole.fills == ()
    (note,) = whole.notes
    assert "may be chips or the part's own recesses" in note and "together with its walls" in note
    assert whole.volume_mm3 == pytest.approx((Solid.cube([30, 16, 24], True) - dimple).volume(), rel=1e-3)
    marked = tuple(below(parts, 0.3, 8.0))
    told = fused(parts, marked)
    assert told.notes == () and told.volume_mm3 == pytest.approx(30 * 16 * 24, rel=1e-3)
    monkeypatch.setattr(Repeats, "__call__", lambda *_: 1.0)
    assert fused(parts, marked).fills, "a person's word outweighs that the part has the like elsewhere"
    assert fused(parts).fills == fused(parts).notes == (), "of what the part has elsewhere nothing is said"


@pytest.mark.parametrize(("share", "fills", "notes"), [(0.5, True, False), (0.9, False, True), (1.0, False, False)])
def test_what_the_part_has_elsewhere_is_left_and_named_where_some_of_it_may_have_broken_off(
    monkeypatch: pytest.MonkeyPatch, share: float, fills: bool, notes: bool
) -> None:
    monkeypatch.setattr(Repeats, "__call__", lambda *_: share)
    solid = Solid.cube([30, 16, 24], True)
    whole = fused(broken(solid, ball(3.0, 0.8, 8.6, 0.4), ball(2.4, -0.6, 8.2, -0.3)))
    assert bool(whole.fills) == fills
    assert any("may be chips" in note for note in whole.notes) == notes


def test_faces_count_as_broken_where_a_person_chose_them_only() -> None:
    parts = broken(Solid.cube([30, 16, 24], True))
    fragments, _, joints = parts
    marked = below(parts, 1.0, 9.1)
    plain, said, found = (
        broken_vertices(fragments, joints, faces, [0, 1])
        for faces in ([], marked, [FractureFace(f.fragment, f.triangles, 0.0, 1.0, "program") for f in marked])
    )
    assert all((a == b).all() for a, b in zip(plain, found, strict=True))
    assert all(b.sum() > a.sum() for a, b in zip(plain, said, strict=True))


def test_a_countersunk_hole_across_the_crack_stays() -> None:
    solid = Solid.cube([30, 16, 24], True)
    hole = Solid.cylinder(40, 1.6, 1.6, 64, True) + Solid.cylinder(3.0, 1.6, 4.6, 64).translate([0, 0, 5.01])
    solid = solid - hole.rotate([-90, 0, 0]).translate([0, 0, 0.4])
    whole = fused(broken(solid))
    assert whole.genus == 1 and whole.fills == ()
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=1e-3)


def test_a_chip_right_through_a_wall_is_filled_between_both_faces() -> None:
    """Closed form: a plate 2.4 mm thick. By the winding number alone it stays a hole."""
    solid = Solid.cube([36, 2.4, 30], True)
    whole = fused(broken(solid, off_upper=ball(3.2, 1.0, 0.4, 0.6)))
    assert whole.genus == 0 and whole.fills
    spots = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])]
    assert np.percentile(np.abs(np.abs(spots[:, 1]) - 1.2), 95) < 0.1
    assert whole.volume_mm3 == pytest.approx(solid.volume(), rel=3e-3)


@pytest.mark.parametrize("limit", [chips.DEEPEST, 1e9])
def test_a_bore_through_a_plate_is_no_chip_through_it(monkeypatch: pytest.MonkeyPatch, limit: float) -> None:
    """The wall between bore and crack is lost: little fracture lies bare beside it. Without the limit it is filled."""
    monkeypatch.setattr(chips, "DEEPEST", limit)
    monkeypatch.setattr(hollows, "winds_around", lambda parts, hollow: False)
    solid = Solid.cube([36, 4, 30], True)
    bore = Solid.cylinder(10, 2.6, 2.6, 64, True).rotate([-90, 0, 0]).translate([1.0, 0, 2.2])
    whole = fuse_fragments(*broken(solid, off_upper=bore))
    assert whole.closed and (whole.genus, len(whole.fills)) == ((1, 0) if limit < 1e9 else (0, len(whole.fills) or -1))


def test_a_bore_that_the_crack_runs_along_is_no_chip() -> None:
    """The thin wall between bore and crack is lost: fracture lies bare, and the bore winds around behind it."""
    blind = Solid.cylinder(6, 2.2, 2.2, 64).rotate([-90, 0, 0]).translate([0, 3.0, 2.0])
    solid = Solid.cube([30, 16, 24], True)
    whole = fuse_fragments(*broken(solid, off_upper=blind))
    assert whole.closed and whole.shells == 1
    assert whole.fills == () and any("the part's own recesses" in note for note in whole.notes)
    assert whole.volume_mm3 == pytest.approx((solid - blind).volume(), rel=2e-3)


def test_halves_of_one_surface_meet_and_bites_do_not() -> None:
    """Closed form: z = (x^2 + y^2) / 8 in two halves; and two such bowls side by side, that meet in a ridge."""
    x, y = np.meshgrid(np.linspace(0.2, 1.6, 12), np.linspace(-1.0, 1.0, 15))
    right = np.stack([x, y, (x**2 + y**2) / 8], axis=-1).reshape(-1, 3)
    left, other = right * [-1, 1, 1], np.stack([-x, y, ((x - 1.6) ** 2 + y**2) / 2], axis=-1).reshape(-1, 3)
    noise = 0.01 * np.random.default_rng(1).normal(size=right.shape)
    here = np.zeros(3)
    assert step_between(right + noise, left - noise, here) < 0.05
    assert misfit_together(right + noise, left - noise) < 1.1
    assert step_between(right + noise, other - noise, here + [0, 0, 0.6]) > 0.4
    assert misfit_together(right + noise, other - noise) > 5.0
    assert flat(right * [1, 1, 0], 0.3) and not flat(right * [1, 1, 4], 0.3)


def test_a_groove_that_was_machined_is_told_from_a_bowl() -> None:
    """Both 4 mm wide and 1 mm deep in a face; a bowl has no plane in it."""
    x, y = np.meshgrid(np.arange(0.0, 12.0, 0.3), np.arange(0.0, 12.0, 0.3))
    away = np.hypot(x - 6.0, y - 6.0)
    bowl = np.where(away < 2.0, 0.25 * away**2 - 1.0, 0.0)
    groove = np.where((np.abs(x - 6.0) < 2.0) & (np.abs(y - 6.0) < 4.0), -1.0, 0.0)
    for height, made in ((bowl, False), (groove, True)):
        n = len(x)
        i = np.arange(n * n).reshape(n, n)
        a, b, c, d = (some.ravel() for some in (i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]))
        triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
        part = Mesh(np.stack([x, y, height], axis=-1).reshape(-1, 3), triangles)
        assert bites._machined(part, np.flatnonzero(height.ravel() < -0.15), 0.3) == made


@pytest.mark.parametrize("greatest", [True, False])
def test_vertices_beside_an_edge_are_set_on_it_and_none_is_turned_over(greatest: bool) -> None:
    """Closed form: the edge of the planes z = 0 and y = 0, outwards (a corner of a block) or inwards."""
    rng = np.random.default_rng(3)
    sheet = rng.uniform(0.2, 3.0, (2, 200, 2))
    sign = -1.0 if greatest else 1.0
    flat_ones = np.stack([sheet[0, :, 0], sign * sheet[0, :, 1], np.zeros(200)], axis=1)
    upright = np.stack([sheet[1, :, 0], np.zeros(200), sign * sheet[1, :, 1]], axis=1)
    pieces = [fitted(flat_ones, np.array([0, 0, 1.0]), 0.3), fitted(upright, np.array([0, 1.0, 0]), 0.3)]
    assert pieces[0] is not None and pieces[1] is not None
    along, across = np.meshgrid(np.arange(0.3, 3.0, 0.3), np.arange(-1.35, 1.4, 0.3), indexing="ij")
    y, z = (np.where(across > 0, sign * np.abs(across), 0.0), np.where(across > 0, 0.0, sign * np.abs(across)))
    n, m = along.shape
    i = np.arange(n * m).reshape(n, m)
    a, b, c, d = (some.ravel() for some in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    mesh = Mesh(np.stack([along, y, z], axis=-1).reshape(-1, 3), triangles)
    which = np.where(across.ravel() > 0, 0, 1)
    moved = creased(mesh, np.arange(n * m), which, [pieces[0], pieces[1]], (greatest, 0, 1), 0.3)
    on_edge = np.abs(moved[:, 1:]).max(axis=1) < 1e-9
    assert on_edge.sum() >= n and (np.abs(moved[:, 1:]).min(axis=1) < 1e-9).all()
    centres = meshes.triangle_centres(Mesh(moved, triangles))
    before = np.abs(meshes.triangle_centres(mesh)[:, 1:]).min(axis=1).max()
    assert np.abs(centres[:, 1:]).min(axis=1).max() < 1e-9 < before
    turned = np.einsum("ij,ij->i", meshes.triangle_crosses(mesh), meshes.triangle_crosses(Mesh(moved, triangles)))
    assert (turned > 0).all()
    stuck = creased(mesh, np.arange(n * m), which, [pieces[0], pieces[1]], (greatest, 0, 1), 0.01)
    assert (stuck == mesh.vertices).all()  # too far for this spacing
