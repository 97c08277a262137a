"""Fit-up before welding against blocks whose joint is known: 12 x 12 mm, straight sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.dimensions.fitup import _angle, _Skin, _turned, fit_up
from rejoin.core.dimensions.levels import quality_levels
from rejoin.core.dimensions.rims import loop_length, rim_loops, smoothed, walls_across
from rejoin.core.dimensions.ways import FREE, order_in_words, order_of_assembly, way_off
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.fit import measure_joint
from rejoin.core.records import FitUp, FloatArray, Placement
from rejoin.core.settings import FitSettings, silent
from rejoin.core.transforms import apply, from_vector, identity, inverse, rigid
from tests.core.fitsets import unit_rows
from tests.core.plates import Block, block, flat, joint_of, waves

FRAME = from_vector(np.array([0.5, -0.8, 1.1, 30.0, -20.0, 12.0]), np.zeros(3))


def of(lower: Block, upper: Block, moved: FloatArray | None = None, metal: str | None = None,
       covariance: FloatArray | None = None) -> FitUp:  # fmt: skip
    pose = (identity() if moved is None else moved) @ upper.part_from_scan
    placements = (Placement(lower.part_from_scan, "program"), Placement(pose, "program", covariance=covariance))
    joint = joint_of(lower, upper, inverse(lower.part_from_scan) @ pose)
    fragments = (lower.fragment, upper.fragment)
    fit = measure_joint(fragments, placements, joint, 0, FitSettings(), silent)
    return fit_up(fragments, placements, joint, 0, fit, metal, apart_mm=4.0)


@pytest.fixture(scope="module")
def pair() -> tuple[Block, Block]:
    return block(flat, upper=False, seed=1), block(flat, upper=True, seed=2, part_from_scan=FRAME)


def test_what_a_flat_joint_measures(pair: tuple[Block, Block]) -> None:
    """Closed form: four sides of 12 mm, 144 mm2, a wall of 12 mm, no step, no angle, no gap."""
    found = of(*pair)
    assert found.length_mm == pytest.approx(48.0, rel=0.02)
    assert found.section_mm2 == pytest.approx(144.0, rel=1e-6)
    assert found.wall_mm is not None and found.wall_mm[1] == pytest.approx(12.0, rel=0.02)
    assert found.angle_deg == pytest.approx(0.0, abs=0.05)
    assert (found.gap_low_mm, found.gap_high_mm) == (pytest.approx(0, abs=1e-6), pytest.approx(0, abs=1e-6))
    assert abs(found.direction[2]) == pytest.approx(1.0, abs=1e-3) and found.direction[2] > 0
    assert found.blocked_share < FREE
    assert any("punch" in text.lower() for text in found.cautions)


def test_a_tilt_is_an_angle_and_a_range_of_gaps(pair: tuple[Block, Block]) -> None:
    """Closed form: turned by 1 degree about the y axis through the middle, lifted by 0.2 mm."""
    turned = from_vector(np.array([0, np.radians(1.0), 0, 0, 0, 0.2]), np.zeros(3))
    found = of(*pair, turned)
    assert found.angle_deg == pytest.approx(1.0, abs=0.05)
    assert found.angle_u95_deg is not None and 0.001 < found.angle_u95_deg < 0.1
    assert found.gap_low_mm is not None and found.gap_high_mm is not None
    assert found.gap_high_mm - found.gap_low_mm == pytest.approx(12 * np.sin(np.radians(1.0)), rel=0.15)
    assert 0.5 * (found.gap_high_mm + found.gap_low_mm) == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize("tilt", [0.0, 2.0])
def test_a_curved_surface_is_not_taken_for_an_angle(tilt: float) -> None:
    """A barrel (radius 20, bulging by a radius of 100) cut at its waist, 0.02 mm of noise.

    Closed form: its normals bend by themselves by some 3 degrees from one side to the other; of a tilt about a
    diameter 1 - 20/100 shows, for the surface slides along its own curve.
    """
    rng = np.random.default_rng(6)
    skins = []
    for side in (-1.0, 1.0):
        z, turned = side * rng.uniform(1.0, 8.0, 12000), rng.uniform(0, 2 * np.pi, 12000)
        radius = 20.0 - 100.0 + np.sqrt(100.0**2 - z**2)
        out = np.column_stack([np.cos(turned), np.sin(turned), z / 100.0])
        points = np.column_stack([radius * np.cos(turned), radius * np.sin(turned), z])
        skins.append(_Skin(points + 0.02 * rng.normal(size=(12000, 1)) * out, unit_rows(out)))
    turned = np.arange(240) * np.pi / 120
    loop = 20.0 * np.column_stack([np.cos(turned), np.sin(turned), 0 * turned])
    a_from_b = from_vector(np.array([np.radians(tilt), 0, 0, 0, 0, 0]), np.zeros(3))
    found = _angle([loop], (skins[0], skins[1]), a_from_b, 6.0)
    assert found.angle_deg == pytest.approx(0.8 * tilt, abs=0.15) and not found.one_way
    assert found.u95_deg is not None and abs(found.angle_deg - 0.8 * tilt) < found.u95_deg < 1.0


def test_where_all_surfaces_look_one_way_the_turn_about_that_way_is_said_not_to_show() -> None:
    """Closed form: a plate of which only the upper side runs on, turned by 1 degree in its plane and 1 about x."""
    up = np.tile([0.0, 0.0, 1.0], (8, 1))
    turned = np.radians(1.0) * np.cross([1.0, 0.0, 1.0], up)
    found = _turned(up, turned)
    assert found.angle_deg == pytest.approx(1.0) and found.u95_deg == pytest.approx(0.0, abs=1e-6) and found.one_way
    box = np.concatenate([up, np.tile([1.0, 0.0, 0.0], (8, 1))])
    found = _turned(box, np.radians(1.0) * np.cross([1.0, 0.0, 1.0], box))
    assert found.angle_deg == pytest.approx(np.sqrt(2.0)) and not found.one_way


def test_a_bend_of_the_parts_own_is_no_turn_and_scatter_that_hides_one_is_said_to() -> None:
    rng = np.random.default_rng(4)
    ways = unit_rows(rng.normal(size=(60, 3)))
    turned = np.cross(np.radians([0.0, 0.0, 2.0]), ways) + rng.normal(0, np.radians(0.3), ways.shape)
    turned[:12] += np.radians(25.0) * np.cross([1.0, 0.0, 0.0], ways[:12])  # there the part was made with a bend
    assert _turned(ways, turned).angle_deg == pytest.approx(2.0, abs=0.2)
    assert _turned(ways, rng.normal(0, np.radians(1.0), ways.shape)).angle_deg == pytest.approx(0.0, abs=0.4)
    assert _turned(ways, turned + rng.normal(0, np.radians(15.0), ways.shape)).angle_deg is None


@pytest.mark.parametrize("true", [0.0, 0.5, 2.0])
def test_the_bound_of_an_angle_holds(true: float) -> None:
    """Simulation: 30 places in pairs that share their error of 0.6 degrees; at least 95 % of 300 are within."""
    rng, held, widths = np.random.default_rng(11), [], []
    for _ in range(300):
        ways = unit_rows(rng.normal(size=(15, 3))).repeat(2, axis=0)
        errors = rng.normal(0, np.radians(0.6), (15, 3)).repeat(2, axis=0)
        found = _turned(ways, np.cross(np.radians([0.0, 0.0, true]), ways) + errors)
        if found.angle_deg is not None and found.u95_deg is not None:
            held.append(abs(found.angle_deg - true) <= found.u95_deg)
            widths.append(found.u95_deg)
    assert len(held) > 290 and 0.95 <= np.mean(held) and float(np.median(widths)) < 1.2


def test_a_step_against_iso_5817_only_in_scope() -> None:
    lower = block(flat, upper=False, seed=1)
    upper = block(flat, upper=True, seed=2, aside=0.6, part_from_scan=FRAME)
    steel = of(lower, upper, metal="steel")
    assert steel.step_mm == pytest.approx(0.6, abs=0.05)
    # ISO 5817:2023, 507: t = 12 mm gives D 3.0, C 1.8, B 1.2
    assert dict(steel.limits_mm) == pytest.approx({"D": 3.0, "C": 1.8, "B": 1.2}, rel=0.03)
    assert "level B" in steel.notes[0] and "comparison only" in steel.notes[0]
    iron = of(lower, upper, metal="grey iron")
    assert iron.limits_mm == () and "not for grey iron" in iron.notes[0]
    assert "not stated" in of(lower, upper).notes[0]


@pytest.mark.parametrize(
    ("step", "u95", "told"),
    [
        (1.0, 0.1, "give or take 0.10 mm (95 %), would be within level B of"),
        (1.0, 0.3, "would be within level C, perhaps within B, of"),
        (1.0, 0.0, "A step of 1.00 mm would be within level B of"),
        (2.9, 0.3, "may or may not be within level D of"),
        (3.5, 0.3, "is above level D of"),
        (3.5, 2.4, "may or may not be within level B of"),
    ],
)
def test_a_level_is_kept_only_where_the_steps_doubt_keeps_it_too(step: float, u95: float, told: str) -> None:
    """t = 12 mm: D 3.0, C 1.8, B 1.2 (ISO 5817:2023, 507); what is kept for certain as in ISO 14253-1."""
    limits, (words,) = quality_levels("steel", (12.0,), step, u95)
    assert told in words and dict(limits)["B"] == pytest.approx(1.2)


def test_what_is_not_known_is_compared_with_no_level() -> None:
    assert quality_levels(None, (12.0,), 1.0, 0.1)[0] == ()
    assert quality_levels("steel", None, 1.0, 0.1) == ((), ())
    assert "not measured" in quality_levels("steel", (12.0,), None, 0.0)[1][0]


def test_gauge_marks_keep_their_distance(pair: tuple[Block, Block]) -> None:
    lower, upper = pair
    spread = np.diag([1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-4])
    found = of(lower, upper, covariance=spread)
    assert len(found.target_mm) == 4
    here, there = apply(lower.part_from_scan, found.marks_a_mm), apply(upper.part_from_scan, found.marks_b_mm)
    np.testing.assert_allclose(np.linalg.norm(here - there, axis=1), found.target_mm, atol=1e-9)
    assert (here[:, 2] < -0.5).all() and (there[:, 2] > 0.5).all()
    np.testing.assert_allclose(found.target_mm, 4.0, atol=1.0)
    assert (found.target_u95_mm > 0.02).all()
    assert (of(lower, upper).target_u95_mm < found.target_u95_mm).all()


def test_pieces_that_interlock_are_told() -> None:
    """Closed form: a plane is free along its normal; a slot's two opposite walls leave one way, an L none across."""
    way, barred = way_off((np.array([[0.0, 0, 1]]), np.ones(1)))
    assert way[2] > 0.999 and barred == 0.0
    slot = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 0, 1.0]])
    way, barred = way_off((slot, np.array([5.0, 5, 1])))
    assert barred == 0.0 and abs(way[0]) < 0.15
    hook = np.array([[0, 0, 1.0], [0, 0, -1.0], [1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0]])
    assert way_off((hook, np.ones(6)))[1] > 0.1


