"""Fit-up before welding: how the fragments stand across a joint, gauge marks to keep it so, the way they go in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.cautions import BEFORE_WELDING
from rejoin.core.dimensions.figures import frame_of, unit
from rejoin.core.dimensions.levels import quality_levels
from rejoin.core.dimensions.rims import loop_length, rim_loops, walls_across
from rejoin.core.dimensions.spread import half_width
from rejoin.core.dimensions.ways import faces_of, order_in_words, order_of_assembly, way_off
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import triangle_crosses, vertex_normals
from rejoin.core.naming import lettered
from rejoin.core.records import FitReport, FitUp, FloatArray, Fragment, IntArray, Joint, Placement, Project
from rejoin.core.robust import tukey
from rejoin.core.settings import Report
from rejoin.core.transforms import apply, inverse, turn
from rejoin.core.uncertainty.jointly import levers_between, without_layers

BESIDE = 12.0
"""Width of the original surface beside the crack whose direction is compared, in spacings."""

ROUNDS, TUKEY = 10, 5.0
"""Of the robust least squares, and its limit in scales of the misfit."""
UNSURE = 1.0
"""Degrees (1 sigma) by which a turn may be off, above which none is told."""

LEFT_OUT = 2.0
"""What lies nearer to the rim is rounded by the scan, in spacings."""
UNTOLD = "No angle is told: the original surfaces beside the crack are too short or too uneven for it."
ONE_WAY = (
    "The surfaces beside the crack all look much the same way: a turn about that way does not show in the angular "
    "misalignment. Check it with a straight edge or by the gauge marks."
)
ROOT_GAP = "The root gap is the welding procedure's to set."


def fit_ups_of(project: Project, metal: str | None, report: Report) -> tuple[FitUp, ...]:
    """The fit-up of every measured joint; a face without a rim has none."""
    found = []
    for number, fit in enumerate(project.fits):
        report(number / len(project.fits), "Looking along the cracks")
        joint = project.joints[fit.joint]
        try:
            found.append(fit_up(project.fragments, project.placements, joint, fit.joint, fit, metal))
        except NoAnswer:
            continue
    if found:
        order = order_of_assembly(project.fragments, project.placements, project.joints)
        told = order_in_words(order, [lettered(n, one.scan.name) for n, one in enumerate(project.fragments)])
        found[0] = replace(found[0], notes=(*found[0].notes, *([told] if told else [])))
    return tuple(found)


def fit_up(
    fragments: Sequence[Fragment],
    placements: Sequence[Placement],
    joint: Joint,
    number: int,
    fit: FitReport | None,
    metal: str | None = None,
    apart_mm: float | None = None,
    marks: int = 4,
) -> FitUp:
    """All that is to be known of one joint before it is welded.

    Parameters
    ----------
    fragments, placements : sequences
    joint : Joint
    number : int
        The joint's index in the project.
    fit : FitReport, optional
        Its measured gap and step.
    metal : str, optional
        What the part is made of; ISO 5817 is compared with only where it is in its scope.
    apart_mm : float, optional
        Distance of the two marks of a pair; by default the wall's thickness or 20 spacings, whatever is more.
    marks : int
        Pairs of gauge marks, spread along the crack.

    Returns
    -------
    FitUp

    Raises
    ------
    WrongUse
        Where one of the two fragments is not placed.
    NoAnswer
        Where the joint's face has no rim.
    """
    first, second = fragments[joint.a], fragments[joint.b]
    pose_a, pose_b = placements[joint.a].part_from_scan, placements[joint.b].part_from_scan
    if pose_a is None or pose_b is None:
        raise WrongUse("One of these fragments is not placed.", "Join the fragments first.")
    loops = rim_loops(first.mesh, joint.face_a.triangles)
    if not loops:
        raise NoAnswer("This fracture face has no rim, so nothing can be said of the crack.", "Mark the face again.")
    crosses = triangle_crosses(first.mesh)[joint.face_a.triangles]
    normal = unit(crosses.sum(axis=0))
    a_from_b = inverse(pose_a) @ pose_b
    walls = walls_across(loops, normal)
    wall = None
    if len(walls) >= 3:
        thin, middle, thick = (float(value) for value in np.percentile(walls, [5, 50, 95]))
        wall = thin, middle, thick
    spacing = max(first.spacing_mm, second.spacing_mm)
    apart = apart_mm or max(20.0 * spacing, wall[1] if wall else 0.0)
    skins = (_skin(first, joint.face_a.triangles), _skin(second, joint.face_b.triangles))
    pairs = _gauge_marks(loops, normal, skins, a_from_b, apart, marks)
    target, target_u95 = _targets(pairs, joint, fragments, placements)
    low, high = _gap_range(first, fit, loops)
    way, blocked = way_off(faces_of(first, joint.face_a.triangles))
    step, doubt = (None, None) if fit is None else (fit.step_mm, fit.step_u95_mm)
    limits, notes = quality_levels(metal, wall, step, doubt or 0.0)
    turned = _angle(loops, skins, a_from_b, BESIDE * spacing)
    notes = (*notes, *([ONE_WAY] if turned.one_way else []), *([UNTOLD] if turned.angle_deg is None else []))
    if len(target) < marks:
        found = {0: "No pair of gauge marks finds", 1: "Only one pair of gauge marks finds"}
        found_ones = found.get(len(target), f"Only {len(target)} pairs of gauge marks find")
        notes = (*notes, f"{found_ones} original surface on both sides.")
    return FitUp(
        joint=number, step_mm=step, step_u95_mm=doubt, angle_deg=turned.angle_deg, angle_u95_deg=turned.u95_deg,
        gap_low_mm=low, gap_high_mm=high,
        length_mm=float(sum(loop_length(loop) for loop in loops)), section_mm2=float(0.5 * (crosses @ normal).sum()),
        wall_mm=wall, marks_a_mm=pairs[0], marks_b_mm=pairs[1], target_mm=target, target_u95_mm=target_u95,
        direction=turn(pose_a, way[None])[0], blocked_share=blocked, limits_mm=limits, notes=notes,
        cautions=(*BEFORE_WELDING, ROOT_GAP),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Skin:
    """The original surface of a fragment beside one of its faces: points and normals."""

    points: FloatArray
    normals: FloatArray


def _skin(fragment: Fragment, triangles: IntArray) -> _Skin:
    mesh = fragment.mesh
    on_face = np.zeros(len(mesh.vertices), bool)
    on_face[mesh.triangles[triangles].ravel()] = True
    outer = np.flatnonzero(~on_face)
    away = cKDTree(mesh.vertices[on_face]).query(mesh.vertices[outer])[0]
    outer = outer[away > LEFT_OUT * fragment.spacing_mm]
    return _Skin(mesh.vertices[outer], vertex_normals(mesh)[outer])


@dataclass(frozen=True)
class _Turned:
    """By how much one piece is turned against the other (None where that is not told), and its 95 % bound, deg.

    ``one_way``: some turn does not show, for the surfaces beside the crack all look much the same way.
    """

    angle_deg: float | None = None
    u95_deg: float | None = None
    one_way: bool = False


def _angle(
    loops: list[FloatArray], skins: tuple[_Skin, _Skin], a_from_b: FloatArray, reach: float
) -> _Turned:
    """By how much one piece is turned against the other, from the surface on both sides all along the crack.

    Both are continued to the crack as they curve, and the one turn is taken that explains best how their normals
    differ there. None where the surfaces do not run on at three places at least.
    """
    a, b = skins
    trees = cKDTree(a.points) if len(a.points) else None, None
    points_b, normals_b = apply(a_from_b, b.points), turn(a_from_b, b.normals)
    if trees[0] is None or not len(points_b):
        return _Turned()
    tree_a, tree_b = trees[0], cKDTree(points_b)
    normals, changes = [], []
    for place in _spread(loops, 60):
        one = _normal_beside(place, a.points, a.normals, tree_a.query_ball_point(place, reach), None)
        if one is None:
            continue
        other = _normal_beside(place, points_b, normals_b, tree_b.query_ball_point(place, reach), one)
        if other is not None:
            normals.append(one)
            changes.append(other - one)
    return _turned(np.array(normals), np.array(changes)) if len(normals) >= 3 else _Turned()


def _turned(normals: FloatArray, changes: FloatArray) -> _Turned:
    """The turn that changes normals (n, 3) by ``changes`` (n, 3): least squares, the least where some is free.

    A bend that the part was made with at some places is no turn: by Tukey's weights it does not count. What the scatter
    of the others shows by itself is taken off; neighbours share their points, so half of them are reckoned with. None
    where that leaves the turn unsure.
    """
    slopes = np.cross(np.eye(3)[:, None], normals).transpose(1, 2, 0)
    weights = np.ones(len(normals))
    for _ in range(ROUNDS):
        rows = (slopes * weights[:, None, None]).reshape(-1, 3)
        turn_, _, rank, _ = np.linalg.lstsq(rows, (changes * weights[:, None]).ravel(), rcond=0.3)
        left = np.linalg.norm(changes - slopes @ turn_, axis=1)
        scale = max(1.4826 * float(np.median(left)), 1e-9)
        weights = np.sqrt(tukey(left, TUKEY * scale))
    scatter = 2.0 * float(np.square(left * weights).sum() / max(np.square(weights).sum(), 1.0))
    held = np.linalg.pinv(rows.T @ rows, rcond=0.09, hermitian=True)
    covariance = scatter * held
    unsure = float(np.trace(covariance))
    if unsure > np.radians(UNSURE) ** 2:
        return _Turned(one_way=bool(rank < 3))
    square = max(float(turn_ @ turn_) - unsure, 0.0)
    # Of the square of a normal vector's length: 4 t C t + 2 tr(C C).
    doubt = 1.96 * float(np.sqrt(4.0 * turn_ @ covariance @ turn_ + 2.0 * np.square(covariance).sum()))
    angle = np.sqrt(square)
    u95 = max(np.sqrt(square + doubt) - angle, angle - np.sqrt(max(square - doubt, 0.0)))
    return _Turned(float(np.degrees(angle)), float(np.degrees(u95)), bool(rank < 3))


def _normal_beside(
    place: FloatArray, points: FloatArray, normals: FloatArray, near: list[int], like: FloatArray | None
) -> FloatArray | None:
    """Normal at a place on the crack of the quadric through one side's points; None where few, or round a corner."""
    if len(near) < 20:
        return None
    rows = np.array(sorted(near))
    mean = unit(normals[rows].sum(axis=0)) if like is None else like
    rows = rows[normals[rows] @ mean > np.cos(np.radians(30.0))]
    if len(rows) < max(20, 0.5 * len(near)):
        return None
    u, v = frame_of(mean)
    q = points[rows] - place
    x, y = q @ u, q @ v
    terms = np.column_stack([np.ones(len(q)), x, y, x * x, x * y, y * y])
    slopes, _, rank, _ = np.linalg.lstsq(terms, q @ mean, rcond=1e-6)
    return unit(mean - slopes[1] * u - slopes[2] * v) if rank == 6 else None


