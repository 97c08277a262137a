"""Rough poses of one fragment's faces on another's, from height maps.

Each candidate face is a height map in its plane; one is flipped, turned in small
steps, and correlated with the other over all shifts at once (FFT).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import affine_transform, binary_dilation, gaussian_filter

from rejoin.core.abreast import abreast
from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.robust import sigma_of
from rejoin.core.shelf import Shelf
from rejoin.core.transforms import apply, inverse, orthonormal
from rejoin.core.views import MapArray, Nodes, Plane, band_passed, height_map, robust_plane, without_fringe

TURNS = 48
"""Turns in the plane that are tried for each pair of faces."""

CELLS = 400
"""Height-map cells that a face is aimed to cover."""

MOST_CELLS = 80
"""Cells across a map at most."""

UNLIKE = 1.5
"""Two sides of one break are equally rough: faces whose relief differs more than this are not compared."""

REACH = 2.5
"""Steps that a pose from height maps may be off."""

FINER = 4
"""Times as many cells for a second look."""

Maps = tuple[MapArray, MapArray]
Spectra = tuple[FloatArray, FloatArray, FloatArray]


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
    """One fragment's candidate faces, with the views drawn of them, their cells and relief (mm) at each step.

    ``shelf`` holds the spectra last drawn, of other fragments too where they share it; ``mark`` tells whose they are.
    """

    fragment: Fragment
    nodes: Nodes
    faces: tuple[FractureFace, ...]
    seen: dict[int, View] = field(default_factory=dict)
    told: dict[tuple[int, float, bool], tuple[float, float]] = field(default_factory=dict)
    shelf: Shelf[Spectra] = field(default_factory=Shelf)
    mark: object = field(default_factory=object)

    def view(self, index: int) -> View:
        if index not in self.seen:
            self.seen[index] = view_of(self.fragment, self.nodes, self.faces[index])
        return self.seen[index]


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """A rough pose from two height maps.

    ``score`` is the information (nats) of the overlap, ``share`` the overlap
    over both faces together, ``step_mm`` the grid's, ``faces`` the numbers of
    a's and b's face in their galleries.
    """

    a_from_b: FloatArray
    score: float
    share: float
    step_mm: float
    galleries: tuple[Gallery, Gallery]
    faces: tuple[int, int]

    @property
    def reach_mm(self) -> float:
        """How far the pose may be off."""
        return REACH * self.step_mm

    @property
    def seed(self) -> IntArray:
        """The vertices of a's face in the overlap; found when asked for, for most rough poses are never followed up."""
        (first, second), (a, b) = self.galleries, (g.view(k) for g, k in zip(self.galleries, self.faces, strict=True))
        above = apply(self.a_from_b, second.fragment.mesh.vertices[b.vertices])
        return a.vertices[_covered(a.plane, first.fragment.mesh.vertices[a.vertices], above, self.step_mm)]


