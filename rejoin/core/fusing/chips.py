"""Chips: fracture surface that no other fragment covers and that lies below the part's own surface."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.continuing import Over, through
from rejoin.core.fusing.hollow import Hollow, box_of, said, shape_of
from rejoin.core.fusing.hollows import cut_short, hollows
from rejoin.core.fusing.repeats import MOSTLY, WHOLLY, Repeats
from rejoin.core.fusing.ring import (
    BoolArray,
    Contact,
    Marked,
    Through,
    flagged,
    given_up,
    widened,
)
from rejoin.core.fusing.soundness import any_corner, every_corner
from rejoin.core.libraries.walls import through_material
from rejoin.core.records import Fill, FloatArray, FractureFace, Fragment, Joint, Mesh

DEEPEST = 5.0
"""What a chip through a wall left is no larger than so many times the fracture laid bare: one and a half times as deep
as wide. A bore that the break runs along has walls all round."""
HANGS = 2.0
"""Walls no farther apart than so many spacings are one chip's."""


def broken_vertices(
    fragments: Sequence[Fragment], joints: Sequence[Joint], faces: Sequence[FractureFace], which: Sequence[int]
) -> list[BoolArray]:
    """For each of the fragments ``which`` the vertices whose triangles all belong to fracture faces.

    These are the faces of its joints, and those of ``faces`` that a person chose.
    """
    chosen = [(face.fragment, face) for face in faces if face.chosen_by == "person"]
    kept = [joint for joint in joints if joint.state != "rejected"]
    sides = [side for joint in kept for side in ((joint.a, joint.face_a), (joint.b, joint.face_b))]
    result = []
    for index in which:
        fragment = fragments[index]
        triangles = fragment.mesh.triangles
        marked = np.zeros(len(triangles), bool)
        for owner, face in sides + chosen:
            if owner == index:
                marked[face.triangles] = True
        broken = np.zeros(len(fragment.mesh.vertices), bool)
        broken[triangles[marked].ravel()] = True
        broken[triangles[~marked & any_corner(broken, triangles)].ravel()] = False
        result.append(broken)
    return result


@dataclass(frozen=True, eq=False)
class Chips:
    """What is found of chips, (n,) bool for each part: their ``walls``, and those ``beyond`` that come near to its rim.

    ``through`` go through a wall. ``left`` says what hollows are no chips: larger than is filled, or the part's own.
    """

    walls: list[BoolArray]
    beyond: list[BoolArray]
    through: tuple[Through, ...]
    left: list[str]


def chips_of(
    parts: list[Mesh],
    rims: list[BoolArray],
    far: Mesh,
    sides: list[Contact],
    broken: list[BoolArray],
    spacing_mm: float,
    largest_mm: float,
    repeats: Repeats,
) -> Chips:
    """The chips along the break.

    Where a rim was chipped, fracture face of one fragment lies bare: it is not
    in contact, reaches the given-up strip, and lies below the surface that the
    original surfaces continue. Around it the other fragment's wall is what
    faces it over the hollow and hangs together with the strip. The original
    surface faces away, so it stays. ``far`` stands for what the parts go on to
    beyond their ``rims``. What ``repeats`` finds elsewhere on the part too is
    its own, unless a person says that it is a chip.
    """
    seen = hollows(parts, rims, far, sides, broken, spacing_mm, largest_mm)
    judged = (_beside_its_like(parts, hollow, broken, repeats) for hollow in seen)
    seen = [hollow for hollow in judged if hollow is not None]
    boxes = [box_of(parts, hollow) for hollow in seen]
    found = [one for one, (across, _) in zip(seen, boxes, strict=True) if across <= largest_mm and not one.doubted]
    left = _left_as_they_are([(*box, one.doubted) for one, box in zip(seen, boxes, strict=True)], largest_mm)
    short = cut_short(parts, rims, found)
    whole = [hollow for hollow, one in zip(found, short, strict=True) if not one]
    walls, beyond = (
        [flagged(part, [hollow.all_of(number) for hollow in some]) for number, part in enumerate(parts)]
        for some in (whole, [hollow for hollow, one in zip(found, short, strict=True) if one])
    )
    return Chips(walls, beyond, tuple(_through(parts, whole, spacing_mm)), left)


