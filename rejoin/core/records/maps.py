"""What one surface is away from another, as it is shown and told; no part of a project."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, Record
from rejoin.core.records.scans import Mesh


@dataclass(frozen=True, eq=False)
class SurfaceMap(Record):
    """A signed distance at every vertex of a surface, mm.

    Attributes
    ----------
    kind : str
        "clearance" (+ open, - overlapping) or "distortion" (+ outside the whole, - inside).
    mesh : Mesh
        Part frame; for a clearance it is the whole's own mesh.
    away_mm : (n,)
        NaN where nothing lies opposite.
    noise_mm : float
        Distances that noise, and for a clearance the places of the pieces, can account for (95 %).
    name : str
        Of what it was compared with.
    worst_at_mm : (3,), optional
        Where it is farthest off.
    sentence : str
    """

    kind: str
    mesh: Mesh
    away_mm: FloatArray
    noise_mm: float
    name: str
    worst_at_mm: FloatArray | None
    sentence: str
    _arrays = {"away_mm": np.float64, "worst_at_mm": np.float64}
