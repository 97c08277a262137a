"""Small broken bars, made on the spot from a seed: fragments whose every secret is known.

A bar lies along x and breaks across it. The height of a broken surface is a
sum of waves whose power falls with their length as that of fractured metal
does (Ponson, Bonamy and Bouchaud 2006: a roughness exponent near 0.8).
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Mesh, Scan
from rejoin.core.transforms import apply, inverse, rigid

EXPONENT = 0.8
WAVES = 12


@dataclass(frozen=True)
class Bar:
    """A bar in two halves, and how its break was treated.

    ``relief_mm`` is the rms height of the break; ``worn_mm`` what has gone from each face since.
    """

    seed: int
    length_mm: float = 72.0
    width_mm: float = 32.0
    height_mm: float = 22.0
    relief_mm: float = 1.6
    worn_mm: float = 0.0
    spacing_mm: float = 0.8
    noise_mm: float = 0.03


def half(bar: Bar, part: int, name: str, file: str = "") -> tuple[Scan, FloatArray, npt.NDArray[np.int32]]:
    """One half as scanned: its scan, ``part_from_scan`` (4, 4) and the triangles (k,) of its broken face."""
    mesh, broken = _solid(bar, part)
    rng = np.random.default_rng([bar.seed, part, 3])
    noisy = mesh.vertices + vertex_normals(mesh) * (bar.noise_mm * rng.normal(size=len(mesh.vertices)))[:, None]
    turn = Rotation.from_rotvec(rng.normal(size=3)).as_matrix()
    part_from_scan = rigid(turn, 30.0 * rng.normal(size=3))
    scan_mesh = Mesh(apply(inverse(part_from_scan), noisy), mesh.triangles)
    content = sha256(scan_mesh.vertices.tobytes() + scan_mesh.triangles.tobytes()).hexdigest()
    scan = Scan(name, (file or f"{name}.ply",), scan_mesh, "mm", True, False, (content,))
    return scan, part_from_scan, broken


def _solid(bar: Bar, part: int) -> tuple[Mesh, npt.NDArray[np.int32]]:
    """Half 0 (low x) or 1 of the bar, part frame: a box with one rough end, welded, outward."""
    size = np.array([bar.length_mm / 2.0, bar.width_mm, bar.height_mm])
    count = np.maximum(np.round(size / bar.spacing_mm).astype(int), 2)
    points, triangles, broken = [], [], []
    start = 0
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        steps_u, steps_v = np.meshgrid(np.arange(count[u] + 1), np.arange(count[v] + 1), indexing="ij")
        for end in (0, 1):
            grid = np.empty((steps_u.size, 3))
            grid[:, u], grid[:, v], grid[:, axis] = steps_u.ravel(), steps_v.ravel(), end * count[axis]
            corner = (np.arange(count[u])[:, None] * (count[v] + 1) + np.arange(count[v])).ravel()
            across, along = corner + count[v] + 1, corner + 1
            quads = np.stack([corner, across, across + 1, corner, across + 1, along], axis=1).reshape(-1, 3)
            triangles.append((quads if end else quads[:, ::-1]) + start)
            broken.append(np.full(len(quads), axis == 0 and end == 1 - part))
            points.append(grid)
            start += len(grid)
    unique, welded = np.unique(np.vstack(points), axis=0, return_inverse=True)
    mesh = Mesh(_bent(bar, part, unique / count), np.reshape(welded, -1)[np.vstack(triangles)])
    face = np.flatnonzero(np.concatenate(broken)).astype(np.int32)
    return _worn(bar, mesh, face, (unique / count)[:, 1:]), face


def _worn(bar: Bar, mesh: Mesh, face: npt.NDArray[np.int32], beside: FloatArray) -> Mesh:
    """The half without a layer of its broken face; ``beside`` (n, 2) is 0 or 1 where a vertex lies on a side."""
    if not bar.worn_mm:
        return mesh
    normals = vertex_normals(Mesh(mesh.vertices, mesh.triangles[face]))
    normals[:, 1:][(beside == 0.0) | (beside == 1.0)] = 0.0  # the sides stay plane
    of_face = np.zeros(len(normals), bool)
    of_face[mesh.triangles[face].ravel()] = True
    return Mesh(np.where(of_face[:, None], mesh.vertices - bar.worn_mm * normals, mesh.vertices), mesh.triangles)


def _bent(bar: Bar, part: int, shares: FloatArray) -> FloatArray:
    """Places on the box (n, 3), from 0 to 1, with the broken end at its height."""
    middle = bar.length_mm / 2.0
    edge = middle + break_height(bar, shares[:, 1] * bar.width_mm, shares[:, 2] * bar.height_mm)
    x = edge * shares[:, 0] if part == 0 else edge + (bar.length_mm - edge) * shares[:, 0]
    return np.stack([x, shares[:, 1] * bar.width_mm, shares[:, 2] * bar.height_mm], axis=1)


def break_height(bar: Bar, y: FloatArray, z: FloatArray) -> FloatArray:
    """Height (n,) of the break over the middle of the bar, mm."""
    rng = np.random.default_rng([bar.seed, 1])
    height = np.zeros(len(y))
    for number in range(1, WAVES + 1):
        for _ in range(2):
            angle, phase = rng.uniform(0.0, 2.0 * np.pi, 2)
            wave = 2.0 * np.pi * number / (1.3 * bar.width_mm)
            height += number ** -(EXPONENT + 0.5) * np.cos(wave * (np.cos(angle) * y + np.sin(angle) * z) + phase)
    spread = float(np.sqrt((np.arange(1, WAVES + 1) ** -(2.0 * EXPONENT + 1.0)).sum()))
    return bar.relief_mm * height / spread