def _beside_its_like(
    parts: list[Mesh], hollow: Hollow, broken: list[BoolArray], repeats: Repeats
) -> Hollow | None:
    """The hollow; doubted where the part has most of it elsewhere too, None where it has all of it."""
    share = 0.0 if said(hollow, broken) else repeats(*shape_of(parts, hollow))
    return None if share >= WHOLLY else replace(hollow, doubted=hollow.doubted or share >= MOSTLY)


def _through(parts: list[Mesh], found: list[Hollow], spacing_mm: float) -> Iterator[Through]:
    """Hollows, alone or such as hang together, that go through a wall."""
    points = np.concatenate([part.vertices for part in parts])
    areas = np.concatenate([meshes.vertex_areas(part) for part in parts])
    starts = np.cumsum([0, *[len(part.vertices) for part in parts]])
    known = [(hollow, hollow.over) for hollow in found if hollow.over is not None]
    spots = [hollow.of(starts) for hollow, _ in known]
    trees, links = [cKDTree(points[own]) for own in spots], np.zeros((len(spots),) * 2, bool)
    for a in range(len(spots)):
        for b in range(a):
            near = trees[a].query(points[spots[b]], distance_upper_bound=HANGS * spacing_mm)[0]
            links[a, b] = np.isfinite(near).any()
    number, group = connected_components(links, directed=False) if spots else (0, np.zeros(0))
    for k in range(number):
        own = np.unique(np.concatenate([spots[n] for n in np.flatnonzero(group == k)]))
        overs = [known[n][1] for n in np.flatnonzero(group == k)]
        bare = np.concatenate([known[n][0].bare + starts[known[n][0].number] for n in np.flatnonzero(group == k)])
        notch = areas[own].sum() <= DEEPEST * areas[bare].sum()
        if notch and through(overs, points[own]):
            yield Through(own, _Within(overs))


@dataclass(frozen=True, eq=False)
class _Within:
    """Height over what lies within the bounds of several hollows."""

    overs: list[Over]

    def __call__(self, points: FloatArray) -> FloatArray | None:
        heights = [height for over in self.overs if (height := over(points)) is not None]
        return np.max(heights, axis=0) if heights else None


def _left_as_they_are(hollows: list[tuple[float, FloatArray, bool]], largest_mm: float) -> list[str]:
    """What is said of hollows that are not filled: how wide each is, where, and whether it may be the part's own."""
    said = [
        f"A hollow at the break{_near(middle)}, {across:.0f} mm across, is larger than the {largest_mm:g} mm "
        "up to which hollows are filled; it is left as it is."
        for across, middle, doubted in hollows
        if across > largest_mm and not doubted
    ]
    own = sorted(((across, middle) for across, middle, doubted in hollows if doubted), key=lambda one: one[0])
    if own:
        sizes = ", ".join(f"{across:.1f}" for across, _ in own)
        said.append(
            f"Hollows across the crack that may be chips or the part's own recesses are left as they are ({sizes} mm "
            f"wide{', the widest' * (len(own) > 1)}{_near(own[-1][1])}). If one is a chip, choose the break together "
            "with its walls as fracture face on both pieces, and join again."
        )
    return said


def _near(place: FloatArray) -> str:
    x, y, z = place
    return f" near ({x:.1f}, {y:.1f}, {z:.1f}) mm"


def with_walls(
    parts: list[Mesh], rims: list[BoolArray], marked: Marked, walls: list[BoolArray], spacing_mm: float
) -> Marked:
    """Give up the flagged walls of each part too; those marked before are walls no more, though still given up."""
    wide = [widened(part, chip) if chip.any() else chip for part, chip in zip(parts, walls, strict=True)]
    sides = given_up(parts, rims, marked.sides, wide, spacing_mm)
    both = np.concatenate([chip & side.removed for chip, side in zip(wide, sides, strict=True)])
    return replace(marked, sides=sides, walls=both)


