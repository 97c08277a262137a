"""Outlines of faces: how alike they are, and what their agreement tells."""

from __future__ import annotations

from collections.abc import Callable

import manifold3d
import numpy as np
import pytest

from rejoin.core import steps
from rejoin.core.evidence import LEAST_SCORE, believable, decided, judge
from rejoin.core.likeness import largest_alike, outlines_of, promising_pairs, unlikeness
from rejoin.core.matching import match_pair
from rejoin.core.outline import MOST, outline_information
from rejoin.core.prepared import Prepared, prepared
from rejoin.core.records import FractureFace, Mesh, Project, Scan
from rejoin.core.relief import smooth_patches
from rejoin.core.surfaces import faced
from rejoin.core.transforms import displacement, inverse, rigid
from rejoin.core.views import coarse_nodes
from tests.makers import Case

SPACING = 0.5
NOISE = 0.02


def comb(seed: int, upward: bool, teeth: int = 4) -> Prepared:
    """A comb-shaped machined block whose flat face lies at z = 0, below it or above, scanned with noise."""
    outline = [(0.0, 0.0), (36.0, 0.0), (36.0, 20.0)]
    for tooth in range(teeth):
        right = 36.0 - 9.0 * tooth
        outline += [(right - 5.0, 20.0), (right - 5.0, 9.0), (right - 9.0, 9.0), (right - 9.0, 20.0)]
    solid = manifold3d.CrossSection([outline[:-1]]).extrude(8.0)
    if not upward:
        solid = solid.mirror((0, 0, 1))
    mesh = solid.refine_to_length(1.3 * SPACING).to_mesh()
    rng = np.random.default_rng(seed)
    points = np.array(mesh.vert_properties[:, :3], float)
    noisy = Mesh(points + rng.normal(0, NOISE, points.shape), np.array(mesh.tri_verts, np.int32))
    scan = Scan(f"comb {seed}", ("comb",), noisy, "mm", True, False, (str(seed),))
    return prepared(steps.clean(Project(scans=(scan,))).fragments[0], ())


def laid(first: Prepared, second: Prepared, b_from_a: np.ndarray) -> tuple[float, float]:
    """The outline's information and share for one block on the other."""
    seen = faced(first.surface, second.surface, b_from_a, first.surface.samples, 1.5)
    zone = np.flatnonzero(seen.facing < -0.5).astype(np.int32)
    ways = smooth_patches(seen.points[zone], seen.normals[zone], first.surface.nodes.cell_mm)
    return outline_information(first.surface, second.surface, b_from_a, seen, zone, ways)


def with_faces(case: Case) -> Project:
    scans = tuple(Scan(f"f{n}", (f"f{n}",), m, "mm", True, False, (str(n),)) for n, m in enumerate(case.fragments))
    return steps.find_faces(steps.clean(Project(scans=scans)))


@pytest.fixture(scope="module")
def combs() -> tuple[Prepared, Prepared]:
    return comb(1, upward=True), comb(2, upward=False)


def test_outlines_that_agree_tell_but_never_more_than_the_most(combs: tuple[Prepared, Prepared]) -> None:
    told, share = laid(*combs, np.eye(4))
    assert share > 0.97 and told == MOST


def test_a_shifted_outline_tells_nothing(combs: tuple[Prepared, Prepared]) -> None:
    told, share = laid(*combs, rigid(np.eye(3), np.array([4.5, 0.0, 0.0])))
    assert share < 0.8 and told == 0.0


def test_another_outline_tells_nothing(combs: tuple[Prepared, Prepared]) -> None:
    told, share = laid(combs[0], comb(3, upward=False, teeth=2), np.eye(4))
    assert share < 0.85 and told == 0.0


def test_machined_faces_of_one_outline_are_no_fit(combs: tuple[Prepared, Prepared]) -> None:
    """They lie together all over and their outlines agree, yet no relief is shared: no break."""
    evidence = decided(judge(combs[0].surface, combs[1].surface, np.eye(4)), 0.0)
    assert evidence.touching_share > 0.9 and laid(*combs, np.eye(4))[0] == MOST, "outline and contact are all there"
    assert evidence.score < 0.5 * LEAST_SCORE and not believable(evidence) and not evidence.good