def _spread(loops: list[FloatArray], count: int) -> FloatArray:
    """Points (k, 3) spread evenly along the loops."""
    whole = sum(loop_length(loop) for loop in loops)
    places = []
    for loop in loops:
        step = np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1)
        along = np.concatenate([[0.0], np.cumsum(step)])
        share = max(1, round(count * along[-1] / whole))
        wanted = (np.arange(share) + 0.5) / share * along[-1]
        places.append(loop[np.minimum(np.searchsorted(along, wanted, side="right") - 1, len(loop) - 1)])
    return np.vstack(places)


def _gauge_marks(loops: list[FloatArray], normal: FloatArray, skins: tuple[_Skin, _Skin], a_from_b: FloatArray,
                 apart: float, count: int) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Pairs of points (k, 3), each in its own scan's frame, at about ``apart`` across the crack."""
    a, b = skins
    empty = np.empty((0, 3))
    if not len(a.points) or not len(b.points):
        return empty, empty
    points_b = apply(a_from_b, b.points)
    tree_a, tree_b = cKDTree(a.points), cKDTree(points_b)
    found = []
    for place in _spread(loops, 3 * count):
        far_a, k = tree_a.query(place - 0.5 * apart * normal)
        far_b, m = tree_b.query(place + 0.5 * apart * normal)
        if max(far_a, far_b) < 0.25 * apart and a.normals[k] @ turn(a_from_b, b.normals[m][None])[0] > 0.5:
            found.append((a.points[k], b.points[m]))
    if not found:
        return empty, empty
    keep = np.unique(np.linspace(0, len(found) - 1, min(count, len(found))).astype(int))
    return np.array([found[n][0] for n in keep]), np.array([found[n][1] for n in keep])


