"""Recesses of the part beside its crack are no chips: tooth gaps, keyways, and what meets the break in an edge."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

from rejoin.core import meshes, steps
from rejoin.core.fusing import hollows
from rejoin.core.fusing.hollow import OWN, Hollow, is_groove, meets_in_an_edge, original_within
from rejoin.core.fusing.repeats import MOSTLY, WHOLLY, Repeats
from rejoin.core.records import FloatArray, Mesh, Project, Scan
from tests.makers import cases, make_case, worst_error_mm
from tests.makers.breaking import as_mesh
from tests.makers.scanning import evenly_meshed

SPACING = 0.4
PUBLISHED = Path(__file__).resolve().parents[3] / "shared" / "checks" / "data" / "stl_models_npm" / "gearwheel.bin.stl"
NONE = np.zeros(0, np.int64)


def scanned(solid: Manifold, noise_mm: float = 0.02) -> Mesh:
    rng = np.random.default_rng(3)
    mesh = evenly_meshed(as_mesh(solid), SPACING, rng)
    return Mesh(mesh.vertices + rng.normal(0.0, noise_mm, mesh.vertices.shape), mesh.triangles)


def toothed(bite: bool = False) -> Manifold:
    """A disc with 14 slots round its rim and a keyway in its bore; ``bite``: a corner has broken off it too."""
    slots = [Manifold.cube([4.0, 2.2, 20.0], True).translate([14.0, 0.0, 0.0]).rotate([0.0, 0.0, 360.0 * k / 14])
             for k in range(14)]  # fmt: skip
    disc = Manifold.extrude(CrossSection.circle(14.0, 200), 6.0)
    lost = [Manifold.cylinder(20.0, 4.0, 4.0, 100, True), Manifold.cube([3.0, 2.5, 20.0], True).translate([4.2, 0, 0])]
    lost += [Manifold.sphere(2.2, 64).translate([-7.0, 0.5, 6.3])] if bite else []
    for one in slots + lost:
        disc -= one
    return disc


def of(mesh: Mesh, inside: np.ndarray) -> tuple[FloatArray, FloatArray]:
    return mesh.vertices[inside], meshes.vertex_normals(mesh)[inside]


def within_slot(mesh: Mesh, turn: int) -> np.ndarray:
    x, y, z = mesh.vertices.T
    angle = 2.0 * np.pi * turn / 14
    along, across = np.cos(angle) * x + np.sin(angle) * y, np.cos(angle) * y - np.sin(angle) * x
    return np.asarray((along > 11.5) & (np.abs(across) < 1.3) & (np.abs(z - 3.0) < 2.8))


def test_a_gap_between_teeth_is_there_elsewhere_too_and_a_chip_or_a_keyway_is_not() -> None:
    mesh = scanned(toothed(bite=True))
    x, y, z = mesh.vertices.T
    repeats = Repeats([mesh], [np.zeros(len(x), bool)], SPACING)
    assert repeats(*of(mesh, within_slot(mesh, 3))) >= WHOLLY
    assert repeats(*of(mesh, np.linalg.norm(mesh.vertices - [-7.0, 0.5, 6.3], axis=1) < 2.4)) < MOSTLY
    assert repeats(*of(mesh, (x > 3.5) & (x < 7.0) & (np.abs(y) < 1.5) & (np.abs(z - 3.0) < 2.8))) < MOSTLY


def test_a_gap_with_a_broken_corner_in_it_is_not_told_by_its_like() -> None:
    """The rest of it is as the others are: a small corner leaves a doubt, of a larger one it tells nothing."""
    for size, least, most in ((2.6, 0.0, MOSTLY), (0.8, MOSTLY, WHOLLY)):
        mesh = scanned(toothed() - Manifold.sphere(size, 64).translate([12.0, 0.5, 4.0]))
        gap = within_slot(mesh, 0) | (np.linalg.norm(mesh.vertices - [12.0, 0.5, 4.0], axis=1) < size + 0.1)
        share = Repeats([mesh], [np.zeros(len(mesh.vertices), bool)], SPACING)(*of(mesh, gap))
        assert least <= share < most, size


def test_a_shape_of_which_the_part_has_a_mirror_image_is_its_own() -> None:
    """Two slots aslant, one the other's mirror image: no turn lays one on the other."""
    def slot(side: float) -> Manifold:
        cut = Manifold.cube([7.0, 3.0, 6.0], True).rotate([0.0, 12.0 * side, 25.0 * side])
        return cut.translate([side * 9.0, 5.5, 4.0])

    plate = Manifold.cube([36.0, 16.0, 8.0], True) - Manifold.cube([4.0, 40.0, 4.0], True).translate([0.0, 0.0, -4.0])
    both, one = scanned(plate - slot(1.0) - slot(-1.0)), scanned(plate - slot(1.0))
    for mesh, told in ((both, True), (one, False)):
        x, y, z = mesh.vertices.T
        own = (x > 4.5) & (x < 13.5) & (y > 2.0) & (z > 0.5) & (z < 3.8) & (y < 7.8)
        share = Repeats([mesh], [np.zeros(len(x), bool)], SPACING)(*of(mesh, own))
        assert share >= WHOLLY if told else share < MOSTLY