def test_a_nearly_flat_break_is_found(broken: Callable[..., Case]) -> None:
    """0.17 mm of relief peak to valley under 0.03 mm of noise: the outline leads to it, the relief confirms it."""
    case = broken("bracket", 71, flat=True, size=0.7)
    project = with_faces(case)
    ready = [
        prepared(fragment, tuple(face for face in project.faces if face.fragment == number))
        for number, fragment in enumerate(project.fragments)
    ]
    best = match_pair(*ready, thoroughness=1)[0]
    truth = inverse(case.part_from_scan[0]) @ case.part_from_scan[1]
    assert displacement(best.a_from_b, truth, case.fragments[1].vertices[::50]).max() < 1.0
    evidence = decided(best.evidence, 0.0)
    assert believable(evidence) and not evidence.good, "rims and original surfaces never make a joint good"


def test_two_sides_of_one_break_are_the_most_alike(broken: Callable[..., Case]) -> None:
    case = broken("bracket", 31, spacing_mm=0.5)
    project = with_faces(case)
    faces: list[list[FractureFace]] = [[f for f in project.faces if f.fragment == n] for n in (0, 1)]
    outlines = [outlines_of(f, coarse_nodes(f), own) for f, own in zip(project.fragments, faces, strict=True)]
    pairs = promising_pairs(faces[0], faces[1], outlines[0], outlines[1], 40)
    assert len(pairs) == len(set(pairs)) == 40

    def on_break(n: int, face: FractureFace) -> bool:
        return bool(case.fracture[n][project.fragments[n].mesh.triangles[face.triangles]].mean() > 0.7)

    assert any(on_break(0, faces[0][i]) and on_break(1, faces[1][j]) for i, j in pairs[:8])


def test_bulge_meets_hollow() -> None:
    """One row for each face: log area, two log radii, two bends, log roughness."""
    bulge, hollow = np.array([[4.0, 1.0, 2.0, 0.1, 0.3, -3.0]]), np.array([[4.0, 1.0, 2.0, -0.3, -0.1, -3.0]])
    assert unlikeness(bulge, hollow)[0, 0] == pytest.approx(0.0)
    assert unlikeness(bulge, bulge)[0, 0] > 10.0


def test_no_faces_make_no_pairs() -> None:
    none = np.zeros((0, 6))
    assert promising_pairs([], [], none, none, 10) == []
    assert largest_alike(none, none) == []


def moulding(seed: int, upward: bool) -> Prepared:
    """A bar of one cross-section, its long face a flat run into a fillet; ``upward`` is the bar that fits on it."""
    turn = np.radians(np.linspace(0.0, 70.0, 30))
    fillet = np.column_stack([12.0 + 5.0 * np.sin(turn), 5.0 * (1 - np.cos(turn))])
    face = np.vstack([[0.0, 0.0], fillet])
    level = 14.0 if upward else -8.0
    corners = np.vstack([face, [face[-1, 0], level], [0.0, level]])
    solid = manifold3d.CrossSection([corners if upward else corners[::-1]]).extrude(24.0)
    solid = solid if solid.volume() > 0 else manifold3d.CrossSection([corners[::-1]]).extrude(24.0)
    mesh = solid.refine_to_length(1.3 * SPACING).to_mesh()
    rng = np.random.default_rng(seed)
    points = np.array(mesh.vert_properties[:, :3], float)
    noisy = Mesh(points + rng.normal(0, NOISE, points.shape), np.array(mesh.tri_verts, np.int32))
    scan = Scan(f"moulding {seed}", ("moulding",), noisy, "mm", True, False, (str(seed),))
    return prepared(steps.clean(Project(scans=(scan,))).fragments[0], ())


def test_a_machined_profile_and_its_counterpart_are_no_break() -> None:
    """They nest all over, and no quadric describes them, but what they share runs along one way only."""
    first, second = moulding(4, upward=False), moulding(5, upward=True)
    evidence = decided(judge(first.surface, second.surface, np.eye(4)), 0.0)
    assert evidence.touching_share > 0.85 and evidence.contact_area_mm2 > 200.0, "they do nest"
    assert not evidence.good and evidence.held < 0.3 and evidence.score < 1.5 * LEAST_SCORE
    assert "slide" in evidence.reason


def test_of_faces_that_are_alike_the_largest_come_first() -> None:
    small, large = np.array([2.0, 0.5, 1.0, 0.0, 0.0, -4.0]), np.array([6.0, 2.5, 3.0, 0.0, 0.0, -3.0])
    other = large + [0.0, 0.0, 0.0, 0.0, 0.0, 4.0]  # as large, and much rougher
    pairs = largest_alike(np.stack([small, small, large]), np.stack([other, small, large]))
    assert pairs == [(2, 2), (0, 1), (1, 1)]
