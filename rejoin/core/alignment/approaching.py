"""The first coming together: each joint by iterative closest point, then fragment after fragment."""

from __future__ import annotations

import numpy as np

from rejoin.core.alignment.solver import COARSE, TUKEY, Poses, Solver, State
from rejoin.core.contact import opposite, robust_scale
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray
from rejoin.core.transforms import inverse, orthonormal
from rejoin.core.uncertainty.equations import crossed_matrix, firm_motions


def approach(solver: Solver, start: Poses) -> None:
    """Each joint by itself, then the fragments one after the other along the joints."""
    relative: dict[int, FloatArray] = {}
    for number, joint in enumerate(solver.joints):
        b_from_a = inverse(solver.poses[joint.b]) @ solver.poses[joint.a]
        relative[number] = _refined(solver, number, b_from_a)
    placed = {solver.reference: solver.poses[solver.reference]}
    while len(placed) < len(start):
        before = len(placed)
        for number, joint in enumerate(solver.joints):
            if joint.a in placed and joint.b not in placed:
                placed[joint.b] = orthonormal(placed[joint.a] @ inverse(relative[number]))
            elif joint.b in placed and joint.a not in placed:
                placed[joint.a] = orthonormal(placed[joint.b] @ relative[number])
        if len(placed) == before:
            lost = next(n for n in start if n not in placed)
            raise WrongUse(f"No joint leads to {solver.fragments[lost].scan.name}.", "Leave it out, or join it.")
    solver.poses = {number: placed[number] for number in start}
    solver.seen.clear()


def _refined(solver: Solver, number: int, b_from_a: FloatArray) -> FloatArray:
    """The joint refined by ICP, or as it was where that is not better."""
    from rejoin.core.libraries.registration import refined

    a, b = solver.sides[number]
    if not _holds(solver, number, b_from_a):
        return b_from_a
    reach, quantum = solver.reach[number], 1e-3 * min(a.spacing_mm, b.spacing_mm)
    chosen = np.flatnonzero(~a.border)[:: max(1, len(a.points) // COARSE)]
    best, cost = b_from_a, _misfit(solver, number, b_from_a)
    for share in (1.0, 0.5):
        scale = min(share * reach, TUKEY * max(cost, quantum))
        moved, _ = refined(a.points[chosen], b.points, b.normals, best, share * reach, scale, 30, quantum)
        misfit = _misfit(solver, number, moved)
        if misfit < cost:
            best, cost = orthonormal(moved), misfit
    return best


def _holds(solver: Solver, number: int, b_from_a: FloatArray) -> bool:
    """Whether the relief holds all six motions: else ICP's answer is chance along the loose ones."""
    joint = solver.joints[number]
    state = State({joint.a: inverse(b_from_a), joint.b: np.eye(4)}, np.zeros(len(solver.joints)), [], [], False)
    try:
        contact = solver.contact(number, state, COARSE, False)
    except NoAnswer:
        return False
    return bool(np.allclose(firm_motions(*crossed_matrix(contact), False), np.eye(7)))


def _misfit(solver: Solver, number: int, b_from_a: FloatArray) -> float:
    """Robust gap; what finds nothing opposite counts as a gap of the reach."""
    a, b = solver.sides[number]
    pairs = opposite(a, b, b_from_a, np.eye(4), solver.reach[number], COARSE)
    sought = min(len(a.points), COARSE) + min(len(b.points), COARSE)
    lost = max(0, sought - len(pairs.areas))
    return robust_scale(np.append(pairs.gaps, np.full(lost, solver.reach[number])), np.ones(len(pairs.areas) + lost))
