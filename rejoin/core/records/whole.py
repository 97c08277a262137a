"""The fused whole, and what in it no scan measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, IntArray, Record
from rejoin.core.records.scans import Mesh


@dataclass(frozen=True, eq=False)
class Fill(Record):
    """Material that no scan measured: a closed scan hole or a healed chip."""

    kind: str
    across_mm: float
    volume_mm3: float
    centre_mm: FloatArray
    _arrays = {"centre_mm": np.float64}


@dataclass(frozen=True, eq=False)
class ByNumber(Record):
    """A feature of the whole that a person put in by number: no scan measured it.

    ``kind`` is "bore", "boss" or "plane"; ``size_mm`` a diameter, or how far a plane was moved out of the material.
    """

    kind: str
    size_mm: float
    point_mm: FloatArray
    direction: FloatArray
    sentence: str
    _arrays = {"point_mm": np.float64, "direction": np.float64}


@dataclass(frozen=True, eq=False)
class Whole(Record):
    """The fused mesh, in the part's frame.

    Attributes
    ----------
    seam_triangles, filled_triangles : (k,)
        Made at the crack; closing what no scan measured. Both index ``mesh.triangles``.
    fills : tuple of Fill
        Of kind "scan hole" or "chip".
    crossing_pairs, scan_crossing_pairs : int
        Triangle pairs that run through each other: with one made at the crack; with none.
    original_moved_mm : float
        How far vertices of the scans stand from where the placement put them.
    size_mm : (3,), optional
        Along the axes of the frame.
    thinnest_mm : float, optional
        Thinnest wall at the seam, straight through the material.
    farthest_in_band_mm, farthest_outside_mm : float, optional
        Largest distance to the scans: of what is new at the crack (fills left out), and of the rest.
    open_holes : tuple of Fill
        Scan holes left open; their volume is what a smooth closing would have added.
    reduced_mm : float, optional
        Largest distance between the scans' own triangles and the reduced ones; None where nothing was reduced.
    by_number : tuple of ByNumber
        Features that a person put in by number; ``number_triangles`` (k,) are theirs.
    """

    mesh: Mesh
    volume_mm3: float
    area_mm2: float
    closed: bool
    shells: int
    genus: int
    seam_triangles: IntArray
    filled_triangles: IntArray
    filled_mm3: float
    fills: tuple[Fill, ...]
    crossing_pairs: int
    original_moved_mm: float
    notes: tuple[str, ...]
    size_mm: FloatArray | None = None
    thinnest_mm: float | None = None
    farthest_in_band_mm: float | None = None
    farthest_outside_mm: float | None = None
    open_holes: tuple[Fill, ...] = ()
    scan_crossing_pairs: int = 0
    reduced_mm: float | None = None
    by_number: tuple[ByNumber, ...] = ()
    number_triangles: IntArray | None = None
    _arrays = {
        "seam_triangles": np.int32,
        "filled_triangles": np.int32,
        "size_mm": np.float64,
        "number_triangles": np.int32,
    }