def test_a_part_without_original_surface_repeats_nothing() -> None:
    mesh = scanned(toothed())
    repeats = Repeats([mesh], [np.ones(len(mesh.vertices), bool)], SPACING)
    assert repeats(*of(mesh, within_slot(mesh, 3))) == 0.0


def test_a_plane_tells_nothing() -> None:
    mesh = scanned(toothed())
    top = (mesh.vertices[:, 2] > 5.7) & (np.linalg.norm(mesh.vertices - [-7.8, 0.0, 6.0], axis=1) < 1.5)
    assert Repeats([mesh], [np.zeros(len(mesh.vertices), bool)], SPACING)(*of(mesh, top)) == 0.0


def test_a_flank_is_told_by_what_is_around_it_and_a_flat_chip_is_not() -> None:
    mesh = scanned(toothed())
    across = np.arctan2(mesh.vertices[:, 1], mesh.vertices[:, 0]) - 2.0 * np.pi * 3 / 14
    flank = within_slot(mesh, 3) & (np.hypot(*mesh.vertices.T[:2]) * np.sin(across) > 0.9)
    assert Repeats([mesh], [np.zeros(len(mesh.vertices), bool)], SPACING)(*of(mesh, flank)) >= WHOLLY
    cut = Manifold.cube([6.0, 9.0, 6.0], True).rotate([0.0, 40.0, 0.0])
    mesh = scanned(toothed() - cut.translate([14.2, 0.0, 8.0]).rotate([0.0, 0.0, 180.0 / 14]))
    turned = trimesh.transform_points(mesh.vertices, trimesh.transformations.rotation_matrix(-np.pi / 14, [0, 0, 1]))
    out = (turned - [14.2, 0.0, 8.0]) @ [-np.sin(np.deg2rad(40.0)), 0.0, -np.cos(np.deg2rad(40.0))]
    facet = (np.abs(out - 3.0) < 0.1) & (turned[:, 0] > 9.0) & (np.abs(turned[:, 1]) < 3.0) & (turned[:, 2] > 2.0)
    assert 80 < facet.sum() < 200
    assert Repeats([mesh], [np.zeros(len(mesh.vertices), bool)], SPACING)(*of(mesh, facet)) < MOSTLY


@pytest.mark.parametrize(
    ("lost", "told"),
    [
        (Manifold.cube([3.0, 40.0, 5.0], True), True),
        (Manifold.cube([3.0, 12.0, 5.0], True), True),
        (Manifold.cube([3.0, 40.0, 5.0], True) + Manifold.sphere(2.2, 64).translate([1.4, 1.0, -0.8]), True),
        (Manifold.sphere(3.0, 64), False),
        (Manifold.cylinder(6.0, 0.1, 2.6, 100, True).rotate([90.0, 0.0, 0.0]), False),
    ],
    ids=["slot from end to end", "slot that ends in walls", "chipped slot", "hollow", "wedge that runs out"],
)
def test_a_groove_is_straight_and_as_deep_at_its_ends(lost: Manifold, told: bool) -> None:
    mesh = scanned(Manifold.cube([16.0, 16.0, 12.0], True) - lost.translate([0.0, 0.0, 6.0]))
    x, y, z = mesh.vertices.T
    own = np.flatnonzero((z < 5.7) & (z > 2.0) & (np.abs(x) < 3.2) & (np.abs(y) < 5.5))
    groove = Hollow(0, own, NONE, [own, own], over=lambda points: points[:, 2] - 6.0)  # type: ignore[arg-type]
    assert is_groove([mesh, mesh], groove) == told


