"""Breaks a part and scans the pieces, keeping the exact truth."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt
from manifold3d import Manifold, OpType
from scipy.spatial.transform import Rotation

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.settings import UNITS
from rejoin.core.transforms import apply, displacement, inverse, rigid
from tests.makers import scanning
from tests.makers.fracture import Surface, cutter, random_surface
from tests.makers.shapes import SHAPES

CORRELATION_SPACINGS = 3.0
"""Correlation length of the scan noise, in spacings: the correlation is exp(-(r / length)^2)."""
CORRELATED_SHARE = 0.75
"""Share of the noise variance that is correlated; the rest is white."""


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


@dataclass(frozen=True)
class _Cell:
    """A piece of the solid; ``sides`` maps a tessellation's id to (surface, offset along its normal)."""

    solid: Manifold
    sides: dict[int, tuple[int, float]]


def _as_mesh(solid: Manifold) -> Mesh:
    raw = solid.to_mesh64()
    return Mesh(np.array(raw.vert_properties[:, :3]), np.array(raw.tri_verts).astype(np.int32))


def _triangle_ids(solid: Manifold) -> IntArray:
    raw = solid.to_mesh64()
    runs = np.array(raw.run_index).astype(np.int64) // 3
    return np.repeat(np.array(raw.run_original_id).astype(np.int64), np.diff(runs))


