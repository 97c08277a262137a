"""Points whose least-squares figure is known exactly: residuals orthogonal to the derivatives.

The null-space construction (Forbes and Minh 2012, from memory): points on the figure are moved along its
normals by residuals from which every direction of the figure's own freedom has been projected out, so that
the figure stays where the sum of squares is stationary.
"""

from __future__ import annotations

import numpy as np

from rejoin.core.dimensions.figures import Figure, frame_of, system, unit
from rejoin.core.records import FloatArray


def on_figure(
    figure: Figure, count: int, rng: np.random.Generator, arc: float, height: float
) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3) on a figure and its normals there; ``arc`` in rad, ``height`` along the axis, mm."""
    turn, t = rng.uniform(0, arc, count), rng.uniform(-height / 2, height / 2, count)
    if figure.kind == "sphere":
        normals = unit_rows(rng.normal(size=(count, 3)))
        return figure.point + figure.radius * normals, normals
    assert figure.direction is not None
    u, v = frame_of(figure.direction)
    if figure.kind == "plane":
        flat = rng.uniform(-height, height, (count, 2))
        return figure.point + flat @ np.vstack([u, v]), np.tile(figure.direction, (count, 1))
    out = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    c, s = np.cos(figure.half_angle), np.sin(figure.half_angle)
    radius = figure.radius + t * np.tan(figure.half_angle)
    return figure.point + radius[:, None] * out + t[:, None] * figure.direction, c * out - s * figure.direction


def unit_rows(rows: FloatArray) -> FloatArray:
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def certified(
    kind: str, seed: int, count: int = 60, arc: float = 2 * np.pi, rms: float = 0.05
) -> tuple[Figure, FloatArray]:
    """A figure and points whose least-squares figure it is."""
    rng = np.random.default_rng(seed)
    angle = float(np.radians(rng.uniform(8, 35))) if kind == "cone" else 0.0
    radius = 0.0 if kind == "plane" else float(rng.uniform(10, 40))
    direction = None if kind == "sphere" else unit(rng.normal(size=3))
    figure = Figure(kind, rng.uniform(-100, 100, 3), direction, radius, angle)
    points, normals = on_figure(figure, count, rng, arc, min(30.0, radius or 30.0))
    slopes = system(figure, points)[1]
    noise = rng.normal(size=count)
    for _ in range(3):
        noise -= slopes @ np.linalg.lstsq(slopes, noise, rcond=None)[0]
    return figure, points + normals * (noise * rms / np.sqrt(np.mean(noise**2)))[:, None]
