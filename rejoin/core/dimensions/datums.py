"""The datum frame: the part squared up on its own bores and faces, in the order of ISO 5459.

Each datum takes away what freedom the ones before it left: the primary first settles the z axis, then the secondary
the turn about it, and the origin is settled direction by direction. Datums are the least-squares figures of the picked
features (ISO 5459 asks for figures from outside the material: a difference of the order of the form deviation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.dimensions.figures import frame_of, unit
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Shape
from rejoin.core.transforms import rigid

ALIKE = float(np.sin(np.radians(10.0)))
"""Directions that lean less than this to each other count as parallel."""

ORDER = ("primary", "secondary", "tertiary")


@dataclass(frozen=True, eq=False)
class DatumFrame:
    """``datum_from_part`` (4, 4): z along the primary datum, x settled by the secondary.

    The part sits on a face: z runs from it into the material, and x and y are as the machinist sees them from above.

    ``free`` names what no datum settled, and ``notes`` how far the features are from square to each other.
    """

    datum_from_part: FloatArray
    free: tuple[str, ...]
    notes: tuple[str, ...]


def datum_frame(features: Sequence[Shape], outward: Sequence[FloatArray | None] = ()) -> DatumFrame:
    """A frame from one to three picked features, the primary datum first.

    Parameters
    ----------
    features : sequence of Shape
        Planes, cylinders or cones (their axes), lines, spheres and circles (their centres), in the part's frame.
    outward : sequence of (3,) or None, optional
        Of planes, the normal out of the material; that of the shape itself where it is not given.

    Returns
    -------
    DatumFrame

    Raises
    ------
    WrongUse
        No feature, or more than three.
    NoAnswer
        A primary datum without a direction, or one that settles nothing that those before it left free.
    """
    if not 1 <= len(features) <= 3:
        raise WrongUse(f"A datum frame needs one to three features, not {len(features)}.", "Pick again.")
    wanted = [*outward, *[None] * 3]
    parts = [_part(shape, wanted[n]) for n, shape in enumerate(features)]
    if parts[0].direction is None:
        raise NoAnswer("The primary datum must be a face or an axis.", "Pick a face, or a bore, first.")
    z = _upwards(parts)
    x, notes = _turn(parts, z)
    free = () if x is not None else ("turn about z",)
    one = x if x is not None else frame_of(z)[0]
    axes = np.array([one, np.cross(z, one), z])
    origin, unsettled = _origin(parts, axes)
    _check_use(parts, axes)
    return DatumFrame(rigid(axes, -axes @ origin), (*free, *unsettled), notes)


@dataclass(frozen=True, eq=False)
class _Part:
    """A datum as what it can settle: a plane its own direction (into the material), an axis the two across it, a centre
    all three."""

    kind: str
    point: FloatArray
    direction: FloatArray | None


def _part(shape: Shape, outward: FloatArray | None) -> _Part:
    if shape.kind == "plane":
        assert shape.direction is not None
        turned = outward is not None and float(outward @ shape.direction) < 0
        return _Part("plane", shape.point_mm, shape.direction if turned else -shape.direction)
    if shape.kind in ("cylinder", "cone", "line"):
        return _Part("axis", shape.point_mm, shape.direction)
    return _Part("centre", shape.point_mm, None)


def _upwards(parts: list[_Part]) -> FloatArray:
    """The z axis (3,): along the primary datum; of a bore, away from the first face that lies across it."""
    z = parts[0].direction
    assert z is not None
    if parts[0].kind == "axis":
        for part in parts[1:]:
            if part.kind == "plane" and part.direction is not None and abs(float(part.direction @ z)) > 0.5:
                return z if float(part.direction @ z) > 0 else -z
    return z


def _turn(parts: list[_Part], z: FloatArray) -> tuple[FloatArray | None, tuple[str, ...]]:
    """The x axis (3,) by the first later datum that can tell it."""
    notes = []
    for name, part in zip(ORDER[1:], parts[1:], strict=False):
        if part.direction is not None:
            across = part.direction - float(part.direction @ z) * z
            sine = float(np.linalg.norm(across))
            if sine > ALIKE:
                lean = 90.0 - float(np.degrees(np.arcsin(min(sine, 1.0))))
                notes.append(f"The {name} datum is {lean:.3f} degrees from square to the primary.")
                return unit(across), tuple(notes)
            lean = float(np.degrees(np.arcsin(min(sine, 1.0))))
            notes.append(f"The {name} datum leans {lean:.3f} degrees to the primary.")
    # points: the direction from the first place that is settled across z to the next
    places = [part for part in parts if part.kind != "plane"]
    for first, second in zip(places, places[1:], strict=False):
        between = second.point - first.point
        across = between - float(between @ z) * z
        if np.linalg.norm(across) > 1e-6 * max(1.0, float(np.linalg.norm(between))):
            return unit(across), tuple(notes)
    return None, tuple(notes)


def _origin(parts: list[_Part], axes: FloatArray) -> tuple[FloatArray, tuple[str, ...]]:
    """The origin, each axis of the frame settled by the first datum that can."""
    names = ("x", "y", "z")
    at = np.full(3, np.nan)
    rows: list[FloatArray] = []
    values: list[float] = []
    for part in parts:
        for normal in _settles(part):
            trial = np.array([*rows, normal])
            if np.linalg.matrix_rank(trial, tol=ALIKE) > len(rows):
                rows.append(normal)
                values.append(float(normal @ part.point))
    if rows:
        at = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0]
    free = []
    for k in range(3):
        left = axes[k] - (np.linalg.pinv(np.array(rows)) @ np.array(rows) @ axes[k] if rows else 0.0)
        if np.linalg.norm(left) > 0.5:
            free.append(f"origin along {names[k]}")
    if free:
        # what no datum settles lies beside the first feature
        base = parts[0].point
        inside = np.linalg.pinv(np.array(rows)) @ np.array(rows)
        at = inside @ at + (np.eye(3) - inside) @ base
    return np.asarray(at), tuple(free)


def _settles(part: _Part) -> list[FloatArray]:
    if part.kind == "plane":
        assert part.direction is not None
        return [part.direction]
    if part.kind == "axis":
        assert part.direction is not None
        return list(frame_of(part.direction))
    return list(np.eye(3))


def _check_use(parts: list[_Part], axes: FloatArray) -> None:
    """Each later datum must settle something: a face parallel to a face before it does not."""
    for n in range(1, len(parts)):
        if _settled(parts[: n + 1], axes[2]) == _settled(parts[:n], axes[2]):
            raise NoAnswer(f"The {ORDER[n]} datum settles nothing that the ones before it left free.",
                           "Pick a feature that lies across to them.")  # fmt: skip


def _settled(parts: list[_Part], z: FloatArray) -> tuple[bool, int]:
    rows = [normal for part in parts for normal in _settles(part)]
    return _turn(parts, z)[0] is not None, int(np.linalg.matrix_rank(np.array(rows), tol=ALIKE))
