"""Place all fragments at once: robust least squares over all joints.

Method: each joint first by iterative closest point (point to plane), then all
joints together by Gauss-Newton on symmetric normals (Rusinkiewicz, 2019), both
ways, Tukey's weights, every vertex of the fracture faces (`solver`). Material
worn off the faces is weighed against none (`rejoin.core.uncertainty.layers`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.alignment.solver import Poses, Solver, State
from rejoin.core.errors import Cancelled, NoAnswer, WrongUse
from rejoin.core.records import Fragment, Joint, Placement
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import inverse
from rejoin.core.uncertainty.bounds import Certainty, certainties
from rejoin.core.uncertainty.equations import Contact, Layout, Statement
from rejoin.core.uncertainty.layers import Layer, no_layers, weighed_layers
from rejoin.core.uncertainty.stated import KnownDimension, KnownOutcome, known_outcomes


@dataclass(frozen=True, eq=False)
class Adjustment:
    """What one adjustment found.

    Attributes
    ----------
    part_from_scan : dict of int to (4, 4)
    reference : int
        The fragment that was held.
    contacts : tuple of Contact
        One for each joint: pairs, residuals, scale at the answer.
    statements : tuple of Statement
        What each joint says of the poses, for the covariance.
    layers : tuple of Layer
        The layer missing between each joint's faces, and how sure that is.
    layout : Layout
        Order of the unknowns.
    known : tuple of KnownOutcome
        Each stated dimension against what the faces alone say.
    certainty : dict of int to Certainty
        Of each fragment that was moved.
    settled : bool
        False where the rounds ran out before the poses stood still.
    """

    part_from_scan: Poses
    reference: int
    contacts: tuple[Contact, ...]
    statements: tuple[Statement, ...]
    layers: tuple[Layer, ...]
    layout: Layout
    known: tuple[KnownOutcome, ...]
    settled: bool
    certainty: dict[int, Certainty]

    def placement(self, fragment: int) -> Placement:
        """The fragment's place and how sure it is; the held fragment is sure by definition."""
        pose, sure = self.part_from_scan[fragment], self.certainty.get(fragment)
        if sure is None:
            return Placement(pose, "program", covariance=np.zeros((6, 6)), u95_mm=0.0)
        return Placement(pose, "program", None, sure.covariance, sure.u95_mm, sure.weakest)

    def updated(self, joints: Sequence[Joint]) -> tuple[Joint, ...]:
        """The adjusted joints, in their order, with the new ``a_from_b`` and missing layers."""
        poses = self.part_from_scan
        return tuple(
            replace(joint, a_from_b=inverse(poses[joint.a]) @ poses[joint.b],
                    missing_layer_mm=layer.mean_mm, missing_layer_sd_mm=layer.sd_mm)
            for joint, layer in zip(joints, self.layers, strict=True)
        )


def adjust(
    fragments: Sequence[Fragment],
    joints: Sequence[Joint],
    start: Poses,
    settings: AlignSettings,
    report: Report,
    known: Sequence[KnownDimension] = (),
) -> Adjustment:
    """Place fragments by one least squares over all their joints.

    Parameters
    ----------
    fragments : sequence of Fragment
    joints : sequence of Joint
        Each with both mating faces; only those between fragments in ``start`` may be given.
    start : dict of int to (4, 4)
        part_from_scan of each fragment to place; the first one is held.
    settings : AlignSettings
    report : Report
    known : sequence of KnownDimension, optional
        Dimensions stated by the person: observations like any other.

    Returns
    -------
    Adjustment

    Raises
    ------
    WrongUse
        Where a joint has a fragment without a start, or there is no joint.
    NoAnswer
        Where a fragment's faces find nothing opposite them.
    """
    if not joints or any(joint.a not in start or joint.b not in start for joint in joints):
        raise WrongUse("There is no joint between these fragments.", "Give a joint and a start for each fragment.")
    solver = Solver(fragments, joints, start, settings, known)
    report(0.05, "Bringing the faces together")
    solver.approach(start)
    report(0.3, "Adjusting all joints")
    touching = solver.settle(solver.poses, np.zeros(len(joints)), free=False, report=part_of(report, 0.3, 0.6))
    if not settings.missing_layer and not known:
        report(0.95, "Weighing the joints")
        return _finished(solver, touching, no_layers(len(joints)))
    if len(joints) > 1 or known:
        touching = solver.heard(touching)
        solver.trust_dimensions(touching)
    try:
        loose = solver.settle(touching.poses, touching.layers, free=True, report=part_of(report, 0.6, 0.85))
    except Cancelled:
        raise
    except NoAnswer:
        # With the layer free these faces do not stay together: they tell nothing of it.
        loose = touching
    loose = solver.heard(loose)
    report(0.85, "Weighing whether material is missing")
    layout, known_matrix = solver.layout_at(loose.poses), solver.known_matrix(loose)
    layers = weighed_layers(layout, loose.contacts, loose.statements, loose.layers, known_matrix)
    if not settings.missing_layer:
        layers = no_layers(len(joints))
    wanted = np.array([layer.mean_mm for layer in layers])
    if np.all(wanted == 0.0) and not solver.used:
        return _finished(solver, touching, layers)
    final = solver.settle(loose.poses, wanted, free=False, report=part_of(report, 0.85, 1.0))
    return _finished(solver, final, layers)


def _finished(solver: Solver, state: State, layers: list[Layer]) -> Adjustment:
    """The answer with its certainty."""
    state, layout = solver.heard(state), solver.layout_at(state.poses)
    outcomes = known_outcomes(solver.known, state.poses, layout, state.contacts, state.statements, solver.used)
    certainty = certainties(
        solver.fragments, state.poses, layout, state.contacts, state.statements, layers, solver.known_matrix(state)
    )
    return Adjustment(
        state.poses, solver.reference, tuple(state.contacts), tuple(state.statements), tuple(layers), layout,
        outcomes, state.settled, certainty,
    )


__all__ = ["Adjustment", "KnownDimension", "KnownOutcome", "adjust"]
