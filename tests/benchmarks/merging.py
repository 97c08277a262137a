"""Several views of each fragment made one: placed rightly or refused, how near the truth, in what time.

    python -m tests.benchmarks.merging --parts 6 --seed 1

Each part is broken in two and each fragment seen from several sides on a turntable: support, clay, shadow, 20 to 40 %
overlap, noise, 0.1 % scale error; then the merged fragments are joined. A view is wrong where one of its places lies
more than `WRONG` spacings off. Merged surfaces are set on the truth by least squares; "x noise": beside the views' own
distances from it. "limit": 1 sigma of the join's worst vertex under the merged surfaces' noise (`benchmarks.limit`).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np

from rejoin.core import meshes, steps
from rejoin.core.errors import RejoinError
from rejoin.core.merging import merge_scans
from rejoin.core.records import FloatArray, Mesh, SamePlaces, Scan
from rejoin.core.transforms import apply, displacement, from_vector, inverse, orthonormal
from tests.benchmarks.limit import noise_limit_mm
from tests.makers import SHAPES, Case, make_case
from tests.makers.scanning import projected
from tests.makers.views import Views, distance_to_truth, make_views, marked_by_hand

WRONG = 4.0
SCALE, NOISE_MM = 1.001, 0.03
HEADS = (
    f"{'part':22}{'side':>5}{'k pts':>7}{'overlap':>8}{'right':>7}{'wrong':>6}{'view mm':>8}{'u95':>7}{'median':>8}"
    f"{'95 %':>7}{'x noise':>8}{'clock':>7}{'cpu s':>7}{'join mm':>9}{'limit':>7}{'u95':>7}  refused"
)


@dataclass
class Result:
    """One fragment; the join is told with the second one."""

    part: str
    side: int
    points: int
    overlap: float
    views: int
    right: int = 0
    wrong: int = 0
    view_error_mm: float | None = None
    views_u95_mm: float | None = None
    median_mm: float | None = None
    worst5_mm: float | None = None
    over_noise: float | None = None
    seconds: float = 0.0
    processor_s: float = 0.0
    join_mm: float | None = None
    limit_mm: float | None = None
    join_u95_mm: float | None = None
    refused: str = ""
    left_out: list[str] = field(default_factory=list)


def scan_of(mesh: Mesh, name: str) -> Scan:
    return Scan(name, (f"{name}.ply",), mesh, "mm", True, False, (name,))


def merged(views: Views, result: Result, marks: Sequence[SamePlaces] = ()) -> tuple[Scan, FloatArray] | None:
    """The merged scan, judged, and where it truly stands: part_from_scan, in lengths of the scan."""
    clock, processor = time.time(), time.process_time()
    try:
        scans = [scan_of(mesh, f"view {n}") for n, mesh in enumerate(views.meshes)]
        scan = merge_scans(scans, f"side {result.side}", marks=marks)
    except RejoinError as trouble:
        result.refused = str(trouble)
        return None
    finally:
        result.seconds, result.processor_s = time.time() - clock, time.process_time() - processor
    result.refused = ""
    numbers = [int(view.name.split()[-1]) for view in scan.views]
    first = views.part_from_view[numbers[0]]
    errors = [
        float(displacement(view.scan_from_view, inverse(first) @ views.part_from_view[n],
                           views.meshes[n].vertices[~views.foreign[n]]).max())
        for n, view in zip(numbers, scan.views, strict=True)
    ]  # fmt: skip
    result.wrong = sum(error > WRONG * views.spacing_mm for error in errors)
    result.right, result.view_error_mm, result.views_u95_mm = len(errors) - result.wrong, max(errors), scan.views_u95_mm
    result.left_out = [f"view {n}" for n in range(len(views.meshes)) if n not in numbers]
    placed = fitted(views, scan.mesh.vertices, first)
    off = distance_to_truth(views, scan.mesh.vertices, placed)
    own = np.concatenate([distance_to_truth(views, mesh.vertices[~strange], pose) for mesh, strange, pose
                          in zip(views.meshes, views.foreign, views.part_from_view, strict=True)])  # fmt: skip
    result.median_mm, result.worst5_mm = float(np.median(off)), float(np.quantile(off, 0.95))
    result.over_noise = float(np.sqrt(np.mean(off**2) / np.mean(own**2)))
    return scan, placed


def fitted(views: Views, points: FloatArray, pose: FloatArray, rounds: int = 8) -> FloatArray:
    """The rigid pose in which points lie best on the exact piece (strays left out)."""
    truth = Mesh(views.scale * views.exact.vertices, views.exact.triangles)
    ways = meshes.triangle_crosses(truth)
    ways = ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-30)
    points = points[:: max(1, len(points) // 20_000)]
    for _ in range(rounds):
        placed = apply(pose, points)
        near, triangle = projected(truth, placed)
        height = np.einsum("ij,ij->i", placed - near, ways[triangle])
        good = np.abs(height) < 5.0 * (1.4826 * np.median(np.abs(height)) + 1e-6)
        middle = placed[good].mean(axis=0)
        rows = np.concatenate([np.cross(placed[good] - middle, ways[triangle[good]]), ways[triangle[good]]], axis=1)
        pose = orthonormal(from_vector(np.linalg.lstsq(rows, -height[good], rcond=None)[0], middle) @ pose)
    return pose


def join(case: Case, views: list[Views], found: list[tuple[Scan, FloatArray]], result: Result) -> None:
    """Join two merged fragments; the error is that of the second one's worst vertex, seen from the first."""
    result.limit_mm = _limit(case, views, found)
    try:
        project = steps.clean(steps.changed(steps.Project(), scans=tuple(scan for scan, _ in found)))
        project = steps.align(steps.match(steps.find_faces(project)))
        first, second = project.placements
    except (RejoinError, ValueError) as trouble:
        result.refused = f"join: {trouble}"
        return
    right = inverse(found[0][1]) @ found[1][1]
    if first.part_from_scan is None or second.part_from_scan is None:
        result.refused = f"join: {(first.why or second.why)}"
        return
    pose = inverse(first.part_from_scan) @ second.part_from_scan
    result.join_mm = float(displacement(pose, right, found[1][0].mesh.vertices).max())
    result.join_u95_mm = max((one.u95_mm for one in (first, second) if one.u95_mm), default=None)


