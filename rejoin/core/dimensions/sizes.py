"""The size of a picked dimension, with its uncertainty: what the features are, what lies between them.

The uncertainty is that of GUM (JCGM 100:2008): the features' own covariances and, where they lie on different
fragments, the placements', through the derivative of the size; u95 is with k = 2.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.dimensions.bores import BoreSizes, bore_sizes
from rejoin.core.dimensions.figures import unit
from rejoin.core.dimensions.growing import Ground, seed_of
from rejoin.core.dimensions.regions import Feature, feature_at
from rejoin.core.dimensions.shapes import figure_of, fit_shape
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Shape
from rejoin.core.transforms import apply, from_vector, identity, turn

KINDS = {
    "points": 2, "faces": 2, "bore": 1, "shaft": 1, "centres": 2, "angle": 2, "wall": 1, "depth": 2, "ball": 1,
    "taper": 1, "datum": 1,
}  # fmt: skip
"""What can be measured, and the picks it needs."""

MEANINGS = {
    "points": "distance between two points of the surface",
    "faces": "distance between two parallel faces",
    "bore": "diameter of a bore",
    "shaft": "diameter of a shaft, pin or boss",
    "centres": "distance between the axes of two bores or shafts",
    "angle": "angle between two faces or axes",
    "wall": "thickness of the wall at the pick",
    "depth": "from the face of the first pick to the bottom at the second",
    "ball": "diameter of a ball or a hollow of that shape",
    "taper": "whole angle of a cone",
    "datum": "form deviation of a face or bore that the part is squared up on; in the order of ISO 5459",
}
DEGREES = ("angle", "taper")
"""Kinds that are in degrees."""

_SOUGHT = {
    "faces": ("plane",), "bore": ("cylinder",), "shaft": ("cylinder",), "centres": ("cylinder",), "depth": ("plane",),
    "angle": ("plane", "cylinder"), "ball": ("sphere",), "taper": ("cone",),
    "datum": ("plane", "cylinder"),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Body:
    """Something that can be picked: a mesh ready for it, where it stands, and how sure that is.

    ``frame_from_mesh`` takes it to the frame in which sizes are worked out; ``covariance`` (6, 6) is of (rotation
    vector about ``centre_mm``, translation) in that frame; ``number`` tells bodies apart.
    """

    ground: Ground
    number: int
    frame_from_mesh: FloatArray
    covariance: FloatArray | None = None
    centre_mm: FloatArray | None = None
    noise_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Size:
    """A measured dimension: mm or degrees, with k = 2; ``lines_mm`` (k, 2, 3) and ``shapes`` in the common frame."""

    value: float
    u95: float
    sizes: tuple[tuple[str, float], ...]
    lines_mm: FloatArray
    shapes: tuple[Shape, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Placed:
    """A feature in the common frame."""

    shape: Shape
    points: FloatArray
    hollow: bool
    normal: FloatArray | None
    pick: FloatArray


def measure(kind: str, picks_mm: FloatArray, bodies: Sequence[Body], reach: float = 5.0) -> Size:
    """Measure one dimension.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    picks_mm : (k, 3)
        Each in the mesh frame of its body.
    bodies : sequence of Body
        What each pick lies on.
    reach : float
        How far from the surface a pick may lie, in spacings.

    Returns
    -------
    Size

    Raises
    ------
    WrongUse
        An unknown kind, or a wrong count of picks.
    NoAnswer
        Nothing at a pick, or features between which there is no such size.
    """
    if kind not in KINDS:
        raise WrongUse(f"{kind!r} is nothing that can be measured here.", f"Choose one of: {', '.join(KINDS)}.")
    if len(picks_mm) != KINDS[kind] or len(bodies) != len(picks_mm):
        raise WrongUse(f"A dimension of the kind {kind} needs {KINDS[kind]} picks, not {len(picks_mm)}.",
                       "Pick again.")  # fmt: skip
    if kind == "points":
        found = [_touched(body, pick, reach) for body, pick in zip(bodies, picks_mm, strict=True)]
    elif kind == "wall":
        found = _both_sides(bodies[0], picks_mm[0], reach)
        bodies = [bodies[0], bodies[0]]
    else:
        found = [
            _placed(feature_at(body.ground, pick, _SOUGHT[kind], reach, len(picks_mm) == 1), body, pick)
            for body, pick in zip(bodies, picks_mm, strict=True)
        ]
    return _sized(kind, found, list(bodies))


def _sized(kind: str, found: list[_Placed], bodies: list[Body]) -> Size:
    rule = _RULES[kind]
    value, lines, notes = rule(found)
    sd = _spread(lambda changed: rule(changed)[0], found, bodies)
    sizes: tuple[tuple[str, float], ...] = ()
    if kind in ("bore", "shaft"):
        round_one = bore_sizes(figure_of(found[0].shape), found[0].points, kind == "bore")
        sizes = _named(round_one, kind)
        if found[0].hollow != (kind == "bore"):
            raise NoAnswer(f"The cylinder at the pick is a {'bore' if found[0].hollow else 'shaft'}, not a {kind}.",
                           "Pick inside the bore." if kind == "bore" else "Pick on the outside.")  # fmt: skip
        if round_one.two_point is not None:
            value, sd = round_one.two_point, float(np.hypot(sd, round_one.two_point_sd))
        else:
            notes = (*notes, "Too little of it is there for a two-point size; this is the least-squares size.")
    return Size(value, 2.0 * sd, sizes, np.asarray(lines), tuple(one.shape for one in found), notes)


def _named(found: BoreSizes, kind: str) -> tuple[tuple[str, float], ...]:
    mating = "largest inscribed" if kind == "bore" else "smallest circumscribed"
    rows = (
        ("two-point, mean", found.two_point),
        ("two-point, least", found.least),
        ("two-point, largest", found.largest),
        (mating, found.mating),
        ("least squares", found.least_squares),
    )
    return tuple((name, value) for name, value in rows if value is not None)


def _placed(feature: Feature, body: Body, pick: FloatArray) -> _Placed:
    to = body.frame_from_mesh
    normal = None if feature.normal is None else turn(to, feature.normal[None])[0]
    shape = moved_shape(feature.shape, to)
    if normal is not None and shape.direction is not None and float(shape.direction @ normal) < 0.0:
        shape = _turned(shape)
    return _Placed(shape, apply(to, feature.points_mm), feature.hollow, normal,
                   apply(to, pick[None])[0])  # fmt: skip


def moved_shape(shape: Shape, b_from_a: FloatArray) -> Shape:
    """A shape of frame a, in frame b, its covariance with it."""
    point = apply(b_from_a, shape.point_mm[None])[0]
    direction = None if shape.direction is None else turn(b_from_a, shape.direction[None])[0]
    covariance = shape.covariance
    if covariance is not None:
        outer = np.eye(8)
        outer[:3, :3] = outer[3:6, 3:6] = b_from_a[:3, :3]
        covariance = outer @ covariance @ outer.T
    return replace(shape, point_mm=point, direction=direction, covariance=covariance)


def _turned(shape: Shape) -> Shape:
    """The same plane with its normal the other way."""
    assert shape.direction is not None
    covariance = shape.covariance
    if covariance is not None:
        sign = np.array([1.0, 1, 1, -1, -1, -1, 1, 1])
        covariance = covariance * np.outer(sign, sign)
    return replace(shape, direction=-shape.direction, covariance=covariance)


def _touched(body: Body, pick: FloatArray, reach: float) -> _Placed:
    """The surface at a pick, the noise averaged over its neighbourhood: a point whose normal direction is known."""
    seed = seed_of(body.ground, pick, reach)
    return _placed(_patch(body, seed, pick), body, pick)


def _patch(body: Body, seed: int, pick: FloatArray) -> Feature:
    """A small plane about a vertex; its point is the foot of the pick."""
    ground = body.ground
    near = np.atleast_1d(ground.tree.query(ground.mesh.vertices[seed], min(30, len(ground.mesh.vertices)))[1])
    near = near[ground.normals[near] @ ground.normals[seed] > 0.8]
    points = ground.mesh.vertices[near]
    normal = ground.normals[seed]
    covariance = np.zeros((8, 8))
    sd, foot, sigma = body.noise_mm, ground.mesh.vertices[seed], body.noise_mm
    try:
        shape = fit_shape("plane", points, zone=False, strays=False)
        assert shape.direction is not None
        normal = shape.direction * (1.0 if shape.direction @ normal > 0 else -1.0)
        foot = pick - normal * float((pick - shape.point_mm) @ normal)
        sigma = shape.sigma_mm
        if shape.covariance is not None:
            row = np.concatenate([normal, foot - shape.point_mm, [0.0, 0.0]])
            # a scanner's noise is alike over a few points, so the mean of a small patch is little better than one
            sd = max(float(np.sqrt(max(row @ shape.covariance @ row, 0.0))), 0.5 * body.noise_mm)
    except NoAnswer:
        pass
    covariance[:3, :3] = np.outer(normal, normal) * sd * sd
    shape = Shape("plane", foot, normal, None, None, sigma, 0.0, None, 1.0, len(near), sigma, covariance)
    return Feature(shape, near.astype(np.int32), points, False, normal)


def _both_sides(body: Body, pick: FloatArray, reach: float) -> list[_Placed]:
    """The surface at a pick and the one behind it, along the inward normal."""
    seed = seed_of(body.ground, pick, reach)
    near = _patch(body, seed, pick)
    assert near.normal is not None
    start = near.shape.point_mm
    hit = first_hit(body.ground, start, -near.normal)
    if hit is None:
        raise NoAnswer("There is no surface behind the pick, so no wall thickness.",
                       "Pick where both sides of the wall were scanned.")  # fmt: skip
    _, there = body.ground.tree.query(hit)
    far = _patch(body, int(there), hit)
    return [_placed(near, body, pick), _placed(far, body, hit)]


def first_hit(ground: Ground, start: FloatArray, along: FloatArray) -> FloatArray | None:
    """Where a ray first meets a triangle from inside (Möller and Trumbore 1997); None where it does not."""
    corners = ground.mesh.vertices[ground.mesh.triangles]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = np.cross(along, two)
    area = np.einsum("ij,ij->i", one, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (start - corners[:, 0]) / area[:, None]
        u = np.einsum("ij,ij->i", s, p)
        q = np.cross(s, one)
        v = q @ along
        far = np.einsum("ij,ij->i", q, two)
    out = np.einsum("ij,j->i", np.cross(one, two), along) > 0
    good = out & (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (far > 0.5 * ground.spacing_mm)
    return start + float(far[good].min()) * along if good.any() else None


_Rule = Callable[[list[_Placed]], tuple[float, list[list[FloatArray]], tuple[str, ...]]]


def _direction(one: _Placed) -> FloatArray:
    assert one.shape.direction is not None
    return one.shape.direction


def _points(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found[0].shape.point_mm, found[1].shape.point_mm
    return float(np.linalg.norm(b - a)), [[a, b]], ()


def _faces(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    between = b.shape.point_mm - a.shape.point_mm
    lean = _acute(_direction(a), _direction(b))
    if lean > 20.0:
        raise NoAnswer(f"The two faces lean {lean:.0f} degrees to each other, so they have no distance.",
                       "Pick two faces that lie side by side, or ask for their angle.")  # fmt: skip
    first, second = float(between @ _direction(a)), float(between @ _direction(b))
    start = a.shape.point_mm + 0.5 * (between - first * _direction(a))
    notes = (f"The faces lean {lean:.2f} degrees to each other.",) if lean > 0.2 else ()
    return 0.5 * (abs(first) + abs(second)), [[start, start + first * _direction(a)]], notes


def _wall(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    gap = float((b.shape.point_mm - a.shape.point_mm) @ _direction(a))
    return abs(gap), [[a.shape.point_mm, b.shape.point_mm]], ()


def _depth(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    deep = float((b.shape.point_mm - a.shape.point_mm) @ _direction(a))
    lean = _acute(_direction(a), _direction(b))
    notes = (f"The bottom leans {lean:.1f} degrees to the face.",) if lean > 0.5 else ()
    return abs(deep), [[b.shape.point_mm - deep * _direction(a), b.shape.point_mm]], notes


def _diameter(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    assert shape.radius_mm is not None
    across = found[0].pick - shape.point_mm
    if shape.direction is not None:
        across = across - float(across @ shape.direction) * shape.direction
    across = unit(across) * shape.radius_mm
    return 2.0 * shape.radius_mm, [[shape.point_mm - across, shape.point_mm + across]], ()


def _centres(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found[0].shape, found[1].shape
    assert a.direction is not None and b.direction is not None
    lean = _acute(a.direction, b.direction)
    between = b.point_mm - a.point_mm
    if lean > 20.0:
        normal = unit(np.cross(a.direction, b.direction))
        gap = float(between @ normal)
        foot = _nearest(a.point_mm, a.direction, b.point_mm, b.direction)
        note = f"The axes cross at {lean:.1f} degrees: this is their shortest distance."
        return abs(gap), [[foot, foot + gap * normal]], (note,)
    from_a = between - float(between @ a.direction) * a.direction
    from_b = between - float(between @ b.direction) * b.direction
    notes = (f"The axes lean {lean:.2f} degrees to each other.",) if lean > 0.2 else ()
    value = 0.5 * float(np.linalg.norm(from_a) + np.linalg.norm(from_b))
    return value, [[a.point_mm, a.point_mm + from_a]], notes


def _nearest(p: FloatArray, d: FloatArray, q: FloatArray, e: FloatArray) -> FloatArray:
    """The point of the first line nearest to the second."""
    c = float(d @ e)
    w = q - p
    return np.asarray(p + d * float((w @ d - c * (w @ e)) / max(1.0 - c * c, 1e-12)))


def _angle(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    value = _acute(_direction(a), _direction(b))
    if (a.shape.kind == "plane") != (b.shape.kind == "plane"):
        value = 90.0 - value
    return value, [[a.shape.point_mm, b.shape.point_mm]], ()


def _taper(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    assert shape.half_angle_deg is not None
    return 2.0 * shape.half_angle_deg, [[shape.point_mm, shape.point_mm + _direction(found[0])]], ()


def _form(found: list[_Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    zone = shape.minimum_zone_mm
    notes = () if zone is None else (f"Form by minimum zone {zone:.3f} mm (ISO 1101), above by least squares.",)
    return shape.form_deviation_mm, [[shape.point_mm, shape.point_mm + _direction(found[0])]], notes


def _acute(a: FloatArray, b: FloatArray) -> float:
    sine, cosine = float(np.linalg.norm(np.cross(a, b))), abs(float(a @ b))
    return float(np.degrees(np.arctan2(sine, cosine)))


_RULES: dict[str, _Rule] = {
    "points": _points, "faces": _faces, "bore": _diameter, "shaft": _diameter, "centres": _centres, "angle": _angle,
    "wall": _wall, "depth": _depth, "ball": _diameter, "taper": _taper, "datum": _form,
}  # fmt: skip


def _spread(value: Callable[[list[_Placed]], float], found: list[_Placed], bodies: Sequence[Body]) -> float:
    """Standard uncertainty: features and placements through central differences."""
    square = 0.0
    for n, one in enumerate(found):
        covariance = one.shape.covariance
        if covariance is not None:
            slope = np.array([_slope(value, found, n, k) if covariance[k, k] > 0.0 else 0.0 for k in range(8)])
            square += max(float(slope @ covariance @ slope), 0.0)
    for number in sorted({body.number for body in bodies}):
        body = next(one for one in bodies if one.number == number)
        if body.covariance is None or body.centre_mm is None or all(one.number == number for one in bodies):
            continue
        slope = np.array([_pose_slope(value, found, bodies, body, k) for k in range(6)])
        square += max(float(slope @ body.covariance @ slope), 0.0)
    return float(np.sqrt(square))


def _slope(value: Callable[[list[_Placed]], float], found: list[_Placed], n: int, k: int) -> float:
    shape = found[n].shape
    step = 1e-5 * (max(float(np.ptp(found[n].points, axis=0).max()), 1e-3) if k in (0, 1, 2, 6) else 1.0)

    def at(side: float) -> float:
        change = {}
        if k < 3:
            change["point_mm"] = shape.point_mm + side * step * np.eye(3)[k]
        elif k < 6 and shape.direction is not None:
            change["direction"] = unit(shape.direction + side * step * np.eye(3)[k - 3])
        elif k == 6 and shape.radius_mm is not None:
            return value([*found[:n], replace(found[n], shape=replace(shape, radius_mm=shape.radius_mm + side * step)),
                          *found[n + 1 :]])  # fmt: skip
        elif k == 7 and shape.half_angle_deg is not None:
            angle = shape.half_angle_deg + float(np.degrees(side * step))
            return value([*found[:n], replace(found[n], shape=replace(shape, half_angle_deg=angle)), *found[n + 1 :]])
        return value([*found[:n], replace(found[n], shape=replace(shape, **change)), *found[n + 1 :]])

    return (at(1.0) - at(-1.0)) / (2.0 * step)


def _pose_slope(value: Callable[[list[_Placed]], float], found: list[_Placed], bodies: Sequence[Body], body: Body,
                k: int) -> float:  # fmt: skip
    assert body.centre_mm is not None
    step = 1e-6 if k < 3 else 1e-4

    def at(side: float) -> float:
        vector = np.zeros(6)
        vector[k] = side * step
        motion = from_vector(vector, body.centre_mm)  # type: ignore[arg-type]
        return value([
            replace(one, shape=moved_shape(one.shape, motion), pick=apply(motion, one.pick[None])[0])
            if its.number == body.number else one
            for one, its in zip(found, bodies, strict=True)
        ])  # fmt: skip

    return (at(1.0) - at(-1.0)) / (2.0 * step)


def body_of(ground: Ground, noise_mm: float = 0.0, number: int = -1) -> Body:
    """A body alone, in its own frame."""
    return Body(ground, number, identity(), None, None, noise_mm)
