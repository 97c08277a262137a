"""From placed fragments to the whole: the order of work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing.bodies import bodies, outer, outer_band
from rejoin.core.fusing.chips import broken_vertices, with_chips, with_walls, without_chips_at
from rejoin.core.fusing.cropping import assembled, beyond_crops, crops, meets_rims
from rejoin.core.fusing.crossings import crossing_pairs
from rejoin.core.fusing.ends import Sides, with_sewn_ends
from rejoin.core.fusing.groove import grooved, rims_of
from rejoin.core.fusing.pieces import Piece, pieces_of
from rejoin.core.fusing.recutting import recut
from rejoin.core.fusing.reducing import reduced
from rejoin.core.fusing.repeats import Repeats
from rejoin.core.fusing.ring import BoolArray, Marked, contacts
from rejoin.core.fusing.sewing import CannotSew, Sewn, crack_field, joined, sewn
from rejoin.core.fusing.soundness import any_corner, shells_of
from rejoin.core.fusing.telling import Made, Scene, reported
from rejoin.core.fusing.uniting import united
from rejoin.core.fusing.untangling import seam_crossings, untangled
from rejoin.core.records import FloatArray, FractureFace, Fragment, Joint, Mesh, Placement, Whole
from rejoin.core.settings import FuseSettings, Report, silent

BESIDE = 4.0
"""Spacings within which two crossings are at the same spot."""


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
    scene, made = _scene(parts, broken, spacing, noise), None
    report(0.3, "Closing the crack")
    if settings.chips != "leave":
        scene, marked = _with_chips(parts, scene, broken, spacing, noise, settings, notes)
        made, scene = _chips_filled(pieces, scene, marked, spacing, notes, report)
    made = made or _closed_crack(pieces, scene, spacing, notes, report)
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


def _scene(parts: list[Mesh], broken: list[BoolArray], spacing_mm: float, noise_mm: float) -> Scene:
    cut = crops(parts, broken, spacing_mm)
    far = beyond_crops(parts, cut, spacing_mm)
    near, rims = [crop.mesh for crop in cut], [crop.rim for crop in cut]
    sides = contacts(near, rims, spacing_mm, noise_mm)
    return Scene(cut, far, Marked(sides, np.zeros(sum(len(mesh.vertices) for mesh in near), bool)))


def _padded(broken: list[BoolArray], parts: list[Mesh]) -> list[BoolArray]:
    """Vertices added in closing holes are no fracture."""
    return [np.append(b, np.zeros(len(p.vertices) - len(b), bool)) for b, p in zip(broken, parts, strict=True)]


def _closed_crack(pieces: list[Piece], scene: Scene, spacing_mm: float, notes: list[str], report: Report) -> Made:
    """Sewn where the borders pair up, else united with a plug, else united, else side by side."""
    parts = [piece.mesh for piece in pieces]
    if len(parts) > 1 and any(side.removed.any() for side in scene.marked.sides):
        try:
            return _sewn(pieces, scene, _band(scene, spacing_mm)[0], spacing_mm, report)
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


def _with_chips(
    parts: list[Mesh], scene: Scene, broken: list[BoolArray], spacing_mm: float, noise_mm: float,
    settings: FuseSettings, notes: list[str],
) -> tuple[Scene, Marked]:  # fmt: skip
    """What is given up over chips; the scene is cut out wider where a chip comes near to its end."""
    wanted, repeats = broken, Repeats(parts, broken, spacing_mm)
    for last in (False, True):
        own = [b[crop.vertices] for b, crop in zip(broken, scene.cut, strict=True)]
        marked, beyond, left = with_chips(
            scene.near, scene.rims, scene.far.soup, scene.marked.sides, own, spacing_mm,
            settings.largest_chip_mm, repeats,
        )  # fmt: skip
        reaching = any(flags.any() for flags in beyond)
        if last and reaching:
            notes.append("A hollow at the break reaches too far from the crack to be filled; it is left as it is.")
        if last or not reaching:
            break
        wanted = [flags.copy() for flags in wanted]
        for flags, crop, more in zip(wanted, scene.cut, beyond, strict=True):
            flags[crop.vertices[more]] = True
        scene = _scene(parts, wanted, spacing_mm, noise_mm)
    notes.extend(left)
    return scene, marked


def _chips_filled(
    pieces: list[Piece], scene: Scene, marked: Marked, spacing_mm: float, notes: list[str], report: Report
) -> tuple[Made | None, Scene]:
    """Sewn over the chips, where there are any; else nothing made, and the scene as it was."""
    if not marked.walls.any():
        return None, scene

    def tried(over: bool, told: Report) -> tuple[Made, Scene] | None:
        try:
            if over:
                return _sewn_deeper(pieces, replace(scene, marked=marked), spacing_mm, told)
            return _sewn(pieces, scene, _band(scene, spacing_mm)[0], spacing_mm, told), scene
        except CannotSew:
            return None

    over, plain = abreast(tried, (True, False), report)
    if over is None:
        notes.append("The chips at the break could not be filled; they are left as they are.")
        return plain or (None, scene)
    made, filled = _without_crossing_fills(pieces, scene, over, plain and plain[0], spacing_mm, notes, report)
    closed = 0 if plain is None else _genus(plain[0]) - _genus(made)
    walls = filled.marked.walls
    through = sum(bool(walls[chip.walls].any()) for chip in filled.marked.through)
    if plain is None or 0 <= closed <= through:
        return made, filled
    notes.append("Hollows at the break were left as they are: filling them would have closed an opening of the part.")
    return plain


def _genus(made: Made) -> int:
    return meshes.euler_genus(made.mesh, made.shells)


def _without_crossing_fills(
    pieces: list[Piece], scene: Scene, over: tuple[Made, Scene], plain: Made | None, spacing_mm: float,
    notes: list[str], report: Report,
) -> tuple[Made, Scene]:  # fmt: skip
    """Sewn once more without the chips whose filling runs through itself, where that helps.

    What crosses where no chip is filled either is not the filling's.
    """
    made = over[0]
    spots, others = _crossing_places(made), np.zeros((0, 3)) if plain is None else _crossing_places(plain)
    spots = spots[np.isinf(cKDTree(others).query(spots, distance_upper_bound=BESIDE * spacing_mm)[0])]
    if not len(spots):
        return over
    fewer = without_chips_at(spots, scene.near, scene.rims, scene.marked.sides, over[1].marked, spacing_mm)
    deeper = replace(scene, marked=fewer)
    try:
        other = _sewn(pieces, deeper, _band(deeper, spacing_mm)[0], spacing_mm, report), deeper
    except CannotSew:
        return over
    if other[0].crossings >= made.crossings:
        return over
    notes.append("A chip whose filling would have run through itself was left as it is.")
    return other


def _crossing_places(made: Made) -> FloatArray:
    """Corners (k, 3) of the triangles at the seam that run through each other, mm."""
    if not made.crossings or made.band is None:
        return np.zeros((0, 3))
    mesh = made.band.mesh
    return np.asarray(mesh.vertices[mesh.triangles[seam_crossings(mesh, made.band.origin < 0)]].reshape(-1, 3))


def _sewn_deeper(pieces: list[Piece], scene: Scene, spacing_mm: float, report: Report) -> tuple[Made, Scene]:
    """Sewn over the chips; once more where their surroundings show that a wall goes on."""
    band, left = _band(scene, spacing_mm)
    if not left.any():
        return _sewn(pieces, scene, band, spacing_mm, report), scene
    own = np.split(left, np.cumsum([len(mesh.vertices) for mesh in scene.near])[:-1])
    marked = with_walls(scene.near, scene.rims, scene.marked.sides, own, spacing_mm)
    walls = marked.walls | scene.marked.walls
    deeper = replace(scene, marked=replace(marked, walls=walls, through=scene.marked.through))
    try:
        return _sewn(pieces, deeper, _band(deeper, spacing_mm)[0], spacing_mm, report), deeper
    except CannotSew:
        return _sewn(pieces, scene, band, spacing_mm, report), scene


def _band(scene: Scene, spacing_mm: float) -> tuple[Sewn, BoolArray]:
    """What is sewn in place of the crops, and the vertices that are walls of chips as well."""
    return sewn(*_basis(scene, spacing_mm))


def _sewn(pieces: list[Piece], scene: Scene, band: Sewn, spacing_mm: float, report: Report) -> Made:
    """The whole with what was sewn in place of the crops."""
    report(0.6, "Looking for triangles that run through each other")
    band, crossings = recut(band, np.concatenate(scene.rims), spacing_mm)
    if len(crossings):
        mesh, left_over = untangled(band.mesh, band.origin < 0, spacing_mm)
        if not len(left_over):  # drawing much together to free little would bend the surface
            band, crossings = Sewn(mesh, band.origin), left_over
    band, number = outer_band(band, scene.cut, max(piece.volume_mm3 for piece in pieces))
    if not meets_rims(scene.cut, band):
        raise CannotSew("an edge has more or fewer than two triangles")
    result = assembled([piece.mesh for piece in pieces], scene.cut, band)
    shells = bodies(pieces, scene.cut, number, band)
    return Made(result.mesh, result.origin, band, len(crossings), shells)


def _made(result: Sewn) -> Made:
    crossings = len(seam_crossings(result.mesh, result.origin < 0))
    return Made(result.mesh, result.origin, None, crossings, shells_of(result.mesh)[0])
