"""Breaks an exact solid into exact pieces: cuts along rough surfaces, chips, a lost middle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold, OpType
from scipy.spatial.transform import Rotation

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import inverse, rigid
from tests.makers.fracture import Surface, cutter, random_surface


@dataclass(frozen=True)
class Cell:
    """A piece of the solid; ``sides`` maps a tessellation's id to (surface, offset along its normal)."""

    solid: Manifold
    sides: dict[int, tuple[int, float]]


def as_mesh(solid: Manifold) -> Mesh:
    raw = solid.to_mesh64()
    return Mesh(np.array(raw.vert_properties[:, :3]), np.array(raw.tri_verts).astype(np.int32))


def triangle_ids(solid: Manifold) -> IntArray:
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
    cell: Cell,
    whole_mm3: float,
    axes: FloatArray,
    share: float,
    index: int,
    look: tuple[float, bool, bool],
    wear: float,
    pitch: float,
    rng: np.random.Generator,
) -> tuple[Cell, Cell, Surface]:
    """Cuts a cell in two along a fresh surface; draws again until both halves are in one piece."""
    outline = as_mesh(cell.solid)
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
                Cell(below, {**cell.sides, below_tool.original_id(): (index, -wear)}),
                Cell(above, {**cell.sides, above_tool.original_id(): (index, wear)}),
                surface,
            )
    raise RuntimeError("No cut leaves two connected pieces; choose another seed.")


def chipped(cell: Cell, count: int, size: float, rng: np.random.Generator) -> Cell:
    """Knocks random blobs out of the rim of the fracture faces; the largest remaining piece stays."""
    mesh, ids = as_mesh(cell.solid), triangle_ids(cell.solid)
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
    return Cell(max(rest.decompose(), key=lambda solid: solid.volume()), cell.sides)


def broken_up(
    solid: Manifold,
    pieces: int,
    parallel: bool,
    look: tuple[float, bool, bool],
    wear: float,
    pitch: float,
    rng: np.random.Generator,
) -> tuple[list[Cell], list[Surface]]:
    """Breaks the largest piece again and again; ``parallel`` cuts all along one axis."""
    cells, surfaces = [Cell(solid, {})], []
    first_axes = _axes(as_mesh(solid))[1]
    for index in range(pieces - 1):
        big = max(range(len(cells)), key=lambda i: cells[i].solid.volume())
        axes = first_axes if parallel else _axes(as_mesh(cells[big].solid))[1]
        share = 0.42 if pieces > 2 and index == 0 else 0.5
        one, two, surface = _broken(cells[big], solid.volume(), axes, share, index, look, wear, pitch, rng)
        surfaces.append(surface)
        cells[big : big + 1] = [one, two]
    return cells, surfaces


def without_middle(cells: list[Cell]) -> list[Cell]:
    """Drops the one piece that both breaks border."""
    return [cell for cell in cells if len(np.intersect1d(triangle_ids(cell.solid), list(cell.sides))) == 1]
