"""The adjustment against known poses, known wear, stated dimensions and independent ICPs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from rejoin.core.alignment import Adjustment, KnownDimension, adjust
from rejoin.core.alignment.rounding import rounded_rim
from rejoin.core.contact import Pairs
from rejoin.core.errors import Cancelled, NoAnswer, WrongUse
from rejoin.core.libraries.registration import refined
from rejoin.core.records import FloatArray
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import apply, displacement, from_vector, identity, inverse, rigid
from rejoin.core.uncertainty.equations import Contact, normal_equations
from tests.core.plates import Block, block, flat, joint_of, waves

OFF = from_vector(np.array([0.01, -0.012, 0.015, 0.2, -0.15, 0.25]), np.zeros(3))
FRAME = from_vector(np.array([0.5, -0.8, 1.1, 30.0, -20.0, 12.0]), np.zeros(3))
"""A start 0.35 mm and 1.2 degrees off, and a scan frame that is not the part's."""


def pair(lift: float = 0.0, noise: float = 0.0, height=waves, seed: int = 0) -> tuple[Block, Block]:  # type: ignore[no-untyped-def]
    return (
        block(height, upper=False, lift=lift, noise=noise, seed=2 * seed + 1),
        block(height, upper=True, lift=lift, noise=noise, seed=2 * seed + 2, part_from_scan=FRAME),
    )


def joined(lower: Block, upper: Block, settings: AlignSettings | None = None, **more: object) -> Adjustment:
    start = OFF @ upper.part_from_scan
    joint = joint_of(lower, upper, start)
    return adjust((lower.fragment, upper.fragment), [joint], {0: identity(), 1: start},
                  settings or AlignSettings(), silent, **more)  # type: ignore[arg-type]  # fmt: skip


def error(found: Adjustment, upper: Block) -> float:
    return float(displacement(found.part_from_scan[1], upper.part_from_scan, upper.fragment.mesh.vertices).max())


def test_the_true_pose_is_found_from_a_rough_start() -> None:
    lower, upper = pair()
    found = joined(lower, upper)
    assert found.settled
    assert error(found, upper) < 0.02 * lower.fragment.spacing_mm
    np.testing.assert_array_equal(found.part_from_scan[0], identity())
    assert found.layers[0].probability < 0.5


def test_noise_costs_no_more_than_it_must() -> None:
    """0.03 mm white noise, 900 vertices a face: a least squares that knew everything would be off by about 0.006."""
    lower, upper = pair(noise=0.03)
    assert error(joined(lower, upper), upper) < 0.03


