"""Bounds of places, wider where the original surfaces step across the crack by more than these explain.

Faces that lie close say nothing of what both have lost alike, nor of a piece that is bent; the original surfaces may.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from rejoin.core.misalignment import SHARE, Misalignment, misalignment
from rejoin.core.records import FloatArray, Fragment, Joint, Placement
from rejoin.core.settings import Report, silent
from rejoin.core.transforms import apply, inverse, turn
from rejoin.core.uncertainty.jointly import levers_between, variance

MOST = 1.5
"""Spacings beyond which a step is form, as beside a break of rough stone, and no place of faces that lie together."""
NOTHING = 1e-9
"""Length of a joint without a step, mm: one of none would be no joint."""

Steps: TypeAlias = dict[tuple[int, int], tuple[float, float]]
"""Between which two fragments which step, and its 95 % bound, mm; noughts where there is none beyond its bound."""


@dataclass(frozen=True, eq=False)
class _Measured:
    """A joint's step where its fragments stood."""

    poses: tuple[FloatArray, FloatArray]
    step: Misalignment | None


_known: WeakKeyDictionary[Joint, _Measured] = WeakKeyDictionary()


def step_across(
    fragments: Sequence[Fragment], placements: Sequence[Placement], joint: Joint
) -> tuple[float, float] | None:
    """Step (mm) of the original surfaces across a joint of placed fragments, and its 95 % bound; None if untold.

    The bound is of the measure, and of how far either fragment may stand out of its place there. Two steps of the work
    ask for it: the measure is kept as long as the joint is, and while its fragments stand where they stood.
    """
    ends = placements[joint.a].part_from_scan, placements[joint.b].part_from_scan
    assert ends[0] is not None and ends[1] is not None
    known = _known.get(joint)
    if known is None or known.poses[0] is not ends[0] or known.poses[1] is not ends[1]:
        faces, a_from_b = (joint.face_a.triangles, joint.face_b.triangles), inverse(ends[0]) @ ends[1]
        found = misalignment(fragments[joint.a], fragments[joint.b], faces, a_from_b)
        known = _known[joint] = _Measured((ends[0], ends[1]), found)
    step = known.step
    if step is None:
        return None
    places, ways = apply(ends[0], step.places), turn(ends[0], step.ways)
    levers = levers_between(tuple(fragments), tuple(placements), (joint.a, joint.b), (places, places), ways)
    return step.step_mm, float(np.hypot(step.u95_mm, 1.96 * np.sqrt(np.percentile(variance(levers), SHARE))))


def allowed_for_steps(
    fragments: Sequence[Fragment], joints: Sequence[Joint], placements: Sequence[Placement], report: Report = silent
) -> tuple[Placement, ...]:
    """The placements, with wider bounds where original surfaces step by more than chance.

    A fragment's bound grows by the steps, and their own bounds, between it and the first placed fragment, by the way
    along which these are least, and by no less than the largest at a joint of its own.
    """
    steps: Steps = {}
    for number, joint in enumerate(joints):
        report(number / len(joints), "Comparing the original surfaces across the crack")
        if joint.state == "rejected" or any(placements[n].part_from_scan is None for n in (joint.a, joint.b)):
            continue
        step, bound = step_across(fragments, placements, joint) or (0.0, 0.0)
        widest = MOST * max(fragments[joint.a].spacing_mm, fragments[joint.b].spacing_mm)
        steps[joint.a, joint.b] = (step, bound) if bound < step < widest else (0.0, 0.0)
    if not any(step for step, _ in steps.values()):
        return tuple(placements)
    more = _along(steps, [n for n, place in enumerate(placements) if place.u95_mm == 0.0], len(placements))
    return tuple(_wider(number, place, steps, more[number]) for number, place in enumerate(placements))


def _along(steps: Steps, first: list[int], count: int) -> FloatArray:
    """What steps add up to between the first fragment and each (n,), mm; 0 where nothing leads there."""
    if not first:
        return np.zeros(count)
    ends = np.array(list(steps))
    lengths = [max(sum(step), NOTHING) for step in steps.values()]
    graph = coo_matrix((lengths, (ends[:, 0], ends[:, 1])), (count, count))
    away = np.asarray(dijkstra(graph, directed=False, indices=first, min_only=True))
    return np.where(np.isfinite(away) & (away > len(steps) * NOTHING), away, 0.0)


def _wider(number: int, place: Placement, steps: Steps, more_mm: float) -> Placement:
    own = max((step for ends, step in steps.items() if number in ends), default=(0.0, 0.0))
    more_mm = max(more_mm, sum(own))
    if not place.u95_mm or not more_mm:
        return place
    where = f"by {own[0]:.2f} ± {own[1]:.2f} mm across its crack" if own[0] else "across a crack that it hangs on"
    note = (f"The original surfaces step {where}, more than the fit of the faces explains: these may have lost a layer "
            "alike, or a piece is bent, or its scan distorted. Its 95 % bound allows for that; a dimension across the "
            "joint would tell.")  # fmt: skip
    return replace(place, u95_mm=place.u95_mm + more_mm, notes=(*place.notes, note))
