"""From one pick to the feature it lies on: the region grows as far as one figure explains the surface."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rejoin.core.dimensions.figures import Figure, distances, free
from rejoin.core.dimensions.growing import FIRST, MOST, Ground, fitted, grown, nearest, seed_of
from rejoin.core.dimensions.least_squares import scattered
from rejoin.core.dimensions.rivals import explains_no_worse, refuse_others
from rejoin.core.dimensions.scatter import Scatter
from rejoin.core.dimensions.shapes import figure_of, fit_shape, shows
from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, IntArray, Shape

MORE = 1.3
"""How many times the region a figure with more freedom must explain to be preferred."""

HELD = 0.9
"""Share of the surroundings of a pick from which a plane that holds it shows nothing else."""

BENT = float(np.cos(np.radians(5.0)))
"""A flat face's usual normal leans less than this from its plane's, as a cosine."""


@dataclass(frozen=True, eq=False)
class Feature:
    """What was found at a pick: the shape, and whether it is ``hollow`` (seen from inside).

    ``vertices`` (k,) are of the mesh itself, ``points_mm`` (n, 3) lie on the feature; ``normal`` (3,) of a plane
    points out of the material. ``scatter`` is of the points, None where too few were fitted to tell.
    """

    shape: Shape
    vertices: IntArray
    points_mm: FloatArray
    hollow: bool
    normal: FloatArray | None
    scatter: Scatter | None = None


def feature_at(ground: Ground, pick_mm: FloatArray, kinds: tuple[str, ...] = ("plane", "cylinder", "sphere", "cone"),
               reach: float = 5.0, zone: bool = True) -> Feature:  # fmt: skip
    """The feature around a pick.

    Parameters
    ----------
    ground : Ground
    pick_mm : (3,)
        In the mesh's frame.
    kinds : tuple of str
        What it may be, the simplest first.
    reach : float
        How far from the surface the pick may lie, in spacings.
    zone : bool
        Whether to work out the minimum zone of a small feature as well.

    Returns
    -------
    Feature
        The simplest figure, unless one with more freedom explains `MORE` times as much surface, and what they share no
        worse.

    Raises
    ------
    NoAnswer
        Nothing at the pick, no such figure there, or one of another kind explains the surface better.
    """
    seed = seed_of(ground, pick_mm, reach)
    best: tuple[Figure, npt.NDArray[np.int64]] | None = None
    patch = nearest(ground, seed, 6 * FIRST)
    for kind in kinds:
        if kind != "plane" and best is not None and best[0].kind == "plane" and _flat(ground, patch, best[1], kind):
            continue
        found = grown(ground, seed, kind)
        if found is None or (best is not None and len(found[1]) <= MORE * len(best[1])):
            continue
        if best is None or explains_no_worse(ground, found[0], best[0], np.intersect1d(found[1], best[1])):
            best = found
    if best is None:
        wanted = " or ".join(kinds)
        raise NoAnswer(f"No {wanted} was found at the pick.", "Pick nearer to the middle of the feature.")
    if best[0].kind != "plane" or _bends(ground, best[0], best[1]):
        refuse_others(ground, seed, best[0], best[1], kinds)
    return _feature(ground, best[0], best[1], zone)


def _bends(ground: Ground, plane: Figure, region: npt.NDArray[np.int64]) -> bool:
    """Whether the surface leans from its plane so much that it may be part of something round."""
    assert plane.direction is not None
    return float(np.median(np.abs(ground.normals[region] @ plane.direction))) < BENT


def _flat(ground: Ground, patch: npt.NDArray[np.int64], region: npt.NDArray[np.int64], kind: str) -> bool:
    """Whether the plane holds the surroundings of the pick, which then show no ``kind``."""
    if np.isin(patch, region).mean() < HELD:
        return False
    points, normals = ground.mesh.vertices[patch], ground.normals[patch]
    figure = fitted(kind, points, normals, None)
    return figure is None or not shows(figure, points)


def _feature(ground: Ground, found: Figure, region: npt.NDArray[np.int64], zone: bool) -> Feature:
    """The final fit, its covariance with what noise and form have in common from point to point."""
    mesh, normals = ground.mesh, ground.normals[region]
    rows = _measured(ground, found, region)
    some = rows if len(rows) <= 5 * MOST else rows[np.linspace(0, len(rows) - 1, 5 * MOST).astype(int)]
    points = mesh.vertices[some]
    few = len(points) < 4 * free(found)
    shape = fit_shape(found.kind, points, None if few else ground.normals[some], zone and len(points) <= MOST, False)
    figure, scatter = figure_of(shape), None
    if not few:
        covariance, scatter = scattered(figure, points, ground.noise)
        shape = replace(shape, covariance=covariance)
    mean = np.asarray(normals.mean(axis=0))
    if found.kind == "plane":
        assert figure.direction is not None
        out = figure.direction * (1.0 if figure.direction @ mean > 0 else -1.0)
        return Feature(shape, _own(ground, region), mesh.vertices[rows], False, out, scatter)
    q = mesh.vertices[region] - figure.point
    if figure.direction is not None:
        q = q - (q @ figure.direction)[:, None] * figure.direction
    hollow = bool(np.einsum("ij,ij->i", q, normals).sum() < 0.0)
    return Feature(shape, _own(ground, region), mesh.vertices[rows], hollow, None, scatter)


def _own(ground: Ground, region: npt.NDArray[np.int64]) -> IntArray:
    """The mesh's own vertices of a region and of its border: corners of the triangles that touch it."""
    inside = np.zeros(len(ground.mesh.vertices), bool)
    inside[region] = True
    near = np.asarray(ground.neighbours @ inside.astype(np.float32)).ravel() > 0 if len(region) else inside
    found = np.flatnonzero(inside[: ground.own] if ground.own == len(inside) else (inside | near)[: ground.own])
    return found.astype(np.int32)


def _measured(ground: Ground, figure: Figure, region: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The vertices to fit: those of the mesh itself where the region holds mainly such.

    Where it holds mainly points made between them (a drawn part), the facets' corners on its border, which lie on
    the true surface; the points themselves where there are too few of those.
    """
    own = region[region < ground.own]
    if len(own) >= 0.5 * len(region):
        return own
    touching = np.asarray(ground.neighbours[region].sum(axis=0)).ravel() > 0
    touching[region] = True
    corners = np.flatnonzero(touching[: ground.own])
    away = np.abs(distances(figure, ground.mesh.vertices[corners]))
    near = float(np.abs(distances(figure, ground.mesh.vertices[region])).max())
    corners = corners[away <= 2.0 * near + 1e-6 * ground.spacing_mm]
    return corners if len(corners) >= max(2 * free(figure), 8) else region
