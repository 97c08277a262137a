"""What a view would have seen, and where it can stand: the plate on which it was scanned tells which way is up.

No matter reaches below the plate of any view. And a surface that another view shows, laid where the scanner had an open
look at it from every height over the plate, but which this view does not show, is not there: one of the two is out of
place. Neither is asked of the lower part of a view, for there it may show what props it up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.libraries.walls import Rays
from rejoin.core.merging.close import Fine
from rejoin.core.merging.tables import AROUND, HEIGHTS, Scene, open_to_all
from rejoin.core.records import FloatArray, Fragment
from rejoin.core.transforms import apply, inverse

BoolArray = npt.NDArray[np.bool_]

ASKED = 500
"""Places of each view that are asked."""
FACING = 0.35
"""Cosine to a line of sight at which a surface is surely seen."""
LIFT, GONE = 3.0, 5.0
"""Spacings over a surface at which a line of sight starts; from a place within which the view shows something."""
LOW, HIGH = 3.0, 6.0
"""Spacings under the plate at which a place is below it; over it, up to which the view is cut away with it."""


@dataclass(frozen=True, eq=False)
class Doubt:
    """What one view says of another in a pose: places asked, how many lie below the plate, and those it should show.

    ``starts`` (m, 3) and ``ways`` (d, 3) in the other view's frame, ``open`` (m, d) which of the ways are free of both.
    """

    asked: int
    below: int
    starts: FloatArray
    ways: FloatArray
    open: BoolArray

    @property
    def unseen(self) -> int:
        return int(np.count_nonzero(open_to_all(self.open)))


NO_DOUBT = Doubt(0, 0, np.empty((0, 3)), np.empty((0, 3)), np.empty((0, len(HEIGHTS) * AROUND), bool))


class Sight:
    """A view made ready to be asked what it sees."""

    def __init__(self, view: Fragment, fine: Fine, scene: Scene | None) -> None:
        self.fine, self.scene = fine, scene
        self.rays = Rays(view.mesh)
        chosen = np.flatnonzero(fine.inner & scene.unpropped(fine.points)) if scene else np.empty(0, np.int64)
        chosen = chosen[np.linspace(0, len(chosen) - 1, min(ASKED, len(chosen))).astype(np.int64)]
        self.places, self.normals = fine.points[chosen], fine.normals[chosen]
        self.starts = self.places + LIFT * fine.spacing_mm * self.normals
        if scene is not None:
            self.scanned, self.tree, self.ways = Rays(scene.mesh), cKDTree(scene.mesh.vertices), scene.ways

    def doubts(self, other: Sight, own_from_other: FloatArray) -> Doubt:
        """What this view says against the places that another shows, laid in a pose."""
        if self.scene is None or not len(other.places):
            return NO_DOUBT
        spacing, turn = self.fine.spacing_mm, own_from_other[:3, :3]
        places = apply(own_from_other, other.places)
        height = self.scene.heights(places)
        near = self.tree.query(places, distance_upper_bound=GONE * spacing)[0]
        which = np.flatnonzero((height > HIGH * spacing) & np.isinf(near))
        starts = other.starts[which]
        free = (other.normals[which] @ turn.T) @ self.ways.T > FACING
        which = np.flatnonzero(open_to_all(free))
        starts, free = starts[which], free[which]
        ways = self.ways @ turn
        free = _free(self.scanned, apply(own_from_other, starts), self.ways, free)
        free = _free(other.rays, starts, ways, free)
        below = int(np.count_nonzero(height < -LOW * spacing))
        return Doubt(len(places), below, starts, ways, free)

    def hides(self, doubt: Doubt, own_from_other: FloatArray) -> Doubt:
        """The doubt, less what stands behind this third view."""
        free = _free(self.rays, apply(own_from_other, doubt.starts), doubt.ways @ own_from_other[:3, :3].T, doubt.open)
        return Doubt(doubt.asked, doubt.below, doubt.starts, doubt.ways, free)


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
        for k in poses:
            if k not in (i, j) and doubt.unseen:
                doubt = sights[k].hides(doubt, inverse(poses[k]) @ poses[j])
        asked, odd = asked + doubt.asked, odd + doubt.below + doubt.unseen
    return odd / max(asked, 1)


def _free(rays: Rays, starts: FloatArray, ways: FloatArray, asked: BoolArray) -> BoolArray:
    """Which of the ways asked (m, d) are free from their starts (m, 3)."""
    place, way = np.nonzero(asked)
    result = np.zeros_like(asked)
    if len(place):
        result[place, way] = rays.free(starts[place], ways[way])
    return result


__all__ = ["NO_DOUBT", "Doubt", "Sight", "odd_share"]