def test_the_order_of_three_pieces() -> None:
    """Two pieces on top of a larger one: any order, the base first, both from above."""
    base = block(waves, upper=False, seed=1, depth=30)
    tops = [block(waves, upper=True, seed=n, part_from_scan=FRAME) for n in (2, 3)]
    joints = [joint_of(base, top, top.part_from_scan, (0, n)) for n, top in enumerate(tops, start=1)]
    placements = [Placement(one.part_from_scan, "program") for one in (base, *tops)]
    order = order_of_assembly([one.fragment for one in (base, *tops)], placements, joints)
    assert [row[0] for row in order][0] == 0 and {row[0] for row in order} == {0, 1, 2}
    assert all(row[1][2] > 0.9 and row[2] < 0.05 for row in order[1:])
    told = order_in_words(order, "ABC")
    assert told.startswith("Order of assembly: A stays, then ") and "interlock" not in told
    assert order_in_words([order[0], (1, np.array([0.0, 0.6, -0.8]), 0.0)], "ABC").endswith(
        "then B along x +0.00, y -0.60, z +0.80 of the whole.")  # fmt: skip
    locked = order_in_words([order[0], (1, np.array([0.0, 0, 1]), 0.25)], "ABC")
    assert "B along x +0.00, y +0.00, z -1.00 of the whole, 25% of its joint in the way." in locked
    assert "interlock" in locked


