"""What the relief of two nearly flat faces with a round rim tells of the turn about their axis.

Rims and original surfaces let such a fragment turn. Every turn is tried, and
the form that the faces share there compared with what they share in the best
other turn: what unrelated surfaces have in common by chance is seen on this
very pair.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from rejoin.core.form import form_in_common
from rejoin.core.outline import Sheet, sheet_of
from rejoin.core.records import FloatArray, IntArray
from rejoin.core.robust import tukey
from rejoin.core.surfaces import Surface
from rejoin.core.transforms import apply, inverse, turn
from rejoin.core.views import Plane

MOST_POINTS = 12_000
"""Points of a whose heights are compared in each turn."""

OTHERS = 6
"""Other turns in which the faces lie closest that are looked at."""

ASIDE, UPRIGHT = 4.0, np.cos(np.deg2rad(5.0))
"""Spacings, and lean of the axis, up to which a pose counts as a turn of another."""

GRID = 1.5
"""Spacings across the cells in which b's heights are kept: few of them are empty."""

COVERED = 0.8
"""Share of the points that must lie over b in a turn."""


@dataclass(frozen=True, eq=False)
class Turned:
    """The turn in which two faces lie closest.

    Attributes
    ----------
    a_from_b : (4, 4)
    other : (4, 4)
        The next best turn, beyond those that differ little.
    told : float
        Nats of form that the faces share in the best turn beyond what they share in any other.
    middle, axis : (3,)
        Of the rim, in b's frame.
    slack_mm : float
        How far rims may stand aside and still be one on the other.
    """

    a_from_b: FloatArray
    other: FloatArray
    told: float
    middle: FloatArray
    axis: FloatArray
    slack_mm: float

    def includes(self, a_from_b: FloatArray) -> bool:
        """Whether a pose is this one but for a turn about the axis: the others were tried too."""
        b_from_b = inverse(self.a_from_b) @ a_from_b
        aside = float(np.linalg.norm(apply(b_from_b, self.middle[None])[0] - self.middle))
        return aside < self.slack_mm and float(b_from_b[:3, :3] @ self.axis @ self.axis) > UPRIGHT


def turned_best(first: Surface, second: Surface, a_from_b: FloatArray, radius_mm: float) -> Turned | None:
    """Try all turns about the axis of a round rim.

    Parameters
    ----------
    first, second : Surface
    a_from_b : (4, 4)
        Rim on rim.
    radius_mm : float
        Of the rim: turns are tried in steps of one spacing there.

    Returns
    -------
    Turned or None
        None where too little of the faces lies in one plane, or no turn stands out at all.
    """
    sheet = sheet_of(first, second, inverse(a_from_b))
    if sheet is None:
        return None
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    own, ground = _heights(first, second, a_from_b, sheet.plane, spacing)
    if len(own) < 100 or len(ground) < 100:
        return None
    middle = np.argwhere(sheet.masks[0] & sheet.masks[1]).mean(axis=0) * sheet.cell_mm + sheet.low
    count = int(np.ceil(2.0 * np.pi * radius_mm / spacing))
    angles = 2.0 * np.pi * np.arange(count) / count
    relief = _Ground(ground, spacing)
    misfit = np.array([_misfit(_over(own, relief, angle, middle)) for angle in angles])
    if not np.isfinite(misfit).any():
        return None
    best, others = _dips(misfit)
    if not len(others):
        return None
    forms = [_form(_over(own, relief, angles[k], middle)) for k in (best, *others)]
    rival = int(np.argmax(forms[1:]))
    poses = [inverse(_about(sheet, angles[k], middle) @ inverse(a_from_b)) for k in (best, others[rival])]
    centre = sheet.plane.origin + middle @ sheet.plane.axes[:2]
    told = forms[0] - forms[1 + rival]
    return Turned(poses[0], poses[1], told, centre, sheet.plane.axes[2], ASIDE * spacing)


def _about(sheet: Sheet, angle: float, middle: FloatArray) -> FloatArray:
    return sheet.moved(float(angle), middle, np.zeros(2))


