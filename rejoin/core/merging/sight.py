"""What a view would have seen, and where it can stand: the plate on which it was scanned tells which way is up.

No matter reaches below the plate of any view. And a surface that another view shows, laid where the scanner had an open
look at it from every height over the plate, but which this view does not show, is not there: one of the two is out of
place. Neither is asked of the lower part of a view, for there it may show what props it up. Nor is a place
in a gap of the view's own surface, which breaks off all round it: what is dark, bright or steep leaves such gaps, while
round a bore or past an edge a surface turns away and goes on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.libraries.walls import Rays
from rejoin.core.merging.close import Fine
from rejoin.core.merging.tables import AROUND, HEIGHTS, Scene, open_by_height, open_to_all
from rejoin.core.records import FloatArray, Fragment, IntArray
from rejoin.core.transforms import apply, inverse

BoolArray = npt.NDArray[np.bool_]

ASKED = 500
"""Places of each view that are asked."""
FACING = 0.42
"""Cosine to a line of sight at which a surface is surely seen: a level one from the lowest height still is."""
LIFT, GONE = 3.0, 5.0
"""Spacings over a surface at which a line of sight starts; from a place within which the view shows something."""
GAP, ROUND = 6.0 * GONE, np.deg2rad(150.0)
"""Spacings to which a view's rim is looked for round a place that it does not show, and the widest angle that it leaves
out where it lies all round it."""
SECTORS = 36
"""Directions in which the rim is looked for."""
RUNS_ON = 0.7
"""Cosine of both normals above which a view's surface would run on from its rim through a place of another."""
LOW, HIGH = 3.0, 6.0
"""Spacings under the plate at which a place is below it; over it, up to which the view is cut away with it."""


@dataclass(frozen=True, eq=False)
class Doubt:
    """What one view says of another in a pose: places asked, how many lie below the plate, and those it should show.

    ``which`` (m,) are the latter's vertices, ``starts`` (m, 3) and ``ways`` (d, 3) lines of sight in the other view's
    frame, ``open`` (m, d) which of them are free of both.
    """

    asked: int
    below: int
    which: IntArray
    starts: FloatArray
    ways: FloatArray
    open: BoolArray

    @property
    def unseen(self) -> int:
        return int(np.count_nonzero(open_to_all(self.open)))


NO_DOUBT = Doubt(0, 0, np.empty(0, np.int32), np.empty((0, 3)), np.empty((0, 3)),
                 np.empty((0, len(HEIGHTS) * AROUND), bool))  # fmt: skip


class Sight:
    """A view made ready to be asked what it sees."""

    def __init__(self, view: Fragment, fine: Fine, scene: Scene | None) -> None:
        self.fine, self.scene = fine, scene
        self.mesh, self.rays = view.mesh, Rays(view.mesh)
        chosen = np.flatnonzero(fine.inner & scene.unpropped(fine.points)) if scene else np.empty(0, np.int64)
        self.asked = some(chosen, ASKED)
        if scene is not None:
            self.scanned, self.tree, self.ways = Rays(scene.mesh), cKDTree(scene.mesh.vertices), scene.ways

    def doubts(
        self, other: Sight, own_from_other: FloatArray, asked: IntArray | None = None, partly: bool = False
    ) -> Doubt:
        """What this view says against the places that another shows, laid in a pose.

        Parameters
        ----------
        other : Sight
        own_from_other : (4, 4)
        asked : (k,), optional
            The other's vertices that are asked: usually some that surely are no prop.
        partly : bool
            Also of places that the scanner sees from some heights only.
        """
        asked = other.asked if asked is None else asked
        if self.scene is None or not len(asked):
            return NO_DOUBT
        height, shown = self.shows(other, own_from_other, asked)
        which = asked[(height > HIGH * self.fine.spacing_mm) & ~shown]
        below = int(np.count_nonzero(height < -LOW * self.fine.spacing_mm))
        told = self.looks_at(other, own_from_other, which, partly, len(asked), below)
        places, ways = other.fine.points[told.which], other.fine.normals[told.which] @ own_from_other[:3, :3].T
        left = ~self._missed(apply(own_from_other, places), ways)
        return replace(told, which=told.which[left], starts=told.starts[left], open=told.open[left])

    def shows(self, other: Sight, own_from_other: FloatArray, asked: IntArray) -> tuple[FloatArray, BoolArray]:
        """Heights (k,) of another's vertices over this view's plate, and where this view shows something."""
        assert self.scene is not None
        places = apply(own_from_other, other.fine.points[asked])
        near = self.tree.query(places, distance_upper_bound=GONE * self.fine.spacing_mm)[0]
        return self.scene.heights(places), np.isfinite(near)

    def looks_at(
        self, other: Sight, own_from_other: FloatArray, which: IntArray, partly: bool = True, asked: int = 0,
        below: int = 0,
    ) -> Doubt:  # fmt: skip
        """Whence this view's scanner may see vertices of another, as far as these two views stand in the way.

        Places that it does not see from every height, or ``partly`` from any, are left out.
        """
        turn, ways = own_from_other[:3, :3], self.ways @ own_from_other[:3, :3]
        free = (other.fine.normals[which] @ turn.T) @ self.ways.T > FACING
        starts = other.fine.points[which] + LIFT * other.fine.spacing_mm * other.fine.normals[which]
        for rays in (None, self.scanned):
            if rays is not None:
                free = _free(rays, apply(own_from_other, starts), self.ways, free)
            seen = open_by_height(free).any(axis=1) if partly else open_to_all(free)
            which, free, starts = which[seen], free[seen], starts[seen]
        return Doubt(asked, below, which, starts, ways, _free(other.rays, starts, ways, free))

    @cached_property
    def _rim(self) -> cKDTree:
        return cKDTree(self.fine.points[self.fine.rim])

    def _missed(self, places: FloatArray, normals: FloatArray) -> BoolArray:
        """Which places (m,) lie in a gap of this view's surface: it breaks off all round them."""
        fine, ends, which = self.fine, list[FloatArray](), list[IntArray]()
        for number, near in enumerate(self._rim.query_ball_point(places, GAP * fine.spacing_mm, workers=2)):
            rim = fine.rim[np.array(near, np.int64)]
            rim = rim[fine.normals[rim] @ normals[number] > RUNS_ON]
            offset, both = fine.points[rim] - places[number], fine.normals[rim] + normals[number]
            # Over a level place by its own normal, over one on a round surface by the mean of both.
            heights = offset @ normals[number], np.einsum("ij,ij->i", offset, both) / np.linalg.norm(both, axis=1)
            offset = offset[np.min(np.abs(heights), axis=0) < fine.spacing_mm]
            nearest = _by_sector(offset, normals[number])
            ends.append(offset[nearest])
            which.append(np.full(len(nearest), number, np.int32))
        if not ends:
            return np.zeros(0, bool)
        way, of = np.concatenate(ends), np.concatenate(which)
        empty = np.ones(len(of), bool)
        for share in (0.5, 0.7):  # up to the rim nothing is shown
            free = self.fine.tree.query(places[of] + share * way, workers=2)[0]
            empty &= free > 0.5 * (1.0 - share) * np.linalg.norm(way, axis=1)
        return np.array([_all_round(way[(of == n) & empty], normals[n]) for n in range(len(places))], bool)

    def hides(self, doubt: Doubt, own_from_other: FloatArray) -> Doubt:
        """The doubt, less what stands behind this third view."""
        free = _free(self.rays, apply(own_from_other, doubt.starts), doubt.ways @ own_from_other[:3, :3].T, doubt.open)
        return replace(doubt, open=free)


