"""Views of one piece adjusted together: the same surface seen twice, instead of two sides of one break.

One of the two faces is turned round, so that both are opposed as a break's are; all else is the adjustment of joints,
its allowance for correlated noise and its bounds included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rejoin.core.alignment import Adjustment
from rejoin.core.alignment.approaching import approach
from rejoin.core.alignment.solver import Solver
from rejoin.core.alignment.state import Poses
from rejoin.core.contact import Side, Skirt, side_of
from rejoin.core.errors import WrongUse
from rejoin.core.records import Fragment, Joint
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.uncertainty.bounds import certainties
from rejoin.core.uncertainty.layers import no_layers


class ViewSolver(Solver):
    """The overlaps of views; along a view's border no original surface runs on, so there are no skirts."""

    def beside(self, joint: Joint) -> list[tuple[Side, Skirt]]:
        a = side_of(self.fragments[joint.a], joint.face_a.triangles)
        b = _turned(side_of(self.fragments[joint.b], joint.face_b.triangles))
        return [(side, _no_skirt(side)) for side in (a, b)]


def _no_skirt(side: Side) -> Skirt:
    nothing = np.empty((0, 3))
    return Skirt(nothing, nothing, nothing, None, side.spacing_mm, side.noise_mm)


def _turned(side: Side) -> Side:
    """The face seen from behind."""
    return replace(side, normals=-side.normals, triangles=np.ascontiguousarray(side.triangles[:, ::-1]))


def adjust_views(
    views: Sequence[Fragment], overlaps: Sequence[Joint], start: Poses, settings: AlignSettings, report: Report
) -> Adjustment:
    """Place views by one least squares over all their overlaps.

    Parameters
    ----------
    views : sequence of Fragment
    overlaps : sequence of Joint
        Each with the triangles of both views where they show the same surface.
    start : dict of int to (4, 4)
        first_from_view of each view; the first one is held.
    settings : AlignSettings
    report : Report

    Raises
    ------
    WrongUse
        Where a view has no overlap.
    NothingOpposite
        Where an overlap holds no pair of points.
    """
    if not overlaps:
        raise WrongUse("The views do not overlap.", "Scan again, so that each view shares a side with another.")
    solver = ViewSolver(views, overlaps, start, settings, ())
    report(0.05, "Bringing the views together")
    approach(solver, start)
    near = solver.settle(solver.poses, np.zeros(len(overlaps)), free=False, report=part_of(report, 0.2, 0.4))
    solver.listen(near)
    final = solver.refine(near, free=False, report=part_of(report, 0.4, 1.0))
    layout, layers = solver.layout_at(final.poses), no_layers(len(overlaps))
    nothing = solver.known_matrix(final)
    # One overlap need not hold a motion that the others hold: what is firm shows only in all of them together.
    told = [replace(one, firm=np.eye(7)) for one in final.statements]
    certainty, covariance = certainties(views, final.poses, layout, final.contacts, told, layers, nothing)
    return Adjustment(
        final.poses, solver.reference, tuple(final.contacts), tuple(final.statements), tuple(layers), layout,
        (), final.settled, certainty, covariance,
    )  # fmt: skip
