"""The printer: its test bar, how a body lies on its bed, and how one that is too large is parted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.libraries.bodies import Body, box, frame_on, united
from rejoin.core.making.draft import Parting
from rejoin.core.making.parting import parted, plane_frame
from rejoin.core.meshes import triangle_centres, triangle_crosses
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import identity, rigid

STEEP = float(np.cos(np.radians(45.0)))
"""Faces that look down more steeply than 45 degrees want support (common practice, no source)."""
MOST_PIECES = 64


def bed_of(text: str) -> FloatArray:
    """Size of a bed, mm.

    Raises
    ------
    WrongUse
        Not three lengths above nothing.
    """
    try:
        size = np.array([float(one) for one in text.replace(";", ",").split(",")])
    except ValueError:
        size = np.empty(0)
    if len(size) != 3 or not np.isfinite(size).all() or (size <= 0).any():
        raise WrongUse(f"The bed {text!r} is not three lengths.", "Give x,y,z in mm, such as 220,220,250.")
    return size


def bar_factors(text: str, length_mm: float) -> tuple[float, float, float]:
    """Factors along x, y, z from the measured arms of a printed test bar.

    Raises
    ------
    WrongUse
        Not three lengths, or lengths that no print of this bar has.
    """
    try:
        lengths = [float(one) for one in text.replace(";", ",").split(",")]
    except ValueError:
        lengths = []
    if len(lengths) != 3:
        raise WrongUse(f"The measured bar {text!r} is not three lengths.", "Give x,y,z in mm, such as 99.7,99.8,99.9.")
    if not all(0.9 * length_mm < one < 1.1 * length_mm for one in lengths):
        raise WrongUse(f"A bar of {length_mm:g} mm does not come out as {text} mm.", "Look at its nominal length.")
    return tuple(length_mm / one for one in lengths)  # type: ignore[return-value]


def printer_bar(length_mm: float) -> Mesh:
    """Three arms at right angles, each ``length_mm`` long over all, a tenth of that thick."""
    thick = max(4.0, 0.1 * length_mm)
    ends = np.full((3, 3), thick) + (length_mm - thick) * np.eye(3)
    return united([box(np.zeros(3), end) for end in ends]).mesh()


@dataclass(frozen=True, eq=False)
class Lying:
    """How a body lies on the bed: ``bed_from_part`` (4, 4), and the area that wants support, mm2."""

    bed_from_part: FloatArray
    support_mm2: float


def lying(mesh: Mesh, bed_mm: FloatArray | None) -> Lying | None:
    """The way to lie that wants least support, among those that fit; None where none fits.

    Tried are the six ways along the axes and the large flats of the convex hull. Counted is the area that looks down
    by more than 45 degrees, its base left out; among equals the lower way is taken.
    """
    crosses = triangle_crosses(mesh)
    areas = 0.5 * np.linalg.norm(crosses, axis=1)
    normals = crosses / np.where(areas > 0, 2.0 * areas, 1.0)[:, None]
    middles = triangle_centres(mesh)
    try:
        corners = mesh.vertices[ConvexHull(mesh.vertices).vertices]
    except QhullError:
        corners = mesh.vertices
    best: tuple[tuple[float, float], Lying] | None = None
    for down in _ways(normals, areas):
        turn = frame_on(-down).T
        spin = _fitting_spin(corners @ turn.T, bed_mm)
        if spin is None:
            continue
        turn = spin @ turn
        stood = corners @ turn.T
        low, high = stood.min(axis=0), stood.max(axis=0)
        facing, height = normals @ turn[2], middles @ turn[2] - low[2]
        hangs = (facing < -STEEP) & (height > 1e-3 * (high[2] - low[2]))
        support = float(areas[hangs] @ -facing[hangs])
        key = (round(support / areas.sum(), 3), float(high[2] - low[2]))
        if best is None or key < best[0]:
            best = key, Lying(rigid(turn, -np.array([low[0], low[1], low[2]])), support)
    return None if best is None else best[1]


def _ways(normals: FloatArray, areas: FloatArray) -> list[FloatArray]:
    """Directions that may look down: along the axes, and those in which most area looks."""
    ways = [sign * axis for axis in np.eye(3)[::-1] for sign in (-1.0, 1.0)]
    keys = np.round(normals * 20).astype(np.int64)
    kinds, which = np.unique(keys, axis=0, return_inverse=True)
    total = np.bincount(which.reshape(-1), areas, len(kinds))
    for kind in np.argsort(-total, kind="stable")[:12]:
        mean = (normals[which.reshape(-1) == kind] * areas[which.reshape(-1) == kind, None]).sum(axis=0)
        ways.append(mean / max(float(np.linalg.norm(mean)), 1e-300))
    return ways


def _fitting_spin(stood: FloatArray, bed_mm: FloatArray | None) -> FloatArray | None:
    """The first turn about z (3, 3), in steps of 15 degrees, with which the corners fit the bed."""
    if bed_mm is None:
        return np.eye(3)
    for degrees in range(0, 180, 15):
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        spin = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        if (np.ptp(stood @ spin.T, axis=0) <= bed_mm * (1 + 1e-9)).all():
            return spin
    return None


def pieces_for(
    body: Body, bed_mm: FloatArray, dowel_mm: float | None, clearance_mm: float
) -> tuple[list[tuple[Body, FloatArray, Lying]], int, int]:
    """The body in as few pieces as fit the bed, halved across its longest side, dowel holes in every cut with room.

    Returns
    -------
    pieces : list of (piece, piece_from_part, lying)
    cuts, bare : int
        How many cuts were made, and how many of them had no room for dowels.

    Raises
    ------
    NoAnswer
        A bed that would take more than 64 pieces.
    """
    waiting: list[tuple[Body, FloatArray]] = [(body, identity())]
    done: list[tuple[Body, FloatArray, Lying]] = []
    cuts = bare = 0
    low, high = body.bounds
    if np.prod((high - low) / bed_mm.max()) > MOST_PIECES or bed_mm.min() < 1e-3 * float((high - low).max()):
        raise _too_small(bed_mm)
    while waiting:
        piece, piece_from_part = waiting.pop(0)
        way = lying(piece.mesh(), bed_mm)
        if way is not None:
            done.append((piece, piece_from_part, way))
            continue
        if len(waiting) + len(done) >= MOST_PIECES:
            raise _too_small(bed_mm)
        low, high = piece.bounds
        normal = np.eye(3)[int(np.argmax(high - low))]
        parting = Parting(0.5 * (low + high), normal)
        above, below, _, dowel = parted(piece, parting, dowel_mm, clearance_mm)
        cuts, bare = cuts + 1, bare + (dowel is None)
        moved = plane_frame(parting) @ piece_from_part
        waiting += [(part, moved) for half in (below, above) for part in half.pieces()]
    return done, cuts, bare


def _too_small(bed_mm: FloatArray) -> NoAnswer:
    size = " x ".join(f"{one:g}" for one in bed_mm)
    return NoAnswer(f"A bed of {size} mm would take more than {MOST_PIECES} pieces.", "Give the size of the real bed.")