def _angles(offsets: FloatArray, normal: FloatArray) -> FloatArray:
    """Of offsets (k, 3), seen along a normal."""
    sideways = np.linalg.svd(normal[None])[2][1:]
    return np.asarray(np.arctan2(*(sideways @ offsets.T)))


def _by_sector(offsets: FloatArray, normal: FloatArray) -> IntArray:
    """The nearest of some offsets (k, 3) in each direction, seen along a normal."""
    order = np.argsort(np.linalg.norm(offsets, axis=1), kind="stable")
    sector = np.floor(_angles(offsets[order], normal) * SECTORS / (2.0 * np.pi)).astype(np.int64)
    return np.asarray(order[np.unique(sector, return_index=True)[1]], np.int32)


def _all_round(offsets: FloatArray, normal: FloatArray) -> bool:
    """Whether some offsets (k, 3) from a place lie on all sides of it, seen along a normal."""
    if len(offsets) < 3:
        return False
    angles = np.sort(_angles(offsets, normal))
    return bool(np.diff(angles, append=angles[0] + 2.0 * np.pi).max() < ROUND)


def odd_share(poses: dict[int, FloatArray], sights: list[Sight], known: dict[tuple[int, int], Doubt]) -> float:
    """Share of the places asked that are below a plate, or that a view should show and does not.

    Parameters
    ----------
    poses : dict of int to (4, 4)
        common_from_view.
    sights : list of Sight
        Of all views.
    known : dict
        What view i says against view j in these poses.
    """
    asked = odd = 0
    for (i, j), doubt in known.items():
        asked, odd = asked + doubt.asked, odd + doubt.below + left(doubt, i, j, poses, sights).unseen
    return odd / max(asked, 1)


def left(doubt: Doubt, i: int, j: int, poses: dict[int, FloatArray], sights: list[Sight]) -> Doubt:
    """What is left of a doubt of view i against view j once all others may stand in the lines of sight."""
    for k in poses:
        if k not in (i, j) and len(doubt.which):
            doubt = sights[k].hides(doubt, inverse(poses[k]) @ poses[j])
    return doubt


def some(vertices: npt.NDArray[np.int64], most: int) -> IntArray:
    """So many of some vertices, spread evenly."""
    return vertices[np.linspace(0, len(vertices) - 1, min(most, len(vertices))).astype(np.int64)].astype(np.int32)


def _free(rays: Rays, starts: FloatArray, ways: FloatArray, asked: BoolArray) -> BoolArray:
    """Which of the ways asked (m, d) are free from their starts (m, 3)."""
    place, way = np.nonzero(asked)
    result = np.zeros_like(asked)
    if len(place):
        result[place, way] = rays.free(starts[place], ways[way])
    return result


__all__ = ["HIGH", "NO_DOUBT", "Doubt", "Sight", "left", "odd_share", "some"]
