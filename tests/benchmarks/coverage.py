"""Does the 95 % bound cover the true error, and is the error as small as the noise allows?

    python -m tests.benchmarks.coverage --parts 20 --scans 3

Each part is a made casting broken in two; each scan of it draws new points,
new noise and a new start 0.1 mm and 0.1 degrees off. Only the surroundings of
the crack are scanned (and the far corners kept), so that a run takes a second;
the fracture faces are what the program finds in the starting pose. The truth
is exact. "limit" is 1 sigma of the worst vertex under the scans' own noise for
a least squares that knows the true surface (`tests.benchmarks.limit`).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

import numpy as np
from manifold3d import Manifold
from scipy.spatial import ConvexHull

from rejoin.core.alignment import Adjustment, KnownDimension, adjust
from rejoin.core.contact import facing_triangles
from rejoin.core.meshes import edge_spacing
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint, Mesh, Scan
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.surfaces import touching_limit
from rejoin.core.transforms import apply, displacement, from_vector, identity, inverse
from tests.benchmarks.limit import noise_limit_mm
from tests.makers import SHAPES, Case, Surface
from tests.makers.breaking import Cell, as_mesh, broken_up, triangle_ids
from tests.makers.faults import rubbed, scanned

PROVEN = Evidence(100.0, 0.0, 100.0, 1.0, 0.03, 0.0, 2.0, True, "")

CROP = 18.0
"""Spacings around the fracture faces that are scanned."""


@dataclass(frozen=True)
class Kind:
    """How a part broke and was scanned: relief 1 is that expected of grey iron; wear in mm of each face,
    rubbed: in mm of one side of one face. ``fresh``: a person says that nothing was lost (--no-missing-layer)."""

    name: str
    wear: float = 0.0
    relief: float = 1.0
    flat: bool = False
    spacing: float = 0.35
    noise: float = 0.03
    size: float = 1.0
    known: float = 0.0
    rubbed: float = 0.0
    fresh: bool = False


KINDS = (
    Kind("clean"), Kind("clean, rough", relief=2.0),
    Kind("worn 0.06", 0.06), Kind("worn 0.12", 0.12), Kind("worn 0.2", 0.2),
    Kind("worn 0.06, rough", 0.06, 2.0), Kind("worn 0.12, rough", 0.12, 2.0), Kind("worn 0.2, rough", 0.2, 2.0),
    Kind("flat", flat=True), Kind("flat, worn 0.12", 0.12, flat=True),
    Kind("flat, finely scanned", flat=True, spacing=0.25, noise=0.02),
    Kind("flat, worn, known", 0.12, flat=True, known=0.02), Kind("worn 0.12, known", 0.12, known=0.02),
    Kind("rubbed 0.15", rubbed=0.15), Kind("rubbed 0.3, rough", relief=2.0, rubbed=0.3),
    Kind("clean, called fresh", fresh=True), Kind("flat, called fresh", flat=True, fresh=True),
    Kind("1 mm scan, called fresh", spacing=1.0, fresh=True),
    Kind("1 mm scan", spacing=1.0), Kind("small", spacing=0.12, noise=0.01, size=0.3),
)  # fmt: skip
GROUPS = {"clean": ("clean", "small"), "worn": ("worn",), "flat": ("flat",)}


@dataclass(frozen=True, eq=False)
class Broken:
    """A part broken in two: the pieces near the crack, their outer corners (part frame), and the crack."""

    shape: str
    seed: int
    cells: tuple[Cell, Cell]
    corners: tuple[FloatArray, FloatArray]
    surface: Surface
    intact: Mesh


@lru_cache(maxsize=2)
def broken(part: int, kind: Kind) -> Broken:
    """Part number ``part``: the shapes in turn, proportions and break by its number."""
    shape, seed = sorted(SHAPES)[part % len(SHAPES)], 700 + part
    for attempt in range(5):
        rng = np.random.default_rng([crc32(shape.encode()), seed, attempt])
        solid = SHAPES[shape](rng).scale((kind.size,) * 3).as_original()
        try:
            cells, surfaces = broken_up(
                solid, 2, False, (kind.relief, kind.flat, False), kind.wear, min(kind.spacing, 0.8), rng
            )
        except RuntimeError:  # some proportions cannot be broken as asked
            continue
        cut = [_cropped(cell, surfaces[0], CROP * kind.spacing) for cell in cells]
        corners = [as_mesh(cell.solid).vertices for cell in cells]
        outer = tuple(points[ConvexHull(points).vertices] for points in corners)
        return Broken(shape, seed, (cut[0], cut[1]), (outer[0], outer[1]), surfaces[0], as_mesh(solid))
    raise RuntimeError(f"No {shape} could be broken.")


def _cropped(cell: Cell, surface: Surface, margin: float) -> Cell:
    mesh = as_mesh(cell.solid)
    on_break = mesh.triangles[np.isin(triangle_ids(cell.solid), list(cell.sides))]
    local = apply(inverse(surface.part_from_cut), mesh.vertices[np.unique(on_break)])
    low, high = local.min(axis=0) - margin, local.max(axis=0) + margin
    box = Manifold.cube(tuple(high - low)).translate(tuple(low)).transform(surface.part_from_cut[:3])
    cut = cell.solid ^ box
    return Cell(cut, cell.sides) if len(cut.decompose()) == 1 else cell


def scans_of(part: Broken, kind: Kind, scan: int) -> Case:
    """Two new scans, as a case with its exact truth."""
    rng = np.random.default_rng([crc32(part.shape.encode()), part.seed, scan, 7])
    meshes, poses, fracture = [], [], []
    for cell, corners in zip(part.cells, part.corners, strict=True):
        mesh, pose, on_break = scanned(cell, [part.surface], kind.spacing, kind.noise, 0.0, part.seed, rng)
        if kind.rubbed and meshes:
            mesh = rubbed(mesh, on_break, float(rng.uniform(0.2, 0.4)), kind.rubbed, rng)
        far = apply(inverse(pose), corners)
        meshes.append(Mesh(np.vstack([mesh.vertices, far]), mesh.triangles))
        poses.append(pose)
        fracture.append(np.append(on_break, np.zeros(len(far), bool)))
    return Case(
        f"{part.shape}-{part.seed}", tuple(meshes), tuple(poses), part.intact, 0.0, 0, kind.spacing, kind.noise, (),
        kind.wear, tuple(fracture), kind.name, (part.surface,),
    )


@dataclass(frozen=True)
class Trial:
    """One adjustment against the truth, mm."""

    error: float
    limit: float
    bound: float
    layer: float
    spread: float
    probability: float
    seconds: float

    @property
    def called(self) -> bool:
        """Whether a person is told that material is missing."""
        return self.layer > 2.0 * self.spread > 0.0


def joined(
    case: Case, kind: Kind, rng: np.random.Generator, wear: bool = True
) -> tuple[Adjustment, FloatArray, float]:
    """The adjustment from a start near the truth, the true a_from_b, and the processor time."""
    fragments = []
    for number, mesh in enumerate(case.fragments):
        scan = Scan(f"half {number}", (), mesh, "mm", True, False, ())
        fragments.append(Fragment(scan, mesh, edge_spacing(mesh), kind.noise, (), 0, False, ()))
    truth = inverse(case.part_from_scan[0]) @ case.part_from_scan[1]
    turn, shift = rng.standard_normal((2, 3))
    vector = np.append(np.deg2rad(0.1) * turn / np.linalg.norm(turn), 0.1 * shift / np.linalg.norm(shift))
    middle = apply(truth, case.fragments[1].vertices[case.fracture[1]]).mean(axis=0)
    start = from_vector(vector, middle) @ truth
    reach = 3.0 * touching_limit(fragments[0], fragments[1])
    faces = [FractureFace(k, t, 1.0, 1.0, "program")
             for k, t in enumerate(facing_triangles(fragments[0].mesh, fragments[1].mesh, start, reach))]  # fmt: skip
    joint = Joint(0, 1, faces[0], faces[1], start, PROVEN)
    known = _stated(case, kind.known, rng) if kind.known else []
    started = time.process_time()
    settings = AlignSettings(missing_layer=wear and not kind.fresh)
    found = adjust(fragments, [joint], {0: identity(), 1: start}, settings, silent, known)
    return found, truth, time.process_time() - started


def _stated(case: Case, limit: float, rng: np.random.Generator) -> list[KnownDimension]:
    """The distance between the corners farthest apart across the crack, wrong by up to its limit."""
    surface = case.surfaces[0]
    across = surface.part_from_cut[:3, 2]
    ends = []
    for number, mesh in enumerate(case.fragments):
        heights = apply(case.part_from_scan[number], mesh.vertices) @ across
        middle = float(apply(case.part_from_scan[number], mesh.vertices[case.fracture[number]]).mean(axis=0) @ across)
        ends.append(mesh.vertices[np.abs(heights - middle).argmax()])
    placed = [apply(pose, end[None])[0] for pose, end in zip(case.part_from_scan, ends, strict=True)]
    value = float(np.linalg.norm(placed[0] - placed[1])) + float(rng.uniform(-limit, limit))
    return [KnownDimension(0, ends[0], 1, ends[1], value, limit)]


def trial(part: int, kind: Kind, scan: int) -> Trial:
    """One pair of scans of one part."""
    case = scans_of(broken(part, kind), kind, scan)
    found, truth, seconds = joined(case, kind, np.random.default_rng([part, scan, 41]))
    error = float(displacement(found.part_from_scan[1], truth, case.fragments[1].vertices).max())
    layer = found.layers[0]
    bound, limit = found.certainty[1].u95_mm, _limit(part, kind)
    return Trial(error, limit, bound, layer.apart_mm, layer.sd_mm, layer.probability, seconds)


@lru_cache(maxsize=4)
def _limit(part: int, kind: Kind) -> float:
    return noise_limit_mm(scans_of(broken(part, kind), kind, 0), 0).get(1, float("nan"))


def line(name: str, trials: list[Trial]) -> str:
    """One row of the table."""
    error, limit, bound, called = (
        np.array([getattr(t, key) for t in trials]) for key in ("error", "limit", "bound", "called")
    )
    return (
        f"{name:<22}{len(trials):>5}{np.median(error):>9.3f}{np.percentile(error, 95):>8.3f}"
        f"{np.nanmedian(error / limit):>9.2f}{np.nanmax(error / limit):>7.1f}{100 * np.mean(error <= bound):>9.0f} %"
        f"{np.median(bound):>8.3f}{np.median(bound / error):>8.1f}{100 * np.mean(called):>8.0f} %"
        f"{np.mean([t.seconds for t in trials]):>7.1f}"
    )


HEAD = (
    f"{'faces':<22}{'runs':>5}{'error':>9}{'95 %':>8}{'/limit':>9}{'worst':>7}{'covered':>11}{'bound':>8}{'/error':>8}"
    f"{'worn?':>10}{'cpu s':>7}"
)


def trials_of(kind: Kind, parts: range, scans: int) -> Iterator[Trial]:
    for part in parts:
        for scan in range(scans):
            try:
                yield trial(part, kind, scan)
            except Exception as trouble:
                print(f"  {kind.name}, part {part}, scan {scan}: {trouble}", flush=True)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--parts", type=int, default=20)
    options.add_argument("--scans", type=int, default=3)
    options.add_argument("--first", type=int, default=0, help="number of the first part (fresh parts: go on)")
    options.add_argument("--only", nargs="+", default=[kind.name for kind in KINDS], help="rows of the table")
    options.add_argument("--each", action="store_true", help="also print every run")
    chosen = options.parse_args()
    parts, done = range(chosen.first, chosen.first + chosen.parts), {}
    print(HEAD)
    for kind in KINDS:
        if kind.name in chosen.only:
            done[kind.name] = []
            for one in trials_of(kind, parts, chosen.scans):
                done[kind.name].append(one)
                if chosen.each:
                    print(f"  {one}", flush=True)
            print(line(kind.name, done[kind.name]), flush=True)
    for name, starts in GROUPS.items():
        rows = [row for row in done if row.startswith(starts) and "known" not in row and "fresh" not in row]
        chosen_ones = [one for row in rows for one in done[row]]
        if chosen_ones:
            print(line(f"all {name}", chosen_ones))


if __name__ == "__main__":
    main()
