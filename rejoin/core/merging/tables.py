"""The plate on which a view was scanned: which way is up, whence a scanner looks, and that no matter reaches below."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray, Mesh

BoolArray = npt.NDArray[np.bool_]

PROPPED = 1 / 3
"""Share of a view's height over the plate up to which a prop may reach: below it a view's places are not asked."""
HEIGHTS = np.deg2rad([25.0, 40.0, 55.0, 70.0, 82.0])
"""Heights over the plate from which a scanner may have looked."""
AROUND = 10
"""Directions round the plate from each of them. Where two side by side are open, a turntable's steps do not miss it."""
ASKED = 60
"""Places of a view that are asked in each of many rough poses."""
LOW = 4.0
"""Steps under the plate at which a place of a rough pose lies below it."""
SUNK = 0.05
"""Share of a view that may lie below: not all loose parts are known."""


@dataclass(frozen=True, eq=False)
class Scene:
    """A view as it was scanned, plate and props included; a point of the plate and the direction up (3,)."""

    mesh: Mesh
    origin: FloatArray
    up: FloatArray

    def heights(self, points: FloatArray) -> FloatArray:
        """Heights (n,) of points over the plate, mm."""
        return np.asarray((points - self.origin) @ self.up)

    def unpropped(self, points: FloatArray) -> BoolArray:
        """Which of the piece's points (n,) are too high over the plate to be a prop."""
        height = self.heights(points)
        return np.asarray(height > PROPPED * height.max())


    @property
    def ways(self) -> FloatArray:
        """Directions (d, 3) in which a scanner may have stood, ring by ring."""
        helper = np.eye(3)[np.argmin(np.abs(self.up))]
        first = np.cross(helper, self.up)
        first /= np.linalg.norm(first)
        around = 2.0 * np.pi * np.arange(AROUND) / AROUND
        rings = [np.stack([np.cos(h) * np.cos(around), np.cos(h) * np.sin(around), np.full(AROUND, np.sin(h))], axis=1)
                 for h in HEIGHTS]  # fmt: skip
        return np.asarray(np.concatenate(rings) @ np.stack([first, np.cross(self.up, first), self.up]))


def open_by_height(free: BoolArray) -> BoolArray:
    """From which of the heights (m, h) a scanner sees each place, by the ways (m, d) that are free there."""
    return np.asarray(np.any(side_by_side(free.reshape(-1, len(HEIGHTS), AROUND)), axis=2))


def side_by_side(free: BoolArray) -> BoolArray:
    """Ways of a ring (..., AROUND) that are free as the one before them is."""
    return np.asarray(free & np.roll(free, 1, axis=-1))


def open_to_all(free: BoolArray) -> BoolArray:
    """Which places (m,) a scanner sees from every height."""
    return np.asarray(np.all(open_by_height(free), axis=1))


class Standing(Protocol):
    """A thinned view."""

    @property
    def points(self) -> FloatArray: ...
    @property
    def step_mm(self) -> float: ...
    @property
    def scene(self) -> Scene | None: ...


def over_tables(a: Standing, b: Standing, poses: FloatArray) -> FloatArray:
    """Of rough poses (k, 4, 4) ``a_from_b`` those in which hardly any of either view lies below the other's plate."""
    turns, shifts = poses[:, :3, :3].astype(np.float32), poses[:, :3, 3].astype(np.float32)
    good = np.ones(len(poses), bool)
    if a.scene is not None:
        up, origin = a.scene.up.astype(np.float32), a.scene.origin.astype(np.float32)
        heights = (turns.transpose(0, 2, 1) @ up) @ _asked(b).T + ((shifts - origin) @ up)[:, None]
        good &= (heights < -LOW * a.step_mm).mean(axis=1) < SUNK
    if b.scene is not None:
        # The plate's normal and a point of it in a's frame.
        up, origin = turns @ b.scene.up.astype(np.float32), turns @ b.scene.origin.astype(np.float32) + shifts
        heights = up @ _asked(a).T - np.einsum("ij,ij->i", up, origin)[:, None]
        good &= (heights < -LOW * a.step_mm).mean(axis=1) < SUNK
    return np.asarray(poses[good])


def _asked(view: Standing) -> npt.NDArray[np.float32]:
    points = view.points if view.scene is None else view.points[view.scene.unpropped(view.points)]
    return points[:: max(1, len(points) // ASKED)].astype(np.float32)
