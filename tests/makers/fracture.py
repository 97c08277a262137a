"""Rough fracture surfaces known exactly everywhere, and solids cut along them.

The relief is a sum of random Fourier modes with a self-affine spectrum whose
roughness exponent is 0.75 along one axis and 0.6 along the other (Ponson,
Bonamy and Bouchaud 2006, measured on several materials; the size for grey
iron, 0.07 mm rms over 1 mm, is our estimate).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from manifold3d import Manifold, Mesh64

from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse

RMS_OVER_1MM = 0.07
FLAT_RELIEF_MM = 0.17


@dataclass(frozen=True)
class Surface:
    """The height ``z = h(x, y)`` over a cut plane; ``part_from_cut`` (4, 4) places the plane.

    ``waves`` (k, 2) in rad/mm, ``sizes`` (k,) in mm, ``phases`` (k,).
    ``step`` is (height mm, half-width mm, offset mm, direction rad), height 0 for none.
    """

    part_from_cut: FloatArray
    waves: FloatArray
    sizes: FloatArray
    phases: FloatArray
    step: tuple[float, float, float, float]

    def height(self, xy: FloatArray) -> FloatArray:
        """Heights (n,) at points (n, 2) of the cut plane."""
        return self._evaluated(xy, slopes_too=False)[0]

    def slope(self, xy: FloatArray) -> FloatArray:
        """Gradients (n, 2)."""
        return self._evaluated(xy)[1]

    def _evaluated(self, xy: FloatArray, slopes_too: bool = True) -> tuple[FloatArray, FloatArray]:
        heights, slopes = np.zeros(len(xy)), np.zeros((len(xy), 2))
        for start in range(0, len(xy), 4096):
            part = slice(start, start + 4096)
            turns = (xy[part] @ self.waves.T + self.phases) / (2 * np.pi)
            angle = ((turns - np.rint(turns)) * (2 * np.pi)).astype(np.float32)  # single precision: under 1e-6 mm
            heights[part] = np.cos(angle) @ self.sizes
            if slopes_too:
                slopes[part] = -np.sin(angle) @ (self.sizes[:, None] * self.waves)
        size, half, offset, turn = self.step
        if size:
            across = np.array([np.cos(turn), np.sin(turn)])
            rise = np.tanh((xy @ across - offset) / half)
            heights += 0.5 * size * rise
            slopes += (0.5 * size / half * (1 - rise**2))[:, None] * across
        return heights, slopes

    def worn_height(self, xy: FloatArray, offset: float) -> FloatArray:
        """Heights of the surface moved by ``offset`` mm along its own normal (first order)."""
        if not offset:
            return self.height(xy)
        heights, slopes = self._evaluated(xy)
        return heights + offset * np.sqrt(1 + np.sum(slopes**2, axis=1))

    def settled(self, points: FloatArray, offset: float) -> FloatArray:
        """Part-frame points near the surface, moved onto it along its normal (two Newton steps)."""
        local = apply(inverse(self.part_from_cut), points)
        for _ in range(2):
            heights, slopes = self._evaluated(local[:, :2])
            stretch = np.sqrt(1 + np.sum(slopes**2, axis=1))
            normal = np.column_stack([-slopes, np.ones(len(local))]) / stretch[:, None]
            gap = (local[:, 2] - heights) / stretch - offset
            local = local - gap[:, None] * normal
        return apply(self.part_from_cut, local)

    def distance(self, points: FloatArray) -> FloatArray:
        """First-order signed distance (n,) of part-frame points, positive above."""
        local = apply(inverse(self.part_from_cut), points)
        heights, slopes = self._evaluated(local[:, :2])
        return (local[:, 2] - heights) / np.sqrt(1 + np.sum(slopes**2, axis=1))


def random_surface(
    rng: np.random.Generator, part_from_cut: FloatArray, reach_mm: float, relief: float, flat: bool, stepped: bool
) -> Surface:
    """A seeded fracture surface for a section that reaches ``reach_mm`` across."""
    count = 256
    low, high = np.log(2 * np.pi / (0.8 * reach_mm)), np.log(2 * np.pi / 0.6)
    wave = np.exp(low + (high - low) * (np.arange(count) + rng.random(count)) / count)
    turn = rng.uniform(0, np.pi, count)
    grain = rng.uniform(0, np.pi)
    exponent = 0.75 * np.cos(turn - grain) ** 2 + 0.6 * np.sin(turn - grain) ** 2
    sizes = wave**-exponent * rng.rayleigh(1.0, count)
    waves = wave[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    over_1mm = np.sqrt(np.mean([np.sum(sizes**2 * (1 - np.cos(waves @ d))) for d in np.eye(2)]))
    sizes *= RMS_OVER_1MM * relief / over_1mm
    surface = Surface(part_from_cut, waves, sizes, rng.uniform(0, 2 * np.pi, count), (0.0, 1.0, 0.0, 0.0))
    if flat:
        grid = np.stack(np.meshgrid(*[np.linspace(-reach_mm / 2, reach_mm / 2, 80)] * 2), -1).reshape(-1, 2)
        surface = replace(surface, sizes=sizes * FLAT_RELIEF_MM / np.ptp(surface.height(grid)))
    elif relief:
        long = 2 * np.pi / (reach_mm * rng.uniform(0.35, 1.0, 4))
        turn = rng.uniform(0, 2 * np.pi, 4)
        surface = replace(
            surface,
            waves=np.vstack([waves, long[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])]),
            sizes=np.append(sizes, rng.uniform(0.004, 0.010, 4) * reach_mm * relief),
            phases=np.append(surface.phases, rng.uniform(0, 2 * np.pi, 4)),
        )
    if stepped:
        rise = 0.09 * reach_mm * rng.uniform(0.8, 1.2)
        surface = replace(surface, step=(rise, 0.15 * rise, 0.06 * reach_mm * rng.normal(), rng.uniform(0, np.pi)))
    return surface


def _closed_block(top: FloatArray, low: float) -> Manifold:
    """The solid between a (n, m, 3) grid of points and the plane ``z = low``."""
    rows, columns = top.shape[:2]
    floor = top.copy()
    floor[..., 2] = low
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    upper = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    ring = np.concatenate([index[:-1, 0], index[-1, :-1], index[:0:-1, -1], index[0, :0:-1]])
    after, size = np.roll(ring, -1), rows * columns
    walls = np.concatenate([np.stack([ring, ring + size, after], -1), np.stack([after, ring + size, after + size], -1)])
    triangles = np.concatenate([upper, upper[:, ::-1] + size, walls])
    points = np.concatenate([top.reshape(-1, 3), floor.reshape(-1, 3)])
    return Manifold(Mesh64(vert_properties=points, tri_verts=triangles.astype(np.uint64)))


def cutter(surface: Surface, solid: Manifold, offset: float, pitch: float, rng: np.random.Generator) -> Manifold:
    """All that lies below the surface near ``solid``, tessellated afresh (turned, shifted, jittered grid).

    ``offset`` moves the surface along its normal (wear); no two calls share a vertex.
    """
    cut_from_part = inverse(surface.part_from_cut)
    local = solid.transform(cut_from_part[:3])
    bounds = np.array(local.bounding_box()).reshape(2, 3)
    grid = np.stack(np.meshgrid(*[np.linspace(bounds[0, i], bounds[1, i], 60) for i in (0, 1)]), -1).reshape(-1, 2)
    heights = surface.height(grid)
    low, high = heights.min() - 2.0, heights.max() + 2.0
    section = local.trim_by_plane((0, 0, 1), low).trim_by_plane((0, 0, -1), -high)
    box = np.array(section.bounding_box()).reshape(2, 3) if not section.is_empty() else bounds
    middle = box.mean(axis=0)[:2]
    turn = rng.uniform(0, np.pi / 2)
    frame = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = np.array([[x, y] for x in box[:, 0] for y in box[:, 1]])
    reach = np.abs((corners - middle) @ frame).max(axis=0) + 2 * pitch + 1.0
    axes = [np.arange(-r - pitch * rng.random(), r + pitch, pitch) for r in reach]
    flat = np.stack(np.meshgrid(*axes, indexing="ij"), -1)
    flat += rng.uniform(-0.25, 0.25, flat.shape) * pitch
    flat = flat @ frame.T + middle
    z = surface.worn_height(flat.reshape(-1, 2), offset).reshape(flat.shape[:2])
    block = _closed_block(np.concatenate([flat, z[..., None]], -1), low - 0.5 - abs(offset))
    depth = max(low - bounds[0, 2], 0.0) + 5.0
    size = np.append(np.ptp(bounds, axis=0)[:2] + 10.0, depth)
    floor = Manifold.cube(tuple(size)).translate((*(bounds[0, :2] - 5.0), low - 0.1 - abs(offset) - depth))
    return (block + floor).transform(surface.part_from_cut[:3]).as_original()
