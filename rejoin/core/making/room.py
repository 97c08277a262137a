"""Whether there is room for a move: the gap in front of a face, the wall behind it, the radius of a bore."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.walls import through_material
from rejoin.core.making.owning import Shift, owners
from rejoin.core.making.surface import Index, Region, Surface
from rejoin.core.records import FloatArray, IntArray

SPOTS = 1500
"""Rays by which the room in front of a face, or the wall behind it, is measured."""


def check_room(surface: Surface, shifts: Sequence[Shift], vectors: FloatArray, what: str) -> None:
    """Rays along the moves: what is added must not meet the part or another addition, what is taken not come out
    behind. A fiftieth of a face may, where it ends beside something."""
    owner = owners(surface, shifts)
    furthest = np.array([float(np.abs(s.amounts).max()) for s in shifts] + [0.0])
    adding = np.array([s.amounts.max() > 0 for s in shifts] + [False])
    for shift in shifts:
        _check_radius(surface, shift, what)
    starts, moves = (np.concatenate(rows) for rows in zip(*(_spots(surface, s.region, vectors) for s in shifts),
                                                          strict=True))  # fmt: skip
    length = np.linalg.norm(moves, axis=1)
    way = moves / np.maximum(length, 1e-300)[:, None]
    sigma = np.repeat([s.region.sigma_mm for s in shifts], SPOTS)
    first = np.minimum(4.0 * sigma + 1e-5 * surface.size_mm, 0.5 * length)
    free, met = through_material(surface.mesh, starts + first[:, None] * way, way)
    moving = length > 1e-9 * surface.size_mm
    for number, shift in enumerate(shifts):
        adds = shift.amounts.max() > 0
        some = np.arange(number * SPOTS, (number + 1) * SPOTS)[moving[number * SPOTS : (number + 1) * SPOTS]]
        behind = starts[some] + np.where(np.isfinite(free[some]), first[some] + free[some], 0.0)[:, None] * way[some]
        own = furthest[owner[met[some]]] if adds else _moved(surface, vectors, met[some], behind)
        facing = np.where((owner[met[some]] >= 0) & (adding[owner[met[some]]] == adds), own, 0.0)
        reached = length[some] * (1 - 1e-6) + facing
        blocked = np.isfinite(free[some]) & (free[some] + first[some] < reached)
        if not len(some) or blocked.mean() <= 0.02:
            continue
        if adds:
            raise NoAnswer(f"The {what} on {shift.name} runs into the part: the gap in front of it is narrower.",
                           "Give less there, or cast that place solid.")  # fmt: skip
        raise NoAnswer(f"The {what} at {shift.name} goes right through the wall behind it.", "Give less there.")


def _moved(surface: Surface, vectors: FloatArray, triangles: IntArray, places: FloatArray) -> FloatArray:
    """How far (k,) the surface itself moves at places (k, 3) on these triangles; 0 where there is none (-1)."""
    corners = surface.mesh.triangles[triangles]
    a, b, c = (surface.mesh.vertices[corners[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.maximum(np.square(normal).sum(axis=1), 1e-300)
    second = np.einsum("ij,ij->i", np.cross(places - a, c - a), normal) / area
    third = np.einsum("ij,ij->i", np.cross(b - a, places - a), normal) / area
    weights = np.clip(np.column_stack([1.0 - second - third, second, third]), 0.0, 1.0)
    moves = np.linalg.norm(np.einsum("ij,ijk->ik", weights, vectors[corners]), axis=1)
    return np.where(triangles >= 0, moves, 0.0)


def _check_radius(surface: Surface, shift: Shift, what: str) -> None:
    figure = shift.region.figure
    if figure is None or figure.hollow != (shift.amounts.max() > 0):
        return
    if (figure.split(surface.mesh.vertices[shift.region.vertices])[1] - np.abs(shift.amounts)).min() <= 0:
        raise NoAnswer(
            f"The {what} on {shift.name} is larger than its radius of {figure.radius_mm:.3g} mm: it turns inside out.",
            "Give less, or cast the bore solid.",
        )


def _spots(surface: Surface, region: Region, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (k, 3) spread over a region, and the moves there."""
    areas = surface.areas[region.triangles]
    total = np.cumsum(areas)
    rng = np.random.default_rng(0)
    at = np.searchsorted(total, (np.arange(SPOTS) + rng.random(SPOTS)) * total[-1] / SPOTS)
    triangles = surface.mesh.triangles[region.triangles[np.minimum(at, len(areas) - 1)]]
    u, v = np.sqrt(rng.random(SPOTS)), rng.random(SPOTS)
    weights = np.stack([1 - u, u * (1 - v), u * v], axis=1)
    places, moves = (np.einsum("ij,ijk->ik", weights, values[triangles]) for values in (surface.mesh.vertices, vectors))
    return places, moves


def check_turned(
    base: FloatArray, moved: FloatArray, local: Index, shift: Shift, what: str, counts: npt.NDArray[np.bool_]
) -> None:
    """No more than a twentieth of the face may be turned over by its move; slivers turn by noise and do not count.

    Where the mesh is so fine that noise turns most triangles, all count, and a quarter may.
    """
    before, after = (
        np.cross(p[local[:, 1]] - p[local[:, 0]], p[local[:, 2]] - p[local[:, 0]]) for p in (base, moved)
    )
    turned = np.einsum("ij,ij->i", before, after) < 0
    area = np.linalg.norm(before, axis=1)
    fine = float((area * counts).sum()) < 0.5 * float(area.sum())
    area, most = (area, 0.25) if fine else (area * counts, 0.05)
    if area[turned].sum() > most * area.sum():
        raise NoAnswer(f"The {what} on {shift.name} turns the face inside out.", "Give less there.")
