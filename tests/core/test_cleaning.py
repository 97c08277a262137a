"""Cleaning: repairs one by one, orientation, holes, specks, spacing and noise.

References: closed forms of sphere and torus; trimesh and manifold3d as independent measures of volume and soundness;
the makers' known noise.
"""

from __future__ import annotations

import time

import manifold3d
import numpy as np
import open3d as o3d
import pytest
import trimesh

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.cleaning.shells import border_loops, winding_number
from rejoin.core.errors import Cancelled, NoAnswer
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh, Scan
from rejoin.core.settings import CleanSettings
from tests.makers import make_case


def scan_of(vertices: FloatArray, triangles: IntArray) -> Scan:
    return Scan("left", (), Mesh(vertices, triangles), "mm", True, False, ())


def ball(radius: float = 10.0, subdivisions: int = 3) -> tuple[FloatArray, IntArray]:
    made = trimesh.creation.icosphere(subdivisions, radius)
    return np.array(made.vertices), np.array(made.faces, np.int32)


def torus(large: float = 40.0, small: float = 15.0, n: int = 60, k: int = 30) -> tuple[FloatArray, IntArray]:
    u, v = (a.ravel() for a in np.meshgrid(np.arange(n), np.arange(k), indexing="ij"))
    turn, roll = 2 * np.pi * u / n, 2 * np.pi * v / k
    points = np.stack(
        [
            (large + small * np.cos(roll)) * np.cos(turn),
            (large + small * np.cos(roll)) * np.sin(turn),
            small * np.sin(roll),
        ],
        1,
    )
    a, b, c, d = u * k + v, (u + 1) % n * k + v, (u + 1) % n * k + (v + 1) % k, u * k + (v + 1) % k
    return points, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)


BALL, TORUS = ball(), torus()


def together(*solids: tuple[FloatArray, IntArray]) -> tuple[FloatArray, IntArray]:
    offsets = np.cumsum([0, *(len(points) for points, _ in solids)])
    return (
        np.concatenate([points for points, _ in solids]),
        np.concatenate([t + o for (_, t), o in zip(solids, offsets, strict=False)]).astype(np.int32),
    )


def told(fragment: Fragment) -> dict[str, int]:
    return {repair.kind: repair.count for repair in fragment.repairs}


def assert_manifold(mesh: Mesh) -> None:
    """Every edge has one or two triangles that run opposite ways, and every vertex one fan; independent of the code."""
    seen: dict[tuple[int, int], int] = {}
    around: dict[int, list[tuple[int, int]]] = {}
    for triangle in mesh.triangles.tolist():
        for i in range(3):
            a, b, c = triangle[i], triangle[(i + 1) % 3], triangle[(i + 2) % 3]
            assert (a, b) not in seen
            seen[a, b] = 1
            around.setdefault(a, []).append((b, c))
    for spokes in around.values():
        following, arrivals = dict(spokes), {c for _, c in spokes}
        starts = [b for b, _ in spokes if b not in arrivals] or [spokes[0][0]]
        assert len(starts) == 1
        steps, at = 0, starts[0]
        while at in following and steps < len(spokes):
            at, steps = following[at], steps + 1
        assert steps == len(spokes)


# --- nothing to repair -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("solid", [BALL, TORUS])
def test_a_sound_scan_is_passed_on_as_it_is(solid: tuple[FloatArray, IntArray]) -> None:
    fragment = clean_scan(scan_of(*solid))
    assert fragment.mesh is fragment.scan.mesh
    assert fragment.closed and fragment.repairs == fragment.holes == () and fragment.specks == 0
    assert fragment.spacing_mm == meshes.edge_spacing(fragment.mesh)


