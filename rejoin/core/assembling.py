"""The whole puzzle: all pairs of fragments, and the joints that the evidence holds.

The strongest joints come first (a maximum spanning tree by evidence), each
checked against the fragments already together; then every pair that turns out
to touch is judged in place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from rejoin.core.contact import facing_triangles
from rejoin.core.evidence import PLENTY, Pose, believable, certain, decided, judge, tied
from rejoin.core.matching import Search, match_pair
from rejoin.core.meshes import triangle_areas
from rejoin.core.polishing import refined_whole
from rejoin.core.prepared import Prepared, all_prepared, unlikely
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint, Mesh
from rejoin.core.settings import MatchSettings, Report, part_of
from rejoin.core.surfaces import alike, overlap, touching_limit
from rejoin.core.transforms import identity, inverse

Found = dict[tuple[int, int], list[Pose]]
"""Judged poses of pairs of fragments."""


def find_joints(
    fragments: tuple[Fragment, ...],
    faces: tuple[FractureFace, ...],
    known: tuple[Joint, ...],
    settings: MatchSettings,
    report: Report,
) -> tuple[Joint, ...]:
    """The joints that the evidence holds, strongest first.

    Parameters
    ----------
    fragments : tuple of Fragment
    faces : tuple of FractureFace
        Candidates; those chosen by the person are the only ones of their fragment.
    known : tuple of Joint
        Earlier joints: pinned ones are kept, rejected ones are not found again.
    settings : MatchSettings
    report : Report

    Returns
    -------
    tuple of Joint
        Pinned, rejected and found ones. Empty where nothing belongs together.
    """
    held = tuple(joint for joint in known if joint.state in ("pinned", "rejected"))
    ready = all_prepared(list(enumerate(fragments)), faces, part_of(report, 0.0, 0.2))
    found: Found = {}
    if len(ready) > 2:
        found = _found_among_many(ready, held, settings.thoroughness, part_of(report, 0.2, 0.9))
    elif not _tree(ready, found, held).groups.together(0, 1):
        found = {(0, 1): match_pair(ready[0], ready[1], settings.thoroughness, part_of(report, 0.2, 0.9))}
    tree = _tree(ready, found, held)
    report(0.95, "Looking for more places that touch")
    return held + tuple(_joints(ready, tree)) + tuple(_tied(ready, found, tree, held))


def _found_among_many(ready: list[Prepared], held: tuple[Joint, ...], thoroughness: int, report: Report) -> Found:
    """Poses of pairs of many fragments, of which most do not touch: a glance at all, a closer look at what is apart."""
    pairs = list(combinations(range(len(ready)), 2))
    pairs.sort(key=lambda pair: unlikely(ready[pair[0]], ready[pair[1]]))
    searches = {(a, b): Search(ready[a], ready[b]) for a, b in pairs}
    found: Found = {}
    parts = thoroughness + 2
    for depth in range(thoroughness + 1):
        together = _good_tree(ready, found, held).groups.together
        left = [pair for pair in pairs if depth < 2 or not together(*pair)]
        left.sort(key=lambda pair: -found[pair][0].evidence.score if found.get(pair) else 0.0)
        share = part_of(report, depth / parts, (depth + 1) / parts)
        tree = _certain_tree(ready, found, searches, held)
        for count, (a, b) in enumerate(left):
            if tree.groups.together(a, b):
                continue  # whether they touch is seen in place
            names = (ready[k].surface.fragment.scan.name for k in (a, b))
            share(count / len(left), "Comparing {} with {}".format(*names))
            one = part_of(share, count / len(left), (count + 1) / len(left))
            before = _certain(found.get((a, b), []), searches[a, b])
            found[a, b] = searches[a, b].deepen(depth, one) if depth else searches[a, b].glance()
            if before or _certain(found[a, b], searches[a, b]):
                tree = _certain_tree(ready, found, searches, held)
    if thoroughness > 1:
        _persist(ready, found, searches, held, part_of(report, 1.0 - 1.0 / parts, 1.0))
    return found


def _persist(
    ready: list[Prepared], found: Found, searches: dict[tuple[int, int], Search], held: tuple[Joint, ...],
    report: Report,
) -> None:  # fmt: skip
    """Where one piece is left over, go on with it beside each of the others until it belongs somewhere."""
    together = _tree(ready, found, held).groups.together
    left = [pair for pair in found if not together(*pair)]
    if len(left) < len(ready):
        for count, (a, b) in enumerate(left):
            if not _tree(ready, found, held).groups.together(a, b):
                names = (ready[k].surface.fragment.scan.name for k in (a, b))
                report(count / len(left), "Comparing {} with {} once more".format(*names))
                found[a, b] = searches[a, b].persist()


def _tied(ready: list[Prepared], found: Found, tree: Tree, held: tuple[Joint, ...]) -> list[Joint]:
    """For pairs left apart, what fits by the rims in more than one position: for the person to decide."""
    joints = []
    for (a, b), poses in found.items():
        if not poses or not poses[0].evidence.reason or tree.groups.together(a, b):
            continue
        evidence = _decided(poses)
        if tied(evidence) and not _rejected(poses[0], (a, b), held, ready):
            joints.append(made_joint(ready, a, b, poses[0].a_from_b, evidence))
    return joints


def _good_tree(ready: list[Prepared], found: Found, held: tuple[Joint, ...]) -> Tree:
    """The spanning joints that are in no doubt: one in doubt may stand where a better one belongs."""
    good = {pair: poses for pair, poses in found.items() if poses and _decided(poses).good}
    return _tree(ready, good, held)


def _decided(poses: list[Pose]) -> Evidence:
    """The evidence of a pair's best pose beside its best rival."""
    return decided(poses[0].evidence, max((pose.evidence.score for pose in poses[1:]), default=0.0))