def without_chips_at(
    spots: FloatArray,
    parts: list[Mesh],
    rims: list[BoolArray],
    plain: Marked,
    marked: Marked,
    spacing_mm: float,
) -> Marked:
    """The chips given up but for those near some places (k, 3), as in ``plain``; what hangs together is one chip."""
    walls = marked.walls
    flagged_ones = np.flatnonzero(walls)
    points = np.concatenate([part.vertices for part in parts])[flagged_ones]
    pairs = cKDTree(points).query_pairs(HANGS * spacing_mm, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), (len(points),) * 2)
    number, group = connected_components(links, directed=False)
    near = np.isfinite(cKDTree(spots).query(points, distance_upper_bound=2.0 * HANGS * spacing_mm)[0])
    bad = np.bincount(group, near, number) > 0
    kept = walls.copy()
    kept[flagged_ones[bad[group]]] = False
    own = np.split(kept, np.cumsum([len(part.vertices) for part in parts])[:-1])
    return with_walls(parts, rims, replace(plain, through=marked.through), own, spacing_mm)


def chip_fills(
    mesh: Mesh, new: BoolArray, parts: list[Mesh], marked: Marked, told_mm: float
) -> tuple[npt.NDArray[np.int64], list[Fill]]:
    """The new triangles over chips, and one record for each chip (volume from the depth straight below them).

    Where both fragments' faces meet at the bottom of a hollow it is no wall that lies nearest below the middle of what
    fills it. Nothing smaller than twice the spacing at which surfaces are told is a chip.
    """
    walls = marked.walls
    if not walls.any():
        return np.zeros(0, np.int64), []
    vertices: FloatArray = np.concatenate([part.vertices for part in parts])
    fresh = np.flatnonzero(every_corner(new, mesh.triangles))
    depth, nearest = cKDTree(vertices).query(meshes.triangle_centres(mesh)[fresh], workers=-1)
    over = walls[nearest] | (depth > max(side.strip_mm for side in marked.sides))
    fresh, depth, wall = fresh[over], depth[over], walls[nearest[over]]
    depth = _straight_down(mesh, new, fresh, parts, depth)
    deep = depth > 0.5 * told_mm
    fresh, depth, wall = fresh[deep], depth[deep], wall[deep]
    if len(fresh) == 0:
        return fresh, []
    centres, areas = meshes.triangle_centres(mesh)[fresh], meshes.triangle_areas(mesh)[fresh]
    pairs = cKDTree(centres).query_pairs(2.0 * told_mm, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), (len(centres),) * 2)
    number, group = connected_components(links, directed=False)
    fills, listed = [], np.zeros(number, bool)
    for k in range(number):
        mine = group == k
        across = float(np.linalg.norm(np.ptp(centres[mine], axis=0)))
        if across < 2.0 * told_mm or wall[mine].mean() < 0.5:
            continue
        listed[k] = True
        volume = float((areas[mine] * np.minimum(depth[mine], across)).sum())
        fills.append(Fill("chip", across, volume, centres[mine].mean(axis=0)))
    return fresh[listed[group]], fills


def _straight_down(
    mesh: Mesh, new: BoolArray, over: npt.NDArray[np.int64], parts: list[Mesh], nearest_mm: FloatArray
) -> FloatArray:
    """How deep the filling is below the triangles ``over`` (mm): straight in, through the hollow, to what was scanned.

    Where the surface over the far side of a chip through a wall comes first,
    each side counts half. ``nearest_mm`` stands where there is no hollow
    below: nothing is met, or a scan's surface from its inside.
    """
    crosses = meshes.triangle_crosses(mesh)[over]
    inward = -crosses / np.maximum(np.linalg.norm(crosses, axis=1, keepdims=True), 1e-30)
    starts = meshes.triangle_centres(mesh)[over] + 1e-3 * nearest_mm[:, None] * inward
    first = np.cumsum([0] + [len(part.vertices) for part in parts])
    faces = [part.triangles + at for part, at in zip(parts, first[:-1], strict=True)]
    scanned = Mesh(np.concatenate([part.vertices for part in parts]), np.concatenate(faces).astype(np.int32))
    filled = Mesh(mesh.vertices, mesh.triangles[every_corner(new, mesh.triangles)])
    depth, hit = through_material(scanned, starts, inward)
    facing = (hit >= 0) & (np.einsum("ij,ij->i", meshes.triangle_crosses(scanned)[hit], inward) < 0.0)
    across = through_material(filled, starts, inward)[0]
    depth = np.where(across < depth, 0.5 * across, depth)
    return np.where(facing, np.maximum(depth, nearest_mm), nearest_mm)
