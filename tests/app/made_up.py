"""A small broken block whose every result is known, so that each state of the window can be shown at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rejoin.core.meshes import triangle_areas, volume
from rejoin.core.records import (
    Evidence,
    Fill,
    FitReport,
    FloatArray,
    FractureFace,
    Fragment,
    Joint,
    Mesh,
    Placement,
    Project,
    Repair,
    Scan,
    Whole,
)
from rejoin.core.transforms import apply, inverse, rigid

SIZE = np.array([60.0, 30.0, 20.0])
COUNT = (24, 26, 18)
BREAK = {0: "x1", 1: "x0"}


def block(part: int, seed: int = 7, count: tuple[int, int, int] = COUNT) -> tuple[Mesh, FloatArray]:
    """Half 0 or 1 of a block broken across x at a rough surface, part frame, and its fracture triangles."""
    nx, ny, nz = count
    faces = []
    sides = {
        "x0": (0, 0, 1, 2), "x1": (0, 1, 1, 2), "y0": (1, 0, 0, 2), "y1": (1, 1, 0, 2), "z0": (2, 0, 0, 1),
        "z1": (2, 1, 0, 1),
    }  # fmt: skip
    points: dict[tuple[int, int, int], int] = {}
    fracture = []
    for name, (axis, end, u_axis, v_axis) in sides.items():
        flip = (end == 0) ^ (axis == 1)
        for u in range(count[u_axis]):
            for v in range(count[v_axis]):
                corners = []
                for du, dv in ((0, 0), (1, 0), (1, 1), (0, 1)):
                    index = [0, 0, 0]
                    index[axis], index[u_axis], index[v_axis] = end * count[axis], u + du, v + dv
                    corners.append(points.setdefault(tuple(index), len(points)))
                a, b, c, d = corners[::-1] if flip else corners
                faces += [(a, b, c), (a, c, d)]
                fracture += [name == BREAK[part]] * 2
    share = np.array(list(points)) / np.array([nx, ny, nz])
    rough = _height(share[:, 1], share[:, 2], seed)
    low = np.where(part == 0, 0.0, 0.5 * SIZE[0] + rough)
    high = np.where(part == 0, 0.5 * SIZE[0] + rough, SIZE[0])
    vertices = np.stack([low + share[:, 0] * (high - low), share[:, 1] * SIZE[1], share[:, 2] * SIZE[2]], axis=1)
    return Mesh(vertices, np.array(faces)), np.flatnonzero(fracture)


def _height(v: FloatArray, w: FloatArray, seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    height = 3.0 * (v - 0.5)
    for wave in range(1, 9):
        a, b, phase = rng.normal(0, 2.2, 3)
        height = height + 2.0 / wave * np.sin(wave * (a * v + b * w) + 3 * phase)
    return height


def true_poses() -> tuple[FloatArray, FloatArray]:
    """part_from_scan of the two halves."""
    return (
        rigid(Rotation.from_rotvec([0.1, -0.2, 0.3]).as_matrix(), np.array([5.0, -3.0, 2.0])),
        rigid(Rotation.from_rotvec([0.9, 0.5, -0.4]).as_matrix(), np.array([-20.0, 8.0, 1.0])),
    )


def scans(noise_mm: float = 0.02) -> Project:
    """The two halves as scanned, each in a frame of its own."""
    made = []
    for part, pose in enumerate(true_poses()):
        mesh, _ = block(part)
        noisy = mesh.vertices + np.random.default_rng(part).normal(0.0, noise_mm, mesh.vertices.shape)
        name = ("pump lever, long end", "pump lever, eye")[part]
        scan_mesh = Mesh(apply(inverse(pose), noisy), mesh.triangles)
        made.append(Scan(name, (f"{name}.ply",), scan_mesh, "mm", True, False, (f"{part:064x}",)))
    return Project(scans=tuple(made))


def cleaned() -> Project:
    project = scans()
    notes = ((Repair("specks", 3, "3 loose specks were removed."),), ())
    fragments = [Fragment(s, s.mesh, 1.2, 0.02, (), 0, True, notes[i]) for i, s in enumerate(project.scans)]
    return replace(project, fragments=tuple(fragments))


def with_faces() -> Project:
    project = cleaned()
    faces = []
    for part, fragment in enumerate(project.fragments):
        triangles = block(part)[1]
        area = float(triangle_areas(fragment.mesh)[triangles].sum())
        faces.append(FractureFace(part, triangles, area, 0.9, "program"))
    return replace(project, faces=tuple(faces))


def joined(shift_mm: float = 0.05) -> Project:
    """Joined with a known opening of ``shift_mm`` along x."""
    project = with_faces()
    a, b = true_poses()
    moved = rigid(np.eye(3), np.array([shift_mm, 0.0, 0.0])) @ b
    evidence = Evidence(900.0, 120.0, 610.0, 0.93, 0.024, 0.03, 4.0, True, "The relief of the two faces agrees.")
    joint = Joint(0, 1, project.faces[0], project.faces[1], inverse(a) @ moved, evidence)
    placements = (
        Placement(a, "program", u95_mm=0.0),
        Placement(moved, "program", covariance=np.diag([1e-6] * 3 + [1e-4] * 3), u95_mm=0.08,
                  weakest="It is held least across."),
    )
    project = replace(project, joints=(joint,), placements=placements)
    return replace(project, fits=(_fit(project, shift_mm),))


def _fit(project: Project, shift_mm: float) -> FitReport:
    rows, gaps = [], []
    pairs = zip(project.placements, project.fragments, strict=True)
    places = [apply(p.part_from_scan, f.mesh.vertices) for p, f in pairs]
    for me, other in ((0, 1), (1, 0)):
        mine = np.unique(project.fragments[me].mesh.triangles[project.faces[me].triangles])
        theirs = np.unique(project.fragments[other].mesh.triangles[project.faces[other].triangles])
        far, near = cKDTree(places[other][theirs][:, 1:]).query(places[me][mine][:, 1:])
        along = (places[other][theirs][near] - places[me][mine])[:, 0] * (1.0 if me == 0 else -1.0)
        rows.append(mine)
        gaps.append(np.where(far < 0.6, along, np.nan))
    every = np.concatenate(gaps)
    return FitReport(0, rows[0], rows[1], gaps[0], gaps[1], 610.0, float(np.nanmedian(every)),
                     float(np.nanpercentile(np.abs(every), 95)), float(max(-np.nanmin(every), 0.0)), 0.93, 0.02, 0.0,
                     0.01, "good", "The faces touch over nearly all of their area.")  # fmt: skip


def whole() -> Project:
    """Fused: the block itself, its seam where the halves met."""
    project = joined()
    first, second = block(0), block(1)
    keep_a = np.setdiff1d(np.arange(len(first[0].triangles)), first[1])
    keep_b = np.setdiff1d(np.arange(len(second[0].triangles)), second[1])
    merged = np.vstack([first[0].vertices, second[0].vertices])
    triangles = np.vstack([first[0].triangles[keep_a], second[0].triangles[keep_b] + len(first[0].vertices)])
    unique, inverse_index = np.unique(np.round(merged, 6), axis=0, return_inverse=True)
    mesh = Mesh(unique, inverse_index.reshape(-1)[triangles])
    centres = unique[mesh.triangles].mean(axis=1)
    middle = SIZE[0] / 2
    seam = np.flatnonzero(np.abs(centres[:, 0] - middle) < 2.5)
    fill = Fill("scan hole", 3.0, 12.0, np.zeros(3))
    made = Whole(mesh, volume(mesh), float(triangle_areas(mesh).sum()), True, 1, 0, seam, seam[:30], 12.0, (fill,), 0,
                 0.04, ("One scan hole of 3 mm was closed.",))  # fmt: skip
    return replace(project, whole=made)


def large_block(part: int, rounds: int = 4, noise_mm: float = 0.004) -> tuple[Mesh, FloatArray]:
    """A half with its triangles parted in four ``rounds`` times (4: a million points), scan frame, and its break."""
    mesh, fracture = block(part, count=(28, 30, 20))
    vertices, triangles = mesh.vertices, mesh.triangles.astype(np.int64)
    broken = np.isin(np.arange(len(triangles)), fracture)
    for _ in range(rounds):
        sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
        keys, number = np.unique(sides[:, 0] * len(vertices) + sides[:, 1], return_inverse=True)
        middles = (vertices[keys // len(vertices)] + vertices[keys % len(vertices)]) / 2
        a, b, c = number.reshape(3, -1) + len(vertices)
        corner = triangles.T
        triangles = np.concatenate([
            np.stack(three, axis=1)
            for three in ((corner[0], a, c), (corner[1], b, a), (corner[2], c, b), (a, b, c))
        ])  # fmt: skip
        vertices, broken = np.concatenate([vertices, middles]), np.tile(broken, 4)
    noisy = vertices + np.random.default_rng(part).normal(0.0, noise_mm, vertices.shape)
    return Mesh(apply(inverse(true_poses()[part]), noisy), triangles), np.flatnonzero(broken)


def write_scans(folder: Path, large: bool = False) -> list[Path]:
    """The two scans as binary PLY files that state no unit."""
    paths = []
    for part in (0, 1):
        mesh = large_block(part)[0] if large else scans().scans[part].mesh
        path = folder / f"half_{part + 1}.ply"
        head = (
            f"ply\nformat binary_little_endian 1.0\nelement vertex {len(mesh.vertices)}\nproperty float x\n"
            f"property float y\nproperty float z\nelement face {len(mesh.triangles)}\n"
            "property list uchar int vertex_indices\nend_header\n"
        )
        rows = np.empty(len(mesh.triangles), dtype=[("n", "u1"), ("v", "<i4", 3)])
        rows["n"], rows["v"] = 3, mesh.triangles
        path.write_bytes(head.encode() + mesh.vertices.astype("<f4").tobytes() + rows.tobytes())
        paths.append(path)
    return paths