def _limit(case: Case, views: list[Views], found: list[tuple[Scan, FloatArray]]) -> float | None:
    """What the merged surfaces' own noise on the break allows."""
    parts = [Mesh(apply(pose, scan.mesh.vertices) / SCALE, scan.mesh.triangles) for scan, pose in found]
    away = [np.min([np.abs(surface.distance(part.vertices)) for surface in case.surfaces], axis=0) for part in parts]
    broken = [distance < 6.0 * NOISE_MM for distance in away]
    noise = [np.mean(np.square(distance[near])) for distance, near in zip(away, broken, strict=True)]
    merged_case = replace(
        case, fragments=tuple(parts), part_from_scan=(np.eye(4), np.eye(4)), fracture=tuple(broken),
        spacing_mm=max(own.spacing_mm for own in views), noise_mm=float(np.sqrt(np.mean(noise))),
    )  # fmt: skip
    return noise_limit_mm(merged_case, 0).get(1)


def _shown(value: float | None, form: str = ".3f") -> str:
    return "-" if value is None else format(value, form)


def row(r: Result) -> str:
    remark = r.refused + (f"left out: {', '.join(r.left_out)}" if r.left_out else "")
    return (
        f"{r.part[:21]:22}{r.side:5d}{r.points / 1e3:7.0f}{r.overlap:8.2f}{f'{r.right}/{r.views}':>7}{r.wrong:6d}"
        f"{_shown(r.view_error_mm):>8}{_shown(r.views_u95_mm):>7}{_shown(r.median_mm):>8}{_shown(r.worst5_mm):>7}"
        f"{_shown(r.over_noise, '.2f'):>8}{r.seconds:7.0f}{r.processor_s:7.0f}{_shown(r.join_mm):>9}"
        f"{_shown(r.limit_mm):>7}{_shown(r.join_u95_mm):>7}  {remark[:90]}"
    )


def one_part(shape: str, seed: int, spacing_mm: float, count: int, marks_mm: float = 0.0) -> list[Result]:
    case = make_case(shape, seed, spacing_mm=0.8)
    views, found, results = [], [], []
    for side, exact in enumerate(case.exact):
        seen = make_views(exact, 10 * seed + side, count=count, spacing_mm=spacing_mm, noise_mm=NOISE_MM, clay=True,
                          scale=SCALE)  # fmt: skip
        points = sum(len(mesh.vertices) for mesh in seen.meshes)
        results.append(Result(f"{shape} {seed}", side, points, seen.overlap, count))
        views.append(seen)
        found.append(merged(seen, results[-1]))
        if found[-1] is None and marks_mm:
            print(row(results[-1]), flush=True)
            found[-1] = merged(seen, results[-1], marked_by_hand(seen, 10 * seed + side, marks_mm))
            results[-1].part += ", marked"
        if side == 1 and all(found):
            join(case, views, [one for one in found if one], results[-1])
        print(row(results[-1]), flush=True)
    return results


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark; 0 where no view was placed wrongly."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.merging", description=__doc__.splitlines()[0])
    parser.add_argument("--parts", type=int, default=6, help="how many broken parts")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other parts")
    parser.add_argument("--spacing", type=float, default=0.3, metavar="MM", help="of the scans")
    parser.add_argument("--views", type=int, default=3, metavar="K", help="of each fragment")
    parser.add_argument("--only", nargs="+", choices=sorted(SHAPES), default=sorted(SHAPES), help="shapes of parts")
    parser.add_argument("--marks", type=float, default=0.0, metavar="MM", help="what is refused is tried again with "
                        "places marked by a hand that errs so much (1 sigma)")  # fmt: skip
    parser.add_argument("--json", type=Path, metavar="F", help="write all results here")
    wish = parser.parse_args(argv)
    results: list[Result] = []
    print(HEADS, flush=True)
    for seed in range(wish.seed, wish.seed + wish.parts):
        results += one_part(wish.only[seed % len(wish.only)], seed, wish.spacing, wish.views, wish.marks)
        if wish.json:
            wish.json.write_text(json.dumps([asdict(r) for r in results], indent=1) + "\n", encoding="utf-8")
    taken, joins = [r for r in results if r.right + r.wrong], [r.join_mm for r in results if r.join_mm is not None]
    print(f"\n{len(taken)} of {len(results)} fragments merged, {len(results) - len(taken)} refused; "
          f"{sum(r.wrong for r in results)} views placed wrongly")  # fmt: skip
    print(f"merged within twice the noise: {sum((r.over_noise or 9.0) < 2.0 for r in taken)} of {len(taken)}; "
          f"joins within 0.1 mm: {sum(mm < 0.1 for mm in joins)} of {len(joins)}")  # fmt: skip
    return int(any(r.wrong for r in results))


if __name__ == "__main__":
    sys.exit(main())