def _heights(
    first: Surface, second: Surface, a_from_b: FloatArray, plane: Plane, spacing: float
) -> tuple[FloatArray, FloatArray]:
    """Places in the plane and heights over it (n, 3) of both faces."""
    found = []
    for surface, pose, sign in ((first, inverse(a_from_b), -1.0), (second, np.eye(4), 1.0)):
        flat = plane.coordinates(apply(pose, surface.fragment.mesh.vertices))
        near = np.flatnonzero(np.abs(flat[:, 2]) < 2.0 * spacing)
        facing = sign * (turn(pose, surface.nodes.normals[surface.nodes.of_vertex[near]]) @ plane.axes[2]) > 0.9
        found.append(flat[near[facing]])
    return found[0][:: max(1, len(found[0]) // MOST_POINTS)], found[1]


class _Ground:
    """Heights on a grid, smoothed over about one spacing."""

    def __init__(self, points: FloatArray, spacing: float) -> None:
        self.cell = GRID * spacing
        self.low = points[:, :2].min(axis=0) - self.cell
        at = np.rint((points[:, :2] - self.low) / self.cell).astype(np.int64)
        shape = at.max(axis=0) + 3
        number, total = np.zeros(shape), np.zeros(shape)
        np.add.at(number, (at[:, 0], at[:, 1]), 1.0)
        np.add.at(total, (at[:, 0], at[:, 1]), points[:, 2])
        weight = gaussian_filter(number, 1.0 / GRID, mode="constant")
        self.height = gaussian_filter(total, 1.0 / GRID, mode="constant") / np.maximum(weight, 1e-9)
        self.there = gaussian_filter((number > 0).astype(float), 1.0 / GRID, mode="constant")

    def under(self, xy: FloatArray) -> tuple[FloatArray, IntArray]:
        """Heights under places (n, 2), and which of them are well within."""
        at = ((xy - self.low) / self.cell).T
        inside = np.flatnonzero(map_coordinates(self.there, at, order=1, mode="constant") > 0.6).astype(np.int32)
        return np.asarray(map_coordinates(self.height, at[:, inside], order=1, mode="nearest")), inside


def _over(own: FloatArray, ground: _Ground, angle: float, middle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places of a (k, 2) that lie over b once turned, and both heights there (k, 2)."""
    c, s = np.cos(angle), np.sin(angle)
    turned = (own[:, :2] - middle) @ np.array([[c, s], [-s, c]]) + middle
    height, inside = ground.under(turned)
    if len(inside) < COVERED * len(own):
        return np.empty((0, 2)), np.empty((0, 2))
    return turned[inside], np.stack([own[inside, 2], height], axis=1)


def _misfit(over: tuple[FloatArray, FloatArray]) -> float:
    """Mean square of the gap less its plane, stragglers weighed down; infinite where too little is covered."""
    xy, heights = over
    if not len(xy):
        return float("inf")
    design = np.column_stack([np.ones(len(xy)), xy - xy.mean(axis=0)])
    gap = heights[:, 0] - heights[:, 1]
    weight = np.ones(len(gap))
    for _ in range(3):
        weighted = design * weight[:, None]
        left = gap - design @ np.linalg.solve(weighted.T @ design, weighted.T @ gap)
        sigma = 1.4826 * float(np.median(np.abs(left)))
        weight = tukey(left, 5.0 * max(sigma, 1e-9))
    return float((weight * np.square(left)).sum() / weight.sum())


def _form(over: tuple[FloatArray, FloatArray]) -> float:
    """Nats in the form that both heights share."""
    xy, heights = over
    thin = np.arange(0, len(xy), max(1, len(xy) // 3000))
    return form_in_common(xy[thin], heights[thin, 0], heights[thin, 1])


def _dips(misfit: FloatArray) -> tuple[int, list[int]]:
    """The turn of least misfit and, beyond those up to halfway to the usual, the lowest of the other dips."""
    count, best = len(misfit), int(misfit.argmin())
    usual = float(np.median(misfit[np.isfinite(misfit)]))
    high = np.roll(misfit, -best) > 0.5 * (misfit[best] + usual)
    if not high.any():
        return best, []
    begin, end = int(high.argmax()), count - int(high[::-1].argmax())
    rest = np.arange(best + begin, best + end) % count
    dip = (misfit[rest] <= misfit[(rest - 1) % count]) & (misfit[rest] <= misfit[(rest + 1) % count])
    # The fringe of the best dip is none of its own, unless nothing else is there.
    dip[[0, -1]] = not dip[1:-1].any()
    dips = rest[dip & np.isfinite(misfit[rest])]
    return best, [int(k) for k in dips[np.argsort(misfit[dips])][:OTHERS]]