def test_a_wide_notch_with_walls_of_one_fragment_alone_is_a_chip() -> None:
    """Straight but for its ends, and as deep there: with walls on both sides of the crack it might be a groove."""
    notch = Manifold.cube([3.0, 40.0, 5.0], True) + Manifold.sphere(2.2, 64).translate([1.4, 1.0, -0.8])
    mesh = scanned(Manifold.cube([16.0, 16.0, 12.0], True) - notch.translate([0.0, 0.0, 6.0]))
    x, y, z = mesh.vertices.T
    bare, wall = (np.flatnonzero((z < 5.7) & (z > 2.0) & side & (np.abs(x) < 3.2) & (np.abs(y) < 5.5))
                  for side in (x < 0.0, x >= 0.0))  # fmt: skip
    for walls, told in (([NONE, wall], False), ([bare, wall], True)):
        hollow = Hollow(0, bare, NONE, walls, over=lambda points: points[:, 2] - 6.0)  # type: ignore[arg-type]
        assert is_groove([mesh, mesh], hollow) == told


def test_a_pocket_deeper_than_wide_is_no_chip() -> None:
    for deep, told in ((9.0, True), (2.0, False)):
        cut = Manifold.cube([3.0, 3.0, 2.0 * deep], True).translate([0.0, 0.0, 6.0])
        mesh = scanned(Manifold.cube([16.0, 16.0, 18.0], True).translate([0.0, 0.0, -3.0]) - cut)
        x, y, z = mesh.vertices.T
        own = np.flatnonzero((z < 5.8) & (z > 6.0 - deep + 0.4) & (np.abs(x) < 2.0) & (np.abs(y) < 2.0))
        pocket = Hollow(0, own, NONE, [NONE], over=lambda points: points[:, 2] - 6.0)  # type: ignore[arg-type]
        assert is_groove([mesh], pocket) == told


def test_a_hollow_of_which_the_other_half_is_original_surface_is_a_bore() -> None:
    """A crack along a bore: of its half on one piece some was taken for broken. A chip of both pieces holds nothing."""
    block, bore = Manifold.cube([16.0, 12.0, 12.0], True), Manifold.cylinder(20.0, 2.5, 2.5, 96, True)
    bite = Manifold.sphere(3.0, 96).translate([0.0, 6.0, 0.0])

    def share(lost: Manifold, reach: float) -> float:
        parts = [scanned((block - lost).trim_by_plane([side, 0.0, 0.0], 0.0)) for side in (1.0, -1.0)]
        broken = [np.abs(part.vertices[:, 0]) < 0.15 for part in parts]
        inside = [np.linalg.norm(part.vertices[:, :2] - [0.0, 6.0 - reach], axis=1) < 3.2 for part in parts]
        inside = [some & (np.abs(part.vertices[:, 2]) < 5.5) & (part.vertices[:, 1] < 5.7) & ~face
                  for some, part, face in zip(inside, parts, broken, strict=True)]  # fmt: skip
        high = parts[0].vertices[:, 1] > 6.0 - reach + 1.5
        bare = np.flatnonzero(inside[0] & (high if reach else True))
        hollow = Hollow(0, bare, NONE, [NONE, np.flatnonzero(inside[1])],
                        over=lambda points: points[:, 1] - 6.0)  # type: ignore[arg-type]  # fmt: skip
        lost_ones = [face | some for face, some in zip(broken, (np.isin(np.arange(len(inside[0])), bare), inside[1]),
                                                       strict=True)]  # fmt: skip
        return original_within(parts, hollow, lost_ones, SPACING)

    assert share(bore.translate([0.0, 1.0, 0.0]), 5.0) > OWN
    assert share(bite, 0.0) == 0.0


