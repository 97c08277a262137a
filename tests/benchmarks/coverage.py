"""Does the 95 % bound cover the true error, and is the error as small as the noise allows?

    python -m tests.benchmarks.coverage --parts 12 --scans 3

Each part is a rough crack across a section of random outline; each scan of it
draws new points and new noise. The truth is exact. "limit" is the error of a
least squares that knows the true surface, also finer than the spacing, and has
only the scans' noise: no program reaches it.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay
from scipy.spatial.transform import Rotation

from rejoin.core.alignment import Adjustment, adjust
from rejoin.core.contact import rows
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, IntArray, Joint, Mesh, Scan
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import apply, displacement, from_vector, identity, inverse, rigid
from tests.makers.faults import CORRELATED_SHARE, CORRELATION_SPACINGS
from tests.makers.fracture import Surface, random_surface
from tests.makers.scanning import smooth_field

PROVEN = Evidence(100.0, 0.0, 100.0, 1.0, 0.03, 0.0, 2.0, True, "")


@dataclass(frozen=True)
class Outline:
    """A section through a casting: a rectangle, ring or angle, ``size`` mm across, ``wall`` mm thick."""

    kind: str
    size: float
    wall: float

    def holds(self, xy: FloatArray) -> FloatArray:
        """Which points (n, 2) lie in the section."""
        x, y = np.abs(xy.T)
        half = self.size / 2
        if self.kind == "ring":
            radius = np.hypot(x, y)
            return np.asarray((radius < half) & (radius > half - self.wall))
        if self.kind == "angle":
            left, low = xy[:, 0] + half, xy[:, 1] + half
            return np.asarray((x < half) & (y < half) & ((left < self.wall) | (low < self.wall)))
        return np.asarray((x < half) & (y < self.wall))


@dataclass(frozen=True)
class Half:
    """A scanned half: the fragment, its face, its true pose, and the noise of each face vertex (mm, outward)."""

    fragment: Fragment
    triangles: IntArray
    part_from_scan: FloatArray
    noise: FloatArray


def random_outline(rng: np.random.Generator) -> Outline:
    kind = ("block", "ring", "angle")[int(rng.integers(3))]
    size = float(rng.uniform(16, 38))
    return Outline(kind, size, float(rng.uniform(3.5, 7.0)))


def scanned_half(
    surface: Surface, outline: Outline, upper: bool, wear: float, spacing: float, noise: float,
    rng: np.random.Generator, chip: tuple[FloatArray, float] | None = None,
) -> Half:  # fmt: skip
    """One half: points spread evenly but independently over the crack, and a far end."""
    half = 0.75 * outline.size + spacing
    axis = np.arange(-half, half, 0.93 * spacing)
    grid = np.stack(np.meshgrid(axis, axis), -1).reshape(-1, 2)
    grid[:, 0] += np.where((np.arange(len(grid)) // len(axis)) % 2, 0.46 * spacing, 0.0)
    turned = Rotation.from_euler("z", rng.uniform(0, 2 * np.pi)).as_matrix()[:2, :2]
    grid = grid @ turned.T + rng.normal(0, 0.12 * spacing, grid.shape) + rng.uniform(-1, 1, 2) * spacing
    flat = grid[outline.holds(grid)]
    sign = 1.0 if upper else -1.0
    points = surface.settled(np.column_stack([flat, surface.height(flat)]), sign * wear)
    if chip is not None:
        depth = chip[1] - np.linalg.norm(points - chip[0], axis=1)
        points[:, 2] += sign * np.maximum(depth, 0.0)
    slopes = surface.slope(points[:, :2])
    normals = np.column_stack([-slopes, np.ones(len(points))]) * -sign
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    smooth = smooth_field(points, CORRELATION_SPACINGS * spacing, rng)
    error = noise * (np.sqrt(CORRELATED_SHARE) * smooth
                     + np.sqrt(1 - CORRELATED_SHARE) * rng.standard_normal(len(points)))  # fmt: skip
    triangles = Delaunay(flat).simplices
    corners = flat[triangles]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    triangles = triangles[(longest < 2.2 * spacing) & outline.holds(corners.mean(axis=1))]
    edge_a, edge_b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = (edge_a[:, 0] * edge_b[:, 1] - edge_a[:, 1] * edge_b[:, 0])
    area = area[(longest < 2.2 * spacing) & outline.holds(corners.mean(axis=1))]
    triangles[area * -sign < 0] = triangles[area * -sign < 0][:, ::-1]
    return _placed(points + error[:, None] * normals, triangles, sign * 1.5 * outline.size, spacing, noise, error, rng)


def _placed(
    points: FloatArray, triangles: IntArray, far: float, spacing: float, noise: float, error: FloatArray,
    rng: np.random.Generator,
) -> Half:  # fmt: skip
    low, high = points.min(axis=0), points.max(axis=0)
    end = np.array([[x, y, far] for x in (low[0], high[0]) for y in (low[1], high[1])])
    count = len(points)
    mesh = np.vstack([triangles, [[count, count + 1, count + 2], [count + 1, count + 3, count + 2]]])
    scan_from_part = rigid(Rotation.random(random_state=rng).as_matrix(), rng.uniform(-100, 100, 3))
    mesh_ = Mesh(apply(scan_from_part, np.vstack([points, end])), mesh.astype(np.int32))
    scan = Scan("upper" if far > 0 else "lower", (), mesh_, "mm", True, False, ())
    fragment = Fragment(scan, mesh_, spacing, noise, (), 0, False, ())
    return Half(fragment, np.arange(len(triangles), dtype=np.int32), inverse(scan_from_part), error)


def joined(
    lower: Half, upper: Half, rng: np.random.Generator, settings: AlignSettings
) -> tuple[Adjustment, FloatArray]:
    """The adjustment from a start 0.3 mm and 0.3 degrees off, and the true lower_from_upper."""
    truth = inverse(lower.part_from_scan) @ upper.part_from_scan
    turn_, shift = rng.standard_normal((2, 3))
    vector = np.append(np.deg2rad(0.3) * turn_ / np.linalg.norm(turn_), 0.3 * shift / np.linalg.norm(shift))
    start = truth @ from_vector(vector, upper.fragment.mesh.vertices.mean(axis=0))
    faces = [FractureFace(k, h.triangles, 1.0, 1.0, "program") for k, h in enumerate((lower, upper))]
    joint = Joint(0, 1, faces[0], faces[1], start, PROVEN)
    found = adjust((lower.fragment, upper.fragment), [joint], {0: identity(), 1: start}, settings, silent)
    return found, truth


def limit_error(surface: Surface, lower: Half, upper: Half) -> float:
    """Worst displacement (mm) of the least squares that knows surface and normals and has only the noise."""
    matrix, right = np.zeros((6, 6)), np.zeros(6)
    for half in (lower, upper):
        count = len(half.noise)
        points = apply(half.part_from_scan, half.fragment.mesh.vertices[:count])
        slopes = surface.slope(points[:, :2])
        normals = np.column_stack([-slopes, np.ones(count)])
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        jacobian = rows(points, normals, np.zeros(3))[:, :6]
        # Either scan's noise enters the pairs that start from it and those that end on it.
        matrix += jacobian.T @ jacobian
        right += 2.0 * jacobian.T @ half.noise
    motion = np.linalg.solve(matrix, right)
    pose = from_vector(motion, np.zeros(3)) @ upper.part_from_scan
    return float(displacement(pose, upper.part_from_scan, upper.fragment.mesh.vertices).max())


@dataclass(frozen=True)
class Trial:
    """One adjustment against the truth, mm."""

    error: float
    limit: float
    bound: float
    layer: float
    probability: float
    seconds: float

    @property
    def called(self) -> bool:
        """Whether the faces were called worn."""
        return self.layer > 0.0 and self.probability > 0.5


def trial(part: int, scan: int, wear: float, relief: float, spacing: float = 0.3, noise: float = 0.03) -> Trial:
    """One pair of scans of one part; relief 0 is nearly flat."""
    flat = relief == 0.0
    rng = np.random.default_rng([part, int(flat), 41])
    outline = random_outline(rng)
    surface = random_surface(rng, identity(), outline.size, relief or 1.0, flat, False)
    rng = np.random.default_rng([part, scan, int(1000 * wear), int(10 * relief)])
    lower = scanned_half(surface, outline, False, wear, spacing, noise, rng)
    upper = scanned_half(surface, outline, True, wear, spacing, noise, rng)
    started = time.process_time()
    found, truth = joined(lower, upper, rng, AlignSettings())
    seconds = time.process_time() - started
    error = float(displacement(found.part_from_scan[1], truth, upper.fragment.mesh.vertices).max())
    layer = found.layers[0]
    return Trial(error, limit_error(surface, lower, upper), found.certainty[1].u95_mm, layer.mean_mm,
                 layer.probability, seconds)  # fmt: skip


def line(name: str, trials: list[Trial]) -> str:
    """One row of the table."""
    error, limit, bound, called = (
        np.array([getattr(t, key) for t in trials]) for key in ("error", "limit", "bound", "called")
    )
    return (
        f"{name:<18}{len(trials):>5}{np.median(error):>9.3f}{np.percentile(error, 95):>8.3f}"
        f"{np.median(error) / np.median(limit):>9.2f}{100 * np.mean(error <= bound):>9.0f} %"
        f"{np.median(bound):>8.3f}{np.median(bound / error):>8.1f}{100 * np.mean(called):>8.0f} %"
    )


HEAD = (
    f"{'faces':<18}{'runs':>5}{'error':>9}{'95 %':>8}{'/limit':>9}{'covered':>11}{'bound':>8}{'/error':>8}{'worn?':>10}"
)

SETS: tuple[tuple[str, float, float], ...] = (
    ("clean", 0.0, 2.5), ("worn 0.06", 0.06, 2.5), ("worn 0.12", 0.12, 2.5), ("worn 0.2", 0.2, 2.5),
    ("gentle clean", 0.0, 1.0), ("gentle worn 0.12", 0.12, 1.0),
    ("flat clean", 0.0, 0.0), ("flat worn 0.12", 0.12, 0.0),
)  # fmt: skip
"""Name, wear of each face in mm, relief against that expected of grey iron."""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--parts", type=int, default=12)
    options.add_argument("--scans", type=int, default=3)
    options.add_argument("--first", type=int, default=0, help="number of the first part (fresh parts: go on)")
    chosen = options.parse_args()
    print(HEAD)
    for name, wear, relief in SETS:
        parts = range(chosen.first, chosen.first + chosen.parts)
        print(line(name, [trial(p, s, wear, relief) for p in parts for s in range(chosen.scans)]), flush=True)


if __name__ == "__main__":
    main()
