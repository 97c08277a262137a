"""The six figures as least-squares problems: residuals, derivatives, first guesses.

A figure is worked on as a vector of numbers about a frame of its own, in the
data's units. Distances are orthogonal; derivatives are exact. Sources: Forbes,
NPL report DITC 140/89 (1989), for the parameters; the algebraic first guesses
are linear least squares in x² + y² (Kåsa 1976).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.records import FloatArray

FREE = {"plane": 3, "line": 4, "circle": 6, "sphere": 4, "cylinder": 5, "cone": 6}
"""Numbers that settle each figure in space."""

FREE_IN_PLANE = {"line": 2, "circle": 3}
"""The same for figures of two-column points."""

FEWEST = {"plane": 3, "line": 2, "circle": 3, "sphere": 4, "cylinder": 6, "cone": 7}
"""Points below which a figure is not looked for: through five points pass up to six cylinders."""


@dataclass(frozen=True, eq=False)
class Figure:
    """A figure while it is worked on: ``point`` and ``direction`` are (3,), or (2,) in the plane.

    ``half_angle`` is in radians; ``direction`` of a cone points to where it widens.
    """

    kind: str
    point: FloatArray
    direction: FloatArray | None = None
    radius: float = 0.0
    half_angle: float = 0.0


def frame_of(direction: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (3,) that complete a unit direction to a right-handed frame."""
    x, y, z = (float(value) for value in direction)
    if abs(x) <= abs(y) and abs(x) <= abs(z):
        p, q, r = 0.0, -z, y
    elif abs(y) <= abs(z):
        p, q, r = z, 0.0, -x
    else:
        p, q, r = -y, x, 0.0
    length = (p * p + q * q + r * r) ** 0.5
    p, q, r = p / length, q / length, r / length
    # written out: numpy's cross is a hundred times slower on single vectors
    return np.array([p, q, r]), np.array([y * r - z * q, z * p - x * r, x * q - y * p])


def unit(vector: FloatArray) -> FloatArray:
    """The vector's direction."""
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-300))


def distances(figure: Figure, points: FloatArray) -> FloatArray:
    """Signed distances (n,) of points: + outside or on the normal's side; of a line or a circle in space unsigned."""
    q = points - figure.point
    if figure.kind == "sphere" or (figure.kind == "circle" and len(figure.point) == 2):
        return np.asarray(np.linalg.norm(q, axis=1) - figure.radius)
    assert figure.direction is not None
    if figure.kind == "line" and len(figure.point) == 2:
        return np.asarray(q[:, 1] * figure.direction[0] - q[:, 0] * figure.direction[1])
    along = q @ figure.direction
    if figure.kind == "plane":
        return np.asarray(along)
    out = np.linalg.norm(q - along[:, None] * figure.direction, axis=1)
    if figure.kind == "line":
        return np.asarray(out)
    if figure.kind == "circle":
        return np.asarray(np.hypot(out - figure.radius, along))
    if figure.kind == "cylinder":
        return np.asarray(out - figure.radius)
    return np.asarray((out - figure.radius) * np.cos(figure.half_angle) - along * np.sin(figure.half_angle))


def free(figure: Figure) -> int:
    """How many numbers settle the figure."""
    return FREE_IN_PLANE[figure.kind] if len(figure.point) == 2 else FREE[figure.kind]


def moved(figure: Figure, x: FloatArray) -> Figure:
    """The figure with its free numbers changed by ``x``, as `system` counts them."""
    kind, point, direction = figure.kind, figure.point, figure.direction
    if kind == "sphere" or (kind == "circle" and len(point) == 2):
        return replace(figure, point=point + x[:-1], radius=figure.radius + float(x[-1]))
    assert direction is not None
    if len(point) == 2:
        normal = np.array([-direction[1], direction[0]])
        return replace(figure, point=point + x[0] * normal, direction=unit(direction + x[1] * normal))
    u, v = frame_of(direction)
    if kind == "plane":
        return replace(figure, point=point + x[0] * direction, direction=unit(direction + x[1] * u + x[2] * v))
    tilted = unit(direction + x[2] * u + x[3] * v)
    shifted = point + x[0] * u + x[1] * v
    if kind == "line":
        return replace(figure, point=shifted, direction=tilted)
    if kind == "circle":
        shifted = shifted + x[5] * direction
        return replace(figure, point=shifted, direction=tilted, radius=figure.radius + float(x[4]))
    if kind == "cylinder":
        return replace(figure, point=shifted, direction=tilted, radius=figure.radius + float(x[4]))
    return replace(
        figure, point=shifted, direction=tilted, radius=figure.radius + float(x[4]),
        half_angle=figure.half_angle + float(x[5]),
    )  # fmt: skip


