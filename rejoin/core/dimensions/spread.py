"""The standard uncertainty of a size: its features' and its placements', through central differences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from rejoin.core.dimensions.figures import unit
from rejoin.core.dimensions.placing import Body, Placed, moved_shape
from rejoin.core.dimensions.scatter import joint_freedom
from rejoin.core.transforms import apply, from_vector


def spread(value: Callable[[list[Placed]], float], found: list[Placed], bodies: Sequence[Body]) -> tuple[float, float]:
    """Standard uncertainty by features and placements, and the effective degrees of freedom behind it.

    The features' noise is independent of each other and of the placements, whose covariance is known, so that only
    the features' residuals limit the degrees of freedom.
    """
    parts = []
    for n, one in enumerate(found):
        covariance = one.shape.covariance
        if covariance is not None:
            slope = np.array([_slope(value, found, n, k) if covariance[k, k] > 0.0 else 0.0 for k in range(8)])
            freedom = float(np.inf) if one.scatter is None else one.scatter.freedom
            parts.append((max(float(slope @ covariance @ slope), 0.0), freedom))
    for number in sorted({body.number for body in bodies}):
        body = next(one for one in bodies if one.number == number)
        if body.covariance is None or body.centre_mm is None or all(one.number == number for one in bodies):
            continue
        slope = np.array([_pose_slope(value, found, bodies, body, k) for k in range(6)])
        parts.append((max(float(slope @ body.covariance @ slope), 0.0), float(np.inf)))
    return float(np.sqrt(sum(variance for variance, _ in parts))), joint_freedom(parts)


def _slope(value: Callable[[list[Placed]], float], found: list[Placed], n: int, k: int) -> float:
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


def _pose_slope(value: Callable[[list[Placed]], float], found: list[Placed], bodies: Sequence[Body], body: Body,
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
