"""Makes `sample_scans`: ``python -m tests.make_samples [FOLDER]``. Same code, same bytes.

Each sample holds its scans, ``truth.json`` (exact placements and how it was
made), ``readings.csv`` (caliper readings of the real part: the exact distance
plus an invented reading error, as `rejoin check` reads them) and ``known.json`` (those readings that span
two fragments, as `rejoin join --known` reads them).
"""

from __future__ import annotations

import csv
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from manifold3d import Manifold, Mesh64

from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse
from tests.makers import Case, make_case, write_case

READING_ERROR_MM = 0.012
KINDS = {"points": "points", "bore centres": "centres"}
"""What `rejoin check` calls the kinds that `rejoin join --known` knows."""
COLUMNS = ("name", "kind", "on1", "x1", "y1", "z1", "on2", "x2", "y2", "z2", "reading", "unit", "limit")


@dataclass(frozen=True)
class Sample:
    """How one sample is made.

    ``across`` are readings over two outside faces: (name, direction, a point
    on the line of measurement), part frame. ``bores`` are readings between the
    centres of the bores that the plane z = 0 cuts, numbered by x: (name, first, last).
    """

    name: str
    shape: str
    seed: int
    fmt: str
    about: str
    options: dict[str, Any]
    across: tuple[tuple[str, tuple[float, float, float], tuple[float, float, float]], ...] = ()
    bores: tuple[tuple[str, int, int], ...] = ()


SAMPLES = (
    Sample(
        "pump_rocker",
        "rocker",
        21,
        "ply",
        "The rocker of the village's hand-worked water pump snapped when the frozen rod would not move. "
        "The workshop scanned both halves and wants the whole lever as a pattern for a new casting.",
        {"spacing_mm": 0.4, "noise_mm": 0.03},
        (("thickness over the middle boss", (0, 0, 1), (9.0, 0, 0)),),
        (("rod eye to handle eye, centres", 0, 2), ("rod eye to pivot, centres", 0, 1)),
    ),
    Sample(
        "treadle",
        "treadle",
        18,
        "ply",
        "The treadle of an old foot-driven machine fell from a cart and broke in three. "
        "The three fragments meet at one edge, and the width over the pivot lugs decides whether it runs again.",
        {"spacing_mm": 0.42, "noise_mm": 0.03, "pieces": 3},
        (
            ("width over the pivot lugs", (1, 0, 0), (0, 0, 14.0)),
            ("depth of the foot plate, left", (0, 1, 0), (-48.0, 0, 3.0)),
            ("depth of the foot plate, right", (0, 1, 0), (48.0, 0, 3.0)),
        ),
    ),
    Sample(
        "bracket",
        "bracket",
        8,
        "stl",
        "The angle bracket that held the pump to its post broke years ago and lay in the yard: the rims are chipped "
        "and the faces worn. The scans have holes and loose specks besides, as scans of such a find have.",
        {"spacing_mm": 0.4, "noise_mm": 0.035, "chips": 9, "wear_mm": 0.06, "scan_holes": 3, "specks": 2},
        (
            ("length of the long leg", (1, 0, 0), (0, 4.0, 0)),
            ("height of the short leg", (0, 1, 0), (3.0, 0, 0)),
            ("breadth", (0, 0, 1), (4.0, 4.0, 0)),
        ),
    ),
)


def _line_hits(case: Case, direction: FloatArray, through: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The outermost two points where a line meets the exact intact part."""
    corners = case.intact.vertices[case.intact.triangles]
    first, side, other = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    cross = np.cross(direction, other)
    size = np.einsum("ij,ij->i", side, cross)
    size = np.where(np.abs(size) < 1e-12, np.nan, size)
    reach = through - first
    u = np.einsum("ij,ij->i", reach, cross) / size
    turned = np.cross(reach, side)
    v, along = turned @ direction / size, np.einsum("ij,ij->i", other, turned) / size
    hits = along[(u >= 0) & (v >= 0) & (u + v <= 1)]
    return through + hits.min() * direction, through + hits.max() * direction


def _bore_centres(case: Case) -> FloatArray:
    """Centres (k, 3) of the bores in the plane z = 0, by x."""
    solid = Manifold(Mesh64(case.intact.vertices.copy(), case.intact.triangles.astype(np.uint64)))
    centres = []
    for outline in solid.slice(0.0).to_polygons():
        ring = np.asarray(outline)
        after = np.roll(ring, -1, axis=0)
        areas = ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]
        if areas.sum() < 0:
            centres.append([*((ring + after) * areas[:, None]).sum(axis=0) / (3 * areas.sum()), 0.0])
    return np.array(sorted(centres))


def _owner(case: Case, point: FloatArray) -> int:
    """The fragment whose original surface comes nearest to a point of the part."""
    away = []
    for scan, placement, broken in zip(case.fragments, case.part_from_scan, case.fracture, strict=True):
        away.append(np.linalg.norm(apply(placement, scan.vertices[~broken]) - point, axis=1).min())
    return int(np.argmin(away))


def _readings(sample: Sample, case: Case) -> list[tuple[str, str, FloatArray, FloatArray]]:
    """(name, kind, point, point) in the part's frame."""
    found = [
        (name, "points", *_line_hits(case, np.array(direction, float), np.array(through, float)))
        for name, direction, through in sample.across
    ]
    if sample.bores:
        centres = _bore_centres(case)
        found += [(name, "bore centres", centres[first], centres[last]) for name, first, last in sample.bores]
    return found


def _write_readings(folder: Path, sample: Sample, case: Case, files: list[str]) -> None:
    rng = np.random.default_rng([sample.seed, 5])
    rows, known = [], []
    for name, kind, *ends in _readings(sample, case):
        exact = float(np.linalg.norm(ends[1] - ends[0]))
        value = round(exact + READING_ERROR_MM * rng.normal(), 2)
        limit = 0.02 if exact <= 100 else 0.03
        owners = [_owner(case, end) for end in ends]
        places = [apply(inverse(case.part_from_scan[i]), end[None])[0] for i, end in zip(owners, ends, strict=True)]
        on_surface = [_nearest(case.fragments[i].vertices, place) for i, place in zip(owners, places, strict=True)]
        picks = [[Path(files[i]).stem, *(f"{c:.3f}" for c in pick)] for i, pick in zip(owners, on_surface, strict=True)]
        rows.append([name, KINDS[kind], *picks[0], *picks[1], f"{value:.2f}", "mm", limit])
        if owners[0] != owners[1]:
            a, b = (
                {"file": files[i], "point": [round(float(c), 4) for c in place]}
                for i, place in zip(owners, places, strict=True)
            )
            known.append({"kind": kind, "a": a, "b": b, "value": value, "limit": limit})
    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(rows)
    (folder / "known.json").write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")


def _nearest(points: FloatArray, place: FloatArray) -> FloatArray:
    """The scan's point nearest to a place: what a person would pick on a bore is its wall."""
    return np.asarray(points[np.linalg.norm(points - place, axis=1).argmin()])


def make_sample(sample: Sample, folder: Path) -> Case:
    """Write one sample into ``folder`` and return what it was made from."""
    case = make_case(sample.shape, sample.seed, **sample.options)
    files = [path.name for path in write_case(case, folder, fmt=sample.fmt)]
    (folder / "about.md").write_text(sample.about + "\n", encoding="utf-8")
    _write_readings(folder, sample, case, files)
    return case


def main(top: Path) -> None:
    """Write all samples."""
    for sample in SAMPLES:
        case = make_sample(sample, top / sample.name)
        print(sample.name, [len(scan.vertices) for scan in case.fragments])


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[1] / "sample_scans")
