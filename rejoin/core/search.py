"""Rough poses of one fragment's faces on another's, from height maps.

Each candidate face is a height map in its plane; one is flipped, turned in small
steps, and correlated with the other over all shifts at once (FFT).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import fft
from scipy.ndimage import affine_transform, gaussian_filter

from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.transforms import inverse, orthonormal
from rejoin.core.views import Nodes, Plane, band_passed, height_map, robust_plane

TURNS = 72
"""Turns in the plane that are tried for each pair of faces."""

CELLS = 44
"""Height-map cells across a face."""

MOST_CELLS = 160

Maps = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, eq=False)
class View:
    """A candidate face in its plane: ``coordinates`` (n, 3) of sampled vertices, ``vertices`` their indices."""

    face: FractureFace
    plane: Plane
    coordinates: FloatArray
    across_mm: float
    vertices: IntArray


@dataclass(frozen=True, eq=False)
class Gallery:
    """All views of one fragment, and the maps already drawn of them."""

    fragment: Fragment
    views: tuple[View, ...]
    drawn: dict[tuple[int, float, bool], Maps] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """A rough pose from two height maps; ``seed`` are vertices of a's face."""

    a_from_b: FloatArray
    score: float
    seed: IntArray
    reach_mm: float


def view_of(fragment: Fragment, nodes: Nodes, face: FractureFace, most: int = 12_000) -> View:
    """The face's plane (robust, without its fringe) and its vertices in it."""
    vertices = np.unique(fragment.mesh.triangles[face.triangles])
    step = max(1, len(vertices) // most)
    vertices = vertices[::step].astype(np.int32)
    points = fragment.mesh.vertices[vertices]
    normal = nodes.vertex_normals[vertices].mean(axis=0)
    plane = robust_plane(points, normal, np.ones(len(points)))
    coordinates = plane.coordinates(points)
    middle = (coordinates[:, :2].max(axis=0) + coordinates[:, :2].min(axis=0)) / 2
    plane = Plane(plane.origin + middle @ plane.axes[:2], plane.axes)
    coordinates = plane.coordinates(points)
    across = 2 * float(np.percentile(np.linalg.norm(coordinates[:, :2], axis=1), 99))
    return View(face, plane, coordinates, across, vertices)


def step_for(first: Gallery, i: int, second: Gallery, j: int) -> float:
    """The grid step for a pair of faces, from a ladder so that maps can be kept."""
    a, b = first.views[i], second.views[j]
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    step = max(min(a.across_mm, b.across_mm) / CELLS, max(a.across_mm, b.across_mm) / MOST_CELLS, 1.5 * spacing)
    return float(2.0 ** (np.ceil(2 * np.log2(step)) / 2))


def map_of(gallery: Gallery, index: int, step: float, flipped: bool) -> Maps:
    """Band-passed heights and masks, (1, n, n), or (TURNS, n, n) of the flipped face in all its turns."""
    key = (index, step, flipped)
    if key in gallery.drawn:
        return gallery.drawn[key]
    view = gallery.views[index]
    flip = np.array([1.0, -1.0, -1.0]) if flipped else np.ones(3)
    size = int(2 * np.ceil(view.across_mm / step / 2) + 9)
    height, mask = height_map(view.coordinates * flip, step, size)
    relief = band_passed(height, mask, 6.0)
    # A chip or a fringe that stands far out of the relief would drown it.
    sizes = np.abs(relief[mask > 0])
    if len(sizes):
        relief = np.where(np.abs(relief) <= 5 * np.median(sizes) + 1e-9, relief, 0.0)
    weight = np.maximum(gaussian_filter(mask, 0.7, mode="constant"), 1e-6)
    relief = gaussian_filter(relief, 0.7, mode="constant") / weight * mask
    angles = 2 * np.pi * np.arange(TURNS if flipped else 1) / TURNS
    turned = [_turned(relief, mask, angle) for angle in angles]
    gallery.drawn[key] = (np.stack([t[0] for t in turned]), np.stack([t[1] for t in turned]))
    return gallery.drawn[key]


def _turned(relief: FloatArray, mask: FloatArray, angle: float) -> tuple[FloatArray, FloatArray]:
    """The map turned by ``angle`` (x to y) about its middle cell."""
    c, s = np.cos(angle), np.sin(angle)
    # Output cell o shows input cell R^-1 (o - m) + m.
    back = np.array([[c, s], [-s, c]])
    middle = np.array(mask.shape) // 2
    offset = middle - back @ middle
    new_mask = (affine_transform(mask, back, offset, order=1) > 0.5).astype(np.float32)
    weighted = affine_transform(relief, back, offset, order=1)
    return (weighted * new_mask).astype(np.float32), new_mask


def correlate(first: Gallery, i: int, second: Gallery, j: int, keep: int = 4) -> list[Hypothesis]:
    """The best poses of one face of ``second`` on one face of ``first``.

    The score of a pose is (overlapping cells) times log(relief / residual):
    the information that the overlap carries, in nats.
    """
    step = step_for(first, i, second, j)
    relief_a, mask_a = map_of(first, i, step, flipped=False)
    relief_b, mask_b = map_of(second, j, step, flipped=True)
    size = fft.next_fast_len(relief_a.shape[-1] + relief_b.shape[-1], real=True)
    shape = (size, size)
    fa, fma, fa2 = (fft.rfft2(x, shape, workers=2) for x in (relief_a, mask_a, relief_a**2))
    fb, fmb, fb2 = (np.conj(fft.rfft2(x, shape, workers=2)) for x in (relief_b, mask_b, relief_b**2))
    overlap = fft.irfft2(fma * fmb, shape, workers=2)
    squares = fft.irfft2(fa2 * fmb + fma * fb2, shape, workers=2)
    product = fft.irfft2(fa * fb, shape, workers=2)
    noise = (first.fragment.noise_mm**2 + second.fragment.noise_mm**2) * 0.5
    floor = noise * np.maximum(overlap, 1.0)
    squares = np.maximum(squares, 0)
    ratio = (squares + floor) / (np.maximum(squares - 2 * product, 0) + floor)
    least = 0.15 * min(mask_a.sum(), mask_b[0].sum())
    score = np.where(overlap > least, overlap * np.log(ratio), 0.0)
    best = score.reshape(TURNS, -1).argmax(axis=1)
    height = score.reshape(TURNS, -1)[np.arange(TURNS), best]
    peaks = np.flatnonzero((height >= np.roll(height, 1)) & (height >= np.roll(height, -1)) & (height > 0))
    found = []
    for k in peaks[np.argsort(-height[peaks])][:keep]:
        shift = np.array(np.unravel_index(best[k], shape), float)
        shift[shift > relief_a.shape[-1]] -= size
        pose = _pose(first.views[i], second.views[j], step, k, shift, relief_a.shape[-1], relief_b.shape[-1])
        found.append(Hypothesis(pose, float(height[k]), first.views[i].vertices, 2.5 * step))
    return found


def _pose(a: View, b: View, step: float, k: int, shift: FloatArray, size_a: int, size_b: int) -> FloatArray:
    """a_from_b of a turn and a shift in cells."""
    angle = 2 * np.pi * k / TURNS
    c, s = np.cos(angle), np.sin(angle)
    a_plane_from_b_plane = np.eye(4)
    a_plane_from_b_plane[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.diag([1.0, -1.0, -1.0])
    a_plane_from_b_plane[:2, 3] = (shift + size_b // 2 - size_a // 2) * step
    a_from_plane, b_from_plane = np.eye(4), np.eye(4)
    a_from_plane[:3, :3], a_from_plane[:3, 3] = a.plane.axes.T, a.plane.origin
    b_from_plane[:3, :3], b_from_plane[:3, 3] = b.plane.axes.T, b.plane.origin
    return orthonormal(a_from_plane @ a_plane_from_b_plane @ inverse(b_from_plane))
