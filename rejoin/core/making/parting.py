"""A body parted at a plane, with holes for the dowels that bring the halves together again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import Body, cylinder, frame_on
from rejoin.core.making.draft import Parting
from rejoin.core.records import FloatArray
from rejoin.core.transforms import rigid

DOWELS_MM = (20.0, 16.0, 12.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.0)
"""Dowels that are looked for, the thickest first (preferred diameters of ISO 2338)."""
DEEP = 1.5
"""Depth of a dowel's hole on each side, in diameters (common practice, no source)."""


def plane_frame(parting: Parting) -> FloatArray:
    """``flat_from_part`` (4, 4): the plane becomes z = 0, its normal z."""
    turn = frame_on(parting.normal).T
    return rigid(turn, -turn @ parting.point_mm)


def parted(
    body: Body, parting: Parting, dowel_mm: float | None, clearance_mm: float
) -> tuple[Body, Body, tuple[tuple[float, float, float], ...], float | None]:
    """The halves above and below a plane, with dowel holes.

    Returns
    -------
    above, below : Body
        In the plane's own frame (`plane_frame`): they meet at z = 0.
    places : tuple of (x, y, z)
        Of the dowels, in that frame.
    dowel_mm : float, optional
        Their diameter; None where the section has room for none.

    Raises
    ------
    NoAnswer
        The plane passes the body by, or a dowel that was asked for finds no room.
    """
    flat = body.moved(plane_frame(parting))
    low, high = flat.bounds
    if low[2] > -1e-6 * (high[2] - low[2]) or high[2] < 1e-6 * (high[2] - low[2]):
        raise NoAnswer("The parting plane does not go through the part.", "Give a point inside the part.")
    up = np.array([0.0, 0.0, 1.0])
    above, below = flat.above(up, 0.0).without_specks(), flat.above(-up, 0.0).without_specks()
    made = with_dowel_holes(above, below, flat.section(0.0), dowel_mm, clearance_mm)
    if made[3] is None and dowel_mm is not None:
        raise NoAnswer(f"Two dowels of {dowel_mm:g} mm find no room at the parting plane.", "Ask for thinner ones.")
    return made


def with_dowel_holes(
    above: Body, below: Body, outlines: Sequence[FloatArray], dowel_mm: float | None, clearance_mm: float
) -> tuple[Body, Body, tuple[tuple[float, float, float], ...], float | None]:
    """Two bodies that meet at z = 0 within the outlines, with dowel holes; as `parted` returns them."""
    for diameter in DOWELS_MM if dowel_mm is None else (dowel_mm,):
        places = _places(outlines, diameter)
        if len(places) > 1 and dowel_mm is None and diameter > 0.25 * _largest(outlines):
            continue
        holes = [_hole(place, diameter, clearance_mm) for place in places]
        fitting = [k for k, hole in enumerate(holes) if _held(hole, above, below)]
        if len(fitting) >= 2:
            for k in fitting:
                above, below = above - holes[k], below - holes[k]
            return above, below, tuple((float(places[k][0]), float(places[k][1]), 0.0) for k in fitting), diameter
    return above, below, (), None


def _largest(outlines: Sequence[FloatArray]) -> float:
    return max(float(np.ptp(one, axis=0).max()) for one in outlines)


def _hole(place: FloatArray, diameter: float, clearance: float) -> Body:
    middle, deep = np.array([place[0], place[1], 0.0]), np.array([0.0, 0.0, DEEP * diameter])
    return cylinder(middle - deep, middle + deep, 0.5 * (diameter + clearance))


def _held(hole: Body, above: Body, below: Body) -> bool:
    """Whether the hole stays inside the material on both sides."""
    half = 0.5 * hole.volume_mm3
    return all((hole & side).volume_mm3 > 0.995 * half for side in (above, below))


def _places(outlines: Sequence[FloatArray], diameter: float) -> FloatArray:
    """Two to four places (k, 2), far from each other, with a wall of half a diameter around the hole."""
    if not outlines:
        return np.empty((0, 2))
    low = np.min([one.min(axis=0) for one in outlines], axis=0)
    high = np.max([one.max(axis=0) for one in outlines], axis=0)
    step = max(float((high - low).max()) / 160, 1e-9)
    x, y = (np.arange(low[k] + 0.5 * step, high[k], step) for k in range(2))
    spots = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    spots = spots[_inside(outlines, spots)]
    border = np.concatenate([_dense(one, step) for one in outlines])
    if len(spots) == 0:
        return np.empty((0, 2))
    room = cKDTree(border).query(spots)[0]
    spots = spots[room >= diameter + 0.5 * step]
    if len(spots) < 2:
        return np.empty((0, 2))
    first = int(np.argmax(np.linalg.norm(spots - spots.mean(axis=0), axis=1)))
    chosen = [first]
    away = np.linalg.norm(spots - spots[first], axis=1)
    for _ in range(3):
        best = int(np.argmax(away))
        if away[best] < (3.0 if len(chosen) == 1 else 8.0) * diameter:
            break
        chosen.append(best)
        away = np.minimum(away, np.linalg.norm(spots - spots[best], axis=1))
    return np.asarray(spots[chosen])


def _inside(outlines: Sequence[FloatArray], spots: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each spot (k,) lies within the outlines, by the even-odd rule."""
    crossings = np.zeros(len(spots), np.int64)
    for outline in outlines:
        for (x0, y0), (x1, y1) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            if y0 == y1:
                continue
            between = (spots[:, 1] >= min(y0, y1)) & (spots[:, 1] < max(y0, y1))
            at = x0 + (spots[between, 1] - y0) * (x1 - x0) / (y1 - y0)
            crossings[between] += spots[between, 0] < at
    return np.asarray(crossings % 2 == 1)


def _dense(outline: FloatArray, step: float) -> FloatArray:
    start, end = outline, np.roll(outline, -1, axis=0)
    number = np.maximum(np.ceil(np.linalg.norm(end - start, axis=1) / step).astype(int), 1)
    at = np.repeat(np.arange(len(outline)), number)
    share = (np.arange(len(at)) - np.repeat(np.cumsum(number) - number, number)) / number[at]
    return np.asarray(start[at] + share[:, None] * (end - start)[at])
