"""Cleaning of one scan: weld, orient, remove specks, find holes, measure spacing and noise.

The steps are in `mending` (repairs) and `shells` (loose parts, outside, holes); the noise is in `rejoin.core.noise`.
"""

from __future__ import annotations

import numpy as np

from rejoin.core.cleaning.dividing import BARE_SHARE, bare_share, divided
from rejoin.core.cleaning.halfedges import edge_use
from rejoin.core.cleaning.mending import mended
from rejoin.core.cleaning.shells import border_loops, graph_of, hole_of, inside_out_shells
from rejoin.core.cleaning.strays import set_back
from rejoin.core.cleaning.work import Work
from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import averaged_normals, edge_spacing, gathered, mirrored, triangle_areas, vertex_normals
from rejoin.core.noise import surface_noise
from rejoin.core.records import Fragment, Hole, Mesh, Repair, Scan
from rejoin.core.settings import CleanSettings, Report, part_of, silent

FEWEST_TRIANGLES = 100
"""A scan with fewer shows nothing that could be matched."""

__all__ = ["clean_scan"]


def clean_scan(scan: Scan, settings: CleanSettings | None = None, report: Report = silent) -> Fragment:
    """Clean one scan and measure it; every repair is recorded.

    Parameters
    ----------
    scan : Scan
    settings : CleanSettings, optional
    report : Report, optional

    Returns
    -------
    Fragment
        An oriented manifold surface, outside out, with or without a border.
        ``mesh`` is ``scan.mesh`` itself where nothing had to be repaired.

    Raises
    ------
    NoAnswer
        Where fewer than `FEWEST_TRIANGLES` triangles remain.
    """
    settings = settings or CleanSettings()
    _need_surface(scan, len(scan.mesh.triangles))
    report(0.0, f"Cleaning {scan.name}")
    used, told = _working_copy(scan.mesh, settings.most_triangles)
    work = mended(mirrored(used) if scan.mirrored else used)
    work.repairs[:0] = told
    _need_surface(scan, len(work.triangles))
    report(0.5, f"Looking for loose parts of {scan.name}")
    specks = _drop_specks(work, settings)
    _need_surface(scan, len(work.triangles))
    _turn_outside_out(work, settings)
    set_back(work)
    mesh = _as_used(_result(scan, work), scan, work, settings)
    report(0.7, f"Measuring {scan.name}")
    mesh, spacing = _with_points_all_over(mesh, work)
    holes = tuple(hole_of(loop, mesh.vertices) for loop in border_loops(mesh.triangles, work.partner))
    graph = work.graph() if len(mesh.vertices) == len(work.vertices) else graph_of(mesh.triangles, len(mesh.vertices))
    noise = surface_noise(mesh, graph, spacing, part_of(report, 0.7, 1.0))
    report(1.0, f"Cleaned {scan.name}")
    return Fragment(scan, mesh, spacing, noise, holes, specks, not holes, (*work.repairs, *_hole_notes(holes)))


def _need_surface(scan: Scan, triangles: int) -> None:
    if triangles < FEWEST_TRIANGLES:
        held = "no surface" if triangles == 0 else "one triangle" if triangles == 1 else f"only {triangles} triangles"
        raise NoAnswer(f"The scan {scan.name} holds {held}.", "Give the full scan of the fragment.")


