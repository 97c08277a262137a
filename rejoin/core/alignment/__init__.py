"""Place all fragments at once: robust least squares over all joints.

Method: each joint first by iterative closest point (point to plane), then all
joints together by Gauss-Newton on symmetric normals (Rusinkiewicz, 2019), both
ways, Tukey's weights, every vertex of the fracture faces (`solver`). Material
worn off the faces is weighed against none (`rejoin.core.uncertainty.layers`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.alignment.adjustment import Adjustment
from rejoin.core.alignment.approaching import approach
from rejoin.core.alignment.loops import opening, sentence, strongest
from rejoin.core.alignment.seating import Gape, Unsettled, seat
from rejoin.core.alignment.solver import Solver
from rejoin.core.alignment.state import NothingOpposite, Poses, State, Watch, unwatched
from rejoin.core.continuity import Running, running_across
from rejoin.core.errors import Cancelled, NoAnswer, WrongUse
from rejoin.core.records import Fragment, Joint
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import inverse
from rejoin.core.uncertainty.bounds import certainties, holding, pose_covariance
from rejoin.core.uncertainty.layers import Layer, no_layers, weighed_layers
from rejoin.core.uncertainty.stated import KnownDimension, KnownOutcome, known_outcomes


def adjust(
    fragments: Sequence[Fragment],
    joints: Sequence[Joint],
    start: Poses,
    settings: AlignSettings,
    report: Report,
    known: Sequence[KnownDimension] = (),
    watch: Watch = unwatched,
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
    watch : Watch, optional
        Told of every round of the adjustment that gives the answer; it costs a second first approach.

    Returns
    -------
    Adjustment

    Raises
    ------
    WrongUse
        Where a joint has a fragment without a start, or there is no joint.
    NothingOpposite
        Where the faces of the only joint that reaches a fragment find nothing opposite them. A joint
        that is not needed to reach its fragments is left out instead (``left_out``), as is one that
        would close a sprung loop.
    """
    if not joints or any(joint.a not in start or joint.b not in start for joint in joints):
        raise WrongUse("There is no joint between these fragments.", "Give a joint and a start for each fragment.")
    left: dict[int, str] = {}
    if len(joints) >= len(start):
        pressed = replace(settings, missing_layer=False)
        left, start = _left_open(fragments, joints, start, pressed, part_of(report, 0.0, 0.3))
        if left and settings.missing_layer:
            # Worn faces pressed together do not close either: look again with room for what they have lost.
            left, start = _left_open(fragments, joints, start, settings, part_of(report, 0.3, 0.6))
        report = part_of(report, 0.6, 1.0)
    kept = [number for number in range(len(joints)) if number not in left]
    while True:
        try:
            found = _adjusted(fragments, [joints[n] for n in kept], start, settings, report, known, watch)
            uneven = {kept[number]: told for number, told in found.uneven.items()}
            against = {kept[number]: words for number, words in found.against.items()}
            holds = {kept[number]: firm for number, firm in found.holds.items()}
            return replace(found, left_out=dict(sorted(left.items())), uneven=uneven, against=against, holds=holds)
        except NothingOpposite as nothing:
            lost = kept[nothing.number]
            rest = [number for number in kept if number != lost]
            if len(strongest([joints[n] for n in rest])) < len(start) - 1:
                ends = (fragments[n].scan.name for n in (joints[lost].a, joints[lost].b))
                raise NothingOpposite(lost, *ends) from None
            left[lost], kept = sentence(fragments, joints[lost], None), rest


def _left_open(
    fragments: Sequence[Fragment], joints: Sequence[Joint], start: Poses, settings: AlignSettings, report: Report
) -> tuple[dict[int, str], Poses]:
    """The joints that would close a loop which does not close, with a sentence each, and the poses by the others."""
    tree = strongest(joints)
    if len(tree) < len(start) - 1:
        return {}, start
    try:
        kept = [joints[n] for n in tree]
        others = _adjusted(fragments, kept, start, settings, part_of(report, 0.0, 0.5), (), last=False)
    except NothingOpposite:
        return {}, start
    closing = [number for number in range(len(joints)) if number not in tree]

    def against(number: int, share: Report) -> str | None:
        joint = joints[number]
        two = {end: others.part_from_scan[end] for end in (joint.a, joint.b)}
        try:
            alone = _adjusted(fragments, [joint], two, settings, share, (), last=False)
        except NothingOpposite:
            return sentence(fragments, joint, None)
        missed = opening(fragments, joint, others, alone)
        return sentence(fragments, joint, missed) if missed.sprung else None

    told = zip(closing, abreast(against, closing, part_of(report, 0.5, 1.0)), strict=True)
    return {number: why for number, why in told if why is not None}, others.part_from_scan


