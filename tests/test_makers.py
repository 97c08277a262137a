"""The makers keep their promises: exact truth, honest scans, independent sides.

The nearest-point distances come from scipy's k-d tree and trimesh, not from the project.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.records import Mesh
from rejoin.core.transforms import apply, from_vector, inverse
from tests.make_samples import READING_ERROR_MM, SAMPLES, Sample
from tests.makers import BARS, SHAPES, Case, make_case, worst_error_mm, write_case
from tests.makers.fracture import random_surface

ROOT = Path(__file__).resolve().parents[1]
Broken = Callable[..., Case]
GENUS = {"rocker": 3, "bracket": 4, "elbow": 9, "plate": 5, "treadle": 14, "connecting_rod": 2, "knob": 0}
GENUS |= {"round_bar": 0, "flat_bar": 0}


def _in_part(case: Case, index: int) -> Mesh:
    return meshes.placed(case.fragments[index], case.part_from_scan[index])


@pytest.mark.parametrize("shape", SHAPES | BARS)
def test_every_shape_is_one_closed_solid(shape: str) -> None:
    solid = (SHAPES | BARS)[shape](np.random.default_rng(5))
    raw = solid.to_mesh64()
    outside = trimesh.Trimesh(raw.vert_properties[:, :3], raw.tri_verts.astype(int), process=False)
    assert outside.is_watertight and outside.body_count == 1
    assert outside.volume == pytest.approx(solid.volume(), rel=1e-9)
    assert 40 < np.ptp(outside.vertices, axis=0).max() < 170
    assert outside.euler_number == 2 - 2 * GENUS.get(shape, solid.genus())


def test_two_scans_of_a_clean_break(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    total = 0.0
    for index, scan in enumerate(case.fragments):
        assert meshes.is_closed(scan) and meshes.components(scan)[0] == 1
        assert meshes.edge_spacing(scan) == pytest.approx(case.spacing_mm, rel=0.15)
        assert meshes.volume(scan) > 0
        total += meshes.volume(scan)
        again = case.part_from_scan[index]
        assert np.allclose(again[:3, :3] @ again[:3, :3].T, np.eye(3), atol=1e-12)
        assert 0.02 < case.fracture[index].mean() < 0.3
    assert total == pytest.approx(case.intact_volume_mm3, rel=5e-3)
    assert sum(meshes.volume(m) for m in case.exact) == pytest.approx(case.intact_volume_mm3, rel=5e-5)
    assert case.intact_genus == meshes.genus(case.intact) == 0


@pytest.mark.parametrize(("shape", "seed"), [("rocker", 3), ("gear", 1)])
def test_a_scan_has_the_handles_of_its_exact_solid_and_no_others(broken: Broken, shape: str, seed: int) -> None:
    case = broken(shape, seed, spacing_mm=0.7)
    for scan, exact in zip(case.fragments, case.exact, strict=True):
        # Euler's formula, counted by trimesh
        counted = trimesh.Trimesh(scan.vertices, scan.triangles, process=False).euler_number
        assert counted == 2 - 2 * meshes.genus(exact)


def test_vertices_lie_on_the_exact_solid_within_the_noise(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    for index in range(2):
        points = apply(case.part_from_scan[index], case.fragments[index].vertices)[::150]
        solid = trimesh.Trimesh(case.exact[index].vertices, case.exact[index].triangles, process=False)
        away = trimesh.proximity.closest_point_naive(solid, points[:60])[1]
        assert np.sqrt(np.mean(away**2)) == pytest.approx(case.noise_mm, rel=0.4)
        assert away.max() < 5 * case.noise_mm


def test_fracture_faces_agree_at_truth_and_share_no_vertex(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    faces = [apply(case.part_from_scan[i], case.fragments[i].vertices[case.fracture[i]]) for i in range(2)]
    distance = [case.surfaces[0].distance(points) for points in faces]
    for values in distance:
        assert np.std(values) == pytest.approx(case.noise_mm, rel=0.35)
        assert abs(np.median(values)) < case.noise_mm
    nearest = cKDTree(faces[0]).query(faces[1])[0]
    assert np.median(nearest) < case.spacing_mm
    assert nearest.min() > 1e-6 and np.mean(nearest < 0.05 * case.spacing_mm) < 0.05
    normals = meshes.vertex_normals(_in_part(case, 0))[case.fracture[0]]
    near, who = cKDTree(faces[0]).query(faces[1])
    gap = np.abs(np.sum((faces[1] - faces[0][who]) * normals[who], axis=1))
    assert np.median(gap[near < case.spacing_mm]) < 2.5 * case.noise_mm


def test_noise_is_independent_and_correlated_along_the_surface(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    points = apply(case.part_from_scan[0], case.fragments[0].vertices[case.fracture[0]])
    noise = case.surfaces[0].distance(points) / case.noise_mm
    tree = cKDTree(points)
    close = tree.query_pairs(1.4 * case.spacing_mm, output_type="ndarray")
    far = np.random.default_rng(0).integers(0, len(points), (4000, 2))
    far = far[np.linalg.norm(points[far[:, 0]] - points[far[:, 1]], axis=1) > 6 * case.spacing_mm]
    assert 0.35 < np.mean(noise[close[:, 0]] * noise[close[:, 1]]) < 0.95
    assert abs(np.mean(noise[far[:, 0]] * noise[far[:, 1]])) < 0.2


def test_same_seed_same_bytes_other_seed_other_part() -> None:
    first, again, other = (make_case("plate", seed, spacing_mm=1.2, chips=2, specks=1) for seed in (4, 4, 5))
    for one, two in zip(first.fragments, again.fragments, strict=True):
        assert one.vertices.tobytes() == two.vertices.tobytes()
        assert one.triangles.tobytes() == two.triangles.tobytes()
    assert first.intact_volume_mm3 != other.intact_volume_mm3


def test_roughness_is_self_affine_with_the_stated_size() -> None:
    rng = np.random.default_rng(1)
    surfaces = [random_surface(rng, np.eye(4), 60.0, 1.0, False, False) for _ in range(12)]
    points = rng.uniform(-25, 25, (1500, 2))
    turn = rng.uniform(0, 2 * np.pi, 1500)
    around = np.column_stack([np.cos(turn), np.sin(turn)])

    def rise(lag: float) -> float:
        rises = [s.height(points + lag * around) - s.height(points) for s in surfaces]
        return float(np.sqrt(np.mean(np.square(rises))))

    assert 0.05 < rise(1.0) < 0.12
    exponent = np.log(rise(4.0) / rise(1.0)) / np.log(4.0)
    assert 0.55 < exponent < 0.9  # 0.6 to 0.75 asked (Ponson and others 2006); the long waves add a little


def test_flat_and_stepped_reliefs() -> None:
    rng = np.random.default_rng(2)
    grid = rng.uniform(-25, 25, (4000, 2))
    flat = random_surface(rng, np.eye(4), 60.0, 1.0, True, False)
    stepped = random_surface(rng, np.eye(4), 60.0, 1.0, False, True)
    assert 0.1 < np.ptp(flat.height(grid)) < 0.2
    assert 3.0 < stepped.step[0] < 8.0
    analytic = stepped.slope(grid[:50])
    numeric = (stepped.height(grid[:50] + [1e-3, 0]) - stepped.height(grid[:50] - [1e-3, 0])) / 2e-3
    assert np.allclose(analytic[:, 0], numeric, atol=5e-3)


def test_wear_opens_a_gap_of_twice_its_size() -> None:
    case = make_case("knob", 2, spacing_mm=0.8, wear_mm=0.3, noise_mm=0.01)
    gaps = []
    for index in range(2):
        points = apply(case.part_from_scan[index], case.fragments[index].vertices[case.fracture[index]])
        gaps.append(np.median(case.surfaces[0].distance(points)))
    assert gaps[1] - gaps[0] == pytest.approx(0.6, abs=0.02)


def test_chips_holes_and_specks() -> None:
    plain = make_case("bracket", 6, spacing_mm=1.0)
    case = make_case("bracket", 6, spacing_mm=1.0, chips=5, scan_holes=3, specks=2)
    assert sum(map(meshes.volume, case.exact)) < sum(map(meshes.volume, plain.exact)) - 10
    for scan, fracture in zip(case.fragments, case.fracture, strict=True):
        assert meshes.components(scan)[0] == 3
        assert len(meshes.border_edges(scan)) > 0
        assert len(fracture) == len(scan.vertices)


def test_several_pieces_fill_the_part_and_may_meet(broken: Broken) -> None:
    case = broken("treadle", 2, spacing_mm=1.5, pieces=3)
    assert len(case.fragments) == 3 and len(case.surfaces) == 2
    assert sum(map(meshes.volume, case.exact)) == pytest.approx(case.intact_volume_mm3, rel=5e-5)


def test_lost_middle_leaves_two_ends_that_do_not_touch() -> None:
    case = make_case("bracket", 1, spacing_mm=1.5, lost_middle=True)
    assert len(case.fragments) == 2
    ends = [_in_part(case, i).vertices for i in range(2)]
    assert cKDTree(ends[0]).query(ends[1])[0].min() > 5.0


def test_stranger_comes_last_without_truth(broken: Broken) -> None:
    case = broken("flange", 1, spacing_mm=1.5, strangers=1)
    assert case.strangers == (2,) and np.isnan(case.part_from_scan[2]).all()
    assert len(case.fragments) == len(case.fracture) == 3


def test_sand_cast_texture_is_the_parts_own() -> None:
    rough = make_case("knob", 1, spacing_mm=0.8, noise_mm=0.0, sand_cast_mm=0.2)
    smooth = make_case("knob", 1, spacing_mm=0.8, noise_mm=0.0)
    for index in range(2):
        moved = np.linalg.norm(rough.fragments[index].vertices - smooth.fragments[index].vertices, axis=1)
        skin = ~rough.fracture[index]
        assert np.sqrt(np.mean(moved[skin] ** 2)) == pytest.approx(0.2, rel=0.2)
        assert moved[~skin].max() < 1e-9


def test_worst_error_ignores_the_common_frame(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    anywhere = from_vector(np.array([0.4, -1.0, 0.3, 12.0, -7.0, 30.0]), np.zeros(3))
    placed = [anywhere @ m for m in case.part_from_scan]
    assert worst_error_mm(case, 1, placed[1], 0, placed[0]) < 1e-9
    slipped = from_vector(np.array([0, 0, 0, 0.0, 0.3, 0.4]), np.zeros(3)) @ placed[1]
    assert worst_error_mm(case, 1, slipped, 0, placed[0]) == pytest.approx(0.5, abs=1e-9)
    assert np.allclose(inverse(anywhere) @ placed[0], case.part_from_scan[0])


@pytest.mark.parametrize(("fmt", "unit", "scale"), [("ply", "mm", 1.0), ("stl", "inch", 25.4), ("obj", "mm", 1.0)])
def test_written_scans_read_back_elsewhere(fmt: str, unit: str, scale: float, broken: Broken, tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Read by trimesh, an independent reader of these open formats."""
    case = broken("flange", 1, spacing_mm=1.5, strangers=1)
    paths = write_case(case, tmp_path, unit=unit, fmt=fmt)
    for path, scan in zip(paths, case.fragments, strict=True):
        read = trimesh.load(path)
        assert read.is_watertight and len(read.faces) == len(scan.triangles)
        assert read.volume * scale**3 == pytest.approx(meshes.volume(scan), rel=1e-4)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_committed_samples_agree_with_their_truth(sample: Sample) -> None:
    """Read by trimesh; the placed scans fill the part, and the readings are distances in it."""
    folder = ROOT / "sample_scans" / sample.name
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    placed = {file: np.array(m) for file, m in zip(truth["files"], truth["part_from_scan_mm"], strict=True)}
    scans = {file: trimesh.load(folder / file) for file in placed}
    for scan in scans.values():
        assert 25_000 < len(scan.vertices) < 90_000
    if all(scan.is_watertight for scan in scans.values()):
        assert sum(scan.volume for scan in scans.values()) == pytest.approx(truth["intact_volume_mm3"], rel=4e-3)
    with (folder / "readings.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) >= 3
    files = {Path(file).stem: file for file in placed}
    for row in rows:
        ends = []
        for k in (1, 2):
            file, pick = files[row[f"on{k}"]], np.array([[float(row[f"{axis}{k}"]) for axis in "xyz"]])
            assert np.linalg.norm(scans[file].vertices - pick, axis=1).min() < 0.01, "picks are points of the scan"
            ends.append(apply(placed[file], pick)[0])
        if row["kind"] == "points":
            near = 3 * READING_ERROR_MM + 2 * truth["spacing_mm"] * 0.5
            assert abs(np.linalg.norm(ends[1] - ends[0]) - float(row["reading"])) < near
    known = json.loads((folder / "known.json").read_text(encoding="utf-8"))
    assert known and all(item["a"]["file"] != item["b"]["file"] for item in known)
    for item in known:
        ends = [apply(placed[item[e]["file"]], np.array([item[e]["point"]]))[0] for e in "ab"]
        assert abs(np.linalg.norm(ends[1] - ends[0]) - item["value"]) < 3 * READING_ERROR_MM + 0.006
    about = (folder / "about.md").read_text(encoding="utf-8")
    assert about.count(". ") == 1


def test_samples_stay_small_enough_to_clone() -> None:
    total = sum(path.stat().st_size for path in (ROOT / "sample_scans").rglob("*") if path.is_file())
    assert total < 30e6


def test_a_sprung_piece_fits_at_the_break_and_is_bent_at_its_end() -> None:
    plain, sprung = (make_case("round_bar", 3, spacing_mm=1.5, sprung_mm=by) for by in (0.0, 0.4))
    moved = np.linalg.norm(sprung.fragments[1].vertices - plain.fragments[1].vertices, axis=1)
    assert moved.max() == pytest.approx(0.4, rel=1e-6)
    assert moved[plain.fracture[1]].max() < 0.02
    assert np.array_equal(sprung.fragments[0].vertices, plain.fragments[0].vertices)
