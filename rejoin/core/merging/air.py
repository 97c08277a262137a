"""The air that a view saw: places over the plate that a scanner sees from every height, where the view shows nothing.

A surface of another view that faces up there would have been seen. Looked up in a lattice, it speaks against a rough
pose as a clash does; `sight` asks again, exactly, of the few that remain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.libraries.walls import Rays
from rejoin.core.merging.tables import AROUND, HEIGHTS, Scene, side_by_side
from rejoin.core.records import FloatArray

BoolArray = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float32]

CELL = 2.5
"""Steps of a cell."""
ROUND = 3
"""Cells of air round the piece: beyond them all is like the last."""
UP = 0.4
"""Cosine between a surface and the direction up above which it is seen from every height."""


@dataclass(frozen=True, eq=False)
class Air:
    """A lattice of cells of ``cell_mm`` from ``low``, which are open to the scanner, and the direction up (3,)."""

    low: Floats
    cell_mm: float
    open: BoolArray
    up: Floats

    def shows(self, places: Floats, normals: Floats) -> BoolArray:
        """Which surfaces, by places and normals (n, 3), would be seen in the air."""
        return np.asarray(self.holds(places) & self.faces(normals.T))

    def faces(self, normals: Sequence[Floats] | Floats) -> BoolArray:
        """Which surfaces face up enough to be seen from every height; their normals are three arrays, by axis."""
        return np.asarray(self.up[0] * normals[0] + self.up[1] * normals[1] + self.up[2] * normals[2] > UP)

    def holds(self, places: Floats) -> BoolArray:
        """Which places (n, 3) are open to the scanner."""
        at = ((places - self.low) * np.float32(1.0 / self.cell_mm)).astype(np.int32)
        at = np.clip(at, 0, np.array(self.open.shape, np.int32) - 1)
        spans = self.open.shape
        return np.asarray(self.open.ravel()[(at[:, 0] * spans[1] + at[:, 1]) * spans[2] + at[:, 2]])


def air_of(scene: Scene, points: FloatArray, step_mm: float) -> Air:
    """The air round the points (n, 3) of a view."""
    cell = CELL * step_mm
    low = points.min(axis=0) - ROUND * cell
    spans = np.ceil((points.max(axis=0) - low) / cell).astype(np.int64) + ROUND
    middles = low + cell * (np.stack(np.meshgrid(*map(np.arange, spans), indexing="ij"), axis=-1).reshape(-1, 3) + 0.5)
    open_, rays, ways = scene.heights(middles) > cell, Rays(scene.mesh), scene.ways
    # The lowest lines of sight are the first to be shut: what they leave is asked of the next.
    for ring in ways.reshape(len(HEIGHTS), AROUND, 3):
        left = np.flatnonzero(open_)
        free = rays.free(np.repeat(middles[left], AROUND, axis=0), np.tile(ring, (len(left), 1))).reshape(-1, AROUND)
        open_[left] = side_by_side(free).any(axis=1)
    return Air(low.astype(np.float32), cell, open_.reshape(spans), scene.up.astype(np.float32))
