"""A section at a plane: closed outlines, their area, and the figures that dimension them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from rejoin.core.dimensions.figures import distances, frame_of, unit
from rejoin.core.dimensions.least_squares import best_fit
from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import edge_spacing
from rejoin.core.records import FloatArray, Mesh

ROUND = 0.01
"""An outline is a circle where neither corners nor middles of its sides are farther off, as a share of the radius."""


@dataclass(frozen=True, eq=False)
class Outline:
    """One line of a section: ``points`` (k, 2) in the section's own axes, mm.

    ``area_mm2`` is positive for material within, negative for a hole; 0 where the line is open. ``circle`` is
    (centre x, centre y, diameter) where it is round, ``straights`` are the ends ((x, y), (x, y)) of straight
    stretches, longest first.
    """

    points: FloatArray
    closed: bool
    area_mm2: float
    circle: tuple[float, float, float] | None
    straights: tuple[tuple[tuple[float, float], tuple[float, float]], ...]


@dataclass(frozen=True, eq=False)
class Section:
    """A cut: ``outlines`` (mm, in the plane of the cut), its area, its overall size and where that begins."""

    outlines: tuple[Outline, ...]
    area_mm2: float
    size_mm: tuple[float, float]
    low_mm: tuple[float, float]


def section_at(
    mesh: Mesh, point_mm: FloatArray, normal: FloatArray, across: FloatArray | None = None, noise_mm: float = 0.0
) -> Section:
    """Cut a mesh with a plane.

    Parameters
    ----------
    mesh : Mesh
    point_mm, normal : (3,)
        The plane.
    across : (3,), optional
        What shall lie along the section's x axis.
    noise_mm : float
        The scan's noise, within which an outline counts as straight or round.

    Returns
    -------
    Section

    Raises
    ------
    NoAnswer
        Where the plane misses the mesh.
    """
    z = unit(normal)
    x = frame_of(z)[0] if across is None else across - float(across @ z) * z
    if np.linalg.norm(x) < 1e-9:
        x = frame_of(z)[0]
    x = unit(x)
    axes = np.array([x, np.cross(z, x), z])
    segments = _segments((mesh.vertices - point_mm) @ axes.T, mesh)
    if not segments:
        raise NoAnswer("The plane does not cut the part.", "Move it.")
    tolerance = max(5.0 * noise_mm, 1e-4 * float(np.ptp(mesh.vertices, axis=0).max()))
    spacing = edge_spacing(mesh)
    outlines = tuple(_outline(line, closed, tolerance, spacing) for line, closed in _chained(segments))
    every = np.vstack([_smoothed(one, tolerance) for one in outlines])
    low, high = every.min(axis=0), every.max(axis=0)
    return Section(
        outlines, float(sum(one.area_mm2 for one in outlines)),
        (float(high[0] - low[0]), float(high[1] - low[1])), (float(low[0]), float(low[1])),
    )  # fmt: skip


def _smoothed(outline: Outline, tolerance: float) -> FloatArray:
    """The points (k, 2) by which an outline reaches out: of a circle its box, of straight stretches their lines.

    The outermost of many noisy points lies some sigmas outside the part: no caliper finds that.
    """
    if outline.circle is not None:
        x, y, diameter = outline.circle
        return np.array([[x, y], [x, y]]) + 0.5 * diameter * np.array([[-1.0, -1], [1, 1]])
    points = outline.points.copy()
    for start, end in np.asarray(outline.straights).reshape(-1, 2, 2):
        length = float(np.linalg.norm(end - start))
        along = (end - start) / length
        t = (points - start) @ along
        off = points - start - t[:, None] * along
        near = (t > -tolerance) & (t < length + tolerance) & (np.linalg.norm(off, axis=1) <= tolerance)
        points[near] -= off[near]
    return np.asarray(points)


_Key = tuple[int, int]


def _segments(local: FloatArray, mesh: Mesh) -> dict[_Key, tuple[_Key, FloatArray, FloatArray]]:
    """From the edge (as a pair of vertices) where the cut enters a triangle: the edge where it leaves, both points."""
    height = np.where(local[:, 2] == 0.0, 1e-12, local[:, 2])
    above = height[mesh.triangles] > 0
    cut = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    found: dict[_Key, tuple[_Key, FloatArray, FloatArray]] = {}
    for triangle in cut:
        corners = mesh.triangles[triangle].tolist()
        enter = leave = None
        for k in range(3):
            a, b = corners[k], corners[(k + 1) % 3]
            if (height[a] > 0) != (height[b] > 0):
                share = height[a] / (height[a] - height[b])
                place = local[a, :2] + share * (local[b, :2] - local[a, :2])
                key = (a, b) if a < b else (b, a)
                # walking so that material lies at the left
                if height[a] > 0:
                    leave = key, place
                else:
                    enter = key, place
        if enter and leave:
            found[leave[0]] = (enter[0], leave[1], enter[1])
    return found


def _chained(segments: dict[_Key, tuple[_Key, FloatArray, FloatArray]]) -> list[tuple[FloatArray, bool]]:
    into: dict[_Key, int] = defaultdict(int)
    for end, _, _ in segments.values():
        into[end] += 1
    left = dict(segments)
    lines = []
    # open lines begin where nothing leads to
    starts = [key for key in segments if not into[key]]
    for start in (*starts, *segments):
        if start not in left:
            continue
        points, now = [left[start][1]], start
        closed = False
        while now in left:
            now, _, place = left.pop(now)
            closed = now == start
            if not closed:
                points.append(place)
        if len(points) > 2:
            lines.append((np.array(points), closed))
    return lines


def _outline(points: FloatArray, closed: bool, tolerance: float, spacing: float) -> Outline:
    after = np.roll(points, -1, axis=0)
    area = 0.5 * float((points[:, 0] * after[:, 1] - points[:, 1] * after[:, 0]).sum()) if closed else 0.0
    circle = _circle(points, tolerance) if closed and len(points) >= 8 else None
    straights = () if circle else _straights(points, closed, tolerance, spacing)
    return Outline(points, closed, area, circle, straights)


def _circle(points: FloatArray, tolerance: float) -> tuple[float, float, float] | None:
    found = best_fit("circle", points)
    if found is None or found.radius <= 0:
        return None
    middles = 0.5 * (points + np.roll(points, -1, axis=0))
    off = float(np.abs(distances(found, np.vstack([points, middles]))).max())
    if off > max(tolerance, ROUND * found.radius):
        return None
    return float(found.point[0]), float(found.point[1]), 2.0 * found.radius


def _straights(
    points: FloatArray, closed: bool, tolerance: float, spacing: float
) -> tuple[tuple[tuple[float, float], tuple[float, float]], ...]:
    """Straight stretches of an outline (split at the farthest point: Ramer 1972; Douglas and Peucker 1973)."""
    line = points
    if closed:
        far = int(np.argmax(np.square(points - points.mean(axis=0)).sum(axis=1)))
        line = np.roll(points, -far, axis=0)
        line = np.vstack([line, line[:1]])
    stack, ends = [(0, len(line) - 1)], []
    while stack:
        first, last = stack.pop()
        if last - first < 1:
            continue
        away = _from_chord(line[first : last + 1])
        k = int(np.argmax(away))
        if away[k] > tolerance and last - first > 1 and 0 < k < last - first:
            stack += [(first, first + k), (first + k, last)]
        else:
            ends.append((first, last))
    size = float(np.ptp(points, axis=0).max())
    found = []
    for first, last in ends:
        length = float(np.linalg.norm(line[last] - line[first]))
        if length > max(4.0 * spacing, 0.05 * size):
            found.append((length, _fitted(line[first : last + 1])))
    found.sort(key=lambda item: -item[0])
    return tuple(ends for _, ends in found)


def _from_chord(points: FloatArray) -> FloatArray:
    along = points[-1] - points[0]
    length = float(np.linalg.norm(along))
    if length < 1e-12:
        return np.asarray(np.linalg.norm(points - points[0], axis=1))
    q = points - points[0]
    return np.asarray(np.abs(q[:, 0] * along[1] - q[:, 1] * along[0]) / length)


def _fitted(points: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
    """The ends of a stretch, set onto its least-squares line."""
    line = best_fit("line", points) if len(points) > 2 else None
    ends = points[[0, -1]]
    if line is not None and line.direction is not None:
        ends = line.point + ((ends - line.point) @ line.direction)[:, None] * line.direction
    (a, b), (c, d) = ends.tolist()
    return (a, b), (c, d)


__all__ = ["Outline", "Section", "section_at"]
