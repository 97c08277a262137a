"""Views of one piece adjusted together: the same surface seen twice, instead of two sides of one break.

One of the two faces is turned round, so that both are opposed as a break's are; all else is the adjustment of joints,
its allowance for correlated noise and its bounds included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.alignment import Adjustment
from rejoin.core.alignment.approaching import approach
from rejoin.core.alignment.broad import normals_of_forms
from rejoin.core.alignment.pulling import pulled_back
from rejoin.core.alignment.solver import Solver
from rejoin.core.alignment.state import Poses, State
from rejoin.core.alignment.telling import MOST
from rejoin.core.contact import Mask, Side, Skirt, side_of
from rejoin.core.errors import WrongUse
from rejoin.core.records import FloatArray, FractureFace, Fragment, Joint
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import displacement
from rejoin.core.uncertainty.bounds import certainties, hull_points
from rejoin.core.uncertainty.equations import Contact, Layout, heard
from rejoin.core.uncertainty.layers import no_layers
from rejoin.core.uncertainty.noise import Whitened

STILL = 0.5
"""Spacings: a view that moved farther has not come to rest, for its overlaps were those of another place."""


class ViewSolver(Solver):
    """The overlaps of views; along a view's border no original surface runs on, so there are no skirts."""

    def __init__(
        self, views: Sequence[Fragment], overlaps: Sequence[Joint], start: Poses, settings: AlignSettings
    ) -> None:
        shared = {n: np.zeros(len(views[n].mesh.vertices), bool) for n in start}
        for joint in overlaps:
            for n, face in ((joint.a, joint.face_a), (joint.b, joint.face_b)):
                shared[n][views[n].mesh.triangles[face.triangles]] = True
        # All that a view's overlaps ask for, before each of them asks for its own.
        abreast(lambda n, _: normals_of_forms(views[n], np.flatnonzero(shared[n]).astype(np.int32)), list(start))
        super().__init__(views, overlaps, start, settings, ())

    def beside(self, joint: Joint) -> list[tuple[Side, Skirt]]:
        a, b = (self._side(*face) for face in ((joint.a, joint.face_a), (joint.b, joint.face_b)))
        return [(side, _no_skirt(side)) for side in (a, _turned(b))]

    def misled(self, contacts: list[Contact], whole: list[Whitened], free: bool) -> list[int]:
        """None: what views share is held by their broad forms, not by the finest relief."""
        return []

    def _side(self, number: int, face: FractureFace) -> Side:
        """A face with normals that are less noisy than its triangles'.

        The noise of normals makes smooth walls seem to hold a slide along them. On a break it cannot be averaged out,
        for the fine relief holds the faces; on views it can, for what they share is held by broad forms.
        """
        side = side_of(self.fragments[number], face.triangles)
        return replace(side, normals=normals_of_forms(self.fragments[number], side.vertices))

    def followed(self, crossed: FloatArray, plain: FloatArray, free: bool, least: float = 0.0) -> FloatArray:
        """All motions: what one overlap hardly holds, others may, and normals evened out drive it nowhere."""
        return np.eye(7)

    def listen(self, state: State) -> None:
        """How the noise hangs together is heard in patches; then vertices spread over the whole overlap are used.

        Neighbours err alike, so that one for a few tells as much of the level of a surface as all of them; what a
        patch leaves out in between is lost.
        """
        super().listen(state)
        self.chosen = [self._spread(sides) for sides in self.sides]

    def _spread(self, sides: tuple[Side, Side]) -> tuple[Mask, Mask] | None:
        """Vertices of both faces, one in each cell of a lattice, about `MOST` in all; None where all are few enough."""
        share = MOST / max(sum(len(side.points) for side in sides), 1)
        return None if share >= 1.0 else (_one_a_cell(sides[0], share), _one_a_cell(sides[1], share))


def _one_a_cell(side: Side, share: float) -> Mask:
    cell = side.spacing_mm / np.sqrt(share)
    low = side.points.min(axis=0)
    first = np.unique(np.floor((side.points - low) / cell).astype(np.int64), axis=0, return_index=True)[1]
    chosen = np.zeros(len(side.points), bool)
    chosen[first] = True
    return chosen


def _at_rest(solver: Solver, start: Poses, final: State) -> bool:
    """Whether no view moved by more than `STILL`: what moves farther is adjusted again, and its hold told then."""
    far = max(displacement(start[n], final.poses[n], hull_points(solver.fragments[n])).max() for n in solver.movable)
    return bool(far < STILL * max(a.spacing_mm for pair in solver.sides for a in pair))