def test_a_noise_overstated_by_a_rough_original_surface_does_not_let_chips_in() -> None:
    """A sand-cast surface passes for noise; the faces themselves show better, and a ninth of one is 0.4 mm low."""

    def chipped(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(waves(x, y) + 0.4 * ((np.abs(x - 3.0) < 2.0) & (np.abs(y - 3.0) < 2.0)))

    lower, upper = pair(noise=0.02)[0], pair(noise=0.02, height=chipped)[1]
    rough = [replace(side, fragment=replace(side.fragment, noise_mm=0.3)) for side in (lower, upper)]
    assert error(joined(lower, upper), upper) < 0.03
    assert error(joined(*rough), upper) < 0.03


def test_the_same_input_gives_the_same_output() -> None:
    lower, upper = pair(noise=0.03)
    first, second = joined(lower, upper), joined(lower, upper)
    for key in ("covariance", "u95_mm"):
        np.testing.assert_allclose(getattr(first.placement(1), key), getattr(second.placement(1), key), rtol=1e-9)
    np.testing.assert_allclose(first.part_from_scan[1], second.part_from_scan[1], atol=1e-9, rtol=0)


def test_the_answer_does_not_depend_on_the_start() -> None:
    lower, upper = pair(noise=0.02)
    far = joined(lower, upper).part_from_scan[1]
    joint = joint_of(lower, upper, upper.part_from_scan)
    near = adjust((lower.fragment, upper.fragment), [joint], {0: identity(), 1: upper.part_from_scan},
                  AlignSettings(), silent).part_from_scan[1]  # fmt: skip
    assert displacement(far, near, upper.fragment.mesh.vertices).max() < 0.005


def test_worn_faces_are_set_apart_by_what_is_missing() -> None:
    lower, upper = pair(lift=0.1, noise=0.01)
    found = joined(lower, upper)
    assert found.layers[0].probability > 0.95
    assert found.layers[0].apart_mm == pytest.approx(0.2, abs=0.03)
    assert error(found, upper) < 0.05
    joint = found.updated([joint_of(lower, upper, OFF @ FRAME)])[0]
    assert joint.missing_layer_mm == found.layers[0].apart_mm and joint.missing_layer_sd_mm > 0.0
    np.testing.assert_allclose(joint.a_from_b, found.part_from_scan[1])
    pressed = joined(lower, upper, AlignSettings(missing_layer=False))
    assert error(pressed, upper) > 0.1
    assert pressed.layers[0].apart_mm == 0.0


def test_flat_faces_claim_no_layer_and_say_how_little_they_know() -> None:
    lower, upper = pair(lift=0.1, noise=0.02, height=flat)
    found = joined(lower, upper)
    assert found.layers[0].apart_mm == 0.0
    placement = found.placement(1)
    assert placement.u95_mm is not None and placement.u95_mm > error(found, upper) > 0.1


def over_the_crack(lower: Block, upper: Block, offset: float = 0.0, limit: float = 0.02) -> KnownDimension:
    """The height over both blocks, as a person would measure it."""
    bottom, top = np.array([0.0, 0.0, -8.0]), np.array([0.0, 0.0, 9.0])
    scanned = inverse(upper.part_from_scan)
    return KnownDimension(0, bottom, 1, scanned[:3, :3] @ top + scanned[:3, 3], 17.0 + offset, limit)


def test_a_stated_dimension_opens_worn_flat_faces() -> None:
    lower, upper = pair(lift=0.1, noise=0.02, height=flat)
    found = joined(lower, upper, known=[over_the_crack(lower, upper)])
    assert found.layers[0].apart_mm == pytest.approx(0.2, abs=0.05)
    scanned, stands = inverse(upper.part_from_scan), found.part_from_scan[1]
    top = (stands @ scanned)[:3, :3] @ [0.0, 0.0, 9.0] + (stands @ scanned)[:3, 3]
    assert np.linalg.norm(top - [0.0, 0.0, -8.0]) == pytest.approx(17.0, abs=0.03)
    assert found.known[0].sigmas < 3.0


def test_a_wrong_dimension_is_found_out() -> None:
    lower, upper = pair(noise=0.01)
    right = joined(lower, upper, known=[over_the_crack(lower, upper)])
    wrong = joined(lower, upper, known=[over_the_crack(lower, upper, offset=-2.0)])
    assert right.known[0].sigmas < 3.0 < wrong.known[0].sigmas


def test_three_fragments_in_a_row_are_placed_together() -> None:
    def second(x: FloatArray, y: FloatArray) -> FloatArray:
        return waves(y + 2.0, x)

    bottom, top = block(waves, upper=False, seed=1), block(second, upper=True, seed=2)
    lower_half, upper_half = block(waves, upper=True, seed=3), block(second, upper=False, seed=4)
    # The middle fragment: both faces in one mesh, the upper one lifted by 8 mm.
    shift = rigid(np.eye(3), np.array([0.0, 0.0, 8.0]))
    first, other = lower_half.fragment.mesh, upper_half.fragment.mesh
    count, faces = len(first.vertices), len(first.triangles)
    mesh = replace(first, vertices=np.vstack([first.vertices, other.vertices + shift[:3, 3]]),
                   triangles=np.vstack([first.triangles, other.triangles + count]))  # fmt: skip
    middle = Block(replace(lower_half.fragment, mesh=mesh), lower_half.triangles, identity())
    high = replace(middle, triangles=(upper_half.triangles + faces).astype(np.int32))
    joints = [joint_of(bottom, middle, OFF, (0, 1)), joint_of(high, top, shift @ OFF, (1, 2))]
    found = adjust((bottom.fragment, middle.fragment, top.fragment), joints,
                   {0: identity(), 1: OFF, 2: OFF @ shift @ OFF}, AlignSettings(), silent)  # fmt: skip
    for number, true, mesh in ((1, identity(), middle.fragment.mesh), (2, shift, top.fragment.mesh)):
        assert displacement(found.part_from_scan[number], true, mesh.vertices).max() < 0.03
    near, far = found.placement(1).u95_mm, found.placement(2).u95_mm
    assert near is not None and far is not None and far > near > 0.0
    assert found.placement(0).u95_mm == 0.0


def test_what_cannot_be_adjusted_is_said() -> None:
    lower, upper = pair()
    away = rigid(np.eye(3), np.array([0.0, 0.0, 60.0])) @ upper.part_from_scan
    fragments = (lower.fragment, upper.fragment)
    with pytest.raises(NoAnswer, match="nothing opposite"):
        adjust(fragments, [joint_of(lower, upper, away)], {0: identity(), 1: away}, AlignSettings(), silent)
    with pytest.raises(WrongUse):
        adjust(fragments, [], {0: identity()}, AlignSettings(), silent)
    with pytest.raises(WrongUse):
        adjust(fragments, [joint_of(lower, upper, away)], {0: identity()}, AlignSettings(), silent)


def test_cancelling_stops_the_work() -> None:
    def report(share: float, sentence: str) -> None:
        if share > 0.4:
            raise Cancelled

    lower, upper = pair()
    with pytest.raises(Cancelled):
        adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, OFF @ FRAME)], {0: identity(), 1: OFF @ FRAME},
               AlignSettings(), report)  # fmt: skip