def view_of(fragment: Fragment, nodes: Nodes, face: FractureFace, most: int = 6_000) -> View:
    """The face's plane (robust, without its fringe) and its vertices in it."""
    step = max(1, len(face.triangles) // (2 * most))
    vertices = np.unique(fragment.mesh.triangles[face.triangles[::step], 0])
    points = fragment.mesh.vertices[vertices]
    normal = nodes.vertex_normals[vertices].mean(axis=0)
    plane = robust_plane(points, normal, np.ones(len(points)))
    bulk = without_fringe(plane.coordinates(points))
    vertices, points = vertices[bulk], points[bulk]
    plane = robust_plane(points, normal, np.ones(len(points)))
    coordinates = plane.coordinates(points)
    middle = (coordinates[:, :2].max(axis=0) + coordinates[:, :2].min(axis=0)) / 2
    plane = Plane(plane.origin + middle @ plane.axes[:2], plane.axes)
    coordinates = plane.coordinates(points)
    across = 2 * float(np.percentile(np.linalg.norm(coordinates[:, :2], axis=1), 99))
    return View(face, plane, coordinates, across, vertices)


def step_for(first: Gallery, i: int, second: Gallery, j: int, cells: int = CELLS) -> float:
    """The grid step for a pair of faces, from a ladder so that maps can be kept."""
    a, b = first.view(i), second.view(j)
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    fine = np.sqrt(min(a.face.area_mm2, b.face.area_mm2) / cells)
    step = max(fine, max(a.across_mm, b.across_mm) / MOST_CELLS, 1.5 * spacing)
    return float(2.0 ** (np.ceil(2 * np.log2(step)) / 2))


def grid_of(first: Gallery, i: int, second: Gallery, j: int, cells: int = CELLS) -> tuple[float, int]:
    """The grid step for a pair of faces, and the cells along a grid that holds both maps side by side."""
    step = step_for(first, i, second, j, cells)
    sizes = map_size(first.view(i), step), map_size(second.view(j), step)
    return step, int(fft.next_fast_len(sum(sizes), real=True))


def map_size(view: View, step: float) -> int:
    """Cells along a square map that holds the face in any turn."""
    return int(2 * np.ceil(view.across_mm / step / 2) + 9)


def map_of(view: View, step: float, flipped: bool) -> Maps:
    """Band-passed heights and mask (n, n) of a face, or of the flipped face."""
    flip = np.array([1.0, -1.0, -1.0]) if flipped else np.ones(3)
    height, mask = height_map(view.coordinates * flip, step, map_size(view, step))
    relief = band_passed(height, mask, 6.0)
    # A chip or a fringe that stands far out of the relief would drown it.
    sizes = np.abs(relief[mask > 0])
    if len(sizes):
        usual = sigma_of(sizes) + 1e-9
        mask = mask * (np.abs(relief) <= 4.5 * usual)
        relief = np.clip(relief, -2.5 * usual, 2.5 * usual) * mask
    weight = np.maximum(gaussian_filter(mask, 0.7, mode="constant"), 1e-6)
    return gaussian_filter(relief, 0.7, mode="constant") / weight * mask, mask


def cells_and_relief(gallery: Gallery, index: int, step: float, flipped: bool) -> tuple[float, float]:
    """Cells that a face covers and the root mean square of its relief (mm)."""
    key = (index, step, flipped)
    if key not in gallery.told:
        relief, mask = _turned(*map_of(gallery.view(index), step, flipped), 0.0)
        cells = float(mask.sum())
        gallery.told[key] = cells, float(np.sqrt(np.square(relief).sum() / max(cells, 1.0)))
    return gallery.told[key]


def spectra_of(gallery: Gallery, index: int, step: float, flipped: bool, size: int) -> Spectra:
    """Spectra of a face's relief, mask and squared relief on a (size, size) grid; flipped, in all its turns."""

    def drawn() -> tuple[Spectra, int]:
        upright = map_of(gallery.view(index), step, flipped)
        turns = TURNS if flipped else 1
        turned = [_turned(*upright, 2 * np.pi * k / turns) for k in range(turns)]
        relief, mask = (np.stack(maps) for maps in zip(*turned, strict=True))
        relief, mask, squares = (fft.rfft2(x, (size, size)) for x in (relief, mask, relief**2))
        if flipped:
            relief, mask, squares = np.conj(relief), np.conj(mask), np.conj(squares)
        return (relief, mask, squares), 3 * relief.nbytes

    return gallery.shelf.kept((gallery.mark, index, step, flipped, size), drawn)


def _turned(relief: MapArray, mask: MapArray, angle: float) -> Maps:
    """The map turned by ``angle`` (x to y) about its middle cell."""
    c, s = np.cos(angle), np.sin(angle)
    # Output cell o shows input cell R^-1 (o - m) + m.
    back = np.array([[c, s], [-s, c]])
    middle = np.array(mask.shape) // 2
    offset = middle - back @ middle
    new_mask = (affine_transform(mask, back, offset, order=1) > 0.5).astype(np.float32)
    weighted = affine_transform(relief, back, offset, order=1)
    return (weighted * new_mask).astype(np.float32), new_mask


def correlate(
    first: Gallery, i: int, second: Gallery, j: int, cells: int = CELLS, unlike: float = UNLIKE, keep: int = 3
) -> list[Hypothesis]:
    """The best poses of one face of ``second`` on one face of ``first``.

    The score of a pose is (overlapping cells) times log(relief / residual):
    the information that the overlap carries, in nats. The best by score are
    kept, and the best by score and outline together, for on a nearly flat
    break the outline leads to where the relief speaks.
    """
    step, size = grid_of(first, i, second, j, cells)
    a, b = first.view(i), second.view(j)
    size_a, size_b = map_size(a, step), map_size(b, step)
    cells_a, rms_a = cells_and_relief(first, i, step, False)
    cells_b, rms_b = cells_and_relief(second, j, step, True)
    chosen = a.face.chosen_by == b.face.chosen_by == "person"
    if max(rms_a, rms_b) > unlike * min(rms_a, rms_b) and not chosen:
        return []
    fa, fma, fa2 = spectra_of(first, i, step, False, size)
    fb, fmb, fb2 = spectra_of(second, j, step, True, size)
    overlap = fft.irfft2(fma * fmb, (size, size))
    squares = fft.irfft2(fa2 * fmb + fma * fb2, (size, size))
    product = fft.irfft2(fa * fb, (size, size))
    # A cell averages several vertices, whose noise is partly their own.
    floor = 0.25 * (first.fragment.noise_mm**2 + second.fragment.noise_mm**2) * np.maximum(overlap, 1.0)
    alike = 2 * product / (np.maximum(squares, 0) + floor)
    share = np.clip(overlap / np.maximum(cells_a + cells_b - overlap, 1.0), 0.0, 1.0).reshape(TURNS, -1)
    promising = np.where(overlap > 0.15 * min(cells_a, cells_b), overlap * alike, 0.0).reshape(TURNS, -1)
    every, found = np.arange(TURNS), []
    for wanted in (promising, promising * share**2):
        best = wanted.argmax(axis=1)
        likeness = np.minimum(alike.reshape(TURNS, -1)[every, best], 0.99)
        score = overlap.reshape(TURNS, -1)[every, best] * -np.log1p(-likeness) * (promising[every, best] > 0)
        shares = share[every, best]
        rank = score if wanted is promising else score * shares**2
        peaks = np.flatnonzero((rank >= np.roll(rank, 1)) & (rank >= np.roll(rank, -1)) & (rank > 0))
        for k in peaks[np.argsort(-rank[peaks])][:keep]:
            shift = np.array(np.unravel_index(best[k], (size, size)), float)
            shift[shift > size_a] -= size
            pose = _pose(a, b, step, k, shift, size_a, size_b)
            found.append(Hypothesis(pose, float(score[k]), float(shares[k]), step, (first, second), (i, j)))
    return found


def closer(first: Gallery, second: Gallery, rough: Hypothesis) -> Hypothesis:
    """The pose from those parts of both faces alone that overlap in a rough one, on a finer grid.

    Where a face lies against a part of another, the plane of the whole is not that of the part.
    """
    parts = []
    sides = ((first, second, rough.a_from_b), (second, first, inverse(rough.a_from_b)))
    for (gallery, other, here_from_there), (i, j) in zip(sides, (rough.faces, rough.faces[::-1]), strict=True):
        mesh, face, plane = gallery.fragment.mesh, gallery.faces[i], gallery.view(i).plane
        above = apply(here_from_there, other.fragment.mesh.vertices[other.view(j).vertices])
        kept = _covered(plane, mesh.vertices[mesh.triangles[face.triangles, 0]], above, rough.step_mm)
        if np.count_nonzero(kept) < CELLS:
            return rough
        part = replace(face, triangles=face.triangles[kept], area_mm2=face.area_mm2 * float(kept.mean()))
        parts.append(Gallery(gallery.fragment, gallery.nodes, (part,), shelf=Shelf(0)))
    found = correlate(parts[0], 0, parts[1], 0, cells=FINER * CELLS, unlike=np.inf)
    return max(found, key=lambda h: h.score * h.share**2, default=rough)


def _covered(plane: Plane, points: FloatArray, above: FloatArray, step: float) -> NDArray[np.bool_]:
    """Which of the points (n, 3) have some of those ``above`` (m, 3) over them in a plane, a cell or so aside."""
    flat, over = plane.coordinates(points)[:, :2], plane.coordinates(above)[:, :2]
    low = flat.min(axis=0) - step
    cells, others = (np.asarray((x - low) / step, int) for x in (flat, over))
    held = np.zeros(cells.max(axis=0) + 2, bool)
    others = others[np.all((others >= 0) & (others < held.shape), axis=1)]
    held[tuple(others.T)] = True
    return np.asarray(binary_dilation(held, np.ones((3, 3)))[tuple(cells.T)])


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


def correlated(
    first: Gallery, second: Gallery, pairs: Sequence[tuple[int, int]], unlike: float
) -> list[list[Hypothesis]]:
    """The same of many pairs of faces, in their order; those for which the same spectra are drawn one after another."""
    groups: dict[tuple[int, float, int], list[int]] = {}
    for number, (i, j) in enumerate(pairs):
        groups.setdefault((j, *grid_of(first, i, second, j)), []).append(number)
    together = list(groups.values())
    poses = abreast(
        lambda group, _: [correlate(first, pairs[k][0], second, pairs[k][1], unlike=unlike) for k in group], together
    )
    by_number = dict(zip(chain.from_iterable(together), chain.from_iterable(poses), strict=True))
    return [by_number[number] for number in range(len(pairs))]