def _certain_tree(
    ready: list[Prepared], found: Found, searches: dict[tuple[int, int], Search], held: tuple[Joint, ...]
) -> Tree:
    """The spanning joints of the pairs that belong together for certain."""
    return _tree(ready, {pair: poses for pair, poses in found.items() if _certain(poses, searches[pair])}, held)


def _certain(poses: list[Pose], search: Search) -> bool:
    """Whether a pair belongs together for certain, wherever it may slide to; a mere glance must have shown more."""
    if not poses:
        return False
    rival = poses[1].evidence.score if len(poses) > 1 else 0.0
    enough = search.batches > 1 or poses[0].evidence.score > PLENTY
    return enough and certain(poses[0].evidence, rival)


@dataclass(frozen=True, eq=False)
class Tree:
    """The spanning joints so far, and the groups they make."""

    groups: Groups
    joints: list[tuple[int, int, FloatArray, Evidence]]
    pinned: set[tuple[int, int]]


def _tree(ready: list[Prepared], found: Found, held: tuple[Joint, ...]) -> Tree:
    """The spanning joints by falling evidence, on top of the pinned ones."""
    groups = Groups(ready)
    pinned = {(joint.a, joint.b) for joint in held if joint.state == "pinned"}
    for joint in held:
        if joint.state == "pinned":
            groups.unite(joint.a, joint.b, joint.a_from_b, trusted=True)
    ranked = []
    for (a, b), poses in found.items():
        for pose in poses:
            rival = max((other.evidence.score for other in poses if other is not pose), default=0.0)
            evidence = decided(pose.evidence, rival)
            if believable(evidence) and not _rejected(pose, (a, b), held, ready):
                ranked.append((a, b, pose.a_from_b, evidence))
    ranked.sort(key=lambda item: -item[3].score)
    return Tree(groups, [item for item in ranked if groups.unite(*item[:3])], pinned)


def _joints(ready: list[Prepared], tree: Tree) -> list[Joint]:
    """The spanning joints, then those that close loops."""
    joints = [made_joint(ready, *item) for item in tree.joints]
    taken = tree.pinned | {(a, b) for a, b, *_ in tree.joints}
    for a, b in combinations(range(len(ready)), 2):
        if (a, b) not in taken and (b, a) not in taken and tree.groups.together(a, b):
            closing = _closing_joint(ready, tree.groups, a, b)
            joints += [closing] if closing else []
    return joints


def _closing_joint(ready: list[Prepared], groups: Groups, a: int, b: int) -> Joint | None:
    """The joint of two fragments that others have brought side by side, if they touch."""
    first, second = ready[a].surface, ready[b].surface
    start = groups.relative(a, b)
    best = Pose(start, judge(first, second, start))
    if not best.evidence.contact_area_mm2:
        return None
    refined = refined_whole(first, second, start)
    if refined.evidence.score > best.evidence.score and groups.near(a, b, refined.a_from_b):
        best = refined
    evidence = decided(best.evidence, 0.0)
    return made_joint(ready, a, b, best.a_from_b, evidence) if believable(evidence) else None


