"""The placed fragments as closed, outward bodies: what fusing starts from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.holes import Closed, Patch, closed
from rejoin.core.fusing.soundness import outer_triangles
from rejoin.core.records import FloatArray, Fragment, Mesh, Placement
from rejoin.core.transforms import apply


@dataclass(frozen=True, eq=False)
class Piece:
    """A placed fragment with its holes closed; ``index`` is its place among the fragments, ``shells`` its bodies."""

    index: int
    mesh: Mesh
    holes: tuple[Patch, ...]
    volume_mm3: float
    shells: int = 1


def pieces_of(fragments: Sequence[Fragment], placements: Sequence[Placement], notes: list[str]) -> list[Piece]:
    """The placed fragments, outward and with every hole closed for the time being; ``notes`` gets what was changed."""
    placed = [
        (index, fragment, placement.part_from_scan)
        for index, (fragment, placement) in enumerate(zip(fragments, placements, strict=True))
        if placement.part_from_scan is not None
    ]
    pieces: list[Piece] = []
    for (_, fragment, _), (piece, said) in zip(placed, abreast(lambda one, _: _piece(*one), placed), strict=True):
        notes.extend(said)
        if piece is None:
            continue
        if any(_same_place(piece.mesh, other.mesh, fragment.spacing_mm) for other in pieces):
            notes.append(f"{fragment.scan.name} lies where another fragment lies already and was left out.")
            continue
        pieces.append(piece)
    return pieces


def _piece(index: int, fragment: Fragment, part_from_scan: FloatArray) -> tuple[Piece | None, list[str]]:
    """One fragment as a piece, None where it holds no surface, and what there is to say of it."""
    notes = []
    placed = Mesh(apply(part_from_scan, fragment.mesh.vertices), fragment.mesh.triangles)
    if len(placed.triangles) == 0:
        return None, [f"{fragment.scan.name} holds no surface and was left out."]
    if fragment.scan.from_points:
        notes.append(
            f"{fragment.scan.name} came as bare points: its triangles were made by the program, not by the scanner."
        )
    at_border = meshes.open_vertices(placed)
    shut = closed(placed, fragment.spacing_mm, at_border) if at_border.any() else Closed(placed, ())
    mesh = shut.mesh
    volume = meshes.volume(mesh)
    if volume < 0:
        mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.triangles[:, ::-1]))
        notes.append(f"{fragment.scan.name} was inside out and was turned.")
    keep, shells, inner = outer_triangles(mesh)
    if inner:
        mesh = Mesh(mesh.vertices, mesh.triangles[keep])
        volume = meshes.volume(mesh)
        notes.append(f"{fragment.scan.name} holds {inner} shells inside it or far smaller; they were left out.")
    return Piece(index, mesh, shut.patches, abs(volume), shells), notes


def _same_place(mesh: Mesh, other: Mesh, spacing_mm: float) -> bool:
    """Whether nearly all of a mesh runs along another (a thousand of its vertices are asked)."""
    asked, reach = mesh.vertices[:: max(1, len(mesh.vertices) // 1000)], 2.0 * spacing_mm
    low, high = other.vertices.min(axis=0) - reach, other.vertices.max(axis=0) + reach
    if ((asked >= low) & (asked <= high)).all(axis=1).mean() <= 0.9:
        return False
    near = cKDTree(other.vertices).query(asked, distance_upper_bound=reach)[0]
    return bool(np.isfinite(near).mean() > 0.9)
