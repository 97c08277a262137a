"""Close the crack between placed pieces: sewn along its edge, else united with a plug, else as they lie."""

from __future__ import annotations

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.fusing.bodies import bodies, outer, outer_band
from rejoin.core.fusing.cropping import assembled, beyond_crops, crops, meets_rims
from rejoin.core.fusing.pieces import Piece
from rejoin.core.fusing.recutting import recut
from rejoin.core.fusing.ring import BoolArray, Marked, contacts
from rejoin.core.fusing.sewing import CannotSew, Sewn, crack_field, joined, sewn
from rejoin.core.fusing.soundness import shells_of
from rejoin.core.fusing.telling import Made, Scene
from rejoin.core.fusing.uniting import united
from rejoin.core.fusing.untangling import seam_crossings, untangled
from rejoin.core.records import Mesh
from rejoin.core.settings import Report

FREED = 1.0
"""Spacings by which a vertex may be moved to free triangles that run through each other."""


def scene_of(
    parts: list[Mesh], broken: list[BoolArray], spacing_mm: float, noise_mm: float, told_mm: float
) -> Scene:
    """What lies near the crack, cut out of the placed parts, and where it is in contact."""
    cut = crops(parts, broken, told_mm)
    far = beyond_crops(parts, cut, spacing_mm)
    near, rims = [crop.mesh for crop in cut], [crop.rim for crop in cut]
    sides = contacts(near, rims, spacing_mm, noise_mm)
    none = np.zeros(sum(len(mesh.vertices) for mesh in near), bool)
    own = [flags[crop.vertices] for flags, crop in zip(broken, cut, strict=True)]
    return Scene(cut, far, own, Marked(sides, none, told_mm))


def closed_crack(pieces: list[Piece], scene: Scene, spacing_mm: float, notes: list[str], report: Report) -> Made:
    """Sewn where the borders pair up, else united with a plug, else united, else side by side."""
    parts = [piece.mesh for piece in pieces]
    if len(parts) > 1 and any(side.removed.any() for side in scene.marked.sides):
        try:
            return sewn_in(pieces, scene, band_of(scene, spacing_mm)[0], spacing_mm, report)
        except CannotSew:
            pass
        try:
            result = outer(united(parts, crack_field(*_basis(scene, spacing_mm))))
            notes.append("The crack could not be healed along its edge; the fragments were united as they lie.")
            return _made(result)
        except NoAnswer:
            pass
    if len(parts) == 1:
        return _made(outer(Sewn(parts[0], np.arange(len(parts[0].vertices)))))
    try:
        return _made(outer(united(parts, None)))
    except NoAnswer:
        notes.append("The fragments could not be united; they stand side by side in the whole.")
        mesh = joined(parts)
        return _made(Sewn(mesh, np.arange(len(mesh.vertices))))


def _basis(scene: Scene, spacing_mm: float) -> tuple[list[Mesh], list[BoolArray], Mesh, Marked, float]:
    return scene.near, scene.rims, scene.far.soup, scene.marked, spacing_mm


def band_of(scene: Scene, spacing_mm: float) -> tuple[Sewn, BoolArray]:
    """What is sewn in place of the crops, and the vertices that are walls of chips as well."""
    return sewn(*_basis(scene, spacing_mm))


def sewn_in(pieces: list[Piece], scene: Scene, band: Sewn, spacing_mm: float, report: Report) -> Made:
    """The whole with what was sewn in place of the crops."""
    report(0.6, "Looking for triangles that run through each other")
    band, crossings = recut(band, np.concatenate(scene.rims), spacing_mm)
    if len(crossings):
        mesh, left_over = untangled(band.mesh, band.origin < 0, spacing_mm)
        moved_mm = np.linalg.norm(mesh.vertices - band.mesh.vertices, axis=1).max()
        if not len(left_over) and moved_mm <= FREED * spacing_mm:  # else the surface would be bent to free little
            band, crossings = Sewn(mesh, band.origin), left_over
    band, number = outer_band(band, scene.cut, max(piece.volume_mm3 for piece in pieces))
    if not meets_rims(scene.cut, band):
        raise CannotSew("an edge has more or fewer than two triangles")
    if len(crossings):  # some of them may have been on a body that is not an outer one
        crossings = seam_crossings(band.mesh, band.origin < 0)
    result = assembled([piece.mesh for piece in pieces], scene.cut, band)
    shells = bodies(pieces, scene.cut, number, band)
    return Made(result.mesh, result.origin, band, len(crossings), shells)


def _made(result: Sewn) -> Made:
    crossings = len(seam_crossings(result.mesh, result.origin < 0))
    return Made(result.mesh, result.origin, None, crossings, shells_of(result.mesh)[0])
