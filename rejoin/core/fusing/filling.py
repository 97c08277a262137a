"""Close the crack and fill the chips beside it: all of them, or those that can be filled."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.chips import Chips, chips_of, with_walls, without_chips_at
from rejoin.core.fusing.coarse import Coarse, of_joined
from rejoin.core.fusing.crack import band_of, scene_of, sewn_in
from rejoin.core.fusing.freeing import crossing_places
from rejoin.core.fusing.pieces import Piece
from rejoin.core.fusing.repeats import Repeats
from rejoin.core.fusing.ring import BoolArray, Marked, contacts
from rejoin.core.fusing.sewing import CannotSew
from rejoin.core.fusing.telling import Made, Scene
from rejoin.core.records import Mesh
from rejoin.core.settings import FuseSettings, Report

BESIDE = 4.0
"""Spacings within which two crossings are at the same spot."""
PASSES = 6
"""How often the crack's surroundings are cut out, wider each time, where a chip reaches their end."""


def with_chips_marked(
    parts: list[Mesh], scene: Scene, broken: list[BoolArray], spacing_mm: float, noise_mm: float,
    settings: FuseSettings, notes: list[str],
) -> tuple[Scene, Marked]:  # fmt: skip
    """What is given up over chips; the scene is cut out wider where a chip comes near to its end."""
    wanted, repeats = broken, Repeats(parts, broken, scene.marked.told_mm)
    for left_over in reversed(range(PASSES)):
        own = [b[crop.vertices] for b, crop in zip(broken, scene.cut, strict=True)]
        found = _looked_for(scene, own, spacing_mm, noise_mm, settings.largest_chip_mm, repeats)
        reaching = any(flags.any() for flags in found.beyond)
        if not reaching or not left_over:
            break
        wanted = [flags.copy() for flags in wanted]
        for flags, crop, more in zip(wanted, scene.cut, found.beyond, strict=True):
            flags[crop.vertices[more]] = True
        scene = scene_of(parts, wanted, spacing_mm, noise_mm, scene.marked.told_mm)
    if reaching:
        notes.append("A hollow at the break reaches too far from the crack to be filled; it is left as it is.")
    notes.extend(found.left)
    marked = with_walls(scene.near, scene.rims, replace(scene.marked, through=found.through), found.walls, spacing_mm)
    return scene, marked


def _looked_for(
    scene: Scene, broken: list[BoolArray], spacing_mm: float, noise_mm: float, largest_mm: float, repeats: Repeats
) -> Chips:
    """The chips in a scene; where its scans are finer than their noise allows, as coarse copies of them show."""
    told_mm, far = scene.marked.told_mm, scene.far.soup
    if told_mm <= spacing_mm:
        sides = scene.marked.sides
        return chips_of(scene.near, scene.rims, far, sides, broken, spacing_mm, largest_mm, repeats)
    copies = abreast(lambda mesh, _: Coarse.of(mesh, told_mm), scene.near)
    near, rims = [copy.mesh for copy in copies], [meshes.open_vertices(copy.mesh) for copy in copies]
    sides = contacts(near, rims, told_mm, noise_mm)
    own = [flags[copy.first] for flags, copy in zip(broken, copies, strict=True)]
    found = chips_of(near, rims, far, sides, own, told_mm, largest_mm, repeats)
    rings = round(told_mm / spacing_mm) - 1  # as far around as one ring of the copy is wide
    walls, beyond = (
        [copy.back(flags, mesh, rings) for copy, flags, mesh in zip(copies, some, scene.near, strict=True)]
        for some in (found.walls, found.beyond)
    )
    through = tuple(replace(chip, walls=of_joined(copies, chip.walls)) for chip in found.through)
    return Chips(walls, beyond, through, found.left)


def chips_filled(
    pieces: list[Piece], scene: Scene, marked: Marked, spacing_mm: float, notes: list[str], report: Report
) -> tuple[Made | None, Scene]:
    """Sewn over the chips, where there are any; else nothing made, and the scene as it was."""
    if not marked.walls.any():
        return None, scene
    unfilled: list[str] = []

    def tried(over: bool, told: Report) -> tuple[Made, Scene] | None:
        try:
            if over:
                return _sewn_over_most(pieces, replace(scene, marked=marked), spacing_mm, unfilled, told)
            return sewn_in(pieces, scene, band_of(scene, spacing_mm)[0], spacing_mm, told), scene
        except CannotSew:
            return None

    over, plain = abreast(tried, (True, False), report)
    if over is None:
        notes.append("The chips at the break could not be filled; they are left as they are.")
        return plain or (None, scene)
    notes.extend(unfilled)
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
    """Sewn once more a little wider and without the chips whose filling runs through itself, where that helps.

    What crosses where no chip is filled either is not the filling's.
    """
    made = over[0]
    spots, others = crossing_places(made), np.zeros((0, 3)) if plain is None else crossing_places(plain)
    spots = spots[np.isinf(cKDTree(others).query(spots, distance_upper_bound=BESIDE * spacing_mm)[0])]
    if not len(spots):
        return over
    fewer = without_chips_at(spots, scene.near, scene.rims, scene.marked, over[1].marked, spacing_mm)
    deeper = replace(scene, marked=fewer)
    try:
        other = sewn_in(pieces, deeper, band_of(deeper, spacing_mm)[0], spacing_mm, report), deeper
    except CannotSew:
        return over
    if other[0].crossings >= made.crossings:
        return over
    if (over[1].marked.walls & ~fewer.walls).any():  # else it was sewn a little wider, which freed what crossed
        notes.append("A chip whose filling would have run through itself was left as it is.")
    return other


def _sewn_over_most(
    pieces: list[Piece], scene: Scene, spacing_mm: float, notes: list[str], report: Report
) -> tuple[Made, Scene]:
    """Sewn over the chips, but for those where that does not succeed."""
    while True:
        try:
            return _sewn_deeper(pieces, scene, spacing_mm, report)
        except CannotSew as reason:
            marked = scene.marked
            fewer = without_chips_at(reason.places, scene.near, scene.rims, marked, marked, spacing_mm)
            if not fewer.walls.any() or fewer.walls.sum() == marked.walls.sum():
                raise
            scene = replace(scene, marked=fewer)
            notes[:] = ["Chips at the break that could not be filled were left as they are."]


def _sewn_deeper(pieces: list[Piece], scene: Scene, spacing_mm: float, report: Report) -> tuple[Made, Scene]:
    """Sewn over the chips; once more where their surroundings show that a wall goes on."""
    band, left = band_of(scene, spacing_mm)
    if not left.any():
        return sewn_in(pieces, scene, band, spacing_mm, report), scene
    own = np.split(left, np.cumsum([len(mesh.vertices) for mesh in scene.near])[:-1])
    marked = with_walls(scene.near, scene.rims, scene.marked, own, spacing_mm)
    deeper = replace(scene, marked=replace(marked, walls=marked.walls | scene.marked.walls))
    try:
        return sewn_in(pieces, deeper, band_of(deeper, spacing_mm)[0], spacing_mm, report), deeper
    except CannotSew:
        return sewn_in(pieces, scene, band, spacing_mm, report), scene
