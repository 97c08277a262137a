"""Rough poses of one view of a piece on another: the same surface, seen twice over a small part.

Places whose surroundings look alike give poses (`lookalikes`), flat places others (`planar`). A pose is judged by where
the two surfaces agree, against where one of them stands off the other although both face the same way: between two such
sheets there would be both metal and air.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.merging.lookalikes import drawn
from rejoin.core.merging.planar import planar_poses, plate_poses
from rejoin.core.merging.quick import Probe, tried
from rejoin.core.merging.rough import CLASH, Rough, Seen, common_step, drawn_near, judged, laid_on, seen_of
from rejoin.core.merging.tables import over_tables
from rejoin.core.records import FloatArray
from rejoin.core.settings import Report, silent
from rejoin.core.transforms import displacement, identity

BoolArray = npt.NDArray[np.bool_]

QUICKLY = 2000
"""Poses, the best by either worth, that are judged quickly again by more points."""
FINALS = 40
"""Poses that are refined."""
SAME = 0.5
"""Steps within which two poses that were drawn near lead to one place."""
HOPELESS = 0.02
"""Share of the best rough pose's worth below which another is not looked into."""


def rough_poses(
    a: Seen, b: Seen, report: Report = silent, keep: int = 15, least_move_mm: float = 0.0
) -> list[Rough]:
    """The best poses of view b on view a, best first; the pose in which the files stand is tried with them.

    With ``least_move_mm`` only poses that bring places at least so far from where they stand: a part laid on itself.
    """
    report(0.0, "Looking for places that look alike")
    start = [identity()] if least_move_mm == 0.0 else []
    poses, plate = _proposed(a, b, least_move_mm)
    report(0.4, "Trying how the views lie together")
    alike, closing = _worth(a, b, poses, 35)
    kept = [np.argsort(-worth, kind="stable")[:QUICKLY] for worth in (alike, closing)]
    chosen = np.unique(np.concatenate([*kept, np.flatnonzero(plate)]))
    poses, plate = poses[chosen], plate[chosen]
    found: list[Rough] = []
    corners = b.points[:: max(1, len(b.points) // 60)]
    alike, closing = _worth(a, b, poses, 150)
    everything = np.ones(len(poses), bool)
    seen, moved = list[int](), corners @ poses[:, :3, :3].transpose(0, 2, 1) + poses[:, None, :3, 3]
    # Views of a plate's two sides share a strip, and other poses whole faces: each is ranked among its like.
    for part, (ranked, these) in enumerate(((alike, everything), (closing, everything), (closing, plate))):
        order = np.argsort(-ranked, kind="stable")
        for number in order[these[order]][: 40 * FINALS]:
            if len(seen) >= (part + 1) * FINALS // 2:
                break
            away = np.square(moved[seen] - moved[number]).sum(axis=2).max(axis=1)
            if (away < (6.0 * a.step_mm) ** 2).any():
                continue
            seen.append(int(number))
            report(0.4 + 0.3 * len(seen) / FINALS, "Trying how the views lie together")
            _try(a, b, poses[number], corners, found)
    for pose in start:
        _try(a, b, pose, corners, found)
    return _best(found, corners, a.step_mm, keep)


def _try(a: Seen, b: Seen, pose: FloatArray, corners: FloatArray, found: list[Rough]) -> None:
    """Add where a pose comes to rest to those found, unless it leads to where another one did."""
    near = drawn_near(a, b, pose)
    if all(displacement(near, other.a_from_b, corners).max() > SAME * a.step_mm for other in found):
        found.append(judged(a, b, laid_on(a, b, near)))


def _best(found: list[Rough], corners: FloatArray, step_mm: float, keep: int) -> list[Rough]:
    """A third of them by what agrees, the others by how far they close; none that is nearly another's."""
    best: list[Rough] = []
    for count, worths in ((keep // 3, [one.score for one in found]), (keep, [one.closing for one in found])):
        least = HOPELESS * max(0.0, *worths) if worths else 0.0
        for which in np.argsort(-np.array(worths), kind="stable"):
            rough = found[int(which)]
            if len(best) >= count or worths[int(which)] < least:
                break
            if all(displacement(rough.a_from_b, other.a_from_b, corners).max() > 4.0 * step_mm for other in best):
                best.append(rough)
    return best


def _proposed(a: Seen, b: Seen, least_move_mm: float) -> tuple[FloatArray, BoolArray]:
    """Poses (k, 4, 4) that are worth a look, and which of them lay a plate's two sides back to back."""
    alike = drawn(a, b, least_move_mm)
    if least_move_mm > 0.0:
        return alike, np.zeros(len(alike), bool)
    poses = np.concatenate([identity()[None], alike, planar_poses(a.planes, b.planes)])
    parts = [over_tables(a, b, some) for some in (poses, plate_poses(a.planes, b.planes))]
    return np.concatenate(parts), np.repeat([False, True], [len(part) for part in parts])


def _sample(b: Seen, count: int) -> npt.NDArray[np.int64]:
    """Of the inner points and of those at the border, ``count`` each."""
    some = [np.flatnonzero(~b.border), np.flatnonzero(b.border)]
    return np.concatenate([s[np.linspace(0, len(s) - 1, min(count, len(s))).astype(np.int64)] for s in some])


def _worth(a: Seen, b: Seen, poses: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Two worths (k,) of each pose by ``count`` points within each view and as many of its rim.

    The first is how much of b lies on a's surface, the second how far each runs on under the other's rim: the right
    pose of views from opposite sides shares little, but closes.
    """
    agree, clash, covered = tried(a.ground, _probe(b, count), poses)
    turns = poses[:, :3, :3].transpose(0, 2, 1)
    back = np.tile(np.eye(4), (len(poses), 1, 1))
    back[:, :3, :3] = turns
    back[:, :3, 3] = -np.einsum("kij,kj->ki", turns, poses[:, :3, 3])
    agree_a, clash_a, covered_a = tried(b.ground, _probe(a, count), back)
    bad = (clash + clash_a) / np.maximum(0.1 * (agree + agree_a + clash + clash_a), 1.0)
    return agree + 2.0 * covered - CLASH * clash, (covered + covered_a) * np.exp(-bad)


def _probe(b: Seen, count: int) -> Probe:
    chosen = _sample(b, count)
    return Probe(b.points[chosen], b.normals[chosen], b.border[chosen], ~b.unpropped[chosen])


__all__ = ["Rough", "Seen", "common_step", "judged", "rough_poses", "seen_of"]