def _axes(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Surface centroid and principal axes (columns, longest first)."""
    areas, centres = meshes.triangle_areas(mesh), meshes.triangle_centres(mesh)
    middle = areas @ centres / areas.sum()
    spread = ((centres - middle) * areas[:, None]).T @ (centres - middle)
    return middle, np.linalg.eigh(spread)[1][:, ::-1]


def _plane(mesh: Mesh, axes: FloatArray, share: float, tilt: float, rng: np.random.Generator) -> FloatArray:
    """A cut plane across the first axis, at ``share`` of the mesh's length along it, tilted a little."""
    middle = _axes(mesh)[0]
    along = (mesh.vertices - middle) @ axes[:, 0]
    at = along.min() + share * np.ptp(along)
    normal = Rotation.from_rotvec(rng.normal(0, tilt, 3)).apply(axes[:, 0] * rng.choice([-1.0, 1.0]))
    x = np.cross(normal, axes[:, 1])
    x /= np.linalg.norm(x)
    return rigid(np.column_stack([x, np.cross(normal, x), normal]), middle + at * axes[:, 0])


def _section_reach(solid: Manifold, part_from_cut: FloatArray) -> float:
    local = solid.transform(inverse(part_from_cut)[:3])
    section = local.trim_by_plane((0, 0, 1), -1.0).trim_by_plane((0, 0, -1), -1.0)
    box = np.array((section if not section.is_empty() else local).bounding_box()).reshape(2, 3)
    return float(np.linalg.norm(np.ptp(box, axis=0)[:2]))


def _broken(
    cell: _Cell,
    whole_mm3: float,
    axes: FloatArray,
    share: float,
    index: int,
    look: tuple[float, bool, bool],
    wear: float,
    pitch: float,
    rng: np.random.Generator,
) -> tuple[_Cell, _Cell, Surface]:
    """Cuts a cell in two along a fresh surface; draws again until both halves are in one piece."""
    outline = _as_mesh(cell.solid)
    for attempt in range(60):
        plane = _plane(outline, axes, share + rng.normal(0, 0.02 + 0.004 * attempt), 0.12 + 0.01 * attempt, rng)
        surface = random_surface(rng, plane, _section_reach(cell.solid, plane), *look)
        below_tool = cutter(surface, cell.solid, -wear, pitch, rng)
        above_tool = cutter(surface, cell.solid, wear, pitch, rng)
        below, above = cell.solid ^ below_tool, cell.solid - above_tool
        if min(below.volume(), above.volume()) < 0.12 * whole_mm3:
            continue
        if len(below.decompose()) == len(above.decompose()) == 1:
            return (
                _Cell(below, {**cell.sides, below_tool.original_id(): (index, -wear)}),
                _Cell(above, {**cell.sides, above_tool.original_id(): (index, wear)}),
                surface,
            )
    raise RuntimeError("No cut leaves two connected pieces; choose another seed.")


def _chipped(cell: _Cell, count: int, size: float, rng: np.random.Generator) -> _Cell:
    """Knocks random blobs out of the rim of the fracture faces; the largest remaining piece stays."""
    mesh, ids = _as_mesh(cell.solid), _triangle_ids(cell.solid)
    broken = np.isin(ids, list(cell.sides))
    on_break, on_skin = (np.unique(mesh.triangles[which]) for which in (broken, ~broken))
    rim, normals = np.intersect1d(on_break, on_skin), meshes.vertex_normals(mesh)
    blobs = []
    for at in rng.choice(rim, count):
        radius, phase = rng.uniform(1.2, 3.4) * size, rng.uniform(0, 2 * np.pi, 3)

        def bumpy(points: FloatArray, phase: FloatArray = phase) -> FloatArray:
            unit = np.asarray(points)
            return unit * (1 + 0.12 * np.sin(3 * unit + phase).sum(axis=1, keepdims=True))

        blob = Manifold.sphere(1.0, 40).warp_batch(bumpy).scale((radius,) * 3)
        blobs.append(blob.translate(tuple(mesh.vertices[at] + 0.35 * radius * normals[at])))
    rest = cell.solid - Manifold.batch_boolean(blobs, OpType.Add)
    return _Cell(max(rest.decompose(), key=lambda solid: solid.volume()), cell.sides)


def _scan_frame(rng: np.random.Generator) -> FloatArray:
    return rigid(Rotation.random(random_state=rng).as_matrix(), rng.uniform(-150, 150, 3))


def _scanned(
    cell: _Cell, surfaces: list[Surface], spacing: float, noise: float, sand_cast: float, texture_seed: int,
    rng: np.random.Generator,
) -> tuple[Mesh, FloatArray, npt.NDArray[np.bool_]]:
    """The scan of one exact piece: mesh in its scan frame, part_from_scan, fracture vertices."""
    scan_from_part = _scan_frame(rng)
    part_from_scan = inverse(scan_from_part)
    exact = meshes.placed(_as_mesh(cell.solid), scan_from_part)
    mesh = scanning.evenly_meshed(exact, scanning.PITCH_PER_SPACING * spacing, rng)
    points, links = mesh.vertices, meshes.adjacency(mesh)
    degree = np.asarray(links.sum(axis=1)).reshape(-1, 1)
    for share in (0.6, 0.5):
        points = points + share * (links @ points / degree - points)
    normals = meshes.vertex_normals(Mesh(points, mesh.triangles))
    shift = rng.normal(0, 0.10 * spacing, points.shape)
    shift -= np.sum(shift * normals, axis=1, keepdims=True) * normals
    points, triangle = scanning.projected(exact, points + shift)
    ids = _triangle_ids(cell.solid)[triangle]
    points = apply(part_from_scan, points)
    fracture = np.zeros(len(points), bool)
    for name, (index, offset) in cell.sides.items():
        here = ids == name
        fracture |= here
        points[here] = surfaces[index].settled(points[here], offset)
    outward = meshes.vertex_normals(Mesh(points, mesh.triangles))
    if sand_cast:
        points = points + (sand_cast * scanning.cast_texture(points, texture_seed) * ~fracture)[:, None] * outward
    if noise:
        smooth = scanning.smooth_field(points, CORRELATION_SPACINGS * spacing, rng)
        white = rng.normal(size=len(points))
        size = np.sqrt(CORRELATED_SHARE) * smooth + np.sqrt(1 - CORRELATED_SHARE) * white
        points = points + (noise * size)[:, None] * outward
    return Mesh(apply(scan_from_part, points), mesh.triangles), part_from_scan, fracture


def _with_scan_holes(mesh: Mesh, count: int, rng: np.random.Generator) -> tuple[Mesh, IntArray]:
    """Deletes ``count`` patches of 3 to 8 mm across (less on small parts); the largest piece stays."""
    centres, normals = meshes.triangle_centres(mesh), meshes.triangle_crosses(mesh)
    keep = np.ones(len(centres), bool)
    limit = 0.06 * np.linalg.norm(np.ptp(mesh.vertices, axis=0))
    for at in rng.choice(len(centres), count):
        reach = min(rng.uniform(1.5, 4.0), limit)
        near = np.linalg.norm(centres - centres[at], axis=1) < reach
        keep &= ~(near & (normals @ normals[at] > 0))
    cut, kept = meshes.compacted(mesh, np.flatnonzero(keep).astype(np.int32))
    labels = meshes.components(cut)[1]
    main = np.bincount(labels).argmax()
    cut, kept_again = meshes.compacted(cut, np.flatnonzero(labels[cut.triangles[:, 0]] == main).astype(np.int32))
    return cut, kept[kept_again]


def _with_specks(mesh: Mesh, count: int, spacing: float, rng: np.random.Generator) -> Mesh:
    """Adds small floating islands near the scan, as scanners leave them."""
    normals = meshes.vertex_normals(mesh)
    vertices, triangles, total = [mesh.vertices], [mesh.triangles], len(mesh.vertices)
    for at in rng.choice(len(normals), count):
        speck = _as_mesh(Manifold.sphere(spacing * rng.uniform(1.0, 2.5), 8))
        place = mesh.vertices[at] + spacing * rng.uniform(8, 30) * normals[at]
        vertices.append(speck.vertices + place)
        triangles.append(speck.triangles + total)
        total += len(speck.vertices)
    return Mesh(np.concatenate(vertices), np.concatenate(triangles))


def _pieces(
    solid: Manifold, pieces: int, parallel: bool, look: tuple[float, bool, bool], wear: float, pitch: float,
    rng: np.random.Generator,
) -> tuple[list[_Cell], list[Surface]]:
    """Breaks the largest piece again and again; ``parallel`` cuts all along one axis."""
    cells, surfaces = [_Cell(solid, {})], []
    first_axes = _axes(_as_mesh(solid))[1]
    for index in range(pieces - 1):
        big = max(range(len(cells)), key=lambda i: cells[i].solid.volume())
        axes = first_axes if parallel else _axes(_as_mesh(cells[big].solid))[1]
        share = 0.42 if pieces > 2 and index == 0 else 0.5
        one, two, surface = _broken(cells[big], solid.volume(), axes, share, index, look, wear, pitch, rng)
        surfaces.append(surface)
        cells[big : big + 1] = [one, two]
    return cells, surfaces


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
    size: float = 1.0,
    density_ratio: float = 1.0,
) -> Case:
    """A broken part, scanned.

    Parameters
    ----------
    shape : str
        A name in `SHAPES`.
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
    size : float
        Scales the part (not its relief).
    density_ratio : float
        Spacing of the second scan, relative to the others'.
    """
    options = {key: value for key, value in locals().items() if key not in ("shape", "seed")}
    rng = np.random.default_rng([crc32(shape.encode()), seed])
    solid = SHAPES[shape](rng).scale((size,) * 3).as_original()
    count = 3 if lost_middle else pieces
    look = (relief, flat, stepped)
    cells, surfaces = _pieces(solid, count, lost_middle, look, wear_mm, min(spacing_mm, 0.8), rng)
    if lost_middle:
        cells = _without_middle(cells)
    for which, number in enumerate(np.bincount(rng.integers(0, len(cells), chips), minlength=len(cells))):
        if number:
            cells[which] = _chipped(cells[which], int(number), size, rng)
    fragments, placements, fracture = [], [], []
    for index, cell in enumerate(cells):
        spacing = spacing_mm * (density_ratio if index == 1 else 1.0)
        mesh, placement, broken = _scanned(cell, surfaces, spacing, noise_mm, sand_cast_mm, seed, rng)
        if scan_holes:
            mesh, kept = _with_scan_holes(mesh, scan_holes, rng)
            broken = broken[kept]
        if specks:
            mesh = _with_specks(mesh, specks, spacing, rng)
            broken = np.append(broken, np.zeros(len(mesh.vertices) - len(broken), bool))
        fragments.append(mesh)
        placements.append(placement)
        fracture.append(broken)
    exact = [_as_mesh(cell.solid) for cell in cells]
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
        intact=_as_mesh(solid),
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


