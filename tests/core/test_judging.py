"""Is a scan good enough: each fault that is planted is named, and none on a clean scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from rejoin.core import meshes, shadows, steps
from rejoin.core.cleaning import clean_scan
from rejoin.core.judging import faults_of, relief_of
from rejoin.core.records import FractureFace, Fragment, Mesh, Scan, ScanView
from tests.benchmarks.judging import _doubled, _smoothed, _without_disc
from tests.makers import Case, make_case
from tests.makers.views import make_views


@pytest.fixture(scope="module")
def case() -> Case:
    return make_case("connecting_rod", 5, spacing_mm=0.5)


def fragment_of(mesh: Mesh, views: tuple[ScanView, ...] = ()) -> Fragment:
    return clean_scan(Scan("rod", (), mesh, "mm", True, False, ("x",), views=views))


def kinds(fragment: Fragment, faces: tuple[FractureFace, ...] = ()) -> set[str]:
    return {fault.kind for fault in faults_of(fragment, faces)}


def test_a_clean_scan_is_not_accused(case: Case) -> None:
    for mesh in case.fragments:
        assert kinds(fragment_of(mesh)) == set()


def test_a_smoothed_scan_is_named(case: Case) -> None:
    assert kinds(fragment_of(_smoothed(case.fragments[0], 25))) == {"smoothed"}


def test_double_walls_are_named_with_their_distance(case: Case) -> None:
    doubled = _doubled(case.fragments[0], 0.5, np.random.default_rng(3))
    found = {fault.kind: fault for fault in faults_of(fragment_of(doubled), ())}
    assert 0.3 < found["double wall"].size_mm < 0.9


def test_holes_are_told_apart_and_placed(case: Case) -> None:
    rng = np.random.default_rng(1)
    mesh, broken = case.fragments[0], case.fracture[0]
    covered = faults_of(fragment_of(_without_disc(mesh, broken, 0.25, rng)), ())
    assert [fault.kind for fault in covered] == ["covered"]
    place = covered[0].place_mm
    assert place is not None
    assert np.linalg.norm(mesh.vertices[broken] - place, axis=1).min() < 3.0
    small = fragment_of(_without_disc(mesh, broken, 0.001, rng, least=1.2))
    assert small.holes and kinds(small) == set()


def test_views_that_miss_each_other_are_named(case: Case) -> None:
    views = tuple(ScanView(f"view {n}", np.eye(4), 9, 0.0, 0.0, 0.03 + 0.3 * (n == 1)) for n in range(3))
    assert kinds(fragment_of(case.fragments[0], views)) == {"warp"}
    good = tuple(replace(view, misfit_mm=0.04) for view in views)
    assert kinds(fragment_of(case.fragments[0], good)) == set()


def test_views_that_hold_each_other_weakly_are_named(case: Case) -> None:
    mesh = case.fragments[0]
    spacing = fragment_of(mesh).spacing_mm
    for spacings, told in ((2.0, set()), (3.0, {"weakly held"})):
        scan = Scan("rod", (), mesh, "mm", True, False, ("x",), views_u95_mm=spacings * spacing)
        assert kinds(clean_scan(scan)) == told


def test_a_chosen_face_with_few_points_is_too_coarse() -> None:
    case = make_case("connecting_rod", 5, spacing_mm=1.8)
    fragment = fragment_of(case.fragments[0])
    inside = case.fracture[0][fragment.mesh.triangles].all(axis=1)
    face = FractureFace(0, np.flatnonzero(inside).astype(np.int32), 1.0, 1.0, "person")
    assert "coarse" in kinds(fragment, (face,))


def test_a_scan_so_coarse_that_nothing_looks_broken_is_too_coarse_and_not_smoothed() -> None:
    coarse = fragment_of(make_case("connecting_rod", 5, spacing_mm=3.0).fragments[0])
    (fault,) = faults_of(coarse, ())
    assert fault.kind == "coarse" and "no face looks broken" in fault.sentence
    sister = replace(coarse, scan=replace(coarse.scan, role="reference"))
    assert "coarse" not in kinds(sister)


def test_a_face_that_the_person_chose_is_judged_by_its_own_relief(case: Case) -> None:
    mesh, broken = case.fragments[0], case.fracture[0]
    fragment = fragment_of(mesh)
    triangles = np.flatnonzero(broken[fragment.mesh.triangles].all(axis=1)).astype(np.int32)
    face = FractureFace(0, triangles, 1.0, 1.0, "person")
    assert kinds(fragment, (face,)) == set()
    noisy = replace(fragment, noise_mm=5.0, spacing_mm=0.4)
    drowned = {fault.kind: fault for fault in faults_of(noisy, (face,))}["drowned"]
    assert drowned.place_mm is not None and "5.000 mm" in drowned.sentence
    middle = fragment.mesh.vertices[broken].mean(axis=0)
    apart = np.linalg.norm(fragment.mesh.vertices - middle, axis=1)[fragment.mesh.triangles].min(axis=1)
    holed = fragment_of(Mesh(fragment.mesh.vertices, fragment.mesh.triangles[apart > 2.5]))
    on = cKDTree(fragment.mesh.vertices[broken]).query(holed.mesh.vertices)[0] < 1e-9
    left = np.flatnonzero(on[holed.mesh.triangles].all(axis=1)).astype(np.int32)
    assert kinds(holed, (replace(face, triangles=left),)) == {"covered"}
    tiny = replace(face, triangles=triangles[:5])
    assert relief_of(fragment, tiny) is None and kinds(fragment, (tiny,)) == {"coarse"}


@pytest.mark.parametrize("kind", ["hole", "covered"])
def test_a_face_missing_from_edge_to_edge_is_no_mere_hole(kind: str) -> None:
    """Without its end face a bar lacks a whole face; a shadow over one edge of it leaves a hole."""
    import manifold3d

    from tests.makers.breaking import as_mesh
    from tests.makers.scanning import evenly_meshed, smooth_field

    rng = np.random.default_rng(8)
    bar = evenly_meshed(as_mesh(manifold3d.Manifold.cube((40.0, 8.0, 14.0), True)), 0.6, rng)
    noise = 0.03 * smooth_field(bar.vertices, 1.8, rng) + 0.01 * rng.normal(size=len(bar.vertices))
    scan = Mesh(bar.vertices + noise[:, None] * meshes.vertex_normals(bar), bar.triangles)
    over_an_edge = np.linalg.norm(bar.vertices - np.array([0.0, 4.0, 4.0]), axis=1) < 5.5
    near = bar.vertices[:, 0] > 19.7 if kind == "covered" else over_an_edge
    kept = np.flatnonzero(~near[scan.triangles].any(axis=1)).astype(np.int32)
    assert kinds(fragment_of(meshes.compacted(scan, kept)[0])) == {kind}


def test_edges_all_round_a_hole_are_no_break(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thin bar's side, eaten into: places with an edge say nothing, however far they stray from a quadric."""
    import manifold3d

    from tests.makers.breaking import as_mesh
    from tests.makers.scanning import evenly_meshed, smooth_field

    rng = np.random.default_rng(3)
    bar = evenly_meshed(as_mesh(manifold3d.Manifold.cube((30.0, 4.0, 4.0), True)), 0.9, rng)
    noise = 0.03 * smooth_field(bar.vertices, 2.7, rng) + 0.01 * rng.normal(size=len(bar.vertices))
    scan = Mesh(bar.vertices + noise[:, None] * meshes.vertex_normals(bar), bar.triangles)
    near = np.linalg.norm(bar.vertices - np.array([0.0, 2.0, 2.0]), axis=1) < 3.0
    kept = np.flatnonzero(~near[scan.triangles].any(axis=1)).astype(np.int32)
    fragment = fragment_of(meshes.compacted(scan, kept)[0])
    ways = meshes.averaged_normals(fragment.mesh, meshes.vertex_normals(fragment.mesh), 3)
    hole = max(fragment.holes, key=lambda one: one.across_mm)
    monkeypatch.setattr(shadows, "ROUGH", 0.0)
    for least, rough in ((-1.1, True), (1.1, False)):
        monkeypatch.setattr(shadows, "NO_EDGE", least)
        assert shadows._rough_around(fragment, hole, ways) == rough