def test_rims_in_closed_form() -> None:
    """A ring's two rims: circles of 10 and 6 mm, the wall between 4 mm; smoothing keeps a zigzag's true length."""
    turn = np.arange(180) * np.pi / 90
    circle = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    walls = walls_across([10 * circle, 6 * circle[::-1]], np.array([0.0, 0, 1]))
    np.testing.assert_allclose(walls, 4.0, atol=0.01)
    zigzag = 10 * circle + 0.15 * np.tile([[0, 0, 1], [0, 0, -1]], (90, 1))
    assert loop_length(zigzag) > 1.2 * 2 * np.pi * 10
    assert loop_length(smoothed(zigzag)) == pytest.approx(2 * np.pi * 10, rel=0.01)


def test_a_wall_has_two_sides_and_a_blunt_corner_is_none() -> None:
    """A rhombus with sides of 10 mm and corners of 80 degrees: 10 sin 80 between its sides, and next to nothing across
    a corner, where a way straight in from one side ends on the side beside it."""
    lean = np.array([np.cos(np.radians(80)), np.sin(np.radians(80)), 0.0])
    corners = 10 * np.array([[0, 0, 0], [1, 0, 0], [1, 0, 0] + lean, lean])
    steps = np.linspace(0.0, 1.0, 40, endpoint=False)[:, None]
    loop = np.concatenate([(1 - steps) * a + steps * b for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)])
    walls = walls_across([loop], np.array([0.0, 0, 1]))
    assert len(walls) > 100
    np.testing.assert_allclose(walls, 10 * lean[1], atol=1e-9)


