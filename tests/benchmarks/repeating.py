"""Breaks whose relief repeats itself: is a place a wave aside ever called good?

    python -m tests.benchmarks.repeating --blocks 60 --seed 60

Blocks broken along one to four sine waves, scanned so that the shortest of
them may be two to fifty points long. No real break is like this; it is the
hardest there is for telling one place from another.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import manifold3d
import numpy as np

from rejoin.core import steps
from rejoin.core.records import Fragment, Project, Scan
from rejoin.core.transforms import displacement, inverse
from tests.core import broken_solids as solids


def waves(rng: np.random.Generator) -> solids.Relief:
    """A sum of sine waves, 1.2 to 14 mm long and up to an eighth of that high."""
    count = int(rng.integers(1, 5))
    length = np.exp(rng.uniform(np.log(1.2), np.log(14.0), count))
    way, high = rng.uniform(0, 2 * np.pi, count), rng.uniform(0.02, 0.12, count) * length
    phase = rng.uniform(0, 6.28, count)

    def relief(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        along = np.multiply.outer(x, np.cos(way)) + np.multiply.outer(y, np.sin(way))
        return (high * np.sin(2 * np.pi * along / length + phase)).sum(axis=-1)

    return relief


def block(seed: int) -> tuple[list[Fragment], np.ndarray, float]:
    """Two halves as scans, the true a_from_b, and the spacing (mm)."""
    rng = np.random.default_rng([seed, 555])
    relief = waves(rng)
    spacing, noise = float(np.exp(rng.uniform(np.log(0.25), np.log(0.7)))), float(rng.choice([0.005, 0.01, 0.02, 0.03]))
    solid = manifold3d.Manifold.cube(list(rng.uniform(10, 32, 3)), True)
    halves = [solid ^ solids.beyond(0, up, spacing, shift, relief=relief) for up, shift in ((True, 0.0), (False, 0.37))]
    both = [solids.fragment(body, spacing, noise, seed + k, f"f{k}") for k, body in enumerate(halves)]
    return [one for one, _ in both], inverse(both[0][1].part_from_scan) @ both[1][1].part_from_scan, spacing


def verdict(seed: int) -> tuple[str, str]:
    """What became of one block, and the figures."""
    fragments, true, spacing = block(seed)
    scans = tuple(Scan(f.scan.name, (f.scan.name,), f.mesh, "mm", True, False, (f.scan.name,)) for f in fragments)
    project = steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))
    a, b = (placement.part_from_scan for placement in project.placements)
    if a is None or b is None:
        return "refused", ""
    points = fragments[1].mesh.vertices
    off, size = float(displacement(inverse(a) @ b, true, points).max()), float(np.linalg.norm(np.ptp(points, axis=0)))
    evidence = project.joints[0].evidence
    is_wrong = off > 0.02 * size + spacing
    figures = f"{off:.3f} mm off, misfit {evidence.rms_mm:.3f} mm, spacing {spacing:.2f} mm"
    return ("good" if evidence.good else "doubtful") + (", WRONG" if is_wrong else ""), figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--blocks", type=int, default=60)
    parser.add_argument("--seed", type=int, default=60)
    arguments = parser.parse_args()
    tally: Counter[str] = Counter()
    for seed in range(arguments.seed, arguments.seed + arguments.blocks):
        started = time.process_time()
        told, figures = verdict(seed)
        tally[told] += 1
        print(f"{seed:5d} {told:16s} {figures} {time.process_time() - started:.0f} s", flush=True)
    print("", *(f"{count:4d} {told}" for told, count in sorted(tally.items())), sep="\n")


if __name__ == "__main__":
    main()
