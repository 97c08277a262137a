"""Sizes between picked features against what the solids were made with, and their uncertainty by simulation."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold as Solid

from rejoin.core.dimensions import sizes
from rejoin.core.dimensions.bores import bore_sizes
from rejoin.core.dimensions.figures import Figure
from rejoin.core.dimensions.growing import Ground, ground_of
from rejoin.core.dimensions.placing import Body, body_of, first_hit
from rejoin.core.dimensions.regions import feature_at
from rejoin.core.dimensions.rules import _centres
from rejoin.core.dimensions.sizes import measure
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import placed, vertex_normals
from rejoin.core.noise import ScanNoise
from rejoin.core.records import FloatArray, Mesh, Placement, Shape
from rejoin.core.transforms import from_vector, identity
from tests.core.solids_to_measure import noisy as noisy_solid
from tests.core.solids_to_measure import plate
from tests.makers.scanning import evenly_meshed

NOISE = 0.02

ARC = np.column_stack([10 * np.cos(np.linspace(0, 1, 50)), 10 * np.sin(np.linspace(0, 1, 50)), np.tile([0.0, 5.0], 25)])

WANTED = {
    "bore": ([[-10, 0, 0]], 20.0),
    "shaft": ([[4, -12, 12]], 8.0),
    "centres": ([[-10, 0, 0], [26, 0, 0]], 40.0),
    "faces": ([[-40, 5, 1], [40, 5, 1]], 80.0),
    "wall": ([[-5, -5, 6]], 12.0),
    "depth": ([[-5, -5, 6], [0, 10, -1]], 7.0),
    "angle": ([[-40, 5, 1], [3, 20, 0]], 90.0),
    "points": ([[-40, 5, 1], [40, 5, 1]], 80.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def exact() -> Ground:
    return ground_of(plate())


@pytest.fixture(scope="module")
def noisy() -> Ground:
    return ground_of(plate(NOISE))


@pytest.mark.parametrize("kind", WANTED)
def test_sizes_of_a_known_plate(kind: str, exact: Ground, noisy: Ground) -> None:
    """Closed form: the solid's own numbers. The facets of a bore lie inside its circle by 1 - cos(pi / 240)."""
    picks, truth = WANTED[kind]
    clean = measure(kind, np.array(picks, float), [body_of(exact)] * len(picks))
    assert clean.value == pytest.approx(truth, abs=2e-4 * truth if kind in ("bore", "shaft") else 1e-4)
    real = measure(kind, np.array(picks, float), [body_of(noisy, NOISE)] * len(picks))
    assert abs(real.value - truth) <= 1.5 * real.u95
    assert 0.0 < real.u95 < 0.05
    assert np.isfinite(real.lines_mm).all()


def test_the_sizes_of_a_bore_keep_their_order(noisy: Ground) -> None:
    """ISO 14405-1: nothing inscribed is larger than the two-point sizes' mean."""
    sizes = dict(measure("bore", np.array([[-10.0, 0, 0]]), [body_of(noisy, NOISE)]).sizes)
    assert sizes["largest inscribed"] <= sizes["two-point, mean"] <= sizes["two-point, largest"]
    assert sizes["two-point, least"] <= sizes["two-point, mean"]


def test_an_oval_bore_in_closed_form() -> None:
    """r = 10 + 0.1 cos 2t: sizes 19.8 to 20.2, inscribed 19.8, least squares 20. Three lobes have one size only."""
    turn, height = (a.ravel() for a in np.meshgrid(np.arange(720) * np.pi / 360, np.linspace(-5, 5, 20)))
    axis = Figure("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 10.0)

    def points(radius: FloatArray) -> FloatArray:
        return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])

    oval = bore_sizes(axis, points(10 + 0.1 * np.cos(2 * turn)), True)
    assert (oval.least, oval.largest) == (pytest.approx(19.8, abs=0.005), pytest.approx(20.2, abs=0.005))
    assert oval.mating == pytest.approx(19.8, abs=0.005)
    assert oval.two_point == pytest.approx(20.0, abs=1e-3)
    lobes = bore_sizes(axis, points(10 + 0.1 * np.cos(3 * turn)), True)
    assert lobes.largest is not None and lobes.least is not None
    assert lobes.largest - lobes.least < 0.01
    assert lobes.mating == pytest.approx(19.8, abs=0.01)
    shaft = bore_sizes(axis, points(10 + 0.1 * np.cos(3 * turn)), False)
    assert shaft.mating == pytest.approx(20.2, abs=0.01)


