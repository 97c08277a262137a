"""Broken stones from scans to whole, made otherwise than the castings the program was built on.

    python -m tests.benchmarks.stones --seeds 1 2 3 --pieces 3 --across 90

A stone is rough all over, its edges are rounded off, and where three pieces
meet a face lies against a part of another. All lengths follow the spacing.
"""

from __future__ import annotations

import argparse
import time

from rejoin.core import steps
from rejoin.core.errors import RejoinError
from rejoin.core.records import Project, Scan
from tests.makers import Case, worst_error_mm
from tests.makers.stones import Stone, make_stone

HEAD = "  seed  k pts placed  error mm  bound mm   good                    whole   sec"


def joined(case: Case) -> Project:
    """The pieces, placed."""
    scans = tuple(Scan(f"f{n}", (), mesh, "mm", True, False, ()) for n, mesh in enumerate(case.fragments))
    return steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))


def worst(case: Case, project: Project) -> tuple[float, float]:
    """Error and bound (mm) of the placed piece that is farthest off, against the first one placed."""
    poses = [placement.part_from_scan for placement in project.placements]
    first = next(n for n, pose in enumerate(poses) if pose is not None)
    errors = [
        (worst_error_mm(case, n, pose, first, poses[first]), project.placements[n].u95_mm or 0.0)
        for n, pose in enumerate(poses)
        if pose is not None and n != first
    ]
    return max(errors, default=(0.0, 0.0))


def whole_of(case: Case, project: Project) -> str:
    """What the fused whole is, in a few words."""
    try:
        whole = steps.fuse(project).whole
    except RejoinError as error:
        return type(error).__name__
    assert whole is not None
    volume = 100.0 * (whole.volume_mm3 / case.intact_volume_mm3 - 1.0)
    return f"{'closed' if whole.closed else 'OPEN'}, genus {whole.genus}, {volume:+.2f} %"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=list(range(1, 9)))
    parser.add_argument("--pieces", type=int, default=3)
    parser.add_argument("--across", type=int, default=90, help="spacings along a stone")
    parser.add_argument("--spacing", type=float, default=3.0, help="mm between the points of a scan")
    parser.add_argument("--worn", type=float, default=0.0, help="lost on every face, in spacings")
    chosen = parser.parse_args()
    look = Stone(chosen.pieces, chosen.across, chosen.spacing, worn=chosen.worn)
    print(HEAD)
    for seed in chosen.seeds:
        try:
            case = make_stone(seed, look)
        except RuntimeError as error:
            print(f"{seed:6d} {error}")
            continue
        started = time.perf_counter()
        project = joined(case)
        spent = time.perf_counter() - started
        placed = sum(placement.part_from_scan is not None for placement in project.placements)
        error, bound = worst(case, project)
        good = f"{sum(joint.evidence.good for joint in project.joints)}/{len(project.joints)}"
        points = sum(len(mesh.vertices) for mesh in case.fragments) // 1000
        print(f"{seed:6d} {points:6d} {placed:4d}/{chosen.pieces} {error:9.2f} {bound:9.2f} {good:>6s} "
              f"{whole_of(case, project):>24s} {spent:5.0f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