def made_joint(
    ready: list[Prepared] | dict[int, Prepared], a: int, b: int, a_from_b: FloatArray, evidence: Evidence
) -> Joint:
    """A joint with its mating faces: the triangles of either fragment that face the other."""
    fragments = ready[a].surface.fragment, ready[b].surface.fragment
    reach = 3.0 * touching_limit(*fragments)
    chosen = facing_triangles(fragments[0].mesh, fragments[1].mesh, a_from_b, reach)
    sides = []
    for number, fragment, triangles in zip((a, b), fragments, chosen, strict=True):
        area = float(triangle_areas(Mesh(fragment.mesh.vertices, fragment.mesh.triangles[triangles])).sum())
        sides.append(FractureFace(number, triangles, area, 1.0, "program"))
    return Joint(a, b, sides[0], sides[1], a_from_b, evidence)


def ways_of_pair(
    fragments: Sequence[Fragment], faces: Sequence[FractureFace], a: int, b: int, thoroughness: int, report: Report
) -> tuple[Joint, ...]:
    """Joints of two fragments by the faces given, whatever the evidence says of them; best first."""
    both = [(number, fragments[number]) for number in (a, b)]
    ready = dict(zip((a, b), all_prepared(both, faces, part_of(report, 0.0, 0.2)), strict=True))
    poses = match_pair(ready[a], ready[b], thoroughness, part_of(report, 0.2, 0.95))
    joints = []
    for pose in poses:
        rival = max((other.evidence.score for other in poses if other is not pose), default=0.0)
        joints.append(made_joint(ready, a, b, pose.a_from_b, decided(pose.evidence, rival)))
    return tuple(joints)


def _rejected(pose: Pose, pair: tuple[int, int], held: tuple[Joint, ...], ready: list[Prepared]) -> bool:
    """Whether the person has turned this very pose down."""
    return any(
        joint.state == "rejected"
        and (joint.a, joint.b) == pair
        and alike(ready[pair[0]].surface, ready[pair[1]].surface, pose.a_from_b, joint.a_from_b)
        for joint in held
    )


class Groups:
    """Which fragments are together so far, and where each stands in its group's frame."""

    def __init__(self, ready: list[Prepared]) -> None:
        self._ready = ready
        self._group = list(range(len(ready)))
        self._pose = [identity() for _ in ready]

    def together(self, a: int, b: int) -> bool:
        return self._group[a] == self._group[b]

    def relative(self, a: int, b: int) -> FloatArray:
        """a_from_b of two fragments of one group."""
        return np.asarray(inverse(self._pose[a]) @ self._pose[b])

    def near(self, a: int, b: int, a_from_b: FloatArray) -> bool:
        """Whether a pose agrees with how the two stand in their group."""
        return alike(self._ready[a].surface, self._ready[b].surface, self.relative(a, b), a_from_b)

    def unite(self, a: int, b: int, a_from_b: FloatArray, trusted: bool = False) -> bool:
        """Bring two groups together by a joint, if their fragments do not run into each other.

        Within one group, tells whether the joint agrees with those there (a closed loop).
        """
        if self.together(a, b):
            return self.near(a, b, a_from_b)
        moved = self._pose[a] @ a_from_b @ inverse(self._pose[b])
        stay = [i for i, group in enumerate(self._group) if group == self._group[a]]
        come = [i for i, group in enumerate(self._group) if group == self._group[b]]
        poses = {i: moved @ self._pose[i] for i in come}
        if not trusted and any(self._collides(i, j, poses[j]) for i in stay for j in come):
            return False
        for i in come:
            self._pose[i], self._group[i] = poses[i], self._group[a]
        return True

    def _collides(self, i: int, j: int, pose_j: FloatArray) -> bool:
        first, second = self._ready[i].surface, self._ready[j].surface
        i_from_j = inverse(self._pose[i]) @ pose_j
        limit = touching_limit(first.fragment, second.fragment)
        spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
        inside = overlap(first, second, inverse(i_from_j), limit, spacing)[1]
        inside += overlap(second, first, i_from_j, limit, spacing)[1]
        smaller = min(first.sample_areas.sum(), second.sample_areas.sum())
        return bool(inside > 0.02 * smaller)
