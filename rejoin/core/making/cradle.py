"""Two half shells that hold the fragments in their placement.

Each half must let the part in from the split plane, so its hollow is not the part's shape but the shadow of it: on a
grid over the plane the depth to which the part reaches, widened by the clearance as a ball rolls over it. The shell is
what lies between that and the same widened by its wall too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import grey_dilation, maximum_filter

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import Body, body_of, cylinder
from rejoin.core.libraries.walls import through_material
from rejoin.core.making.draft import Parting, numbers, parting_of
from rejoin.core.making.faces import need_closed
from rejoin.core.making.laying import side_by_side
from rejoin.core.making.parting import plane_frame, with_dowel_holes
from rejoin.core.making.told import CAUTIONS, ORDER, TITLES
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FloatArray, MadePart, MadeStep, MakePick, Mesh, Whole
from rejoin.core.settings import MakeSettings, Report

ACROSS = 200
"""Cells of the grid along its longer side."""
MOST_WINDOWS = 12


def make_cradle(
    whole: Whole, picks: Sequence[MakePick], settings: MakeSettings, report: Report, revision: str
) -> MadePart:
    """The two halves of a cradle, laid beside each other with their split faces up.

    Parameters
    ----------
    whole : Whole
        Closed; its ``seam_triangles`` tell where the crack is.
    picks : sequence of MakePick
        Those with ``what`` "window" are openings where no crack is known.
    settings : MakeSettings
        ``parting`` is the split plane; through the middle, across the shortest side, unless given.
    report : Report
    revision : str

    Raises
    ------
    NoAnswer
        An open whole, or a plane that passes it by.
    """
    need_closed(whole)
    body = body_of(whole.mesh, "The whole")
    parting = _split_plane(whole.mesh, settings)
    flat_from_part = plane_frame(parting)
    flat = body.moved(flat_from_part)
    low, high = flat.bounds
    if low[2] >= 0 or high[2] <= 0:
        raise NoAnswer("The split plane does not go through the part.", "Give a point inside the part.")
    spots = _windows(whole, picks, settings, flat_from_part)
    halves, cut, notes = [], 0, []
    over = np.diag([1.0, -1.0, -1.0, 1.0])
    for number, (side, turn) in enumerate((("lower", np.eye(4)), ("upper", over))):
        report(0.1 + 0.35 * number, f"Making the {side} half")
        shell = _half(flat.moved(turn), settings)
        shell, opened = _opened(shell, spots @ turn[:3, :3].T, settings)
        cut += opened
        halves.append((f"{side} half of the cradle", shell, turn @ flat_from_part))
    halves, dowels = _with_dowels(halves, settings)
    notes.append(dowels)
    if len(spots):
        notes.append(_openings(cut, len(spots), settings.window_mm))
    else:
        notes.append("No crack is known here, so no openings were made; name their places.")
    report(0.9, "Checking the cradle")
    title = f"{TITLES['cradle']}, {settings.cradle_clearance_mm:g} mm clearance, revision {revision}"
    steps = tuple(MadeStep(name, False, "not for a cradle: it fits the part itself") for name in ORDER)
    bodies = side_by_side(halves)
    return MadePart("cradle", title, revision, whole.mesh, bodies, steps, None, (), tuple(notes),
                    CAUTIONS["all"] + CAUTIONS["cradle"])  # fmt: skip


def _openings(cut: int, places: int, width_mm: float) -> str:
    if not cut:
        return "No opening could be made at the crack: it would part the shell, or the crack lies outside it."
    made = f"{cut} opening{'s' * (cut != 1)} of {width_mm:g} mm"
    return f"{made} at {places} place{'s' * (places != 1)} of the crack."


def _split_plane(mesh: Mesh, settings: MakeSettings) -> Parting:
    """As asked for; else across the shortest side: of the frame, or of the part itself where it lies aslant in it."""
    if settings.parting is not None:
        return parting_of(numbers(settings.parting, "split plane"))
    middles, areas = mesh.vertices[mesh.triangles].mean(axis=1), triangle_areas(mesh)
    about = middles - np.average(middles, axis=0, weights=areas)
    axes = np.vstack([np.eye(3), np.linalg.eigh((about * areas[:, None]).T @ about)[1].T])
    along = mesh.vertices @ axes.T
    low, high = along.min(axis=0), along.max(axis=0)
    sides = high - low
    own = 3 + int(np.argmin(sides[3:]))
    frames = int(np.argmin(sides[:3]))
    best = own if sides[own] < sides[frames] - sides.max() / ACROSS else frames  # by more than a cell of the grid
    middle = np.average(middles, axis=0, weights=areas)
    return Parting(middle + (0.5 * (low + high)[best] - middle @ axes[best]) * axes[best], axes[best])


def _windows(
    whole: Whole, picks: Sequence[MakePick], settings: MakeSettings, flat_from_part: FloatArray
) -> FloatArray:
    """Places (k, 3) of openings, in the plane's frame: named ones, or places far apart along the crack."""
    named = [p.point_mm for p in picks if p.what == "window"]
    if named:
        places = np.array(named)
    elif len(whole.seam_triangles) and settings.window_mm > 0:
        seam = whole.mesh.vertices[whole.mesh.triangles[whole.seam_triangles]].mean(axis=1)
        chosen = [int(np.argmax(np.linalg.norm(seam - seam.mean(axis=0), axis=1)))]
        away = np.linalg.norm(seam - seam[chosen[0]], axis=1)
        while len(chosen) < MOST_WINDOWS and away.max() > 2.5 * settings.window_mm:
            chosen.append(int(np.argmax(away)))
            away = np.minimum(away, np.linalg.norm(seam - seam[chosen[-1]], axis=1))
        places = seam[chosen]
    else:
        return np.empty((0, 3))
    return np.asarray(places @ flat_from_part[:3, :3].T + flat_from_part[:3, 3])