def _targets(pairs: tuple[FloatArray, FloatArray], joint: Joint, fragments: Sequence[Fragment],
             placements: Sequence[Placement]) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Distances of the pairs in place (k,) and their U (k = 2): scan noise at both marks, both placements."""
    ends = joint.a, joint.b
    placed = tuple(apply(placements[n].part_from_scan, marks) for n, marks in zip(ends, pairs, strict=True))  # type: ignore[arg-type]
    between = placed[1] - placed[0]
    length = np.linalg.norm(between, axis=1)
    along = between / np.maximum(length, 1e-300)[:, None]
    levers = levers_between(fragments, placements, ends, (placed[0], placed[1]), along)
    follows, variance = without_layers(levers)
    sd = np.sqrt(variance + fragments[joint.a].noise_mm ** 2 + fragments[joint.b].noise_mm ** 2)
    return length, np.array([half_width(float(one), own) for one, own in zip(sd, follows, strict=True)])


def _gap_range(first: Fragment, fit: FitReport | None, loops: list[FloatArray]) -> tuple[float | None, float | None]:
    """The gap at the rim, 5 to 95 %."""
    if fit is None or not len(fit.vertices_a):
        return None, None
    points = first.mesh.vertices[fit.vertices_a]
    near = cKDTree(np.vstack(loops)).query(points)[0] < 4.0 * first.spacing_mm
    gaps = fit.gap_a_mm[near & np.isfinite(fit.gap_a_mm)]
    if len(gaps) < 10:
        return None, None
    low, high = np.percentile(gaps, [5, 95])
    return float(low), float(high)