def _without_middle(cells: list[_Cell]) -> list[_Cell]:
    """Drops the one piece that both breaks border."""
    return [cell for cell in cells if len(np.intersect1d(_triangle_ids(cell.solid), list(cell.sides))) == 1]


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


def write_case(case: Case, folder: str | Path, unit: str = "mm", fmt: str = "ply") -> list[Path]:
    """Writes one file per fragment (``ply`` or ``stl`` binary, or ``obj``) and truth.json; returns the scan files."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for index, mesh in enumerate(case.fragments):
        path = folder / f"fragment_{index + 1}.{fmt}"
        {"ply": _write_ply, "stl": _write_stl, "obj": _write_obj}[fmt](path, mesh, 1.0 / UNITS[unit])
        paths.append(path)
    truth = {
        "name": case.name,
        "made": case.note,
        "unit": unit,
        "files": [path.name for path in paths],
        "part_from_scan_mm": [None if i in case.strangers else m.tolist() for i, m in enumerate(case.part_from_scan)],
        "strangers": list(case.strangers),
        "intact_volume_mm3": case.intact_volume_mm3,
        "intact_genus": case.intact_genus,
        "spacing_mm": case.spacing_mm,
        "noise_mm": case.noise_mm,
        "wear_mm": case.wear_mm,
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return paths


def _write_ply(path: Path, mesh: Mesh, scale: float) -> None:
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.triangles), [("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, mesh.triangles
    path.write_bytes(header.encode() + (mesh.vertices * scale).astype("<f4").tobytes() + faces.tobytes())


def _write_stl(path: Path, mesh: Mesh, scale: float) -> None:
    rows = np.zeros(len(mesh.triangles), [("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    normals = meshes.triangle_crosses(mesh)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    rows["n"] = normals / np.where(length > 0, length, 1.0)
    rows["v"] = mesh.vertices[mesh.triangles] * scale
    path.write_bytes(b"triangle scan".ljust(80) + np.uint32(len(rows)).tobytes() + rows.tobytes())


def _write_obj(path: Path, mesh: Mesh, scale: float) -> None:
    with path.open("w", encoding="ascii") as out:
        np.savetxt(out, mesh.vertices * scale, "v %.6f %.6f %.6f")
        np.savetxt(out, mesh.triangles + 1, "f %d %d %d")