def test_without_a_placement_or_a_rim_it_is_said(pair: tuple[Block, Block]) -> None:
    lower, upper = pair
    joint = joint_of(lower, upper, upper.part_from_scan)
    placements = (Placement(identity(), "program"), Placement(None, "program", "why"))
    with pytest.raises(WrongUse, match="not placed"):
        fit_up((lower.fragment, upper.fragment), placements, joint, 0, None)
    assert len(rim_loops(lower.fragment.mesh, joint.face_a.triangles)) == 1
    assert of(lower, replace(upper), rigid(np.eye(3), np.array([0, 0, 0.5]))).gap_low_mm == pytest.approx(0.5, abs=1e-6)


def test_what_cannot_be_said_of_a_crack(pair: tuple[Block, Block]) -> None:
    lower, upper = pair
    fragments, pose = (lower.fragment, upper.fragment), upper.part_from_scan
    standing, nowhere = Placement(pose, "program"), Placement(None, "program")
    first, joint = Placement(identity(), "program"), joint_of(lower, upper, pose)
    with pytest.raises(WrongUse, match="not placed"):
        fit_up(fragments, (first, nowhere), joint, 0, None, None)
    rimless = replace(joint, face_a=replace(joint.face_a, triangles=np.empty(0, np.int32)))
    with pytest.raises(NoAnswer, match="no rim"):
        fit_up(fragments, (first, standing), rimless, 0, None, None)
    unmeasured = fit_up(fragments, (first, standing), joint, 0, None, "steel", apart_mm=4.0)
    assert unmeasured.gap_low_mm is unmeasured.step_mm is None and "not measured" in " ".join(unmeasured.notes)
    far = fit_up(fragments, (first, standing), joint, 0, None, None, apart_mm=400.0)
    assert not len(far.target_mm) and "No pair of gauge marks finds" in " ".join(far.notes)