def _no_skirt(side: Side) -> Skirt:
    nothing = np.empty((0, 3))
    return Skirt(nothing, nothing, nothing, None, side.spacing_mm, side.noise_mm)


def _turned(side: Side) -> Side:
    """The face seen from behind."""
    return replace(side, normals=-side.normals, triangles=np.ascontiguousarray(side.triangles[:, ::-1]))


def patches_together(layout: Layout, contacts: list[Contact], told: list[Whitened]) -> list[FloatArray]:
    """Covariance (7, 7) of each overlap's right side, from leaving out one block after the other of all overlaps.

    As `patch_scores`, but what remains holds as all the overlaps do: one of them alone may hold a motion by a single
    block, and that block cannot be left out of it.
    """
    part = layout.poses
    matrix = layout.assembled(contacts, [one.plain[:6, :6] for one in told])[part, part]
    ridge = 1e-3 * np.diag(np.diag(matrix))
    result = []
    for number, (contact, one) in enumerate(zip(contacts, told, strict=True)):
        columns = layout.columns(contact, number)[:6, part]
        scores, parts = one.scores[:, :6], one.parts[:, :6, :6]
        rest = matrix + ridge - columns.T @ parts @ columns
        moved = np.linalg.solve(rest, (scores @ columns)[:, :, None])[:, :, 0]
        scores = scores + np.einsum("bij,bj->bi", parts, moved @ columns.T)
        result.append(np.pad(scores.T @ scores * (len(scores) - 1) / max(len(scores), 1), (0, 1)))
    return result


@dataclass(frozen=True, eq=False)
class Approached:
    """Views brought together on some of their points: where they started, and where they are near to rest."""

    solver: ViewSolver
    start: Poses
    near: State

    @property
    def still(self) -> bool:
        """Whether no view has moved by more than `STILL`: the overlaps are those of this place."""
        return _at_rest(self.solver, self.start, self.near)


def approach_views(
    views: Sequence[Fragment], overlaps: Sequence[Joint], start: Poses, settings: AlignSettings, report: Report,
    there: bool = False,
) -> Approached:  # fmt: skip
    """Bring views together by one least squares over all their overlaps, on some of the points; `rested` goes on.

    Parameters
    ----------
    views : sequence of Fragment
    overlaps : sequence of Joint
        Each with the triangles of both views where they show the same surface.
    start : dict of int to (4, 4)
        first_from_view of each view; the first one is held.
    settings : AlignSettings
    report : Report
    there : bool
        They come from an adjustment by all points: some of the points would only lead away from it.

    Raises
    ------
    WrongUse
        Where a view has no overlap.
    NothingOpposite
        Where an overlap holds no pair of points.
    """
    if not overlaps:
        raise WrongUse("The views do not overlap.", "Scan again, so that each view shares a side with another.")
    solver = ViewSolver(views, overlaps, start, settings)
    if there:
        return Approached(solver, start, State(dict(start), np.zeros(len(overlaps)), [], [], False))
    report(0.05, "Bringing the views together")
    approach(solver, start)
    near = solver.settle(solver.poses, np.zeros(len(overlaps)), free=False, report=part_of(report, 0.2, 0.4))
    return Approached(solver, start, near)


def rested(approached: Approached, report: Report) -> Adjustment:
    """The views placed by all points, with the noise listened to, and the bounds.

    Raises
    ------
    NothingOpposite
        Where an overlap holds no pair of points.
    """
    solver, start, views = approached.solver, approached.start, approached.solver.fragments
    solver.listen(approached.near)
    final = solver.refine(approached.near, free=False, report=part_of(report, 0.4, 1.0))
    layout, layers = solver.layout_at(final.poses), no_layers(len(solver.joints))
    # One overlap need not hold a motion that the others hold: what is firm shows only in all of them together.
    heard_all = [heard(*each) for each in zip(final.contacts, solver.models, strict=True)]
    patches = patches_together(layout, final.contacts, heard_all)
    told = [replace(one, firm=np.eye(7), patches=p) for one, p in zip(final.statements, patches, strict=True)]
    pulls = pulled_back(solver, final, told) if _at_rest(solver, start, final) else solver.known_matrix(final)
    certainty, covariance = certainties(views, final.poses, layout, final.contacts, told, layers, pulls)
    return Adjustment(
        final.poses, solver.reference, tuple(final.contacts), tuple(final.statements), tuple(layers), layout,
        (), final.settled, certainty, covariance,
    )  # fmt: skip
