"""Bounds of places, wider where the original surfaces step across the crack by more than these explain.

Faces that lie close say nothing of what both have lost alike, nor of a piece that is bent; the original surfaces may.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from rejoin.core.misalignment import SHARE, Misalignment, misalignment
from rejoin.core.records import FloatArray, Fragment, Joint, Placement
from rejoin.core.settings import Report, part_of, silent
from rejoin.core.transforms import apply, inverse, turn
from rejoin.core.uncertainty.jointly import levers_between, variance

MOST = 1.5
"""Spacings beyond which a step is form, as beside a break of rough stone, and no place of faces that lie together."""
NOTHING = 1e-9
"""Length of a joint without a step, mm: one of none would be no joint."""


def step_u95(
    step: Misalignment, fragments: Sequence[Fragment], placements: Sequence[Placement], joint: Joint
) -> float:
    """95 % bound (mm) on a step: of the measure, and of how far either fragment may stand out of its place there."""
    pose = placements[joint.a].part_from_scan
    assert pose is not None
    places, ways = apply(pose, step.places), turn(pose, step.ways)
    levers = levers_between(tuple(fragments), tuple(placements), (joint.a, joint.b), (places, places), ways)
    return float(np.hypot(step.u95_mm, 1.96 * np.sqrt(np.percentile(variance(levers), SHARE))))


def allowed_for_steps(
    fragments: Sequence[Fragment], joints: Sequence[Joint], placements: Sequence[Placement], report: Report = silent
) -> tuple[Placement, ...]:
    """The placements, with wider bounds where original surfaces step by more than chance.

    A fragment's bound grows by the steps, and their own bounds, between it and the first placed fragment, by the way
    along which these are least, and by no less than the largest at a joint of its own.
    """
    steps: dict[tuple[int, int], tuple[float, float]] = {}
    for number, joint in enumerate(joints):
        part_of(report, 0.9 + 0.1 * number / len(joints), 1.0)(0.0, "Comparing the original surfaces across the crack")
        ends = placements[joint.a].part_from_scan, placements[joint.b].part_from_scan
        if joint.state == "rejected" or ends[0] is None or ends[1] is None:
            continue
        faces, a_from_b = (joint.face_a.triangles, joint.face_b.triangles), inverse(ends[0]) @ ends[1]
        found = misalignment(fragments[joint.a], fragments[joint.b], faces, a_from_b)
        bound = 0.0 if found is None else step_u95(found, fragments, placements, joint)
        widest = MOST * max(fragments[joint.a].spacing_mm, fragments[joint.b].spacing_mm)
        beyond = found is not None and bound < found.step_mm < widest
        steps[joint.a, joint.b] = (found.step_mm, bound) if found is not None and beyond else (0.0, 0.0)
    if not any(step for step, _ in steps.values()):
        return tuple(placements)
    more = _along(steps, [n for n, place in enumerate(placements) if place.u95_mm == 0.0], len(placements))
    return tuple(_wider(number, place, steps, more[number]) for number, place in enumerate(placements))


def _along(steps: dict[tuple[int, int], tuple[float, float]], first: list[int], count: int) -> FloatArray:
    """What steps add up to between the first fragment and each (n,), mm; 0 where nothing leads there."""
    if not first:
        return np.zeros(count)
    ends = np.array(list(steps))
    lengths = [max(sum(step), NOTHING) for step in steps.values()]
    graph = coo_matrix((lengths, (ends[:, 0], ends[:, 1])), (count, count))
    away = np.asarray(dijkstra(graph, directed=False, indices=first, min_only=True))
    return np.where(np.isfinite(away), away, 0.0)


def _wider(
    number: int, place: Placement, steps: dict[tuple[int, int], tuple[float, float]], more_mm: float
) -> Placement:
    own = max((step for ends, step in steps.items() if number in ends), default=(0.0, 0.0))
    more_mm = max(more_mm, sum(own))
    if not place.u95_mm or more_mm < 2.0 * NOTHING * len(steps):
        return place
    where = f"by {own[0]:.2f} ± {own[1]:.2f} mm across its crack" if own[0] else "across a crack that it hangs on"
    note = (f"The original surfaces step {where}, more than the fit of the faces explains: these may have lost a layer "
            "alike, or a piece is bent. Its 95 % bound allows for that; a dimension across the joint would "
            "tell.")  # fmt: skip
    return replace(place, u95_mm=place.u95_mm + more_mm, notes=(*place.notes, note))