def true_normals(points: FloatArray) -> FloatArray:
    """Of the face in strong relief, upwards."""
    step, (x, y) = 1e-5, points[:, :2].T
    slopes = [-(waves(x + step, y) - waves(x, y)) / step, -(waves(x, y + step) - waves(x, y)) / step]
    normals = np.column_stack([*slopes, np.ones(len(points))])
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def test_our_answer_is_where_independent_icps_end() -> None:
    """open3d (through the doorway), small_gicp and trimesh on the same two faces, from the same start."""
    small_gicp = pytest.importorskip("small_gicp")
    trimesh = pytest.importorskip("trimesh")
    lower, upper = pair(noise=0.01)
    ours = joined(lower, upper).part_from_scan[1]
    target, source = (half.fragment.mesh.vertices[np.unique(half.fragment.mesh.triangles[half.triangles])]
                      for half in (lower, upper))  # fmt: skip
    start = OFF @ upper.part_from_scan
    corners = upper.fragment.mesh.vertices

    gicp = small_gicp.align(target, source, start, registration_type="PLANE_ICP", downsampling_resolution=0.1,
                            max_correspondence_distance=1.0, num_threads=1).T_target_source  # fmt: skip
    assert displacement(ours, gicp, corners).max() < 0.06

    closest, _, _ = trimesh.registration.icp(source, target, initial=start, threshold=1e-9, max_iterations=200,
                                             reflection=False, scale=False)  # fmt: skip
    assert displacement(ours, closest, corners).max() < 0.12

    normals = true_normals(target)
    plane, share = refined(source, target, normals, start, 1.0, 0.5, 60, 1e-5)
    assert share > 0.95
    assert displacement(ours, plane, corners).max() < 0.06


def test_the_doorway_rounds_away_the_order_of_threads() -> None:
    lower, upper = pair(noise=0.01)
    source, target = lower.fragment.mesh.vertices[:900], upper.fragment.mesh.vertices[:900]
    normals = true_normals(source)
    start = OFF @ upper.part_from_scan
    runs = [refined(target, source, normals, start, 1.0, 0.5, 20, 1e-3)[0] for _ in range(3)]
    np.testing.assert_array_equal(runs[0], runs[1])
    np.testing.assert_array_equal(runs[0], runs[2])


