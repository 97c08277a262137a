"""All fragments that joints hold together, placed by one adjustment; and why the others were left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core.alignment import NothingOpposite, Watch, adjust, unwatched
from rejoin.core.evidence import tied
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FloatArray, Fragment, Joint, Placement
from rejoin.core.settings import AlignSettings, Report
from rejoin.core.transforms import identity, inverse
from rejoin.core.uncertainty.stated import KnownDimension, KnownOutcome

Poses = dict[int, FloatArray]
"""part_from_scan by fragment, for the fragments of one group; the first one's frame is the part's."""


def place_fragments(
    fragments: tuple[Fragment, ...],
    joints: tuple[Joint, ...],
    settings: AlignSettings,
    report: Report,
    known: Sequence[KnownDimension] = (),
    watch: Watch = unwatched,
) -> tuple[tuple[Joint, ...], tuple[Placement, ...]]:
    """Place all fragments that joints hold together by one adjustment over all joints.

    Parameters
    ----------
    fragments : tuple of Fragment
    joints : tuple of Joint
        Rejected ones are passed over.
    settings : AlignSettings
    report : Report
    known : sequence of KnownDimension, optional
        Only those between fragments that are placed count.
    watch : Watch, optional
        Told of every round; where a try is given up and begun anew, from the start again.

    Returns
    -------
    joints : tuple of Joint
        With the adjusted ``a_from_b``.
    placements : tuple of Placement
        One a fragment. The part's frame is the scan frame of the first placed
        fragment. Where nothing joins, the largest fragment keeps the identity.
    """
    undecided = [joint for joint in joints if joint.state == "found" and tied(joint.evidence)]
    active = [joint for joint in joints if joint.state != "rejected" and joint not in undecided]
    lost = {n: _undecided(fragments, joint) for joint in undecided for n in (joint.a, joint.b)}
    while True:
        group = _largest_group(len(fragments), active)
        if len(group) < 2:
            return joints, _nothing_joins(fragments, lost)
        used = [joint for joint in active if joint.a in group and joint.b in group]
        usable = [item for item in known if item.fragment_a in group and item.fragment_b in group]
        try:
            solved = adjust(fragments, used, _spread(group[0], used), settings, report, usable, watch)
            break
        except NothingOpposite as nothing:
            gone = used[nothing.number]
            if gone.state == "pinned" or gone.found_by != "program":
                raise
            active = [joint for joint in active if joint is not gone]
            lost |= dict.fromkeys((gone.a, gone.b), nothing.what_happened)
    new = {id(old): joint for old, joint in zip(used, solved.updated(used), strict=True)}
    placements = tuple(
        replace(
            solved.placement(number),
            notes=solved.notes(used, number) + _contradictions(number, usable, solved.known),
        )
        if number in group
        else Placement(None, "program", lost.get(number) or _why(fragments, number, active, len(group)))
        for number, fragment in enumerate(fragments)
    )
    return tuple(new.get(id(joint), joint) for joint in joints), placements


def _contradictions(
    number: int, known: Sequence[KnownDimension], outcomes: Sequence[KnownOutcome]
) -> tuple[str, ...]:
    """What to say of stated dimensions that end on this fragment and that the scans contradict."""
    return tuple(
        f"The stated {item.value_mm:.3f} mm and the scans ({told.without_mm:.3f} mm) contradict each other by "
        f"{abs(told.without_mm - item.value_mm):.3f} mm, {told.sigmas:.0f} times what their uncertainty allows"
        + ("." if told.used else "; it was left out.")
        for item, told in zip(known, outcomes, strict=True)
        if item.fragment_b == number and told.sigmas > 3.0
    )


def _largest_group(count: int, joints: list[Joint]) -> list[int]:
    """The fragments, rising, of the group that most fragments (then most evidence) hold together."""
    ends = np.array([[joint.a, joint.b] for joint in joints], int).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (count, count))
    _, label = connected_components(graph, directed=False)
    weight = np.bincount(label).astype(float)
    total = sum(joint.evidence.score for joint in joints) + 1.0
    for joint in joints:
        weight[label[joint.a]] += max(joint.evidence.score, 0.0) / (2 * total)
    return [int(i) for i in np.flatnonzero(label == weight.argmax())]


def _spread(root: int, joints: list[Joint]) -> Poses:
    """Starting poses: from the root outwards, along the strongest joint that leads to each fragment."""
    poses: Poses = {root: identity()}
    waiting = sorted(joints, key=lambda joint: -joint.evidence.score)
    while True:
        step = next((joint for joint in waiting if (joint.a in poses) != (joint.b in poses)), None)
        if step is None:
            return poses
        if step.a in poses:
            poses[step.b] = poses[step.a] @ step.a_from_b
        else:
            poses[step.a] = poses[step.b] @ inverse(step.a_from_b)


def _nothing_joins(fragments: tuple[Fragment, ...], lost: dict[int, str]) -> tuple[Placement, ...]:
    largest = int(np.argmax([triangle_areas(fragment.mesh).sum() for fragment in fragments]))
    return tuple(
        Placement(identity(), "program", u95_mm=0.0)
        if number == largest
        else Placement(None, "program", lost.get(number) or _why(fragments, number, [], 1))
        for number, fragment in enumerate(fragments)
    )


def _undecided(fragments: tuple[Fragment, ...], joint: Joint) -> str:
    first, second = fragments[joint.a].scan.name, fragments[joint.b].scan.name
    return (
        f"{first} and {second} fit in more than one position, and their faces are too flat to tell which: "
        f"{joint.evidence.reason}. Turn the fragment by hand until what you know of the part lines up "
        "(a mark, a hole, an edge), and pin the joint."
    )


STRANGE = (
    "it may be of another part, a piece between may be missing, or a scan may be too coarse or smoothed over: look "
    "whether the scans are good enough.",
    "they may be of another part, a piece between may be missing, or a scan may be too coarse or smoothed over: look "
    "whether the scans are good enough.",
)
"""What may be the matter where every face was tried."""


def _why(fragments: tuple[Fragment, ...], number: int, joints: list[Joint], placed: int) -> str:
    """Why a fragment is not placed; it may fit others that are not either."""
    name = fragments[number].scan.name
    ends = {joint.a + joint.b - number for joint in joints if number in (joint.a, joint.b)}
    if not ends:
        others = "any other fragment" if placed == 1 else "the fragments that were joined"
        return (
            f"No fracture face of {name} fits {others} better than chance would: {STRANGE[0]}"
        )
    *first, last = (fragments[end].scan.name for end in sorted(ends))
    others = f"{', '.join(first)} and {last}" if first else last
    return (
        f"{name} fits {others}, but none of these fits the fragments that were joined better than chance would: "
        f"{STRANGE[1]} Open them by themselves to join them."
    )
