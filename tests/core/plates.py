"""Two blocks broken along a known height field: closed forms for gap, tilt and step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, IntArray, Joint, Mesh, Scan
from rejoin.core.transforms import apply, identity, inverse

Height = Callable[[FloatArray, FloatArray], FloatArray]

PROVEN = Evidence(100.0, 0.0, 100.0, 1.0, 0.03, 0.0, 2.0, True, "")


def waves(x: FloatArray, y: FloatArray) -> FloatArray:
    """A face in strong relief: slopes of about 0.4, no symmetry."""
    return np.asarray(0.7 * np.sin(0.9 * x + 0.3) * np.cos(0.7 * y) + 0.5 * np.sin(0.8 * y + 0.4 * x + 1.0)
                      + 0.15 * np.sin(2.3 * x - 1.9 * y))  # fmt: skip


def flat(x: FloatArray, y: FloatArray) -> FloatArray:
    """A face without any relief."""
    return np.zeros_like(x)


@dataclass(frozen=True)
class Block:
    """A fragment in its own frame, its face and its true pose."""

    fragment: Fragment
    triangles: IntArray
    part_from_scan: FloatArray


def block(
    height: Height,
    *,
    upper: bool,
    size: float = 12.0,
    spacing: float = 0.4,
    lift: float = 0.0,
    aside: float = 0.0,
    noise: FloatArray | float = 0.0,
    seed: int = 0,
    part_from_scan: FloatArray | None = None,
    depth: int = 14,
) -> Block:
    """A square block that ends in the height field; ``lift`` moves the face along its normal into
    the material, ``aside`` shifts the whole block along x. The far end is open."""
    rng = np.random.default_rng(seed)
    count = int(round(size / spacing)) + 1
    axis = np.linspace(-size / 2, size / 2, count)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    inner = np.zeros_like(x, bool)
    inner[1:-1, 1:-1] = True
    shift = rng.uniform(-0.25, 0.25, (2, count, count)) * spacing * inner
    x, y = x + shift[0], y + shift[1]
    sign = 1.0 if upper else -1.0
    step = 1e-5
    z = height(x, y)
    slope_x, slope_y = (height(x + step, y) - z) / step, (height(x, y + step) - z) / step
    stretch = np.sqrt(1 + slope_x**2 + slope_y**2)
    top = np.stack([x, y, z + sign * lift * stretch], axis=-1).reshape(-1, 3)
    if noise is not None and np.any(noise):
        sizes = noise(top, rng) if callable(noise) else noise * rng.standard_normal(len(top))
        top[:, 2] += np.where(inner.ravel(), sizes, 0.0)
    index = np.arange(count * count).reshape(count, count)
    a, b, c, d = (q.ravel() for q in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    face = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    ring = np.concatenate([index[:-1, 0], index[-1, :-1], index[:0:-1, -1], index[0, :0:-1]])
    points, triangles, last = [top], [face], ring
    for layer in range(1, depth + 1):
        lower = top[ring] + [0.0, 0.0, -layer * spacing]
        now = np.arange(len(ring)) + count * count + (layer - 1) * len(ring)
        after, below = np.roll(last, -1), np.roll(now, -1)
        triangles += [np.stack([last, now, after], 1), np.stack([after, now, below], 1)]
        points.append(lower if not upper else top[ring] + [0.0, 0.0, layer * spacing])
        last = now
    all_triangles = np.concatenate(triangles)
    if upper:
        all_triangles = all_triangles[:, ::-1]
    vertices = np.concatenate(points) + [aside, 0.0, 0.0]
    pose = identity() if part_from_scan is None else part_from_scan
    mesh = Mesh(apply(inverse(pose), vertices), all_triangles.astype(np.int32))
    scan = Scan("upper" if upper else "lower", (), mesh, "mm", True, False, ())
    level = float(noise) if isinstance(noise, float) else 0.02
    fragment = Fragment(scan, mesh, spacing, max(level, 0.005), (), 0, False, ())
    return Block(fragment, np.arange(len(face), dtype=np.int32), pose)


def joint_of(a: Block, b: Block, a_from_b: FloatArray, numbers: tuple[int, int] = (0, 1)) -> Joint:
    """A joint of two blocks over their whole faces."""
    faces = [FractureFace(n, half.triangles, 1.0, 1.0, "program") for n, half in zip(numbers, (a, b), strict=True)]
    return Joint(numbers[0], numbers[1], faces[0], faces[1], a_from_b, PROVEN)
