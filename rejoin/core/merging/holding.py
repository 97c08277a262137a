"""Whether an arrangement of views is held where it rests: moved along its weakest motions it comes back, or fits worse.

A bound by least squares knows only how the surfaces' level holds a motion. Where little holds it that is far too wide:
forms, edges and what stops at them show only when the views are truly moved.
"""

from __future__ import annotations

from rejoin.core.abreast import abreast
from rejoin.core.merging.arranging import LEAST_LEAD
from rejoin.core.merging.looks import Arrangement, Known, Looks, apart, arrangement_of, shifts_mm
from rejoin.core.merging.settling import settled, weakest
from rejoin.core.records import FloatArray

MOVED = 5.0
"""Spacings by which views are moved at most along a motion."""
MOTIONS = 6
"""Motions, the weakest, that are tried."""
LOST = 0.5
"""Share of what agreed below which the views have lost each other."""
BACK = 1.0
"""Spacings within which they have come back."""


def held(one: Arrangement, known: Known) -> bool:
    """Whether an arrangement that has come to rest is held there in all its motions."""
    fine, looks = known.fine, Looks(known)
    spacing = max(fine[n].spacing_mm for n in one.poses)

    def worse(other: Arrangement) -> bool:
        return other.agree < LOST * one.agree or one.lead_over(other) > LEAST_LEAD

    def comes_back(poses: dict[int, FloatArray]) -> bool:
        rested = arrangement_of(settled(poses, fine, 1.5 * spacing), looks)
        return worse(arrangement_of(poses, looks)) and (apart(one.poses, rested.poses, fine) < BACK or worse(rested))

    return all(abreast(lambda poses, _: comes_back(poses), weakest(one.poses, fine, MOTIONS, MOVED * spacing)))


def drifted(one: Arrangement, poses: dict[int, FloatArray], known: Known) -> float:
    """How far the adjustment has moved a view from where the arrangement rested, mm."""
    return max(shifts_mm(one.poses, poses, known.fine).values(), default=0.0)
