"""The standard uncertainty of a size: its features' and its placements', through central differences.

A layer that may be missing between the faces of a joint is no noise: likely there is none, but if there is one it may
be thick. Two sigmas of such a mixture are not its 95 %, so its own distribution is carried on (JCGM 101:2008).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from rejoin.core.dimensions.figures import unit
from rejoin.core.dimensions.placing import Body, Placed, moved_shape
from rejoin.core.dimensions.scatter import CONFIDENCE, joint_freedom
from rejoin.core.transforms import apply, from_vector
from rejoin.core.uncertainty.jointly import Follows, Lever, without_layers
from rejoin.core.uncertainty.layers import sampled

DRAWN = 4000
"""Layers that are drawn: the quantile is then known to a per cent or two."""


def spread(
    value: Callable[[list[Placed]], float], found: list[Placed], bodies: Sequence[Body]
) -> tuple[float, float, list[Follows]]:
    """Standard uncertainty by features and placements, the effective degrees of freedom behind it, and the layers.

    The features' noise is independent of each other and of the placements, whose covariance is known, so that only
    the features' residuals limit the degrees of freedom. What the layers add is not in the standard uncertainty.
    """
    parts = []
    for n, one in enumerate(found):
        covariance = one.shape.covariance
        if covariance is not None:
            slope = np.array([_slope(value, found, n, k) if covariance[k, k] > 0.0 else 0.0 for k in range(8)])
            freedom = float(np.inf) if one.scatter is None else one.scatter.freedom
            parts.append((max(float(slope @ covariance @ slope), 0.0), freedom))
    follows, placed = without_layers(_levers(value, found, bodies))
    parts += [(float(variance), float(np.inf)) for variance in placed]
    return float(np.sqrt(sum(variance for variance, _ in parts))), joint_freedom(parts), follows[0] if follows else []


def _levers(value: Callable[[list[Placed]], float], found: list[Placed], bodies: Sequence[Body]) -> list[Lever]:
    """How the size follows the motion of each fragment; none where one fragment carries it all."""
    levers = []
    numbers = sorted({body.number for body in bodies})
    for number in numbers if len(numbers) > 1 else []:
        body = next(one for one in bodies if one.number == number)
        if body.placement is not None and body.centre_mm is not None:
            slope = np.array([_pose_slope(value, found, bodies, body, k) for k in range(6)])
            levers.append(Lever(body.fragment, body.placement, slope[None]))
    return levers


def half_width(sd: float, follows: Sequence[Follows]) -> float:
    """U that holds as much as two sigmas of a normal distribution, of noise ``sd`` and the layers together."""
    rng = np.random.default_rng(0)
    away = np.zeros(DRAWN)
    for by, one in follows:
        away += by * (sampled(one.probability, one.likely_mm, one.likely_sd_mm, DRAWN, rng) - one.taken_mm)
    low, high = 0.0, float(np.abs(away).max()) + 6.0 * sd
    for _ in range(40):
        middle = 0.5 * (low + high)
        held = np.mean(ndtr((middle - away) / max(sd, 1e-12)) - ndtr((-middle - away) / max(sd, 1e-12)))
        low, high = (middle, high) if held < 2.0 * CONFIDENCE - 1.0 else (low, middle)
    return high


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
