"""What was picked, in the common frame: features, single points with their neighbourhood, both sides of a wall."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from rejoin.core.dimensions.figures import FREE, Figure, system
from rejoin.core.dimensions.growing import Ground, seed_of
from rejoin.core.dimensions.regions import Feature
from rejoin.core.dimensions.scatter import BY_CHANCE, Scatter, carried, scatter_of
from rejoin.core.dimensions.shapes import figure_of, fit_shape
from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, Placement, Shape
from rejoin.core.transforms import apply, identity, turn


@dataclass(frozen=True, eq=False)
class Body:
    """Something that can be picked: a mesh ready for it, where it stands, and how sure that is.

    ``frame_from_mesh`` takes it to the frame in which sizes are worked out; ``number`` tells bodies apart. It moves as
    the ``placement`` of a ``fragment`` (its number) does, about ``centre_mm``; with None it is held.
    """

    ground: Ground
    number: int
    frame_from_mesh: FloatArray
    placement: Placement | None = None
    centre_mm: FloatArray | None = None
    noise_mm: float = 0.0
    fragment: int = -1


@dataclass(frozen=True, eq=False)
class Placed:
    """A feature in the common frame; ``scatter`` is of its points, None where that is not known."""

    shape: Shape
    points: FloatArray
    hollow: bool
    normal: FloatArray | None
    pick: FloatArray
    scatter: Scatter | None = None


def placed(feature: Feature, body: Body, pick: FloatArray) -> Placed:
    """A feature of a body in the common frame, its direction out of the material where it is a face."""
    to = body.frame_from_mesh
    normal = None if feature.normal is None else turn(to, feature.normal[None])[0]
    shape = moved_shape(feature.shape, to)
    if normal is not None and shape.direction is not None and float(shape.direction @ normal) < 0.0:
        shape = _turned(shape)
    return Placed(shape, apply(to, feature.points_mm), feature.hollow, normal, apply(to, pick[None])[0],
                  feature.scatter)  # fmt: skip


def moved_shape(shape: Shape, b_from_a: FloatArray) -> Shape:
    """A shape of frame a, in frame b, its covariance with it."""
    point = apply(b_from_a, shape.point_mm[None])[0]
    direction = None if shape.direction is None else turn(b_from_a, shape.direction[None])[0]
    covariance = shape.covariance
    if covariance is not None:
        outer = np.eye(8)
        outer[:3, :3] = outer[3:6, 3:6] = b_from_a[:3, :3]
        covariance = outer @ covariance @ outer.T
    return replace(shape, point_mm=point, direction=direction, covariance=covariance)


def _turned(shape: Shape) -> Shape:
    """The same plane with its normal the other way."""
    assert shape.direction is not None
    covariance = shape.covariance
    if covariance is not None:
        sign = np.array([1.0, 1, 1, -1, -1, -1, 1, 1])
        covariance = covariance * np.outer(sign, sign)
    return replace(shape, direction=-shape.direction, covariance=covariance)


def touched(body: Body, pick: FloatArray, reach: float) -> Placed:
    """The surface at a pick, the noise averaged over its neighbourhood: a point whose normal direction is known."""
    seed = seed_of(body.ground, pick, reach)
    return placed(_patch(body, seed, pick), body, pick)


def _patch(body: Body, seed: int, pick: FloatArray) -> Feature:
    """A small plane about a vertex; its point is the foot of the pick."""
    ground = body.ground
    near = np.atleast_1d(ground.tree.query(ground.mesh.vertices[seed], min(30, len(ground.mesh.vertices)))[1])
    near = near[ground.normals[near] @ ground.normals[seed] > 0.8]
    points = ground.mesh.vertices[near]
    normal, foot, sigma = ground.normals[seed], ground.mesh.vertices[seed], body.noise_mm
    variance, scatter = sigma**2, None
    try:
        shape = fit_shape("plane", points, zone=False, strays=False)
        assert shape.direction is not None
        normal = shape.direction * (1.0 if shape.direction @ normal > 0 else -1.0)
        foot = pick - normal * float((pick - shape.point_mm) @ normal)
        sigma = shape.sigma_mm
        if len(points) > FREE["plane"]:
            variance, scatter = _of_foot(figure_of(shape), points, foot, body)
    except NoAnswer:
        pass
    covariance = np.zeros((8, 8))
    covariance[:3, :3] = np.outer(normal, normal) * variance
    shape = Shape("plane", foot, normal, None, None, sigma, 0.0, None, 1.0, len(near), sigma, covariance)
    return Feature(shape, near.astype(np.int32), points, False, normal, scatter)


def _of_foot(plane: Figure, points: FloatArray, foot: FloatArray, body: Body) -> tuple[float, Scatter]:
    """Variance of a small plane's height at a point on it.

    The noise is that of the scan, so many points stand behind it; only where the patch itself scatters more than
    chance lets that noise do, its own scatter counts, and its few degrees of freedom.
    """
    residual, slopes = system(plane, points)
    found = scatter_of(points, residual, slopes, body.ground.noise)
    usual = body.ground.noise.sigma_mm**2
    if found.variance + found.form <= usual * chdtri(found.freedom, BY_CHANCE) / found.freedom:
        found = replace(found, variance=usual, form=0.0, freedom=np.inf)
    _, at_foot = system(plane, foot[None])
    weights = slopes @ np.linalg.pinv(slopes.T @ slopes, rcond=1e-14) @ at_foot[0]
    return float(carried(points, weights[:, None], found)[0, 0]), found


def both_sides(body: Body, pick: FloatArray, reach: float) -> list[Placed]:
    """The surface at a pick and the one behind it, along the inward normal."""
    seed = seed_of(body.ground, pick, reach)
    near = _patch(body, seed, pick)
    assert near.normal is not None
    start = near.shape.point_mm
    hit = first_hit(body.ground, start, -near.normal)
    if hit is None:
        raise NoAnswer("There is no surface behind the pick, so no wall thickness.",
                       "Pick where both sides of the wall were scanned.")  # fmt: skip
    _, there = body.ground.tree.query(hit)
    far = _patch(body, int(there), hit)
    return [placed(near, body, pick), placed(far, body, hit)]


def first_hit(ground: Ground, start: FloatArray, along: FloatArray) -> FloatArray | None:
    """Where a ray first meets a triangle from inside (Möller and Trumbore 1997); None where it does not."""
    corners = ground.mesh.vertices[ground.mesh.triangles]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = np.cross(along, two)
    area = np.einsum("ij,ij->i", one, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (start - corners[:, 0]) / area[:, None]
        u = np.einsum("ij,ij->i", s, p)
        q = np.cross(s, one)
        v = q @ along
        far = np.einsum("ij,ij->i", q, two)
    out = np.einsum("ij,j->i", np.cross(one, two), along) > 0
    good = out & (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (far > 0.5 * ground.spacing_mm)
    return start + float(far[good].min()) * along if good.any() else None


def body_of(ground: Ground, noise_mm: float = 0.0, number: int = -1) -> Body:
    """A body alone, in its own frame."""
    return Body(ground, number, identity(), None, None, noise_mm)
