"""How often U holds what it says: sizes across a joint, on parts whose sizes are known (``--runs``, ``--seed``).

Each run draws a placement from its stated covariance and fresh scan noise, measures faces and centres across the joint,
a bore beside it, and counts how often the true size lies within U (k = 2; 95.4 % for a normal distribution).
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from rejoin.core.dimensions.growing import ground_of
from rejoin.core.dimensions.placing import Body
from rejoin.core.dimensions.sizes import measure
from rejoin.core.meshes import placed, vertex_normals
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import from_vector, identity

NOISE = 0.02
SPREAD = np.array([2e-4, 3e-4, 2e-4, 0.01, 0.015, 0.01])
"""1 sigma of the placement: turns in rad, shifts in mm."""


def lug(side: float) -> Mesh:
    """An end face at x = 30 side, and the wall of a bore of 10 about (20 side, 0), along z; grids of about 1 mm."""
    y, z = (a.ravel() for a in np.meshgrid(np.linspace(-10, 10, 21), np.linspace(-6, 6, 13)))
    face = np.column_stack([np.full(len(y), 30.0 * side), y, z])
    turn, high = (a.ravel() for a in np.meshgrid(np.arange(32) * np.pi / 16, np.linspace(-6, 6, 13)))
    wall = np.column_stack([20.0 * side + 5.0 * np.cos(turn), 5.0 * np.sin(turn), high])
    k = np.array([r * 21 + c for r in range(12) for c in range(20)])
    plane = np.vstack([np.column_stack([k, k + 1, k + 21]), np.column_stack([k + 1, k + 22, k + 21])])
    r, c = (a.ravel() for a in np.meshgrid(np.arange(12), np.arange(32), indexing="ij"))
    k, right = r * 32 + c, r * 32 + (c + 1) % 32
    bore = np.vstack([np.column_stack([k, k + 32, right]), np.column_stack([right, k + 32, right + 32])])
    plane = plane if side > 0 else plane[:, ::-1]
    return Mesh(np.vstack([face, wall]), np.vstack([plane, bore + len(face)]).astype(np.int32))


def scanned(mesh: Mesh, number: int, rng: np.random.Generator) -> Body:
    """A body with fresh noise along its normals."""
    away = NOISE * rng.normal(size=(len(mesh.vertices), 1)) * vertex_normals(mesh)
    return Body(ground_of(Mesh(mesh.vertices + away, mesh.triangles)), number, identity(), None, None, NOISE)


def coverage(runs: int, seed: int) -> dict[str, FloatArray]:
    """Error / U of each size, by kind."""
    rng = np.random.default_rng(seed)
    left, right = lug(-1.0), lug(1.0)
    turn = np.linalg.qr(rng.normal(size=(6, 6)))[0]
    inner = 0.5 * np.eye(6) + 0.5 * turn @ np.diag([2, 1, 1, 1, 0.5, 0.5]) @ turn.T
    covariance = np.diag(SPREAD) @ inner @ np.diag(SPREAD)
    root, centre = np.linalg.cholesky(covariance), right.vertices.mean(axis=0)
    wanted = (
        ("faces", [[-30.0, 2, 1], [30.0, 2, 1]], 60.0), ("centres", [[-15.0, 0, 0], [15.0, 0, 0]], 40.0),
        ("points", [[-30.0, 2, 1], [30.0, 2, 1]], 60.0), ("bore", [[15.0, 0, 0]], 10.0),
    )  # fmt: skip
    found: dict[str, list[float]] = {kind: [] for kind, *_ in wanted}
    for _ in range(runs):
        one = scanned(left, 0, rng)
        moved = placed(right, from_vector(root @ rng.normal(size=6), centre))
        other = replace(scanned(moved, 1, rng), covariance=covariance, centre_mm=centre)
        for kind, picks, truth in wanted:
            bodies = [one, other] if len(picks) == 2 else [other]
            size = measure(kind, np.array(picks), bodies)
            found[kind].append((size.value - truth) / size.u95)
    return {kind: np.array(values) for kind, values in found.items()}


def main() -> None:
    """Print a line a kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for kind, errors in coverage(arguments.runs, arguments.seed).items():
        held = float((np.abs(errors) <= 1.0).mean())
        print(f"{kind:8} {100 * held:5.1f} % of {len(errors)} within U; mean error {errors.mean():+.3f} U")


if __name__ == "__main__":
    main()
