"""Two surfaces that end along each other, sewn end to end: a glued part split along its seam has no broken faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray
from rejoin.core.fusing.sewing import joined
from rejoin.core.fusing.stitching import Indices, Seam, border_loops, with_simple_border, zipped
from rejoin.core.records import Fragment, Joint, Mesh, Placement
from rejoin.core.records.scans import GLUE_LEFT
from rejoin.core.transforms import apply, identity

ALONG = 6.0
"""Ends run along each other where they are no farther apart than so many spacings."""
ONLY = 0.9
"""Share of what lies close to the other surface that must be the ends: broken faces in contact are not sewn over."""
ROUND = 16
"""An end has at least so many vertices; smaller borders are scan holes."""


@dataclass(frozen=True, eq=False)
class Sides:
    """Fragments of which two that ended along each other are one; ``first`` of its ``count`` vertices are the one's.

    ``index`` is the place of that fragment, None where no two ended so.
    """

    fragments: Sequence[Fragment]
    placements: Sequence[Placement]
    joints: Sequence[Joint]
    index: int | None = None
    first: int = 0
    count: int = 0


def sewn_ends(one: Mesh, other: Mesh, spacing_mm: float) -> tuple[Mesh, int, Indices] | None:
    """Both surfaces in one mesh, with a ruled strip between the borders that run along each other.

    Edges of the part that cross the strip run on through it.

    Parameters
    ----------
    one, other : Mesh
        In one frame, mm.
    spacing_mm : float

    Returns
    -------
    mesh : Mesh
    first : int
        How many of its vertices are those of ``one``.
    strip : (k, 3) int
        The strip's triangles; they are the mesh's last ones.

    None where no borders run along each other all the way round, or not one to one.
    """
    sides = [_simple(side) for side in (one, other)]
    loops = [border_loops(side.triangles, len(side.vertices)) or [] for side in sides]
    every = [[loop for loop in some if len(loop) >= ROUND] for some in loops]
    if not all(every):
        return None
    trees = [cKDTree(side.vertices[np.concatenate(some)]) for side, some in zip(sides, every, strict=True)]
    ends = [
        [loop for loop in some if (tree.query(side.vertices[loop])[0] < ALONG * spacing_mm).mean() > ONLY]
        for side, some, tree in zip(sides, every, trees[::-1], strict=True)
    ]
    if not ends[0] or len(ends[0]) != len(ends[1]) or _touch_elsewhere(sides, ends, ALONG * spacing_mm):
        return None
    strip = _strip(sides, ends)
    if strip is None:
        return None
    both = joined(sides)
    return Mesh(both.vertices, np.concatenate([both.triangles, strip]).astype(np.int32)), len(sides[0].vertices), strip


def _touch_elsewhere(sides: list[Mesh], ends: list[list[Indices]], reach_mm: float) -> bool:
    """Whether the one surface comes close to the other away from the ends."""
    one, other = sides
    tree = cKDTree(one.vertices)
    low, high = tree.mins - reach_mm, tree.maxes + reach_mm
    asked = other.vertices[((other.vertices >= low) & (other.vertices <= high)).all(axis=1)]
    asked = asked[np.isfinite(tree.query(asked, distance_upper_bound=reach_mm, workers=-1)[0])]
    end = cKDTree(other.vertices[np.concatenate(ends[1])])
    at_end = np.isfinite(end.query(asked, distance_upper_bound=2.0 * reach_mm)[0])
    return bool(len(asked) == 0 or at_end.mean() < ONLY)


def _simple(side: Mesh) -> Mesh:
    keep: BoolArray = with_simple_border(side, np.ones(len(side.triangles), bool))
    return meshes.compacted(side, np.flatnonzero(keep).astype(np.int32))[0]


def _strip(sides: list[Mesh], ends: list[list[Indices]]) -> Indices | None:
    """The triangles between the ends; each end of the second goes with the one of the first that it follows."""
    seam, count = Seam.of(sides[0], ends[0]), len(sides[0].vertices)
    bands, taken = [], set()
    for loop in ends[1]:
        backward = loop[::-1]
        segment, share, _ = seam.nearest(sides[1].vertices[backward])
        outer = int(np.bincount(seam.loop[segment], minlength=len(ends[0])).argmax())
        good = np.flatnonzero(seam.loop[segment] == outer)
        place = (seam.position[segment] + share).astype(float)
        at = np.clip(np.searchsorted(good, np.arange(len(backward))), 0, len(good) - 1)
        band = None if outer in taken else zipped(ends[0][outer], backward + count, place[good[at]])
        if band is None:
            return None
        taken.add(outer)
        bands.append(band)
    return np.concatenate(bands)


def _placed(fragment: Fragment, placement: Placement) -> Mesh:
    assert placement.part_from_scan is not None
    return Mesh(apply(placement.part_from_scan, fragment.mesh.vertices), fragment.mesh.triangles)


def with_sewn_ends(
    fragments: Sequence[Fragment], placements: Sequence[Placement], joints: Sequence[Joint], notes: list[str]
) -> Sides:
    """The fragments, the first two placed ones that end along each other made one; ``notes`` says so.

    Joints of these two are left out: what they know of its triangles no longer holds.
    """
    placed = [k for k, at in enumerate(placements) if at.part_from_scan is not None]
    open_ones = [k for k in placed if not fragments[k].closed and len(fragments[k].mesh.triangles)]
    for number, a in enumerate(open_ones):
        for b in open_ones[number + 1 :]:
            spacing = max(fragments[k].spacing_mm for k in (a, b))
            one, other = (_placed(fragments[k], placements[k]) for k in (a, b))
            sewn = sewn_ends(one, other, spacing)
            if sewn is None:
                continue
            mesh, first, _ = sewn
            notes.append(
                f"{fragments[a].scan.name} and {fragments[b].scan.name} end along each other; "
                "their ends were sewn together, and no scan measured the strip between."
            )
            # both sides of one seam say the same; a whole that may be too long has to
            notes += dict.fromkeys(note.sentence for k in (a, b) for note in fragments[k].scan.read_notes
                                   if note.kind == GLUE_LEFT)  # fmt: skip
            made, where = list(fragments), list(placements)
            made[a] = replace(fragments[a], mesh=mesh)
            where[a] = replace(placements[a], part_from_scan=np.asarray(identity()))
            where[b] = Placement(None, "program", why="sewn to another fragment")
            others = [joint for joint in joints if not {a, b} & {joint.a, joint.b}]
            return Sides(made, where, others, a, first, len(mesh.vertices))
    return Sides(fragments, placements, joints)
