"""Broken stones: rough all over, edges rounded off, pieces that meet others with a part of a face only.

Made in another way than the castings: a solid is where a function is below
zero, and each scan is that function's contour on a grid of its own. The relief
of breaks and weathered surface is self-affine (exponents 0.75 and 0.5, common
in the literature on rough stone; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pyvista as pv
from scipy.fft import fftn, ifftn
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from rejoin.core.meshes import genus, volume
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import apply, inverse
from tests.makers.cases import Case

Solid = Callable[[FloatArray], FloatArray]

RELIEF = 0.02
"""Rms of a break's relief over the stone's length."""


@dataclass(frozen=True)
class Stone:
    """How a stone looks, lengths in spacings of its scans (``spacing_mm``)."""

    pieces: int = 3
    across: int = 130
    spacing_mm: float = 3.0
    weathered: float = 0.3
    rounded: float = 1.0
    worn: float = 0.0
    noise: float = 0.03

    @property
    def length_mm(self) -> float:
        return self.across * self.spacing_mm


def make_stone(seed: int, look: Stone = Stone()) -> Case:
    """A stone broken again and again, the larger part each time, and its pieces scanned.

    Raises
    ------
    RuntimeError
        If a piece would be less than a thousandth of the stone.
    """
    rng = np.random.default_rng([seed, look.pieces])
    length = look.length_mm
    half = np.array([0.5, 0.36, 0.28]) * length * (1 + 0.15 * rng.normal(size=3))
    body = _body(rng, half, look)
    breaks = [_break(rng, number, length, look.spacing_mm) for number in range(look.pieces - 1)]
    solids = [_piece(body, breaks, number, look) for number in range(look.pieces)]
    reach = 1.1 * float(np.linalg.norm(half))
    grid = np.eye(4)
    intact = _contour(body, grid, reach, look.spacing_mm)
    scans, poses = [], []
    for solid in solids:
        turn = Rotation.random(rng=rng).as_matrix()
        grid = np.eye(4)
        grid[:3, :3], grid[:3, 3] = turn, turn @ rng.uniform(0, look.spacing_mm, 3)
        surface = _contour(solid, grid, reach, look.spacing_mm)
        if not len(surface.triangles) or volume(surface) < 1e-3 * volume(intact):
            raise RuntimeError("A piece is too small; choose another seed.")
        scan = _scanned(rng, surface, look)
        part_from_scan = np.eye(4)
        part_from_scan[:3, :3] = Rotation.random(rng=rng).as_matrix()
        part_from_scan[:3, 3] = rng.normal(size=3) * length
        scans.append(Mesh(apply(inverse(part_from_scan), scan.vertices), scan.triangles))
        poses.append(part_from_scan)
    none = tuple(np.zeros(len(scan.vertices), bool) for scan in scans)
    return Case(
        f"stone-{seed}", tuple(scans), tuple(poses), intact, volume(intact), genus(intact), look.spacing_mm,
        look.noise * look.spacing_mm, (), look.worn * look.spacing_mm, none, "",
    )  # fmt: skip


def _field(rng: np.random.Generator, count: int, dimensions: int, exponent: float) -> FloatArray:
    """A periodic self-affine field on ``count`` nodes a side, rms 1."""
    waves = np.meshgrid(*[np.fft.fftfreq(count)] * dimensions, indexing="ij")
    long = np.sqrt(np.sum(np.square(waves), axis=0))
    long.flat[0] = np.inf
    field = ifftn(fftn(rng.normal(size=(count,) * dimensions)) * long ** -(exponent + dimensions / 2)).real
    return np.asarray(field / field.std())


def _at(field: FloatArray, nodes: FloatArray) -> FloatArray:
    return np.asarray(map_coordinates(field, nodes.T, order=1, mode="grid-wrap"))


def _body(rng: np.random.Generator, half: FloatArray, look: Stone) -> Solid:
    """A weathered block: a superellipsoid with lumps and a rough surface."""
    squareness = rng.uniform(2.5, 5.0)
    lumps, rough = _field(rng, 32, 3, 1.0), _field(rng, 128, 3, 0.5)
    length = look.length_mm

    def body(points: FloatArray) -> FloatArray:
        radius = (np.abs(points / half) ** squareness).sum(axis=1) ** (1 / squareness)
        lump = 0.02 * length * _at(lumps, 16 * points / length)
        skin = look.weathered * look.spacing_mm * _at(rough, points / (1.2 * look.spacing_mm))
        return np.asarray((radius - 1) * half.min() + lump + skin)

    return body


def _break(rng: np.random.Generator, number: int, length: float, spacing: float) -> Solid:
    """How far a point lies beyond a rough break across the stone, about in mm."""
    normal = rng.normal(size=3) * [0.3, 1.0, 0.3 if number else 1.0]
    normal[0 if number == 0 else 1] += 1.0 if number == 0 else np.sign(normal[1])
    normal = normal / np.linalg.norm(normal)
    along = np.linalg.svd(normal[None])[2][1:]
    relief, middle = _field(rng, 256, 2, 0.75) * RELIEF * length, 0.06 * length * rng.normal(size=3)
    cell = 1.6 * spacing

    def height(flat: FloatArray) -> FloatArray:
        return _at(relief, flat / cell + 64)

    def beyond(points: FloatArray) -> FloatArray:
        flat = (points - middle) @ along.T
        steps = 0.4 * spacing * np.eye(2)
        slopes = [(height(flat + step) - height(flat - step)) / (0.8 * spacing) for step in steps]
        steepness = np.sqrt(1 + np.square(slopes).sum(axis=0))
        return np.asarray(((points - middle) @ normal - height(flat)) / steepness)

    return beyond


def _piece(body: Solid, breaks: list[Solid], number: int, look: Stone) -> Solid:
    """What is beyond all earlier breaks and on this side of its own; its edges rounded, its faces worn."""
    width, worn = look.rounded * look.spacing_mm, look.worn * look.spacing_mm

    def both(one: FloatArray, other: FloatArray) -> FloatArray:
        near = np.clip(width - np.abs(one - other), 0, None) / max(width, 1e-12)
        return np.asarray(np.maximum(one, other) + near**3 * width / 6)

    def piece(points: FloatArray) -> FloatArray:
        inside = body(points)
        for earlier in breaks[:number]:
            inside = both(inside, worn - earlier(points))
        return both(inside, breaks[number](points) + worn) if number < len(breaks) else inside

    return piece


def _contour(solid: Solid, part_from_grid: FloatArray, reach: float, spacing: float) -> Mesh:
    """The largest surface of a solid, on the grid given, part frame."""
    ticks = np.arange(-reach, reach, spacing)
    layers = []
    for x in ticks:
        nodes = np.stack(np.meshgrid([x], ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
        layers.append(solid(apply(part_from_grid, nodes)))
    image = pv.ImageData(dimensions=(len(ticks),) * 3, spacing=(spacing,) * 3, origin=(ticks[0],) * 3)
    image["value"] = np.reshape(layers, (len(ticks),) * 3).ravel(order="F")
    surface = image.contour([0.0], "value")
    if not surface.n_cells:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    surface = pv.PolyData(surface.clean().connectivity("largest"))
    mesh = Mesh(apply(part_from_grid, np.asarray(surface.points, float)), surface.faces.reshape(-1, 4)[:, 1:])
    used, triangles = np.unique(mesh.triangles, return_inverse=True)
    mesh = Mesh(mesh.vertices[used], triangles.reshape(-1, 3).astype(np.int32))
    return mesh if volume(mesh) > 0 else replace(mesh, triangles=mesh.triangles[:, ::-1].copy())


def _scanned(rng: np.random.Generator, surface: Mesh, look: Stone) -> Mesh:
    """The surface with noise along its normals that goes on over a few spacings."""
    noise = _field(rng, 64, 3, -0.5)
    faces = np.insert(surface.triangles, 0, 3, axis=1)
    normals = pv.PolyData(surface.vertices, faces).compute_normals(split_vertices=False, auto_orient_normals=False)
    size = look.noise * look.spacing_mm * _at(noise, surface.vertices / (1.5 * look.spacing_mm))
    return Mesh(surface.vertices + size[:, None] * np.asarray(normals.point_data["Normals"]), surface.triangles)
