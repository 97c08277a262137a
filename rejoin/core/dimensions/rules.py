"""The value of each kind of size from its features, the lines that show it, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rejoin.core.dimensions.figures import unit
from rejoin.core.dimensions.placing import Placed
from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray

SIDE_BY_SIDE = 20.0
"""Faces that look the same way within so many degrees lie beside each other and make no corner."""

_Rule = Callable[[list[Placed]], tuple[float, list[list[FloatArray]], tuple[str, ...]]]


def _direction(one: Placed) -> FloatArray:
    assert one.shape.direction is not None
    return one.shape.direction


def _points(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found[0].shape.point_mm, found[1].shape.point_mm
    return float(np.linalg.norm(b - a)), [[a, b]], ()


def _faces(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
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


def _wall(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    gap = float((b.shape.point_mm - a.shape.point_mm) @ _direction(a))
    return abs(gap), [[a.shape.point_mm, b.shape.point_mm]], ()


def _depth(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    a, b = found
    deep = float((b.shape.point_mm - a.shape.point_mm) @ _direction(a))
    lean = _acute(_direction(a), _direction(b))
    notes = (f"The bottom leans {lean:.1f} degrees to the face.",) if lean > 0.5 else ()
    return abs(deep), [[b.shape.point_mm - deep * _direction(a), b.shape.point_mm]], notes


def _diameter(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    assert shape.radius_mm is not None
    across = found[0].pick - shape.point_mm
    if shape.direction is not None:
        across = across - float(across @ shape.direction) * shape.direction
    across = unit(across) * shape.radius_mm
    return 2.0 * shape.radius_mm, [[shape.point_mm - across, shape.point_mm + across]], ()


def _centres(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
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


def _angle(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    """Of two faces what a protractor reads on or in their corner, which may be more than 90; else the acute one."""
    a, b = found
    lines = [[a.shape.point_mm, b.shape.point_mm]]
    value = _acute(_direction(a), _direction(b))
    planes = [one.shape.kind == "plane" for one in found]
    if all(planes) and float(_direction(a) @ _direction(b)) > 0.0:
        if value < SIDE_BY_SIDE:
            return value, lines, ("The faces look the same way: this is by how much they lean to each other.",)
        value = 180.0 - value
    return (90.0 - value if any(planes) and not all(planes) else value), lines, ()


def _taper(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    assert shape.half_angle_deg is not None
    return 2.0 * shape.half_angle_deg, [[shape.point_mm, shape.point_mm + _direction(found[0])]], ()


def _form(found: list[Placed]) -> tuple[float, list[list[FloatArray]], tuple[str, ...]]:
    shape = found[0].shape
    zone = shape.minimum_zone_mm
    notes = () if zone is None else (f"Form by minimum zone {zone:.3f} mm (ISO 1101), above by least squares.",)
    return shape.form_deviation_mm, [[shape.point_mm, shape.point_mm + _direction(found[0])]], notes


def _acute(a: FloatArray, b: FloatArray) -> float:
    # written out: numpy's cross is a hundred times slower on single vectors
    (p, q, r), (u, v, w) = a.tolist(), b.tolist()
    sine = ((q * w - r * v) ** 2 + (r * u - p * w) ** 2 + (p * v - q * u) ** 2) ** 0.5
    cosine = abs(p * u + q * v + r * w)
    return float(np.degrees(np.arctan2(sine, cosine)))


RULES: dict[str, _Rule] = {
    "points": _points, "faces": _faces, "bore": _diameter, "shaft": _diameter, "centres": _centres, "angle": _angle,
    "wall": _wall, "depth": _depth, "ball": _diameter, "taper": _taper, "datum": _form,
}  # fmt: skip
