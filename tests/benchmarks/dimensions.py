"""How often U holds what it says: sizes on one scan and across a joint, on parts whose sizes are known.

    python -m tests.benchmarks.dimensions --runs 500
    python -m tests.benchmarks.dimensions --runs 60 --joints fresh supposed clean worn

Each run draws fresh scan noise, white or (as scanners have it) alike over three spacings, and a placement: from a
stated covariance, or with ``--joints`` the one that the program finds for the scans of a broken casting, with the
covariance that the program states for it. Faces, bores, points and angles of two lugs, one on each fragment, are
measured; counted is how often the true size lies within U (95.4 % for a normal distribution). Joints are "fresh"
(clean, and joined as such, without allowing for a missing layer), or, where nobody says so, "supposed" (worn as the
program supposes it before it looks, which is what U then speaks of), "either" (some clean, some worn by .06 to .2 mm a
face), "clean" or "worn" alone.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rejoin.core.dimensions.growing import ground_of
from rejoin.core.dimensions.placing import Body
from rejoin.core.dimensions.sizes import measure
from rejoin.core.meshes import placed, vertex_normals
from rejoin.core.records import FloatArray, LayerDoubt, Mesh, Placement
from rejoin.core.transforms import apply, from_vector, identity, inverse
from rejoin.core.uncertainty.layers import USUAL_LAYER
from tests.benchmarks.coverage import KINDS, broken, joined, scans_of
from tests.makers.faults import CORRELATED_SHARE, CORRELATION_SPACINGS
from tests.makers.scanning import smooth_field

NOISE = 0.02
PITCH = 0.6
SPREAD = np.array([2e-4, 3e-4, 2e-4, 0.01, 0.015, 0.01])
"""1 sigma of the placement: turns in rad, shifts in mm."""
CLEAN, WORN = ("clean", "clean, rough"), ("worn 0.06", "worn 0.12", "worn 0.2")
GROUPS = {"fresh": CLEAN, "supposed": CLEAN, "either": (*CLEAN * 3, *WORN * 2), "clean": CLEAN, "worn": WORN}
ACROSS = (
    ("faces", [[-30.0, 2, 1], [30.0, 2, 1]], 60.0), ("centres", [[-15.0, 0, 0], [15.0, 0, 0]], 40.0),
    ("points", [[-30.0, 2, 1], [30.0, 2, 1]], 60.0), ("angle", [[-30.0, 2, 1], [25.0, 10.0, 0]], 90.0),
)  # fmt: skip
ALONE = (
    ("bore", [[15.0, 0, 0]], 10.0), ("depth", [[30.0, 2, 1], [36.0, 2, 1]], 6.0),
    ("points", [[30.0, 2, 1], [36.0, 2, 1]], 6.0), ("angle", [[30.0, 2, 1], [25.0, 10.0, 0]], 90.0),
    ("faces", [[30.0, 2, 1], [36.0, 2, 1]], 6.0),
    ("centres", [[15.0, 0, 0], [32.5, 20.0, 0]], float(np.hypot(17.5, 20))),
)  # fmt: skip


def sheet(corner: list[float], along: list[float], up: list[float]) -> Mesh:
    """A grid of about `PITCH` from a corner along two edges; its normal is along x up."""
    a, b = np.array(along), np.array(up)
    n, m = (int(np.ceil(np.linalg.norm(edge) / PITCH)) for edge in (a, b))
    i, j = (k.ravel() for k in np.meshgrid(np.arange(n + 1), np.arange(m + 1)))
    points = np.array(corner) + (i / n)[:, None] * a + (j / m)[:, None] * b
    k = np.array([r * (n + 1) + c for r in range(m) for c in range(n)])
    rows = np.vstack([np.column_stack([k, k + 1, k + n + 1]), np.column_stack([k + 1, k + n + 2, k + n + 1])])
    return Mesh(points, rows.astype(np.int32))


def tube(x: float, y: float) -> Mesh:
    """The wall of a bore of 10 along z about (x, y), 12 high."""
    n, m = int(np.pi * 10 / PITCH), int(12 / PITCH)
    turned, high = (a.ravel() for a in np.meshgrid(np.arange(n) * 2 * np.pi / n, np.linspace(-6, 6, m + 1)))
    wall = np.column_stack([x + 5.0 * np.cos(turned), y + 5.0 * np.sin(turned), high])
    r, c = (a.ravel() for a in np.meshgrid(np.arange(m), np.arange(n), indexing="ij"))
    k, right = r * n + c, r * n + (c + 1) % n
    rows = np.vstack([np.column_stack([k, k + n, right]), np.column_stack([right, k + n, right + n])])
    return Mesh(wall, rows.astype(np.int32))


def lug(side: float) -> Mesh:
    """End faces at x = 30 and 36, a side at y = 10, bores about (20, 0) and (37.5, 20); turned half round for -1."""
    parts = [
        sheet([30, -10, -6], [0, 20, 0], [0, 0, 12]), sheet([36, -10, -6], [0, 20, 0], [0, 0, 12]),
        sheet([20, 10, -6], [0, 0, 12], [9, 0, 0]), tube(20.0, 0.0), tube(37.5, 20.0),
    ]  # fmt: skip
    starts = np.cumsum([0, *(len(part.vertices) for part in parts)])
    rows = [part.triangles + at for part, at in zip(parts, starts, strict=False)]
    mesh = Mesh(np.vstack([part.vertices for part in parts]), np.vstack(rows).astype(np.int32))
    return mesh if side > 0 else placed(mesh, np.diag([-1.0, -1.0, 1.0, 1.0]))


def noisy(mesh: Mesh, alike: bool, rng: np.random.Generator) -> Mesh:
    """The mesh with fresh noise along its normals."""
    away = rng.normal(size=len(mesh.vertices))
    if alike:
        smooth = smooth_field(mesh.vertices, CORRELATION_SPACINGS * PITCH, rng)
        away = np.sqrt(CORRELATED_SHARE) * smooth + np.sqrt(1 - CORRELATED_SHARE) * away
    return Mesh(mesh.vertices + NOISE * away[:, None] * vertex_normals(mesh), mesh.triangles)


Placing = tuple[FloatArray, FloatArray, FloatArray, tuple[LayerDoubt, ...]]
"""How far the second fragment is from where it is said to be (4, 4), its covariance (6, 6) about a centre (3,), and
the layers in it."""


def drawn(rng: np.random.Generator) -> Iterator[Placing]:
    """Placements drawn from a covariance."""
    mixed = np.linalg.qr(rng.normal(size=(6, 6)))[0]
    inner = 0.5 * np.eye(6) + 0.5 * mixed @ np.diag([2, 1, 1, 1, 0.5, 0.5]) @ mixed.T
    covariance, centre = np.diag(SPREAD) @ inner @ np.diag(SPREAD), np.array([28.0, 5.0, 0.0])
    root = np.linalg.cholesky(covariance)
    while True:
        yield from_vector(root @ rng.normal(size=6), centre), covariance, centre, ()


def found(group: str, first: int) -> Iterator[Placing]:
    """Placements that the program finds for made castings, turned so that x goes across the crack in the middle."""
    kinds = [next(kind for kind in KINDS if kind.name == name) for name in GROUPS[group]]
    for number in range(first, first + 1_000_000):
        kind = kinds[number % len(kinds)]
        if group == "supposed":
            kind = replace(kind, wear=_supposed_wear(number, kind.spacing))
        try:
            case = scans_of(broken(number, kind), kind, 0)
            adjusted, truth, _ = joined(case, kind, np.random.default_rng([number, 41]), group != "fresh")
        except Exception as trouble:
            print(f"  {kind.name}, part {number}: {trouble}", flush=True)
            continue
        pose = adjusted.part_from_scan[1]
        at = apply(truth, case.fragments[1].vertices[case.fracture[1]])
        crack_from_part = _across(at, apply(truth, case.fragments[1].vertices.mean(axis=0)[None])[0])
        wrong = crack_from_part @ truth @ inverse(pose) @ inverse(crack_from_part)
        centre = apply(crack_from_part @ pose, case.fragments[1].vertices.mean(axis=0)[None])[0]
        turned = np.kron(np.eye(2), crack_from_part[:3, :3])
        sure = adjusted.certainty[1]
        layers = tuple(replace(one, move=turned @ one.move) for one in sure.layers)
        yield wrong, turned @ sure.covariance @ turned.T, centre, layers


def _supposed_wear(number: int, spacing: float) -> float:
    """Wear of each face, mm, drawn from what is expected before looking: none, or a half-normal layer over both."""
    rng = np.random.default_rng([number, 9])
    return 0.5 * USUAL_LAYER * spacing * abs(rng.normal()) if rng.random() < 0.5 else 0.0


def _across(crack: FloatArray, beyond: FloatArray) -> FloatArray:
    middle = crack.mean(axis=0)
    axes = np.linalg.svd(crack - middle, full_matrices=False)[2]
    x = axes[2] * (1.0 if axes[2] @ (beyond - middle) > 0 else -1.0)
    to = identity()
    to[:3, :3] = np.stack([x, axes[0], np.cross(x, axes[0])])
    to[:3, 3] = -to[:3, :3] @ middle
    return to


def coverage(runs: int, rng: np.random.Generator, placings: Iterator[Placing], alike: bool) -> dict[str, FloatArray]:
    """Error and U (runs, 2) of each size, by kind; those on one scan are marked so."""
    left, right = lug(-1.0), lug(1.0)
    seen: dict[str, list[tuple[float, float]]] = {}
    for _, (wrong, covariance, centre, layers) in zip(range(runs), placings, strict=False):
        first, second = noisy(left, alike, rng), noisy(right, alike, rng)
        one = Body(ground_of(first), 0, identity(), None, None, NOISE)
        # the scan lies truly; where it is said to be is wrong, and its size across the joint with it
        said = replace(one, ground=ground_of(second), number=1, frame_from_mesh=inverse(wrong), centre_mm=centre,
                       placement=Placement(None, "program", covariance=covariance, layers=layers))  # fmt: skip
        for where, bodies, wanted in (("across", [one, said], ACROSS), ("one scan", [said, said], ALONE)):
            for kind, picks, truth in wanted:
                size = measure(kind, np.array(picks), bodies[: len(picks)])
                seen.setdefault(f"{kind}, {where}", []).append((size.value - truth, size.u95))
    return {kind: np.array(values) for kind, values in seen.items()}


def main() -> None:
    """Print a line a kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--joints", nargs="+", choices=sorted(GROUPS), help="placements that the program finds")
    parser.add_argument("--first", type=int, default=0, help="number of the first part of those")
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    jobs = [(name, found(name, given.first), True) for name in given.joints or ()] or [
        ("white noise", drawn(rng), False), ("noise alike over 3 spacings", drawn(rng), True)]  # fmt: skip
    for name, placings, alike in jobs:
        print(name)
        for kind, (errors, u95) in ((k, v.T) for k, v in coverage(given.runs, rng, placings, alike).items()):
            held = float((np.abs(errors) <= u95).mean())
            ratio = float(np.median(u95 / np.abs(errors)))
            print(f"  {kind:18} {100 * held:5.1f} % of {len(errors)} within U; U {np.median(u95):.4f}, "
                  f"{ratio:.1f} times the error (medians); mean error {errors.mean():+.4f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