def test_volumes_agree_with_closed_forms_and_other_libraries() -> None:
    for solid, exact in ((BALL, 4 / 3 * np.pi * 10**3), (TORUS, 2 * np.pi**2 * 40 * 15**2)):
        mesh = clean_scan(scan_of(solid[0], solid[1][:, ::-1])).mesh
        volume = meshes.volume(mesh)
        assert volume == pytest.approx(exact, rel=2e-2)
        assert volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).volume, rel=1e-9)
        raw = manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.triangles, np.uint64))
        assert volume == pytest.approx(manifold3d.Manifold(raw).volume(), rel=1e-9)


# --- repairs ---------------------------------------------------------------------------------------------------------


def test_triangle_soup_is_welded() -> None:
    points, triangles = BALL
    rng = np.random.default_rng(0)
    soup = points[triangles].reshape(-1, 3)
    fragment = clean_scan(scan_of(soup + rng.uniform(-4e-7, 4e-7, soup.shape), np.arange(len(soup)).reshape(-1, 3)))
    assert fragment.closed and len(fragment.mesh.vertices) == len(points)
    assert told(fragment) == {"welded": len(soup) - len(points)}
    assert "doubled points made one" in fragment.repairs[0].sentence


def test_a_thin_wall_is_never_welded_to_itself() -> None:
    """Two spheres 1e-8 mm apart, a thousand times closer than points that are welded."""
    points, triangles = BALL
    shell = together((points, triangles), (points * (1 - 1e-9), triangles[:, ::-1]))
    fragment = clean_scan(scan_of(*shell))
    assert fragment.mesh is fragment.scan.mesh and fragment.closed


def test_doubled_triangles_fins_and_slivers() -> None:
    points, triangles = BALL
    fin = [triangles[0, 0], triangles[0, 1], len(points)]
    extra = np.concatenate([triangles, triangles[5:9], triangles[9:12, ::-1], [fin], [[3, 3, 4]]])
    fragment = clean_scan(scan_of(np.concatenate([points, [[0, 0, 20.0], [9, 9, 9]]]), extra))
    assert told(fragment) == {"no area": 1, "doubled": 7, "fins": 1, "unused": 1}
    assert fragment.closed and meshes.volume(fragment.mesh) == pytest.approx(meshes.volume(Mesh(points, triangles)))


def test_a_triangle_without_height_is_swapped_away() -> None:
    """A point exactly on the edge between two others: dropping the flat triangle would open the surface."""
    points, triangles = BALL
    a, b, c = triangles[0].tolist()
    middle = len(points)
    mesh = np.concatenate([triangles[1:], [[a, middle, c], [middle, b, c], [a, b, middle]]])
    fragment = clean_scan(scan_of(np.concatenate([points, [(points[a] + points[b]) / 2]]), mesh))
    assert told(fragment) == {"no area": 1} and fragment.closed
    assert meshes.triangle_areas(fragment.mesh).min() > 1e-3
    assert meshes.volume(fragment.mesh) == pytest.approx(meshes.volume(Mesh(points, triangles)))


def test_mixed_windings_are_made_to_agree() -> None:
    points, triangles = TORUS
    wrong = np.random.default_rng(1).random(len(triangles)) < 0.3
    fragment = clean_scan(scan_of(points, np.where(wrong[:, None], triangles[:, ::-1], triangles)))
    assert told(fragment) == {"turned": int(wrong.sum())} and fragment.closed
    assert np.array_equal(np.sort(fragment.mesh.triangles, axis=1), np.sort(triangles, axis=1))


def test_solids_that_touch_along_an_edge_or_at_a_point_are_parted() -> None:
    box = trimesh.creation.box([10, 10, 10]).subdivide().subdivide()
    first = np.array(box.vertices)
    for shift, kinds in (([10, 10, 0], {"crowded": 4, "touching": 5}), ([10, 10, 10], {"touching": 1})):
        points, inverse = np.unique(np.concatenate([first, first + shift]).round(6), axis=0, return_inverse=True)
        both = inverse[np.concatenate([box.faces, box.faces + len(first)])]
        fragment = clean_scan(scan_of(points, both))
        assert told(fragment) == kinds and fragment.closed
        assert meshes.volume(fragment.mesh) == pytest.approx(2000.0, rel=2e-5)
        assert meshes.components(fragment.mesh)[0] == 2
        assert_manifold(fragment.mesh)
        loose = fragment.mesh.vertices[fragment.mesh.triangles].astype(np.float32).reshape(-1, 3).astype(float)
        again = clean_scan(scan_of(loose, np.arange(len(loose)).reshape(-1, 3)))
        assert set(told(again)) == {"welded"} and again.closed, "a file of loose triangles joins them again"