def test_half_a_bore_has_no_two_point_size() -> None:
    turn, height = (a.ravel() for a in np.meshgrid(np.arange(160) * np.pi / 180, np.linspace(-5, 5, 20)))
    axis = Figure("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 10.0)
    half = bore_sizes(axis, np.column_stack([10 * np.cos(turn), 10 * np.sin(turn), height]), True)
    assert half.two_point is None and half.mating is None


@pytest.mark.parametrize("pick, kind, hollow", [
    ([-10, 0, 0], "cylinder", True), ([4, -12, 12], "cylinder", False), ([-5, -5, 6], "plane", False),
])  # fmt: skip
def test_one_click_finds_the_feature(noisy: Ground, pick: list[float], kind: str, hollow: bool) -> None:
    found = feature_at(noisy, np.array(pick, float))
    assert (found.shape.kind, found.hollow) == (kind, hollow)
    if kind == "cylinder":
        assert found.shape.direction is not None and abs(abs(found.shape.direction[2]) - 1.0) < 1e-4


def test_one_click_on_a_ball_and_a_cone() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=15.0)
    found = feature_at(ground_of(Mesh(ball.vertices, ball.faces.astype(np.int32))), np.array([0, 0, 15.0]))
    assert (found.shape.kind, round(found.shape.radius_mm or 0, 3)) == ("sphere", 15.0)
    rows, turns = np.meshgrid(np.linspace(0, 20, 41), np.arange(120) * np.pi / 60, indexing="ij")
    radius = 10 + rows * np.tan(np.radians(15))
    points = np.stack([radius * np.cos(turns), radius * np.sin(turns), rows], axis=2).reshape(-1, 3)
    k = np.arange(40 * 120)
    right = (k // 120) * 120 + (k + 1) % 120
    mesh = Mesh(points, np.vstack([np.column_stack([k, right, k + 120]),
                                   np.column_stack([right, right + 120, k + 120])]).astype(np.int32))  # fmt: skip
    size = measure("taper", np.array([points[20 * 120]]), [body_of(ground_of(mesh))])
    assert size.value == pytest.approx(30.0, abs=1e-3)


def test_thickness_and_angle_against_trimesh() -> None:
    """An independent library: trimesh's section of a wedge; the angle in closed form."""
    corners = [[x, y, z] for x, high in ((0, 10), (40, 4)) for y in (0, 30) for z in (0, high)]
    wedge = trimesh.convex.convex_hull(corners).subdivide().subdivide().subdivide().subdivide()
    ground = ground_of(Mesh(np.array(wedge.vertices), wedge.faces.astype(np.int32)))
    hit = first_hit(ground, np.array([20.0, 15.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    cut = wedge.section(plane_origin=[20.0, 0, 0], plane_normal=[1, 0, 0])
    assert hit is not None and hit[2] == pytest.approx(cut.bounds[1][2], abs=1e-9)
    size = measure("angle", np.array([[20.0, 15, 0], [20.0, 15, 7]]), [body_of(ground)] * 2)
    assert size.value == pytest.approx(np.degrees(np.arctan(6 / 40)), abs=1e-6)


@pytest.mark.parametrize("lean", [40.0, 90.05, 89.95, 120.0, 150.0])
@pytest.mark.parametrize("hollow", [False, True])
def test_a_corner_is_told_as_a_protractor_reads_it(lean: float, hollow: bool) -> None:
    """Two faces that meet at 90.05 degrees are not said to meet at 89.95; also in an inner corner (closed form)."""
    size = measure("angle", *_corner(lean, hollow))
    assert size.value == pytest.approx(lean, abs=1e-6) and size.notes == ()


def test_faces_that_look_the_same_way_are_told_by_their_lean() -> None:
    size = measure("angle", *_corner(170.0, False))
    assert size.value == pytest.approx(10.0, abs=1e-6) and "look the same way" in size.notes[0]


def _corner(lean: float, hollow: bool) -> tuple[FloatArray, list[Body]]:
    """Picks on two faces that meet along y, and what they lie on."""
    turn = np.radians(lean)
    along, up = (a.ravel() for a in np.meshgrid(np.linspace(0, 20, 21), np.linspace(0, 30, 31)))
    floor, wall = (np.column_stack([up * np.cos(x), along, up * np.sin(x)]) for x in (0.0, turn))
    k = np.array([21 * r + c for r in range(30) for c in range(20)])
    rows = np.vstack([np.column_stack([k, k + 21, k + 1]), np.column_stack([k + 1, k + 21, k + 22])])
    both = np.vstack([rows, rows[:, ::-1] + len(floor)])
    mesh = Mesh(np.vstack([floor, wall]), (both if hollow else both[:, ::-1]).astype(np.int32))
    picks = np.array([[15.0, 10, 0], [15 * np.cos(turn), 10, 15 * np.sin(turn)]])
    return picks, [body_of(ground_of(mesh))] * 2


@pytest.mark.parametrize("kind, picks, sentence", [
    ("bore", [[100, 0, 0]], "no surface at the pick"),
    ("bore", [[4, -12, 12]], "is a shaft, not a bore"),
    ("shaft", [[-10, 0, 0]], "is a bore, not a shaft"),
    ("bore", [[-38, 5, 6]], "No cylinder was found"),
    ("faces", [[-40, 5, 1], [3, 20, 0]], "lean 90 degrees"),
])  # fmt: skip
def test_what_cannot_be_measured_is_a_sentence(
    noisy: Ground, kind: str, picks: list[list[float]], sentence: str
) -> None:
    with pytest.raises(NoAnswer, match=sentence):
        measure(kind, np.array(picks, float), [body_of(noisy, NOISE)] * len(picks))


@pytest.mark.parametrize("kind, picks, sentence", [
    ("ball", [[-10, 0, 0]], "round like a bore or shaft of 20 mm diameter, so it is no sphere"),
    ("taper", [[-10, 0, 0]], "round like a bore or shaft of 20 mm diameter, so it is no cone"),
    ("depth", [[-5, -5, 6], [-10, 0, 0]], "round like a bore or shaft of 20 mm diameter, so it is no plane"),
    ("ball", [[4, -12, 12]], "of 8 mm diameter, so it is no sphere"),
])  # fmt: skip
def test_another_shape_than_the_one_asked_for_is_named(
    noisy: Ground, kind: str, picks: list[list[float]], sentence: str
) -> None:
    with pytest.raises(NoAnswer, match=sentence):
        measure(kind, np.array(picks, float), [body_of(noisy, NOISE)] * len(picks))


def test_a_ball_and_a_cone_are_no_bores_and_a_drafted_bore_is_one() -> None:
    ball = ground_of(noisy_solid(Solid.sphere(15, 120).refine_to_length(2.0), NOISE, 1))
    with pytest.raises(NoAnswer, match="a ball of 30 mm diameter, so it is no cylinder"):
        feature_at(ball, np.array([15.0, 0, 0]), ("cylinder",))
    taper = ground_of(noisy_solid(Solid.cylinder(30, 15, 8, 120).refine_to_length(2.0), NOISE, 1))
    with pytest.raises(NoAnswer, match="a cone of 26.3 degrees, so it is no cylinder"):
        feature_at(taper, np.array([13.0, 0, 10]), ("cylinder",))
    drafted = ground_of(noisy_solid(Solid.cylinder(30, 15, 15 - 30 * np.tan(np.radians(1)), 120).refine_to_length(2.0),
                                    NOISE, 1))  # fmt: skip
    found = feature_at(drafted, np.array([14.7, 0, 15]), ("cylinder",))
    assert found.shape.radius_mm == pytest.approx(15 - 15 * np.tan(np.radians(1)), abs=0.05)


def test_the_form_of_a_datum_is_no_surer_than_the_noise_lets_it_be(exact: Ground, noisy: Ground) -> None:
    """A perfect face and bore: all the form that a noisy scan shows is noise, and none without it."""
    for pick in ([-5.0, -5, 6], [-10.0, 0, 0]):
        clean = measure("datum", np.array([pick]), [body_of(exact)])
        assert clean.value < 1e-3 and clean.u95 < 1e-3
        seen = measure("datum", np.array([pick]), [body_of(noisy, NOISE)])
        assert 0.05 < seen.value < 1.3 * seen.u95 and seen.u95 <= seen.value


def test_a_chamfer_is_flat_whatever_lies_beyond_its_edges() -> None:
    """A cylinder that reaches over both edges explains twice as much surface, ten times worse."""
    lean = np.radians(55)
    normal, edge = np.array([np.sin(lean), 0, np.cos(lean)]), np.array([20.0, 0, 9])
    solid = Solid.cube((50, 40, 18), True).trim_by_plane(tuple(-normal), -float(normal @ edge))
    body = body_of(ground_of(noisy_solid(solid.refine_to_length(0.8), 0.03, 3)), 0.03)
    pick = edge + [5 * np.cos(lean), 5, -5 * np.sin(lean)]
    size = measure("angle", np.array([pick, [-5, 10, 9]]), [body] * 2)
    assert abs(size.value - 125.0) < 1.5 * size.u95 < 0.5
    for kind in ("shaft", "taper", "ball"):
        with pytest.raises(NoAnswer, match="is flat, so it is no|was found at the pick"):
            measure(kind, pick[None], [body])


def test_a_bore_is_found_right_below_its_rim() -> None:
    """Evenly meshed at 1.5 mm, as a coarse scan is; its rims are rounded."""
    rng = np.random.default_rng(1)
    scan = evenly_meshed(plate(), 1.5, rng)
    scan = Mesh(scan.vertices + 0.03 * rng.normal(size=(len(scan.vertices), 1)) * vertex_normals(scan), scan.triangles)
    ground = ground_of(scan)
    for turn, depth in ((0.0, 0.8), (2.6, 2.0), (4.4, 2.0), (1.1, 3.0)):
        pick = np.array([-20 + 10 * np.cos(turn), 10 * np.sin(turn), 6.0 - depth])
        found = feature_at(ground, pick, ("cylinder",))
        assert found.hollow and found.shape.radius_mm == pytest.approx(10.0, abs=0.03)


@pytest.mark.parametrize(("sd", "told"), [(4.0, True), (6.0, False)])
def test_a_diameter_that_may_be_nothing_is_not_told(
    sd: float, told: bool, exact: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bore of 20 mm of which so little is there that U is 8 mm, or 12."""
    little = replace(bore_sizes(Figure("cylinder", np.zeros(3), np.eye(3)[2], 10.0), ARC, True), two_point=None)
    monkeypatch.setattr(sizes, "bore_sizes", lambda *_: little)
    monkeypatch.setattr(sizes, "spread", lambda *_: (sd, np.inf, ()))
    picks, bodies = np.array([[-10.0, 0.0, 0.0]]), [body_of(exact)]
    if told:
        assert measure("bore", picks, bodies).u95 == pytest.approx(2.0 * sd, rel=0.03)
    else:
        with pytest.raises(NoAnswer, match="bends too little to tell a diameter"):
            measure("bore", picks, bodies)


def test_wrong_use_is_said(exact: Ground) -> None:
    with pytest.raises(WrongUse, match="needs 2 picks"):
        measure("faces", np.zeros((1, 3)), [body_of(exact)])
    with pytest.raises(WrongUse, match="nothing that can be measured"):
        measure("length", np.zeros((1, 3)), [body_of(exact)])


def test_an_open_sheet_has_no_wall() -> None:
    sheet = trimesh.creation.box((20, 20, 1)).subdivide().subdivide().subdivide()
    up = np.flatnonzero(sheet.face_normals[:, 2] > 0.9)
    ground = ground_of(Mesh(np.array(sheet.vertices), sheet.faces[up].astype(np.int32)))
    with pytest.raises(NoAnswer, match="no surface behind"):
        measure("wall", np.array([[0, 0, 0.5]]), [body_of(ground)])


def test_coverage_across_a_joint() -> None:
    """Simulation: 100 placements drawn from the stated covariance, fresh noise each; U covers 93 to 98 %.

    How alike the noise is from point to point is measured on two scans, for it is one scanner's.
    """
    rng = np.random.default_rng(7)
    left, right = _half(-1.0), _half(1.0)
    spread = np.array([2e-4, 3e-4, 2e-4, 0.01, 0.015, 0.01])
    turn = np.linalg.qr(rng.normal(size=(6, 6)))[0]
    inner = 0.5 * np.eye(6) + 0.5 * turn @ np.diag([2, 1, 1, 1, 0.5, 0.5]) @ turn.T
    covariance = np.diag(spread) @ inner @ np.diag(spread)
    root = np.linalg.cholesky(covariance)
    centre = right.vertices.mean(axis=0)
    picks = np.array([[-30.0, 2.0, 1.0], [30.0, 2.0, 1.0]])
    held = []
    scanner = [_body(side, 0, NOISE, rng).ground.noise for side in (left, right)]
    placement = Placement(None, "program", covariance=covariance)
    for _ in range(100):
        true = from_vector(root @ rng.normal(size=6), centre)
        bodies = [
            _body(left, 0, NOISE, rng, scanner[0]),
            replace(_body(placed(right, true), 1, NOISE, rng, scanner[1]), placement=placement, centre_mm=centre),
        ]
        size = measure("faces", picks, bodies)
        held.append(abs(size.value - 60.0) <= size.u95)
    assert 0.93 <= np.mean(held) <= 0.985


def _half(side: float) -> Mesh:
    """A small end face of 20 x 12 at x = 30 side, as a grid."""
    y, z = (a.ravel() for a in np.meshgrid(np.linspace(-10, 10, 21), np.linspace(-6, 6, 13)))
    points = np.column_stack([np.full(len(y), 30.0 * side), y, z])
    k = np.array([r * 21 + c for r in range(12) for c in range(20)])
    triangles = np.vstack([np.column_stack([k, k + 1, k + 21]), np.column_stack([k + 1, k + 22, k + 21])])
    return Mesh(points, (triangles if side > 0 else triangles[:, ::-1]).astype(np.int32))


def _body(
    mesh: Mesh, number: int, noise: float, rng: np.random.Generator, scanner: ScanNoise | None = None
) -> Body:
    points = mesh.vertices + noise * rng.normal(size=(len(mesh.vertices), 1)) * [1.0, 0.0, 0.0]
    ground = ground_of(Mesh(points, mesh.triangles))
    if scanner is not None:
        ground.__dict__["noise"] = scanner
    return Body(ground, number, identity(), None, None, noise)


def test_crossing_axes_have_a_shortest_distance() -> None:
    """Closed form: one axis along x through the origin, one along y five above it."""
    shapes = [replace(CROSSED, point_mm=np.array([3.0, 0, 0]), direction=np.array([1.0, 0, 0])),
              replace(CROSSED, point_mm=np.array([0, -4.0, 5]), direction=np.array([0, 1.0, 0]))]  # fmt: skip
    value, (line,), (note,) = _centres([SimpleNamespace(shape=shape) for shape in shapes])
    assert value == pytest.approx(5.0) and "cross at 90.0 degrees" in note
    np.testing.assert_allclose(line, [[0, 0, 0], [0, 0, 5]], atol=1e-12)


CROSSED = Shape("cylinder", np.zeros(3), np.array([0, 0, 1.0]), 2.0, None, 0.0, 0.0, None, 1.0, 100, 0.01)