def system(figure: Figure, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals (m,) and their derivatives (m, p) by the numbers of `moved`, at zero.

    m is n, but 2 n for a line or a circle in space, where each point has two.
    """
    q = points - figure.point
    if figure.kind == "sphere" or (figure.kind == "circle" and len(figure.point) == 2):
        length = np.linalg.norm(q, axis=1)
        out = q / np.maximum(length, 1e-300)[:, None]
        return length - figure.radius, np.column_stack([-out, -np.ones(len(q))])
    assert figure.direction is not None
    if len(figure.point) == 2:
        normal = np.array([-figure.direction[1], figure.direction[0]])
        return q @ normal, np.column_stack([-np.ones(len(q)), -(q @ figure.direction)])
    u, v = frame_of(figure.direction)
    x, y, t = q @ u, q @ v, q @ figure.direction
    if figure.kind == "plane":
        return t, np.column_stack([-np.ones(len(q)), x, y])
    if figure.kind == "line":
        zero, one = np.zeros(len(q)), np.ones(len(q))
        first, second = np.column_stack([-one, zero, -t, zero]), np.column_stack([zero, -one, zero, -t])
        return np.concatenate([x, y]), np.vstack([first, second])
    return _round_system(figure, x, y, t)


def _round_system(figure: Figure, x: FloatArray, y: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`system` of what turns about an axis, in the frame of that axis."""
    out, one = np.hypot(x, y), np.ones(len(x))
    nx, ny = x / np.maximum(out, 1e-300), y / np.maximum(out, 1e-300)
    radial = [-nx, -ny, -t * nx, -t * ny]
    if figure.kind == "cylinder":
        return out - figure.radius, np.column_stack([*radial, -one])
    if figure.kind == "circle":
        zero = np.zeros(len(x))
        first = np.column_stack([*radial, -one, zero])
        second = np.column_stack([zero, zero, x, y, zero, -one])
        return np.concatenate([out - figure.radius, t]), np.vstack([first, second])
    c, s = np.cos(figure.half_angle), np.sin(figure.half_angle)
    rows = [c * radial[0], c * radial[1], c * radial[2] - s * x, c * radial[3] - s * y, -c * one,
            -(out - figure.radius) * s - t * c]  # fmt: skip
    return (out - figure.radius) * c - t * s, np.column_stack(rows)


def directions(count: int = 400) -> FloatArray:
    """Unit vectors (count, 3) spread evenly over half a sphere (golden-angle spiral)."""
    k = np.arange(count) + 0.5
    z, turn = k / count, np.pi * (1.0 + 5.0**0.5) * k
    ring = np.sqrt(1.0 - z * z)
    return np.column_stack([ring * np.cos(turn), ring * np.sin(turn), z])


def through(kind: str, points: FloatArray, normals: FloatArray | None = None) -> list[Figure]:
    """First guesses for the figure nearest to all points, the likeliest first; may be empty.

    Parameters
    ----------
    kind : str
    points : (n, 2) or (n, 3)
    normals : (n, 3), optional
        Where known they settle the axis of a cylinder or cone.
    """
    guess: Callable[..., list[Figure]] = _GUESSES[kind]
    if kind in ("cylinder", "cone"):
        return guess(points, normals)
    return guess(points)


def _line(points: FloatArray) -> list[Figure]:
    middle = points.mean(axis=0)
    return [Figure("line", middle, np.linalg.svd(points - middle, full_matrices=False)[2][0])]


def _plane(points: FloatArray) -> list[Figure]:
    middle = points.mean(axis=0)
    return [Figure("plane", middle, np.linalg.svd(points - middle, full_matrices=False)[2][-1])]


def _sphere(points: FloatArray) -> list[Figure]:
    middle = points.mean(axis=0)
    q = points - middle
    design = np.column_stack([2.0 * q, np.ones(len(q))])
    found, _, rank, _ = np.linalg.lstsq(design, np.square(q).sum(axis=1), rcond=1e-12)
    square = float(found[-1] + found[:-1] @ found[:-1])
    if rank < design.shape[1] or square <= 0.0:
        return []
    return [Figure("sphere" if points.shape[1] == 3 else "circle", middle + found[:-1], None, square**0.5)]


def _circle(points: FloatArray) -> list[Figure]:
    if points.shape[1] == 2:
        return _sphere(points)
    plane = _plane(points)[0]
    assert plane.direction is not None
    u, v = frame_of(plane.direction)
    q = points - plane.point
    return [
        Figure("circle", plane.point + flat.point[0] * u + flat.point[1] * v, plane.direction, flat.radius)
        for flat in _sphere(np.column_stack([q @ u, q @ v]))
    ]


def _axial(kind: str, points: FloatArray, axes: FloatArray, keep: int) -> list[Figure]:
    """Cylinders or cones about each of the axes (k, 3) by linear least squares, the best ``keep`` first."""
    middle = points.mean(axis=0)
    q = points - middle
    size = max(float(np.sqrt(np.square(q).sum(axis=1).mean())), 1e-300)
    frames = np.array([np.column_stack([*frame_of(axis), axis]) for axis in axes])
    local = np.einsum("ni,kij->knj", q / size, frames)
    x, y, t = local[..., 0], local[..., 1], local[..., 2]
    columns = [2 * x, 2 * y, np.ones_like(x)] + ([t * t, t] if kind == "cone" else [])
    design = np.stack(columns, axis=2)
    target = x * x + y * y
    found = np.einsum("kpn,kn->kp", np.linalg.pinv(design, rcond=1e-9), target)
    # an algebraic distance is twice the radius times the true one
    off = np.square(np.einsum("knp,kp->kn", design, found) - target).sum(axis=1)
    square = found[:, 2] + found[:, 0] ** 2 + found[:, 1] ** 2
    good = np.flatnonzero(square > 1e-12)
    off = off[good] / square[good]
    figures = []
    for k in good[np.argsort(off, kind="stable")[:keep]]:
        point = middle + size * (frames[k][:, 0] * found[k, 0] + frames[k][:, 1] * found[k, 1])
        radius = float(np.sqrt(square[k]))
        slope = 0.5 * found[k, 4] / radius if kind == "cone" else 0.0
        figures.append(Figure(kind, point, axes[k], size * radius, float(np.arctan(slope))))
    return figures


def _cylinder(points: FloatArray, normals: FloatArray | None) -> list[Figure]:
    axes = directions()
    if normals is not None:
        axes = np.linalg.eigh(normals.T @ normals)[1].T
    return _axial("cylinder", _some(points, 300), axes, 6)


def _cone(points: FloatArray, normals: FloatArray | None) -> list[Figure]:
    axes = directions()
    if normals is not None:
        spread = normals - normals.mean(axis=0)
        axes = np.vstack([np.linalg.eigh(spread.T @ spread)[1].T, np.linalg.eigh(normals.T @ normals)[1].T])
    some = _some(points, 300)
    nearly_straight = [replace(figure, kind="cone") for figure in _axial("cylinder", some, axes, 2)]
    return _axial("cone", some, axes, 6) + nearly_straight


def _some(points: FloatArray, most: int) -> FloatArray:
    if len(points) <= most:
        return points
    return np.asarray(points[np.linspace(0, len(points) - 1, most).astype(int)])


_GUESSES: dict[str, Callable[..., list[Figure]]] = {
    "line": _line, "plane": _plane, "sphere": _sphere, "circle": _circle, "cylinder": _cylinder, "cone": _cone,
}  # fmt: skip