def test_a_one_sided_sheet_is_cut_not_looped_over() -> None:
    turns, across = np.arange(80), np.linspace(-2, 2, 9)
    angle = 2 * np.pi * turns[:, None] / 80
    reach = 10 + across * np.cos(angle / 2)
    points = np.stack([reach * np.cos(angle), reach * np.sin(angle), across * np.sin(angle / 2)], 2).reshape(-1, 3)
    name = np.concatenate([np.arange(720).reshape(80, 9), np.arange(9)[None, ::-1]])
    a, b, c, d = name[:-1, :-1].ravel(), name[:-1, 1:].ravel(), name[1:, 1:].ravel(), name[1:, :-1].ravel()
    fragment = clean_scan(scan_of(points, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])))
    assert told(fragment)["one-sided"] == 8 and not fragment.closed
    assert_manifold(fragment.mesh)


def test_random_rubbish_becomes_a_manifold() -> None:
    """Random triangles over few points: crowded edges, fins, doubles and point contacts, all at once."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        triangles = rng.integers(0, 60, (900, 3))
        try:
            fragment = clean_scan(scan_of(rng.normal(size=(60, 3)), triangles), CleanSettings(speck_share=0.0))
        except NoAnswer:
            continue
        assert_manifold(fragment.mesh)
        assert np.isfinite([fragment.noise_mm, fragment.spacing_mm]).all()


# --- which way is out ------------------------------------------------------------------------------------------------


def test_inside_out_scans_are_turned() -> None:
    for solid in (BALL, TORUS):
        for cut in (0, 40):
            points, triangles = solid
            fragment = clean_scan(scan_of(points, triangles[cut:, ::-1]))
            assert told(fragment)["inside out"] == 1 and "turned" in str([r.sentence for r in fragment.repairs])
            assert meshes.volume(fragment.mesh) > 0 and fragment.closed == (cut == 0)
            assert_manifold(fragment.mesh)
            left = clean_scan(scan_of(points, triangles[cut:, ::-1]), CleanSettings(flip_inside_out=False))
            assert meshes.volume(left.mesh) < 0 and "left so" in str([r.sentence for r in left.repairs])


def test_an_open_sheet_keeps_the_side_that_was_scanned() -> None:
    """The scanned inside of a bore is no inside-out solid."""
    points, triangles = BALL
    bowl = triangles[(points[triangles][:, :, 2] < 0).all(axis=1)][:, ::-1]
    fragment = clean_scan(scan_of(points, bowl))
    assert "inside out" not in told(fragment)
    assert np.array_equal(fragment.mesh.vertices[fragment.mesh.triangles], points[bowl])


def test_a_void_stays_a_void() -> None:
    points, triangles = BALL
    outer, hollow = (points, triangles), (points * 0.5, triangles[:, ::-1])
    right = clean_scan(scan_of(*together(outer, hollow)))
    assert right.mesh is right.scan.mesh
    turned = clean_scan(scan_of(*together((outer[0], outer[1][:, ::-1]), (hollow[0], hollow[1][:, ::-1]))))
    assert told(turned) == {"inside out": 2}
    assert meshes.volume(turned.mesh) == pytest.approx(7 / 8 * meshes.volume(Mesh(points, triangles)))


def test_winding_number_of_a_closed_surface() -> None:
    mesh = Mesh(*TORUS)
    assert winding_number(mesh, np.array([40.0, 0, 0])) == pytest.approx(1.0)
    assert winding_number(mesh, np.zeros(3)) == pytest.approx(0.0, abs=1e-12)


# --- specks and holes ------------------------------------------------------------------------------------------------


def test_specks_are_removed_and_counted() -> None:
    points, triangles = BALL
    speck = (points * 0.05, triangles)
    everything = together(BALL, (speck[0] + 20, triangles), (speck[0] - 20, triangles), (points * 0.5 + 40, triangles))
    fragment = clean_scan(scan_of(*everything))
    assert fragment.specks == 2 and fragment.closed and meshes.components(fragment.mesh)[0] == 2
    assert fragment.repairs[0].sentence == "2 loose specks removed"
    kept = clean_scan(scan_of(*everything), CleanSettings(speck_share=0.0))
    assert kept.specks == 0 and kept.mesh is kept.scan.mesh
    assert clean_scan(scan_of(*everything), CleanSettings(speck_share=0.3)).specks == 3


def test_a_hole_is_measured_along_its_border() -> None:
    """A cap cut off a sphere at height h leaves a circle across 2 sqrt(r² - h²), less than two edges wider."""
    points, triangles = ball(10.0, 4)
    fragment = clean_scan(scan_of(points, triangles[(points[triangles][:, :, 2] < 8.0).all(axis=1)]))
    (hole,) = fragment.holes
    assert hole.across_mm == pytest.approx(2 * np.sqrt(10**2 - 8**2), abs=1.5)
    assert hole.centre_mm == pytest.approx([0, 0, 8.0], abs=0.6)
    ahead = np.stack([hole.loop, np.roll(hole.loop, -1)], 1)
    border = {tuple(edge) for edge in meshes.border_edges(fragment.mesh).tolist()}
    assert {tuple(edge) for edge in ahead.tolist()} == border, "the loop follows the border, the surface at its left"
    assert fragment.repairs[-1].sentence == f"1 hole, {hole.across_mm:.1f} mm across"
    assert fragment.repairs[-1].kind == "holes" and not fragment.closed


def test_a_hole_alone_is_no_repair_of_the_mesh() -> None:
    points, triangles = TORUS
    centres = points[triangles].mean(axis=1)
    keep = ~((np.linalg.norm(centres - points[0], axis=1) < 6) | (np.linalg.norm(centres - points[900], axis=1) < 4))
    fragment = clean_scan(scan_of(points, triangles[keep]))
    used = clean_scan(fragment_as_scan(fragment))
    assert used.mesh is used.scan.mesh and len(used.holes) == 2
    assert used.repairs[0].sentence.startswith("2 holes, the largest ")


def fragment_as_scan(fragment: Fragment) -> Scan:
    return scan_of(fragment.mesh.vertices, fragment.mesh.triangles)


def test_a_long_border_is_measured_like_a_short_one() -> None:
    """More than 1500 points go through a shortcut; the circle's diameter is known."""
    n = 2000
    turn = 2 * np.pi * np.arange(n) / n
    rim = np.stack([30 * np.cos(turn), 30 * np.sin(turn), 0 * turn], 1)
    fan = np.stack([np.arange(n), (np.arange(n) + 1) % n, np.full(n, n)], 1)
    (hole,) = clean_scan(scan_of(np.concatenate([rim, [[0, 0, 1.0]]]), fan)).holes
    assert hole.across_mm == pytest.approx(60.0, rel=1e-4)
    assert border_loops(fan, np.arange(3 * n, dtype=np.int32)) == []