def _half(flat: Body, settings: MakeSettings) -> Body:
    """The shell below z = 0 around what of the body lies there, open upwards."""
    clearance, wall = settings.cradle_clearance_mm, settings.cradle_wall_mm
    below = flat.above(np.array([0.0, 0.0, -1.0]), 0.0).mesh()
    low, high = below.vertices.min(axis=0), below.vertices.max(axis=0)
    cell = float((high - low)[:2].max() + 2 * (clearance + wall)) / ACROSS
    margin = clearance + wall + 4.0 * cell
    start = low[:2] - margin
    count = np.ceil((high[:2] + margin - start) / cell).astype(int) + 1
    depth = _depths(below, start, cell, count)
    # A straight line between two knots of the grid may cut a corner by up to a cell: widened by one more.
    inner = maximum_filter(_widened(depth, clearance + 1e-2 * cell, cell), 3)
    outer = maximum_filter(_widened(depth, clearance + wall, cell), 3)
    # The hollow stands out on all other sides, so that no two surfaces coincide.
    shell = _column(outer, start, cell, 2.0 * cell, 0.0) - _column(inner, start, cell, 3.0 * cell, 0.5 * cell)
    half = shell.above(np.array([0.0, 0.0, -1.0]), 0.0)
    pieces = half.pieces()
    if not pieces:
        raise NoAnswer("The cradle came out empty.", "Choose another split plane.")
    return max(pieces, key=lambda one: one.volume_mm3)


def _depths(below: Mesh, start: FloatArray, cell: float, count: FloatArray) -> FloatArray:
    """How deep (n, m) the body reaches below z = 0 at each knot of the grid; minus infinity where it is not."""
    x, y = (start[k] + cell * np.arange(count[k]) for k in range(2))
    knots = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    floor = float(below.vertices[:, 2].min()) - cell
    from_below = np.column_stack([knots, np.full(len(knots), floor)])
    up = np.tile([0.0, 0.0, 1.0], (len(knots), 1))
    rise, _ = through_material(below, from_below, up)
    depth = np.where(np.isfinite(rise), -(floor + rise), -np.inf).reshape(tuple(count))
    # What passes between the knots is caught by its vertices, at all four knots around each.
    place = np.floor((below.vertices[:, :2] - start) / cell).astype(int)
    for dx in (0, 1):
        for dy in (0, 1):
            np.maximum.at(depth, (place[:, 0] + dx, place[:, 1] + dy), -below.vertices[:, 2])
    return np.asarray(depth)


