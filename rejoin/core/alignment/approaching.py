"""The first coming together: each joint by iterative closest point, then fragment after fragment."""

from __future__ import annotations

import numpy as np

from rejoin.core.alignment.solver import COARSE, Solver
from rejoin.core.alignment.state import Poses, State, unwatched
from rejoin.core.alignment.telling import TUKEY
from rejoin.core.contact import opposite
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray
from rejoin.core.robust import robust_scale
from rejoin.core.transforms import displacement, inverse, orthonormal
from rejoin.core.uncertainty.equations import crossed_matrix, firm_motions


def approach(solver: Solver, start: Poses) -> None:
    """Each joint by itself, then the fragments one after the other along the joints."""
    relative: dict[int, FloatArray] = {}
    looked_at = dict(solver.poses), {solver.reference}
    solver.watch("start", solver.poses)
    for number, joint in enumerate(solver.joints):
        b_from_a = inverse(solver.poses[joint.b]) @ solver.poses[joint.a]
        relative[number] = _refined(solver, number, b_from_a, looked_at)
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


Seen = tuple[Poses, set[int]]
"""Where somebody who looks on sees the fragments, and which of them have come together."""


def _refined(solver: Solver, number: int, b_from_a: FloatArray, looked_at: Seen) -> FloatArray:
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
        ends = a.points[chosen], b.points, b.normals
        moved, _ = refined(*ends, best, share * reach, scale, 30, quantum)
        if solver.watch is not unwatched:
            _show_rounds(solver, number, ends, best, (share * reach, scale), looked_at)
        misfit = _misfit(solver, number, moved)
        if misfit < cost:
            best, cost = orthonormal(moved), misfit
    return best


def _show_rounds(
    solver: Solver, number: int, ends: tuple[FloatArray, FloatArray, FloatArray], b_from_a: FloatArray,
    limits: tuple[float, float], looked_at: Seen,
) -> None:  # fmt: skip
    """The rounds of that ICP one by one, for who looks on: the answer is not made of them."""
    from rejoin.core.libraries.registration import refined

    joint, (poses, together) = solver.joints[number], looked_at
    quantum = 1e-4 * min(side.spacing_mm for side in solver.sides[number])
    for _ in range(30):
        before, (b_from_a, _share) = b_from_a, refined(*ends, b_from_a, *limits, 1, quantum)
        if joint.a in together:
            poses[joint.b] = orthonormal(poses[joint.a] @ inverse(b_from_a))
        elif joint.b in together:
            poses[joint.a] = orthonormal(poses[joint.b] @ b_from_a)
        else:
            return
        solver.watch("two faces at a time", poses)
        if displacement(before, b_from_a, ends[0]).max() < 30.0 * quantum:
            break
    together.update((joint.a, joint.b))


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