# --- no answer -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count, words", [(0, "no surface"), (1, "one triangle"), (60, "only 60 triangles")])
def test_too_little_is_no_scan(count: int, words: str) -> None:
    with pytest.raises(NoAnswer, match=words):
        clean_scan(scan_of(BALL[0], BALL[1][:count]))


def test_nothing_but_flat_triangles() -> None:
    with pytest.raises(NoAnswer, match="no surface"):
        clean_scan(scan_of(BALL[0], np.repeat([[1, 1, 2]], 300, axis=0)))


def test_cleaning_can_be_cancelled() -> None:
    def stop(share: float, sentence: str) -> None:
        assert 0.0 <= share <= 1.0 and sentence
        if share > 0.4:
            raise Cancelled

    with pytest.raises(Cancelled):
        clean_scan(scan_of(*BALL), report=stop)


# --- noise -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("subdivisions, sigma", [(5, 0.01), (5, 0.1), (4, 0.02)])
def test_white_noise_on_a_sphere(subdivisions: int, sigma: float) -> None:
    points, triangles = ball(20.0, subdivisions)
    rng = np.random.default_rng(2)
    noisy = points * (1 + sigma * rng.normal(size=len(points)) / 20.0)[:, None]
    assert clean_scan(scan_of(noisy, triangles)).noise_mm == pytest.approx(sigma, rel=0.3)