def _widened(depth: FloatArray, radius: float, cell: float) -> FloatArray:
    """The depths as a ball of the radius, rolled over the body, leaves them; minus infinity outside."""
    reach = int(np.floor(radius / cell))
    steps = cell * np.arange(-reach, reach + 1)
    square = steps[:, None] ** 2 + steps[None, :] ** 2
    ball = np.sqrt(np.maximum(radius**2 - square, 0.0))
    bottom = -1e6
    filled = np.where(np.isfinite(depth), depth, bottom)
    wide = grey_dilation(filled, footprint=square <= radius**2, structure=ball)
    return np.where(wide > bottom / 2, wide, -np.inf)


def _column(depth: FloatArray, start: FloatArray, cell: float, top: float, wider: float) -> Body:
    """The solid between z = top and the depths; where there are none it stays a little above z = 0."""
    n, m = depth.shape
    x, y = start[0] + cell * np.arange(n), start[1] + cell * np.arange(m)
    for row in (x, y):
        row[0], row[-1] = row[0] - wider, row[-1] + wider
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    z = np.where(np.isfinite(depth), np.minimum(-depth, -1e-3 * cell), cell - wider).reshape(-1)
    floor, roof = np.column_stack([grid, z]), np.column_stack([grid, np.full(len(grid), top)])
    k = np.arange(n * m).reshape(n, m)
    a, b, c, d = (k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel())
    lower = np.concatenate([np.stack([a, c, b], axis=1), np.stack([a, d, c], axis=1)])
    rim = np.concatenate([k[:, 0], k[-1, 1:], k[-2::-1, -1], k[0, -2:0:-1]])
    u, w = rim, np.roll(rim, -1)
    count = n * m
    sides = np.concatenate([np.stack([u, w, w + count], axis=1), np.stack([u, w + count, u + count], axis=1)])
    faces = np.concatenate([lower, lower[:, ::-1] + count, sides])
    return body_of(Mesh(np.concatenate([floor, roof]), faces.astype(np.int32)), "The cradle's hollow")


def _opened(shell: Body, spots: FloatArray, settings: MakeSettings) -> tuple[Body, int]:
    """The shell with openings straight down under the places; one that would part it is left out."""
    low, _ = shell.bounds
    cut = 0
    for spot in spots:
        down = np.array([spot[0], spot[1], low[2] - 1.0])
        rim = np.array([spot[0], spot[1], -settings.cradle_wall_mm])
        if rim[2] <= down[2] or spot[2] > settings.cradle_wall_mm:
            continue
        opened = shell - cylinder(down, rim, 0.5 * settings.window_mm)
        if opened.shells == 1 and opened.volume_mm3 < (1 - 1e-6) * shell.volume_mm3:
            shell, cut = opened, cut + 1
    return shell, cut


def _with_dowels(
    halves: list[tuple[str, Body, FloatArray]], settings: MakeSettings
) -> tuple[list[tuple[str, Body, FloatArray]], str]:
    """Dowel holes through both rims."""
    over = np.diag([1.0, -1.0, -1.0, 1.0])
    lower, upper = halves[0][1], halves[1][1].moved(over)
    reach = 1e-3 * settings.cradle_wall_mm
    shared = [one.section(z) for one, z in ((upper, reach), (lower, -reach))]
    outlines = min(shared, key=lambda loops: sum(len(loop) for loop in loops))
    upper, lower, places, dowel = with_dowel_holes(
        upper, lower, outlines, settings.dowel_mm, settings.dowel_clearance_mm
    )
    if dowel is None:
        return halves, "The rims have no room for dowels; clamp the halves."
    made = [(halves[0][0], lower, halves[0][2]), (halves[1][0], upper.moved(over), halves[1][2])]
    return made, f"{len(places)} dowels of {dowel:g} mm in the rims."
