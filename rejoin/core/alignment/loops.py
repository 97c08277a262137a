"""Joints that close a loop: do they agree with the others, or is the part sprung?

A broken ring opens when locked-in stress lets go, and iron or bronze may bend
before it breaks. Then the last joint does not close. A least squares over all
joints would spread that over every one of them and show small errors
everywhere; so the strongest joints that tie all fragments together (pinned
ones first) are adjusted alone, and each further joint is asked how far it
would move its two fragments from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rejoin.core.records import FloatArray, Fragment, Joint
from rejoin.core.transforms import apply, displacement, inverse, mean_square_move

if TYPE_CHECKING:
    from rejoin.core.alignment import Adjustment

SPRUNG = 3.0
"""A loop is sprung where it misses by more than this many times the expected rms miss ..."""

NOTICED = 2.0
"""... and by more than this many times the noise of both scans, which rims and chips can make up."""


@dataclass(frozen=True)
class Opening:
    """How far a closing joint is from closing: the median over its face, and the rms expected, mm."""

    missed_mm: float
    expected_mm: float
    noise_mm: float

    @property
    def sprung(self) -> bool:
        return self.missed_mm > max(SPRUNG * self.expected_mm, NOTICED * self.noise_mm)


def strongest(joints: Sequence[Joint]) -> list[int]:
    """Numbers, rising, of the joints that tie all fragments together: pinned first, then by evidence."""
    order = sorted(range(len(joints)), key=lambda n: (joints[n].state != "pinned", -joints[n].evidence.score, n))
    group = {end: end for joint in joints for end in (joint.a, joint.b)}

    def root(fragment: int) -> int:
        while group[fragment] != fragment:
            fragment = group[fragment]
        return fragment

    kept = []
    for number in order:
        one, other = root(joints[number].a), root(joints[number].b)
        if one != other:
            group[one] = other
            kept.append(number)
    return sorted(kept)


def opening(fragments: Sequence[Fragment], joint: Joint, others: Adjustment, alone: Adjustment) -> Opening:
    """How far a joint, adjusted ``alone``, stands from where the ``others`` put its two fragments."""
    contact = alone.contacts[0]
    middle_from_scan = alone.part_from_scan
    mesh = fragments[joint.b].mesh
    points = mesh.vertices[np.unique(mesh.triangles[joint.face_b.triangles])]
    own = inverse(middle_from_scan[joint.a]) @ middle_from_scan[joint.b]
    told = inverse(others.part_from_scan[joint.a]) @ others.part_from_scan[joint.b]
    missed = float(np.median(displacement(own, told, points)))
    # Both adjustments' covariance of how a moves against b, about the joint's own middle.
    spread = np.zeros((6, 6))
    for found in (others, alone):
        columns = np.zeros((6, found.layout.size))
        centre = apply(found.part_from_scan[joint.a] @ inverse(middle_from_scan[joint.a]), contact.centre[None])[0]
        for fragment, sign in ((joint.a, 1.0), (joint.b, -1.0)):
            if fragment in found.layout.movable:
                columns[:, found.layout.pose(fragment)] = sign * found.layout.moved_centre(fragment, centre)
        part = columns[:, found.layout.poses]
        spread += _turned(part @ found.covariance @ part.T, middle_from_scan[joint.a], found.part_from_scan[joint.a])
    away = apply(middle_from_scan[joint.b], points) - contact.centre
    expected = float(np.sqrt((mean_square_move(away) * spread).sum()))
    noise = float(np.hypot(fragments[joint.a].noise_mm, fragments[joint.b].noise_mm))
    return Opening(missed, expected, noise)


def _turned(covariance: FloatArray, wanted: FloatArray, present: FloatArray) -> FloatArray:
    """A covariance of motions in one part's frame, in the axes of another in which fragment a stands elsewhere."""
    turn = wanted[:3, :3] @ present[:3, :3].T
    both = np.zeros((6, 6))
    both[:3, :3] = both[3:, 3:] = turn
    return np.asarray(both @ covariance @ both.T)


def sentence(fragments: Sequence[Fragment], joint: Joint, found: Opening | None) -> str:
    """What to tell of a joint that was left open."""
    names = f"{fragments[joint.a].scan.name} and {fragments[joint.b].scan.name}"
    if found is None:
        return f"The joint of {names} finds nothing opposite it where the other joints put them; it was left out."
    return (
        f"The part is sprung {found.missed_mm:.2f} mm at the joint of {names}, or broken faces of the loop have lost a "
        "layer that nothing shows: the other joints leave it open by that much, "
        f"{found.missed_mm / max(found.expected_mm, 1e-9):.0f} times what the scans allow, and it was left so. "
        "Pin this joint to let it hold true and another one open."
    )