def test_a_perfect_surface_has_the_least_noise() -> None:
    fragment = clean_scan(scan_of(*ball(20.0, 5)))
    assert fragment.noise_mm == pytest.approx(1e-3 * fragment.spacing_mm, rel=1.0)


@pytest.mark.parametrize(
    "case",
    [
        {"shape": "bracket", "seed": 4, "spacing_mm": 1.0, "noise_mm": 0.05},
        {"shape": "bracket", "seed": 9, "spacing_mm": 1.0, "noise_mm": 0.02, "specks": 2, "scan_holes": 1},
        {"shape": "gear", "seed": 8, "spacing_mm": 1.0, "noise_mm": 0.03},
        # its teeth stray alike from wide windows, by far more than the noise
        {"shape": "gear", "seed": 408608823, "spacing_mm": 1.0, "noise_mm": 0.03},
    ],
)
def test_the_makers_noise_is_found(case: dict[str, float | str]) -> None:
    """Scans of broken parts with edges and fracture faces, three quarters of the noise correlated over 3 spacings."""
    made = make_case(**case)  # type: ignore[arg-type]
    for mesh in made.fragments:
        fragment = clean_scan(scan_of(mesh.vertices, mesh.triangles))
        assert fragment.noise_mm == pytest.approx(made.noise_mm, rel=0.4)
        assert fragment.spacing_mm == pytest.approx(made.spacing_mm, rel=0.15)
        assert meshes.volume(fragment.mesh) > 0
        assert (fragment.specks, len(fragment.holes) > 0) == (case.get("specks", 0), "scan_holes" in case)


def test_form_is_no_noise_where_flat_surface_was_thinned_out() -> None:
    """Windows are left where the surface bends alone, none of them calm; wider ones stray by form, not by noise."""
    made = make_case("rocker", seed=1, spacing_mm=0.6, noise_mm=0.012)
    for mesh in made.fragments:
        full = o3d.geometry.TriangleMesh(
            o3d.utility.Vector3dVector(np.array(mesh.vertices)), o3d.utility.Vector3iVector(np.array(mesh.triangles))
        )
        thin = full.simplify_quadric_decimation(int(0.12 * len(mesh.triangles)))
        fragment = clean_scan(scan_of(np.asarray(thin.vertices), np.asarray(thin.triangles, np.int32)))
        assert made.noise_mm / 3 < fragment.noise_mm < 5 * made.noise_mm


def test_noise_scales_with_the_part_and_repeats_itself() -> None:
    points, triangles = ball(20.0, 4)
    noisy = points * (1 + 0.002 * np.random.default_rng(3).normal(size=len(points)))[:, None]
    one, ten = (clean_scan(scan_of(noisy * scale, triangles)).noise_mm for scale in (1.0, 10.0))
    assert ten == pytest.approx(10 * one, rel=1e-6)
    assert clean_scan(scan_of(noisy, triangles)).noise_mm == one


def test_a_large_scan_is_cleaned_quickly() -> None:
    """0.2 million vertices; the limit is several times what was measured, to allow for a busy machine."""
    started = time.process_time()
    clean_scan(scan_of(*torus(n=500, k=400)))
    assert time.process_time() - started < 4.0
