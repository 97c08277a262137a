"""Is every planted fault of a scan named, and none invented? Random scans, each clean or with one fault.

    python -m tests.benchmarks.judging --scans 100 --seed 1
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.faces import find_fracture_faces
from rejoin.core.judging import faults_of
from rejoin.core.records import Mesh, Scan, ScanFault, ScanView
from rejoin.core.settings import FaceSettings, silent
from tests.makers import make_case

FAULTS = ("none", "covered", "hole", "double wall", "smoothed", "coarse", "warp")
SHAPES = ("rocker", "bracket", "connecting_rod", "flange", "knob", "elbow")


def planted(fault: str, seed: int) -> tuple[Mesh, tuple[ScanView, ...]] | None:
    """A random scan with one fault; None where the piece is too small to show it."""
    rng = np.random.default_rng([seed, 4])
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    spacing = float(rng.uniform(0.35, 0.6)) if fault != "coarse" else float(rng.uniform(2.5, 3.0))
    case = make_case(shape, seed, spacing_mm=spacing, noise_mm=float(rng.uniform(0.02, 0.04)))
    index = int(rng.integers(2))
    mesh, broken = case.fragments[index], case.fracture[index]
    views: tuple[ScanView, ...] = ()
    if fault == "covered":
        mesh = _without_disc(mesh, broken, 0.3, rng)
    elif fault == "hole":
        # A hole that reaches the break takes part of the broken surface too.
        away = cKDTree(mesh.vertices[broken]).query(mesh.vertices)[0]
        clear = away > _reach(mesh, ~broken, 0.02, 7.0 * spacing) + 6.0 * spacing
        if not clear.any():
            return None
        mesh = _without_disc(mesh, ~broken, 0.02, rng, 7.0 * spacing, clear)
    elif fault == "double wall":
        mesh = _doubled(mesh, spacing, rng)
    elif fault == "smoothed":
        mesh = _smoothed(mesh, 25)
    elif fault == "warp":
        views = tuple(ScanView(f"view {n}", np.eye(4), 9, 0.0, 0.0, 0.03 + 0.4 * (n == 1)) for n in range(3))
    return mesh, views


def _without_disc(
    mesh: Mesh, allowed: np.ndarray, share: float, rng: np.random.Generator, least: float = 0.0,
    centres: np.ndarray | None = None,
) -> Mesh:  # fmt: skip
    """Without a patch around one of the allowed vertices (or of ``centres``), this share of their area large."""
    reach = _reach(mesh, allowed, share, least)
    chosen = np.flatnonzero(allowed if centres is None else centres)
    at = chosen[rng.integers(len(chosen))]
    if share > 0.1:
        at = chosen[np.argmin(np.linalg.norm(mesh.vertices[chosen] - mesh.vertices[chosen].mean(axis=0), axis=1))]
    near = (np.linalg.norm(mesh.vertices - mesh.vertices[at], axis=1) < reach) & allowed
    keep = ~near[mesh.triangles].any(axis=1)
    cut = meshes.compacted(mesh, np.flatnonzero(keep).astype(np.int32))[0]
    labels = meshes.components(cut)[1][cut.triangles[:, 0]]
    main = np.bincount(labels).argmax()
    return meshes.compacted(cut, np.flatnonzero(labels == main).astype(np.int32))[0]


def _reach(mesh: Mesh, allowed: np.ndarray, share: float, least: float) -> float:
    return max(float(np.sqrt(share * meshes.vertex_areas(mesh)[allowed].sum() / np.pi)), least)


def _doubled(mesh: Mesh, spacing: float, rng: np.random.Generator) -> Mesh:
    """A third of the surface once more, a spacing or so off."""
    at = mesh.vertices[rng.integers(len(mesh.vertices))]
    reach = np.quantile(np.linalg.norm(mesh.vertices - at, axis=1), 0.3)
    near = np.linalg.norm(mesh.vertices - at, axis=1) < reach
    part, _ = meshes.compacted(mesh, np.flatnonzero(near[mesh.triangles].all(axis=1)).astype(np.int32))
    normals = meshes.averaged_normals(part, meshes.vertex_normals(part), 4)
    moved = part.vertices + rng.uniform(0.8, 1.4) * spacing * normals
    return Mesh(np.concatenate([mesh.vertices, moved]),
                np.concatenate([mesh.triangles, part.triangles + len(mesh.vertices)]))  # fmt: skip


def _smoothed(mesh: Mesh, rounds: int) -> Mesh:
    links, points = meshes.adjacency(mesh), mesh.vertices
    degree = np.asarray(links.sum(axis=1)).reshape(-1, 1)
    for _ in range(rounds):
        points = points + 0.5 * (links @ points / degree - points)
    return Mesh(points, mesh.triangles)


def found_in(mesh: Mesh, views: tuple[ScanView, ...], right_face: bool = False) -> tuple[ScanFault, ...]:
    scan = Scan("scan", (), mesh, "mm", True, False, ("x",))
    fragment = clean_scan(replace(scan, views=views))
    return faults_of(fragment, find_fracture_faces(fragment, 0, FaceSettings(), silent))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--scans", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=FAULTS, default=list(FAULTS))
    given = parser.parse_args()
    named, invented, missed = Counter[str](), Counter[str](), Counter[str]()
    for number in range(given.scans):
        fault = FAULTS[0] if number % 2 == 0 else FAULTS[1 + number // 2 % (len(FAULTS) - 1)]
        if fault not in given.only:
            continue
        try:
            made = planted(fault, 1000 * given.seed + number)
        except RuntimeError:
            made = None
        if made is None:
            continue
        kinds = {one.kind for one in found_in(*made)}
        for kind in kinds - {fault}:
            invented[f"{kind} beside {fault}"] += 1
        if fault != "none":
            (named if fault in kinds else missed)[fault] += 1
        else:
            named["clean left clean" if not kinds else "clean accused"] += 1
        print(number, fault, sorted(kinds), flush=True)
    print("named", dict(named), "\nmissed", dict(missed), "\ninvented", dict(invented))


if __name__ == "__main__":
    main()
