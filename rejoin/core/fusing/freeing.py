"""What still runs through itself at the seam is cut back a little farther there, and sewn again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.crack import band_of, sewn_in
from rejoin.core.fusing.pieces import Piece
from rejoin.core.fusing.ring import given_up
from rejoin.core.fusing.sewing import CannotSew
from rejoin.core.fusing.telling import Made, Scene
from rejoin.core.fusing.untangling import seam_crossings
from rejoin.core.records import FloatArray
from rejoin.core.settings import Report

AROUND = 1.5, 2.0, 2.5, 3.0
"""Spacings around a crossing within which what is kept is given up, one after the other."""


def crossing_places(made: Made) -> FloatArray:
    """Corners (k, 3) of the triangles at the seam that run through each other, mm."""
    if not made.crossings or made.band is None:
        return np.zeros((0, 3))
    mesh = made.band.mesh
    return np.asarray(mesh.vertices[mesh.triangles[seam_crossings(mesh, made.band.origin < 0)]].reshape(-1, 3))


def freed(pieces: list[Piece], scene: Scene, made: Made, spacing_mm: float, report: Report) -> tuple[Made, Scene]:
    """Sewn again with more given up around what crosses, where fewer cross then and the whole is alike otherwise."""
    best, usual = (made, scene), _form(made)
    for reach in AROUND:
        spots = crossing_places(best[0])
        if not len(spots):
            break
        tree, marked = cKDTree(spots), best[1].marked
        near = [np.isfinite(tree.query(part.vertices, distance_upper_bound=reach * spacing_mm)[0])
                for part in scene.near]  # fmt: skip
        sides = given_up(scene.near, scene.rims, marked.sides, near, spacing_mm)
        wider = replace(scene, marked=replace(marked, sides=sides))
        try:
            other = sewn_in(pieces, wider, band_of(wider, spacing_mm)[0], spacing_mm, report)
        except CannotSew:
            continue
        if other.crossings < best[0].crossings and _form(other) == usual:
            best = other, wider
    return best


def _form(made: Made) -> tuple[int, int]:
    return made.shells, meshes.euler_genus(made.mesh, made.shells)