def test_one_step_is_that_of_open3d_and_small_gicp_on_the_same_correspondences() -> None:
    """Point to plane, the same pairs and target normals, from the same start: the three libraries' single step."""
    small_gicp = pytest.importorskip("small_gicp")
    o3d = pytest.importorskip("open3d")
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-5, 5, (2, 800))
    target = np.column_stack([x, y, waves(x, y)])
    normals = true_normals(target)
    small = from_vector(np.array([0.002, -0.003, 0.001, 0.01, -0.02, 0.015]), np.zeros(3))
    source = apply(inverse(small), target) + 0.002 * rng.standard_normal((800, 3))
    index = np.arange(800, dtype=np.int32)

    pairs = Pairs(source, target, -normals, normals, np.ones(800), np.zeros(800, bool), index)
    centre = pairs.middles.mean(axis=0)
    contact = Contact(0, 1, pairs, np.ones(800), pairs.gaps, 1.0, 1e6, 0.4, centre)
    matrix, right = normal_equations(contact)
    ours = from_vector(np.linalg.solve(matrix[:6, :6], right[:6]), centre)

    clouds = [o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points)) for points in (source, target)]
    clouds[1].normals = o3d.utility.Vector3dVector(normals)
    estimate = o3d.pipelines.registration.TransformationEstimationPointToPlane()
    theirs = estimate.compute_transformation(*clouds, o3d.utility.Vector2iVector(np.column_stack([index, index])))
    assert displacement(ours, theirs, target).max() < 1e-4

    first, second = small_gicp.PointCloud(target), small_gicp.PointCloud(source)
    small_gicp.estimate_normals(first, num_neighbors=10)
    # Its normals are estimated; the pairs are its own nearest neighbours: where the start is this close they are ours.
    tree, factor = small_gicp.KdTree(first), small_gicp.PointToPlaneICPFactor()
    rejector = small_gicp.DistanceRejector()
    hessian, gradient = np.zeros((6, 6)), np.zeros(6)
    for number in range(800):
        used, part, slope, _ = factor.linearize(first, second, tree, np.eye(4), number, rejector)
        if used:
            hessian, gradient = hessian + part, gradient + slope
    step = -np.linalg.solve(hessian, gradient)
    assert displacement(ours, from_vector(step, np.zeros(3)), target).max() < 0.01


@pytest.mark.parametrize("opens_mm, strip", [(0.0, 0), (0.05, 2), (-0.05, 2)])
def test_a_rim_that_gapes_is_found_and_a_wear_all_over_is_not(opens_mm: float, strip: int) -> None:
    rng = np.random.default_rng(5)
    away = rng.uniform(0.0, 12.0, 4000)
    sides = tuple(SimpleNamespace(from_border=part) for part in (away[:2000], away[2000:]))
    pairs = SimpleNamespace(from_b=np.arange(4000) >= 2000, vertex=np.arange(4000) % 2000)
    gaps = 0.1 + 0.03 * rng.normal(size=4000) + opens_mm * (away < 2.0)
    assert rounded_rim(sides, pairs, gaps) == strip


def test_a_face_too_narrow_to_lose_its_rim_keeps_it() -> None:
    away = np.tile([0.5, 1.2], 1000)
    sides = tuple(SimpleNamespace(from_border=away) for _ in range(2))
    pairs = SimpleNamespace(from_b=np.arange(4000) >= 2000, vertex=np.arange(4000) % 2000)
    narrow = np.where(np.tile(away, 2) < 1.0, 0.3, 0.0)
    assert rounded_rim(sides, pairs, narrow) == 1
    away[away > 1.0] = np.where(np.arange(1000) % 5, 0.6, 1.2)
    assert rounded_rim(sides, pairs, narrow) == 0
