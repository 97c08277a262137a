"""A scan as read, what was found on it, and the fragment that cleaning makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, IntArray, Record


@dataclass(frozen=True, eq=False)
class Mesh(Record):
    """A triangle mesh: ``vertices`` (n, 3) in mm, ``triangles`` (m, 3), outward counter-clockwise."""

    vertices: FloatArray
    triangles: IntArray
    _arrays = {"vertices": np.float64, "triangles": np.int32}


@dataclass(frozen=True, eq=False)
class Repair(Record):
    """One thing that cleaning changed, or found and left, with how often."""

    kind: str
    count: int
    sentence: str


GLUE, GLUE_LEFT = "glue", "glue left"
"""Kinds of `Repair` of a side of a glued part: what the glue had done, and what of it could not be taken out."""


@dataclass(frozen=True, eq=False)
class ScanView(Record):
    """One of several scans that a fragment's scan was made of.

    ``scan_from_view`` (4, 4) places it; ``support_mm2`` and ``foreign_mm2`` were cut away (the plate it lay on; what
    another view saw through); ``misfit_mm`` is 1 sigma of the distance to the other views, at its worst overlap.
    """

    name: str
    scan_from_view: FloatArray
    points: int
    support_mm2: float
    foreign_mm2: float
    misfit_mm: float
    _arrays = {"scan_from_view": np.float64}


@dataclass(frozen=True, eq=False)
class SamePlaces:
    """The same places, pointed out on two scans of one fragment: number ``a`` and ``b`` in their list.

    ``on_a`` and ``on_b`` (k, 3) are in each one's own frame, mm, in the same order.
    """

    a: int
    b: int
    on_a: FloatArray
    on_b: FloatArray


@dataclass(frozen=True, eq=False)
class Scan(Record):
    """A scan as read, never edited; ``mesh`` is in mm, in the scan's own frame.

    ``unit`` is the file's unit; ``unit_stated`` tells whether the file or the
    person said so (else mm was taken). ``from_points`` marks a surface that
    was made from bare points.

    A scan made of several has its ``views``, and ``views_u95_mm`` bounds how far any two of them may be out of place
    (95 %). ``role`` is "fragment", "reference" (a whole part of the same pattern) or "mating" (what the part fits
    to); a ``mirrored`` reference is of the opposite hand.
    """

    name: str
    files: tuple[str, ...]
    mesh: Mesh
    unit: str
    unit_stated: bool
    from_points: bool
    sha256: tuple[str, ...]
    read_notes: tuple[Repair, ...] = ()
    views: tuple[ScanView, ...] = ()
    views_u95_mm: float = 0.0
    role: str = "fragment"
    mirrored: bool = False


@dataclass(frozen=True, eq=False)
class Hole(Record):
    """A closed border loop of a scan: ``loop`` (k,) vertex indices along the border."""

    loop: IntArray
    across_mm: float
    centre_mm: FloatArray
    _arrays = {"loop": np.int32, "centre_mm": np.float64}


@dataclass(frozen=True, eq=False)
class ScanFault(Record):
    """Something that makes a scan less good than it could be, in the scan's frame.

    ``kind`` is "covered", "hole", "double wall", "coarse", "drowned", "smoothed", "warp" or "weakly held"; ``place_mm``
    (3,) is None where it has no place; ``size_mm`` is how large it is.
    """

    kind: str
    sentence: str
    place_mm: FloatArray | None
    size_mm: float
    _arrays = {"place_mm": np.float64}


@dataclass(frozen=True, eq=False)
class Fragment(Record):
    """A cleaned scan, in the scan's own frame.

    ``spacing_mm`` is the median edge length, ``noise_mm`` the scan's own
    noise (1 sigma, along the normal). ``mesh`` is the scan's mesh itself
    where nothing had to be repaired. ``faults`` is what the scan was found to
    lack, None where nobody has looked.
    """

    scan: Scan
    mesh: Mesh
    spacing_mm: float
    noise_mm: float
    holes: tuple[Hole, ...]
    specks: int
    closed: bool
    repairs: tuple[Repair, ...]
    faults: tuple[ScanFault, ...] | None = None
