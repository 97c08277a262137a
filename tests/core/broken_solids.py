"""Small known solids, cut along a wavy face and tessellated afresh on either side (manifold3d)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import manifold3d
import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.core import meshes
from rejoin.core.records import FractureFace, Fragment, Mesh, Placement, Scan
from rejoin.core.transforms import apply, inverse, rigid


def wave(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A fracture relief of a few tenths of a millimetre with wavelengths from 2 to 12 mm."""
    return 0.5 * np.sin(0.9 * x + 0.4 * y) + 0.3 * np.sin(1.7 * y - 0.6 * x + 1.0) + 0.15 * np.sin(3.1 * x + 2.3 * y)


Relief = Callable[[np.ndarray, np.ndarray], np.ndarray]


def beyond(
    lift_mm: float, upward: bool, step_mm: float, shift: float, turned: bool = False, relief: Relief = wave
) -> manifold3d.Manifold:
    """All space (within 40 mm) above or below the wavy face at a height; ``turned`` stands it on the x axis."""
    grid = np.arange(-20.0, 20.0, step_mm) + shift * step_mm
    n = len(grid)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    surface = np.stack([x, y, relief(x, y) + lift_mm], axis=-1).reshape(-1, 3)
    lid = surface.copy()
    lid[:, 2] = 40.0 if upward else -40.0
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    face = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    rim = np.concatenate([i[:-1, 0], i[-1, :-1], i[1:, -1][::-1], i[0, 1:][::-1]])
    following = np.roll(rim, -1)
    wall = np.concatenate(
        [np.stack([following, rim, rim + n * n], 1), np.stack([following, rim + n * n, following + n * n], 1)]
    )
    triangles = np.concatenate([face, face[:, ::-1] + n * n, wall])
    if upward:
        triangles = triangles[:, ::-1]
    body = manifold3d.Manifold(
        manifold3d.Mesh64(np.concatenate([surface, lid]), np.ascontiguousarray(triangles, np.uint64))
    )
    assert body.status() == manifold3d.Error.NoError and body.volume() > 0
    return body.rotate([0, 90, 0]) if turned else body


def fragment(
    solid: manifold3d.Manifold, spacing_mm: float, noise_mm: float, seed: int, name: str
) -> tuple[Fragment, Placement]:
    """The solid as a scan in a frame of its own, and the true placement."""
    out = solid.simplify(0.02 * spacing_mm).refine_to_length(1.35 * spacing_mm).to_mesh64()
    vertices, triangles = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int64)
    merged = np.arange(len(vertices))
    merged[np.array(out.merge_from_vert, np.int64)] = np.array(out.merge_to_vert, np.int64)
    placed, _ = meshes.compacted(Mesh(vertices, merged[triangles].astype(np.int32)))
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=len(placed.vertices)) * noise_mm
    noisy = placed.vertices + meshes.vertex_normals(placed) * noise[:, None]
    part_from_scan = rigid(Rotation.from_rotvec(rng.normal(size=3)).as_matrix(), 30.0 * rng.normal(size=3))
    mesh = Mesh(apply(inverse(part_from_scan), noisy), placed.triangles)
    return as_fragment(mesh, noise_mm, name), Placement(part_from_scan, "truth")


def as_fragment(mesh: Mesh, noise_mm: float, name: str) -> Fragment:
    """A mesh as a cleaned scan."""
    scan = Scan(name, (), mesh, "mm", True, False, ())
    return Fragment(scan, mesh, meshes.edge_spacing(mesh), noise_mm, (), 0, meshes.is_closed(mesh), ())


def faces_of_break(both: Sequence[tuple[Fragment, Placement]], turned: bool = False) -> list[FractureFace]:
    """Of two halves, as a person would choose them: the triangles on the wavy face alone, not the walls of chips."""
    faces = []
    for index, (one, at) in enumerate(both):
        x, y, z = meshes.triangle_centres(meshes.placed(one.mesh, at.part_from_scan)).T
        off = x - wave(-z, y) if turned else z - wave(x, y)
        faces.append(FractureFace(index, np.flatnonzero(np.abs(off) < 0.15).astype(np.int32), 0.0, 1.0, "person"))
    return faces


def bored_block() -> manifold3d.Manifold:
    """12 x 10 x 20 mm with a through bore of radius 2.5 mm along z: genus 1."""
    return manifold3d.Manifold.cube([12, 10, 20], True) - manifold3d.Manifold.cylinder(30, 2.5, 2.5, 64, True)


def in_two(
    solid: manifold3d.Manifold, gap_mm: float = 0.0, spacing_mm: float = 0.4, noise_mm: float = 0.02, seed: int = 1
) -> tuple[tuple[Fragment, ...], tuple[Placement, ...]]:
    """The solid broken across z = 0; ``gap_mm`` has gone (+) or is overlapping (-) between the faces."""
    upper = solid ^ beyond(gap_mm / 2, True, spacing_mm, 0.0)
    lower = solid ^ beyond(-gap_mm / 2, False, spacing_mm, 0.37)
    both = [fragment(body, spacing_mm, noise_mm, seed + k, f"f{k}") for k, body in enumerate((upper, lower))]
    return tuple(f for f, _ in both), tuple(p for _, p in both)


def in_three(solid: manifold3d.Manifold, spacing_mm: float = 0.4, noise_mm: float = 0.02) -> tuple[
    tuple[Fragment, ...], tuple[Placement, ...]
]:
    """Broken across z = 0, and the upper half again across x = 0: three fragments meet along one edge."""
    upper = solid ^ beyond(0.0, True, spacing_mm, 0.0)
    bodies = (
        upper ^ beyond(0.0, True, spacing_mm, 0.2, turned=True),
        upper ^ beyond(0.0, False, spacing_mm, 0.6, turned=True),
        solid ^ beyond(0.0, False, spacing_mm, 0.37),
    )
    all_three = [fragment(body, spacing_mm, noise_mm, 5 + k, f"f{k}") for k, body in enumerate(bodies)]
    return tuple(f for f, _ in all_three), tuple(p for _, p in all_three)
