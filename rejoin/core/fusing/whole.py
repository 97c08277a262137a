"""From placed fragments to the whole: the order of work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.fusing.chips import broken_vertices
from rejoin.core.fusing.coarse import told_mm
from rejoin.core.fusing.crack import closed_crack, scene_of
from rejoin.core.fusing.crossings import crossing_pairs
from rejoin.core.fusing.ends import Sides, with_sewn_ends
from rejoin.core.fusing.filling import chips_filled, with_chips_marked
from rejoin.core.fusing.freeing import freed
from rejoin.core.fusing.groove import grooved, rims_of
from rejoin.core.fusing.pieces import Piece, pieces_of
from rejoin.core.fusing.reducing import reduced
from rejoin.core.fusing.ring import BoolArray
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.fusing.telling import Made, reported
from rejoin.core.records import FractureFace, Fragment, Joint, Mesh, Placement, Whole
from rejoin.core.settings import FuseSettings, Report, silent


def fuse_fragments(
    fragments: Sequence[Fragment],
    placements: Sequence[Placement],
    joints: Sequence[Joint],
    settings: FuseSettings | None = None,
    report: Report = silent,
    faces: Sequence[FractureFace] = (),
) -> Whole:
    """One whole from all placed fragments, in the part's frame (mm).

    Parameters
    ----------
    fragments, placements : sequences, parallel
        Fragments without a placement are left out.
    joints : sequence
        Their fracture faces tell chips from the part's own recesses.
    settings : FuseSettings, optional
    report : Report, optional
    faces : sequence, optional
        What a person chose of them as broken is broken, whether it is in contact or not.

    Returns
    -------
    Whole
        ``notes`` says what is open, left out or doubtful.

    Raises
    ------
    NoAnswer
        Where no fragment is placed.
    """
    settings = settings or FuseSettings()
    report(0.0, "Closing holes of the scans")
    notes: list[str] = []
    sides = with_sewn_ends(fragments, placements, joints, notes)
    fragments, placements, joints = sides.fragments, sides.placements, sides.joints
    pieces = pieces_of(fragments, placements, notes)
    if not pieces:
        raise NoAnswer("No fragment is placed, so there is nothing to fuse.", "Join the fragments first.")
    spacing = max(fragments[piece.index].spacing_mm for piece in pieces)
    noise = max(fragments[piece.index].noise_mm for piece in pieces)
    parts = [piece.mesh for piece in pieces]
    report(0.2, "Looking for the crack")
    faces = faces if sides.index is None else ()  # of fragments made one the triangles are others
    broken = _padded(broken_vertices(fragments, joints, faces, [piece.index for piece in pieces]), parts)
    scene, made = scene_of(parts, broken, spacing, noise, told_mm(parts, spacing, noise)), None
    report(0.3, "Closing the crack")
    if settings.chips != "leave":
        scene, marked = with_chips_marked(parts, scene, broken, spacing, noise, settings, notes)
        made, scene = chips_filled(pieces, scene, marked, spacing, notes, report)
    made = made or closed_crack(pieces, scene, spacing, notes, report)
    made, scene = freed(pieces, scene, made, spacing, report)
    report(0.8, "Checking the whole")
    whole = reported(made, pieces, scene, spacing, settings, notes)
    if sides.index is not None:
        whole = _with_strip(whole, made, pieces, sides)
    if settings.groove_mm > 0:
        whole = grooved(whole, rims_of(fragments, placements, joints), settings.groove_mm)
    if settings.reduce_mm > 0:
        report(0.9, "Reducing the triangles")
        whole = reduced(whole, settings.reduce_mm)
    report(1.0, "The whole is made")
    return whole


def _with_strip(whole: Whole, made: Made, pieces: list[Piece], sides: Sides) -> Whole:
    """The whole with the strip between sewn ends among what was made at the seam."""
    at, before = 0, 0
    for piece in pieces:
        if piece.index == sides.index:
            at = before
        before += len(piece.mesh.vertices)
    second = (made.origin >= at + sides.first) & (made.origin < at + sides.count)
    first = (made.origin >= at) & (made.origin < at + sides.first)
    triangles = whole.mesh.triangles
    strip = np.flatnonzero(any_corner(first, triangles) & any_corner(second, triangles))
    crossings = len(crossing_pairs(whole.mesh, *_beside(whole.mesh, strip)))
    seam = np.union1d(whole.seam_triangles, strip).astype(np.int32)
    return replace(whole, seam_triangles=seam, crossing_pairs=whole.crossing_pairs + crossings)


def _beside(mesh: Mesh, strip: np.ndarray) -> tuple[np.ndarray, BoolArray]:
    """The strip's triangles and those around them, and which of all (m,) are the strip's."""
    around, fresh = np.zeros(len(mesh.vertices), bool), np.zeros(len(mesh.triangles), bool)
    around[mesh.triangles[strip].ravel()] = True
    fresh[strip] = True
    return np.flatnonzero(any_corner(around, mesh.triangles)), fresh


def _padded(broken: list[BoolArray], parts: list[Mesh]) -> list[BoolArray]:
    """Vertices added in closing holes are no fracture."""
    return [np.append(b, np.zeros(len(p.vertices) - len(b), bool)) for b, p in zip(broken, parts, strict=True)]