def _working_copy(mesh: Mesh, most_million: float) -> tuple[Mesh, list[Repair]]:
    """The mesh, or of one with too many triangles a coarser copy of its own vertices, and what is to be said of it."""
    most, count = 1e6 * most_million, len(mesh.triangles)
    if not 0.0 < most < count:
        return mesh, []
    every = max(1, count // 200_000)
    area = every * float(triangle_areas(Mesh(mesh.vertices, mesh.triangles[::every])).sum())
    cell = float(np.sqrt(2.0 * area / most))
    copy = gathered(mesh, cell)[0]
    while len(copy.triangles) > most:
        cell *= 1.02 * float(np.sqrt(len(copy.triangles) / most))
        copy = gathered(mesh, cell)[0]
    told = (f"Of {count:,} triangles a coarser copy of {len(copy.triangles):,} is worked on; it keeps some of the "
            f"scan's own points, about {edge_spacing(copy):.2g} mm apart")  # fmt: skip
    return copy, [Repair("reduced", 1, told)]


def _drop_specks(work: Work, settings: CleanSettings) -> int:
    count, shell = work.shells()
    if count < 2:
        return 0
    area = np.bincount(shell, work.sizes().areas, count)
    small = area < settings.speck_share * area.max()
    if not small.any():
        return 0
    keep = ~small[shell]
    renumbered = np.cumsum(keep) - 1
    partner = work.partner.reshape(-1, 3)[keep].ravel()
    old = np.maximum(partner, 0)
    work.partner = np.where(partner < 0, -1, renumbered[old // 3] * 3 + old % 3).astype(np.int32)
    work.triangles = work.triangles[keep]
    work.note("specks", int(small.sum()), "1 loose speck removed", "{} loose specks removed")
    return int(small.sum())


def _turn_outside_out(work: Work, settings: CleanSettings) -> None:
    shell = work.shells()[1]
    loops = border_loops(work.triangles, work.partner)
    turned = inside_out_shells(work.vertices, work.triangles, work.sizes().crosses, shell, loops)
    if not turned:
        return
    if not settings.flip_inside_out:
        work.note(
            "inside out",
            len(turned),
            "The scan is inside out and was left so",
            "{} parts of the scan are inside out and were left so",
        )
        return
    chosen = np.isin(shell, turned)
    work.turn(chosen)
    # Reversed, corners 0 1 2 become 2 1 0, so half-edges 0 1 2 become 1 0 2.
    swap = np.array([1, 0, 2])
    partner = work.partner.reshape(-1, 3)
    partner = np.where(chosen[:, None], partner[:, swap], partner)
    target = np.maximum(partner, 0)
    moved = np.where(chosen[target // 3], target - target % 3 + swap[target % 3], target)
    work.partner = np.where(partner < 0, -1, moved).astype(np.int32).ravel()
    work.note(
        "inside out",
        len(turned),
        "The scan was inside out and was turned",
        "{} parts of the scan were inside out and were turned",
    )


def _result(scan: Scan, work: Work) -> Mesh:
    """The scan's own mesh where nothing changed, else a new one without unused points."""
    used = np.zeros(len(work.vertices), bool)
    used[work.triangles] = True
    if not work.repairs and used.all() and not scan.mirrored:
        return scan.mesh
    unused = np.ones(len(scan.mesh.vertices), bool)
    unused[scan.mesh.triangles] = False
    work.note(
        "unused", int(unused.sum()), "1 point without a triangle left out", "{} points without a triangle left out"
    )
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return Mesh(work.vertices[used], number[work.triangles])


def _as_used(mesh: Mesh, scan: Scan, work: Work, settings: CleanSettings) -> Mesh:
    """The surface with a spray coat taken off."""
    if settings.coat_mm <= 0.0:
        return mesh
    work.note("coat", 1, f"A coat of {settings.coat_mm:g} mm was taken off all over", "")
    smooth = averaged_normals(mesh, vertex_normals(mesh), 2)
    return Mesh(mesh.vertices - settings.coat_mm * smooth, mesh.triangles)


def _with_points_all_over(mesh: Mesh, work: Work) -> tuple[Mesh, float]:
    """Divided where much of the surface is without points, as on a drawn solid, its shape kept; and the spacing."""
    spacing_mm, sizes = edge_spacing(mesh), work.sizes()
    if bare_share(sizes.squares, sizes.areas, spacing_mm) < BARE_SHARE:
        return mesh, spacing_mm
    fine = divided(mesh, spacing_mm)
    work.partner = edge_use(fine.triangles, len(fine.vertices)).partner
    work.note(
        "divided", len(fine.vertices) - len(mesh.vertices), "1 point added within a long triangle",
        "{} points added within long triangles; the shape is as it was",
    )  # fmt: skip
    return fine, edge_spacing(fine)


def _hole_notes(holes: tuple[Hole, ...]) -> tuple[Repair, ...]:
    if not holes:
        return ()
    widest = max(hole.across_mm for hole in holes)
    many = f"{len(holes)} holes, the largest {widest:.1f} mm across"
    return (Repair("holes", len(holes), f"1 hole, {widest:.1f} mm across" if len(holes) == 1 else many),)
