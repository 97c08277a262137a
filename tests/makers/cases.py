"""Breaks a part and scans the pieces, keeping the exact truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import displacement, inverse
from tests.makers.breaking import as_mesh, broken_up, chipped, without_middle
from tests.makers.faults import bent, rounded_off, rubbed, scanned, with_scan_holes, with_specks
from tests.makers.fracture import Surface
from tests.makers.shapes import BARS, SHAPES


@dataclass(frozen=True)
class Case:
    """A broken part: scans (each in its own frame, mm) and the exact truth.

    ``part_from_scan`` holds NaN for strangers (their indices in ``strangers``).
    ``fracture`` marks each fragment's vertices that lie on a true fracture
    surface (not in a chip). ``surfaces`` are the analytic fracture surfaces,
    part frame. ``exact`` are the fragments' exact solids, part frame.
    """

    name: str
    fragments: tuple[Mesh, ...]
    part_from_scan: tuple[FloatArray, ...]
    intact: Mesh
    intact_volume_mm3: float
    intact_genus: int
    spacing_mm: float
    noise_mm: float
    strangers: tuple[int, ...]
    wear_mm: float
    fracture: tuple[npt.NDArray[np.bool_], ...]
    note: str
    surfaces: tuple[Surface, ...] = ()
    exact: tuple[Mesh, ...] = ()


def make_case(
    shape: str,
    seed: int,
    *,
    pieces: int = 2,
    spacing_mm: float = 0.3,
    noise_mm: float = 0.03,
    relief: float = 1.0,
    flat: bool = False,
    chips: int = 0,
    wear_mm: float = 0.0,
    scan_holes: int = 0,
    specks: int = 0,
    sand_cast_mm: float = 0.0,
    stepped: bool = False,
    strangers: int = 0,
    lost_middle: bool = False,
    sprung_mm: float = 0.0,
    size: float = 1.0,
    density_ratio: float = 1.0,
    rounded: int = 0,
    rubbed_mm: float = 0.0,
) -> Case:
    """A broken part, scanned.

    Parameters
    ----------
    shape : str
        A name in `SHAPES` or `BARS`.
    seed : int
        Same seed and options, same bytes.
    pieces : int
        How many fragments the part breaks into (strangers come on top).
    spacing_mm, noise_mm : float
        Point spacing of the scans and their noise (1 sigma along the normal).
    relief, flat, stepped
        Size of the fracture relief (1 = grey iron); ``flat`` leaves under
        0.2 mm in all; ``stepped`` adds a smooth steep step.
    chips, wear_mm
        Blobs knocked out of the rims (in all); thickness that has gone from each face.
    scan_holes, specks
        Missing patches and loose islands, per scan.
    sand_cast_mm : float
        Rms of the rough as-cast texture on the original surface.
    strangers : int
        Fragments of other parts, appended last.
    lost_middle : bool
        Breaks in three along one axis and drops the middle fragment.
    sprung_mm : float
        How far the free end of the second fragment was bent aside when the part
        broke; its placement stays that of the break.
    size : float
        Scales the part (not its relief).
    density_ratio : float
        Spacing of the second scan, relative to the others'.
    rounded : int
        Rounds of averaging that round the scans' edges off: 4 spread a point over some 1.4 spacings.
    rubbed_mm : float
        Depth by which a fifth to two fifths of the second fragment's faces, at one side, have been rubbed down.
    """
    options = {key: value for key, value in locals().items() if key not in ("shape", "seed")}
    rng = np.random.default_rng([crc32(shape.encode()), seed])
    solid = (SHAPES | BARS)[shape](rng).scale((size,) * 3).as_original()
    count = 3 if lost_middle else pieces
    look = (relief, flat, stepped)
    cells, surfaces = broken_up(solid, count, lost_middle, look, wear_mm, min(spacing_mm, 0.8), rng)
    if lost_middle:
        cells = without_middle(cells)
    for which, number in enumerate(np.bincount(rng.integers(0, len(cells), chips), minlength=len(cells))):
        if number:
            cells[which] = chipped(cells[which], int(number), size, rng)
    fragments, placements, fracture = [], [], []
    for index, cell in enumerate(cells):
        spacing = spacing_mm * (density_ratio if index == 1 else 1.0)
        mesh, placement, broken = scanned(cell, surfaces, spacing, noise_mm, sand_cast_mm, seed, rng)
        if sprung_mm and index == 1:
            mesh = bent(mesh, placement, surfaces[0].part_from_cut, sprung_mm)
        if rubbed_mm and index == 1:
            mesh = rubbed(mesh, broken, float(rng.uniform(0.2, 0.4)), rubbed_mm, rng)
        if rounded:
            mesh = rounded_off(mesh, rounded)
        if scan_holes:
            mesh, kept = with_scan_holes(mesh, scan_holes, rng)
            broken = broken[kept]
        if specks:
            mesh = with_specks(mesh, specks, spacing, rng)
            broken = np.append(broken, np.zeros(len(mesh.vertices) - len(broken), bool))
        fragments.append(mesh)
        placements.append(placement)
        fracture.append(broken)
    exact = [as_mesh(cell.solid) for cell in cells]
    for index in range(strangers):
        other = _stranger(shape, seed, index, options)
        fragments.append(other.fragments[-1])
        placements.append(np.full((4, 4), np.nan))
        fracture.append(other.fracture[-1])
        exact.append(other.exact[-1])
    changed = {k: v for k, v in options.items() if v != _DEFAULTS[k]}
    return Case(
        name=f"{shape}-{seed}",
        fragments=tuple(fragments),
        part_from_scan=tuple(placements),
        intact=as_mesh(solid),
        intact_volume_mm3=float(solid.volume()),
        intact_genus=int(solid.genus()),
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        strangers=tuple(range(len(cells), len(fragments))),
        wear_mm=wear_mm,
        fracture=tuple(fracture),
        note=f"{shape}, seed {seed}: " + (", ".join(f"{k}={v}" for k, v in changed.items()) or "plain"),
        surfaces=tuple(surfaces),
        exact=tuple(exact),
    )


_DEFAULTS: dict[str, Any] = dict(make_case.__kwdefaults__ or {})


def _stranger(shape: str, seed: int, index: int, options: dict[str, Any]) -> Case:
    names = [name for name in SHAPES if name != shape]
    own = {**options, "strangers": 0, "lost_middle": False, "pieces": 2}
    return make_case(names[(seed + 3 * index) % len(names)], seed + 7919 + index, **own)


def worst_error_mm(
    case: Case, index: int, part_from_scan: FloatArray, reference: int, reference_placed: FloatArray
) -> float:
    """How far the worst vertex of a fragment is misplaced, seen from the reference fragment.

    ``part_from_scan`` and ``reference_placed`` are the estimated placements,
    in any common frame; the reference's own misplacement is taken out.
    """
    true = inverse(case.part_from_scan[reference]) @ case.part_from_scan[index]
    found = inverse(reference_placed) @ part_from_scan
    return float(displacement(true, found, case.fragments[index].vertices).max())