def test_a_little_that_stands_out_clearly_beside_a_hole_is_a_break(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a flat sheet with a hole a sixth of the surroundings is relief: too little to count places, but plain."""
    from tests.makers.scanning import smooth_field

    x, y = np.meshgrid(np.arange(-18, 18.1, 0.5), np.arange(-18, 18.1, 0.5), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    n = x.shape[1]
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    quads = np.stack([a, a + n, a + n + 1, a + 1], axis=1)
    triangles = np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]]).astype(np.int32)
    rng = np.random.default_rng(5)
    noise = 0.03 * smooth_field(points, 1.5, rng) + 0.01 * rng.normal(size=len(points))
    relief = 0.15 * smooth_field(points, 1.5, rng) * (np.abs(np.arctan2(points[:, 1], points[:, 0])) < np.deg2rad(18))
    away = np.hypot(points[:, 0], points[:, 1])
    for height, some, kind in ((noise + relief, shadows.SOME, "covered"), (noise, shadows.SOME, "hole"),
                               (noise + relief, 1.1, "hole")):  # fmt: skip
        monkeypatch.setattr(shadows, "SOME", some)
        sheet = Mesh(points + height[:, None] * [0.0, 0.0, 1.0], triangles)
        kept = np.flatnonzero((away[triangles] > 5.0).all(axis=1)).astype(np.int32)
        fragment = fragment_of(meshes.compacted(sheet, kept)[0])
        holes = [one for one in fragment.holes if one.across_mm < 15.0]
        told = shadows.holes_of(replace(fragment, holes=tuple(holes)), ())
        assert [one.kind for one in told] == [kind]


@pytest.mark.parametrize("one_side", [shadows.ONE_SIDE, 99.0])
def test_noise_along_the_rim_of_one_view_is_no_covered_break(one_side: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Along its rim a scanner sees aslant, and there its noise is as rough as a break."""
    monkeypatch.setattr(shadows, "ONE_SIDE", one_side)
    exact = make_case("elbow", 1509, spacing_mm=0.8).exact[1]
    mesh = make_views(exact, 1509, count=2, spacing_mm=0.6, overlap=(0.3, 0.5), clay=False).meshes[0]
    scan = Scan("view", (), mesh, "mm", True, False, ("x",))
    project = steps.judge(steps.clean(steps.changed(steps.Project(), scans=(scan,))))
    told = [fault.sentence for fault in project.fragments[0].faults]
    assert any("Part of a broken surface was covered" in sentence for sentence in told) == (one_side > 1.0)
    assert any("cannot be told" in sentence for sentence in told) == (one_side < 1.0)


@pytest.mark.parametrize("share", [shadows.BREAK, 1.0])
def test_where_most_of_a_scan_is_as_rough_as_a_break_none_is_told(
    case: Case, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half the piece is noisier, by a scanner that saw it aslant, and a hole is in that half's original surface."""
    from tests.makers.scanning import smooth_field

    monkeypatch.setattr(shadows, "BREAK", share)
    rng = np.random.default_rng(7)
    mesh, broken = case.fragments[0], case.fracture[0]
    away = cKDTree(mesh.vertices[broken]).query(mesh.vertices)[0]
    clear = away > np.quantile(away, 0.6)
    aslant = 0.1 * (away > np.quantile(away, 0.4)) * smooth_field(mesh.vertices, 1.5, rng)
    noisy = Mesh(mesh.vertices + aslant[:, None] * meshes.vertex_normals(mesh), mesh.triangles)
    holed = _without_disc(noisy, ~broken, 0.001, rng, least=4.0, centres=clear)
    told = [fault.sentence for fault in faults_of(fragment_of(holed), ())]
    assert any("Part of a broken surface was covered" in sentence for sentence in told) == (share == 1.0)