@pytest.mark.parametrize(("degrees", "edge"), [(0.0, False), (8.0, False), (30.0, True), (-30.0, True)])
def test_bare_surface_that_meets_the_break_in_an_edge_is_no_break(degrees: float, edge: bool) -> None:
    """A break's normals turn by some 7 degrees here; it goes on within that."""
    x, y = (np.ravel(axis) for axis in np.mgrid[-8.0:8.0:SPACING, -6.0:6.0:SPACING])
    rough = np.random.default_rng(1).normal(0.0, 0.03, len(x))
    z = np.where(x > 0.0, np.tan(np.deg2rad(degrees)) * x, 0.0) + rough
    columns, rows = len(np.unique(y)), len(np.unique(x))
    corner = np.arange(len(x)).reshape(rows, columns)
    a, b, c, d = corner[:-1, :-1].ravel(), corner[1:, :-1].ravel(), corner[1:, 1:].ravel(), corner[:-1, 1:].ravel()
    mesh = Mesh(np.stack([x, y, z], axis=1), np.concatenate([np.stack(t, 1) for t in ((a, b, c), (a, c, d))]))
    bare = np.flatnonzero((x > 0.3) & (x < 4.0) & (np.abs(y) < 2.0))
    assert meets_in_an_edge(mesh, bare, x < -0.3, SPACING) == edge
    assert not meets_in_an_edge(mesh, bare, x < -7.5, SPACING), "nothing in contact is near enough to tell"


def test_tooth_gaps_and_keyway_of_a_fine_gear_are_left_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """Closed form: nothing broke off. Without what lies within, each of the three checks is needed for that."""

    def taken() -> int:
        whole = steps.fuse(joined).whole
        return len(whole.fills) + sum("would have run through itself" in note for note in whole.notes)

    case = make_case("gear", 13206, spacing_mm=SPACING, size=0.5)
    scans = tuple(Scan(f"f{k}", (), mesh, "mm", True, False, ()) for k, mesh in enumerate(case.fragments))
    joined = steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))
    assert taken() == 0
    monkeypatch.setattr(hollows, "original_within", lambda *_: 0.0)
    chips = [taken()]
    monkeypatch.setattr(Repeats, "__call__", lambda *_: 0.0)
    chips.append(taken())
    monkeypatch.setattr(hollows, "is_groove", lambda *_: False)
    chips.append(taken())
    assert chips[0] == 0 and all(one < more for one, more in pairwise(chips))


@pytest.mark.skipif(not PUBLISHED.is_file(), reason="the shared reference files are not here")
@pytest.mark.parametrize("seed", [1, 2])
def test_a_published_gear_wheel_is_joined_and_whole_again(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """npm stl-models 0.12.0 (MIT): a wheel of 40 teeth, 41.7 mm across; its volume and one bore by trimesh."""
    wheel = trimesh.load_mesh(PUBLISHED)
    wheel.merge_vertices()
    solid = Manifold(manifold3d.Mesh(np.asarray(wheel.vertices, np.float32), np.asarray(wheel.faces, np.uint32)))
    monkeypatch.setitem(cases.SHAPES, "wheel as published", lambda _: solid)
    case = make_case("wheel as published", seed, spacing_mm=0.3)
    scans = tuple(Scan(f"f{k}", (), mesh, "mm", True, False, ()) for k, mesh in enumerate(case.fragments))
    joined = steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))
    assert joined.joints[0].evidence.good
    held, placed = (placement.part_from_scan for placement in joined.placements)
    assert held is not None and placed is not None and worst_error_mm(case, 1, placed, 0, held) < 0.1
    whole = steps.fuse(joined).whole
    assert whole is not None and whole.closed and whole.genus == 1 == 1 - wheel.euler_number // 2
    assert whole.fills == () and whole.volume_mm3 == pytest.approx(wheel.volume, rel=3e-3)