def _adjusted(
    fragments: Sequence[Fragment],
    joints: Sequence[Joint],
    start: Poses,
    settings: AlignSettings,
    report: Report,
    known: Sequence[KnownDimension],
    watch: Watch = unwatched,
    last: bool = True,
) -> Adjustment:
    """One least squares over all the joints given; the ``last`` one looks far across the cracks, and judges."""
    solver = Solver(fragments, joints, start, settings, known, watch)
    report(0.05, "Bringing the faces together")
    whole = touching = _together(solver, start, part_of(report, 0.2, 0.3))
    if solver.trim(whole):
        touching = _together(solver, whole.poses, part_of(report, 0.3, 0.4))
        solver.doubt_smoothing(whole, touching)
    uneven = seat(solver, touching)
    if any(isinstance(told, Gape) for told in uneven.values()):
        touching = _together(solver, touching.poses, part_of(report, 0.3, 0.4))
    if not settings.missing_layer and not known:
        solver.listen(touching)
        final = solver.refine(touching, free=False, report=part_of(report, 0.5, 0.9))
        return _finished(solver, final, no_layers(len(joints)), uneven, part_of(report, 0.9, 1.0), last)
    loose = _loosened(solver, touching, report)
    report(0.8, "Weighing whether material is missing")
    layout, known_matrix = solver.layout_at(loose.poses), solver.known_matrix(loose)
    layers = weighed_layers(layout, loose.contacts, loose.statements, loose.layers, known_matrix)
    if not settings.missing_layer:
        layers = no_layers(len(joints))
    wanted = np.array([layer.apart_mm for layer in layers])
    nearer = solver.with_layers(loose, wanted)
    if nearer is None:
        nearer = replace(touching if np.all(wanted == 0.0) and not solver.used else loose, layers=wanted)
    final = solver.refine(nearer, free=False, report=part_of(report, 0.8, 0.95))
    return _finished(solver, final, layers, uneven, part_of(report, 0.95, 1.0), last)


def _together(solver: Solver, start: Poses, report: Report) -> State:
    """Two faces after two, then all joints, pressed together."""
    approach(solver, start)
    return solver.settle(solver.poses, np.zeros(len(solver.joints)), free=False, report=report)


def _loosened(solver: Solver, touching: State, report: Report) -> State:
    """The state with the layers free, or the one given where the faces do not stay together without."""
    try:
        loose = solver.settle(touching.poses, touching.layers, free=True, report=part_of(report, 0.4, 0.5))
        solver.listen(loose)
        if solver.known:
            solver.trust_dimensions(solver.refine(touching, free=False, report=part_of(report, 0.5, 0.55)))
        return solver.refine(loose, free=True, report=part_of(report, 0.55, 0.8))
    except Cancelled:
        raise
    except NoAnswer:
        # With the layer free these faces do not stay together: they tell nothing of it.
        solver.listen(touching)
        return solver.refine(touching, free=False, report=part_of(report, 0.55, 0.8))


def _finished(
    solver: Solver, state: State, layers: list[Layer], uneven: dict[int, Gape | Unsettled], report: Report, last: bool
) -> Adjustment:
    """The answer with its certainty, once the planes that run on far across the cracks are heeded too."""
    report(0.0, "Looking along the original surfaces")
    if last and solver.look_far(state, layers):
        state = solver.refine(state, free=False, report=report)
    layout = solver.layout_at(state.poses)
    outcomes = known_outcomes(solver.known, state.poses, layout, state.contacts, state.statements, solver.used)
    known = solver.known_matrix(state)
    certainty, covariance = certainties(
        solver.fragments, state.poses, layout, state.contacts, state.statements, layers, known
    )
    holds = holding(layout, state.contacts, pose_covariance(layout, state.contacts, state.statements, known))
    return Adjustment(
        state.poses, solver.reference, tuple(state.contacts), tuple(state.statements), tuple(layers), layout,
        outcomes, state.settled, certainty, covariance, uneven=uneven,
        against=_against(solver, state) if last else {}, holds=dict(enumerate(holds)),
    )


def _against(solver: Solver, state: State) -> dict[int, str]:
    """What the original surfaces beside each joint say against it, in words; without those that have too little rim."""

    def running(number: int, _: Report) -> Running | None:
        joint, sides, skirts = solver.joints[number], solver.sides[number], solver.skirts[number]
        return running_across(sides[0], *skirts, inverse(state.poses[joint.a]) @ state.poses[joint.b])

    found = enumerate(abreast(running, range(len(solver.joints))))
    return {number: told.against for number, told in found if told is not None}


__all__ = ["Adjustment", "KnownDimension", "KnownOutcome", "NothingOpposite", "Watch", "adjust", "unwatched"]
