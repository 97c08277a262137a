"""Gauss-Newton over all joints: pairs are made anew each round, from few vertices to all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.contact import Side, opposite, robust_scale, rows, side_of
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Fragment, Joint
from rejoin.core.settings import AlignSettings, Report
from rejoin.core.transforms import apply, from_vector, inverse, orthonormal
from rejoin.core.uncertainty.equations import (
    Contact,
    Layout,
    Statement,
    drift_information,
    firm_motions,
    normal_equations,
    statement,
)
from rejoin.core.uncertainty.layers import rein
from rejoin.core.uncertainty.stated import GROSS, KnownDimension, known_equations, known_outcomes

TUKEY = 5.0
"""Tukey's limit in robust sigmas (4.7 is the usual 95 % efficiency)."""

COARSE = 5_000
"""Vertices of each face in the rounds that only approach."""

Poses = dict[int, FloatArray]


@dataclass(frozen=True, eq=False)
class State:
    """Poses, layers and what the joints say there."""

    poses: Poses
    layers: FloatArray
    contacts: list[Contact]
    statements: list[Statement]
    settled: bool


class Solver:
    """The faces of all joints, and Gauss-Newton over them."""

    def __init__(
        self,
        fragments: Sequence[Fragment],
        joints: Sequence[Joint],
        start: Poses,
        settings: AlignSettings,
        known: Sequence[KnownDimension],
    ) -> None:
        self.fragments, self.joints, self.settings, self.known = fragments, joints, settings, known
        self.used: list[KnownDimension] = []
        self.reference = next(iter(start))
        self.movable = tuple(number for number in start if number != self.reference)
        self.sides: list[tuple[Side, Side]] = [
            (side_of(fragments[j.a], j.face_a.triangles), side_of(fragments[j.b], j.face_b.triangles)) for j in joints
        ]
        # A fine scan of a coarse surface: the noise, not the spacing, says what is near.
        self.reach = [
            settings.reach * max(a.spacing_mm, b.spacing_mm, 5.0 * float(np.hypot(a.noise_mm, b.noise_mm)))
            for a, b in self.sides
        ]
        self.poses: Poses = {number: orthonormal(pose) for number, pose in start.items()}
        self.middles = {number: fragments[number].mesh.vertices.mean(axis=0) for number in start}
        self.sizes = {number: _radius(fragments[number]) for number in start}
        self.inflation = [1.0] * len(joints)

    def layout_at(self, poses: Poses) -> Layout:
        centres = {n: apply(poses[n], self.middles[n][None])[0] for n in poses}
        return Layout(self.movable, centres, len(self.joints))

    def approach(self, start: Poses) -> None:
        """Each joint by itself, then the fragments one after the other along the joints."""
        relative: dict[int, FloatArray] = {}
        for number, joint in enumerate(self.joints):
            b_from_a = inverse(self.poses[joint.b]) @ self.poses[joint.a]
            relative[number] = self._refined(number, b_from_a)
        placed = {self.reference: self.poses[self.reference]}
        while len(placed) < len(start):
            before = len(placed)
            for number, joint in enumerate(self.joints):
                if joint.a in placed and joint.b not in placed:
                    placed[joint.b] = orthonormal(placed[joint.a] @ inverse(relative[number]))
                elif joint.b in placed and joint.a not in placed:
                    placed[joint.a] = orthonormal(placed[joint.b] @ relative[number])
            if len(placed) == before:
                lost = next(n for n in start if n not in placed)
                raise WrongUse(f"No joint leads to {self.fragments[lost].scan.name}.", "Leave it out, or join it.")
        self.poses = {number: placed[number] for number in start}

    def _refined(self, number: int, b_from_a: FloatArray) -> FloatArray:
        """The joint refined by ICP, or as it was where that is not better."""
        from rejoin.core.libraries.registration import refined

        a, b = self.sides[number]
        if not self._holds(number, b_from_a):
            return b_from_a
        reach, quantum = self.reach[number], 1e-3 * min(a.spacing_mm, b.spacing_mm)
        chosen = np.flatnonzero(~a.border)[:: max(1, len(a.points) // COARSE)]
        best, cost = b_from_a, self._misfit(number, b_from_a)
        for share in (1.0, 0.5):
            scale = min(share * reach, TUKEY * max(cost, quantum))
            moved, _ = refined(a.points[chosen], b.points, b.normals, best, share * reach, scale, 30, quantum)
            misfit = self._misfit(number, moved)
            if misfit < cost:
                best, cost = orthonormal(moved), misfit
        return best

    def _holds(self, number: int, b_from_a: FloatArray) -> bool:
        """Whether all six motions show: else ICP's equations are singular and its answer is chance."""
        a, b = self.sides[number]
        pairs = opposite(a, b, b_from_a, np.eye(4), self.reach[number], COARSE)
        if len(pairs.areas) < 12:
            return False
        middles = pairs.middles - pairs.middles.mean(axis=0)
        jacobian = rows(middles / np.abs(middles).max(), pairs.directions, np.zeros(3))[:, :6]
        values = np.linalg.eigvalsh(jacobian.T @ jacobian)
        return bool(values[0] > 1e-6 * values[-1])

    def _misfit(self, number: int, b_from_a: FloatArray) -> float:
        """Robust gap; what finds nothing opposite counts as a gap of the reach."""
        a, b = self.sides[number]
        pairs = opposite(a, b, b_from_a, np.eye(4), self.reach[number], COARSE)
        sought = min(len(a.points), COARSE) + min(len(b.points), COARSE)
        lost = max(0, sought - len(pairs.areas))
        return robust_scale(np.append(pairs.gaps, np.full(lost, self.reach[number])), np.ones(len(pairs.areas) + lost))

    def settle(self, poses: Poses, layers: FloatArray, free: bool, report: Report) -> State:
        """Rounds of pairing and solving until the poses stand still: first few vertices, then all."""
        state = State(dict(poses), layers.copy(), [], [], False)
        rounds = max(2, self.settings.iterations)
        finest = 1e-3 * min(min(a.spacing_mm, b.spacing_mm) for a, b in self.sides)
        for most, tolerance, limit in ((COARSE, 10 * finest, rounds), (None, finest, max(2, rounds // 5))):
            for turn_ in range(limit):
                report((0.0 if most else 0.4) + 0.5 * turn_ / limit, "Adjusting all joints")
                state, moved = self._round(state, free, most)
                if moved < tolerance:
                    break
        return replace(state, settled=moved < 10 * finest)

    def heard(self, state: State) -> State:
        """The state with what its joints say. From then on their noise is known to be correlated."""
        statements = [statement(contact) for contact in state.contacts]
        # How much less a pair is worth than an independent one: this balances joints and dimensions.
        self.inflation = [1.0 / (s.weight * c.scale_mm**2) for s, c in zip(statements, state.contacts, strict=True)]
        return replace(state, statements=statements)

    def _contacts(self, state: State, most: int | None) -> list[Contact]:
        contacts = []
        for number, (joint, (a, b)) in enumerate(zip(self.joints, self.sides, strict=True)):
            pairs = opposite(a, b, state.poses[joint.a], state.poses[joint.b], self.reach[number], most)
            if len(pairs.areas) < 12:
                names = f"{self.fragments[joint.a].scan.name} and {self.fragments[joint.b].scan.name}"
                raise NoAnswer(f"The faces of {names} find nothing opposite each other.", "Set this joint by hand.")
            residuals = pairs.gaps - state.layers[number]
            noise = float(np.hypot(a.noise_mm, b.noise_mm))
            scale = max(robust_scale(residuals, pairs.areas), 0.3 * noise, 1e-6 * a.spacing_mm)
            kept = np.abs(residuals) < TUKEY * scale
            pairs, residuals = pairs.where(kept), residuals[kept]
            shares = pairs.areas / pairs.areas.mean()
            spacing = max(a.spacing_mm, b.spacing_mm)
            middle = np.average(pairs.middles, axis=0, weights=shares)
            contacts.append(Contact(
                joint.a, joint.b, pairs, shares, residuals, scale, TUKEY * scale, state.layers[number], spacing, middle
            ))
        return contacts

    def _round(self, state: State, free: bool, most: int | None) -> tuple[State, float]:
        """One pairing and the solution for it; how far the worst point moved."""
        poses, layers, farthest = dict(state.poses), state.layers.copy(), 0.0
        contacts = self._contacts(state, most)
        firm = [firm_motions(contact, free) for contact in contacts]
        for _ in range(2):
            layout = self.layout_at(poses)
            solution = self._solved(layout, contacts, firm, poses, layers if free else None)
            step = max(self._step(solution[layout.pose(n)], n) for n in self.movable)
            # A step past the reach would leave the surfaces the pairs were made of.
            solution *= min(1.0, min(self.reach) / max(step, 1e-300))
            moves = {n: from_vector(solution[layout.pose(n)], layout.centres[n]) for n in self.movable}
            poses = {n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in poses.items()}
            if free:
                layers = np.clip(layers + solution[layout.layers], -np.array(self.reach), self.reach)
            contacts = [_moved(c, moves, layers[k]) for k, c in enumerate(contacts)]
            farthest = max(farthest, step)
        return replace(state, poses=poses, layers=layers, contacts=contacts), farthest

    def _step(self, motion: FloatArray, fragment: int) -> float:
        """Bound on how far a motion moves the fragment's points."""
        return float(np.linalg.norm(motion[3:]) + self.sizes[fragment] * np.linalg.norm(motion[:3]))

    def _solved(
        self,
        layout: Layout,
        contacts: list[Contact],
        firm: list[FloatArray],
        poses: Poses,
        layers: FloatArray | None,
    ) -> FloatArray:
        weights = [1.0 / (f * c.scale_mm**2) for f, c in zip(self.inflation, contacts, strict=True)]
        matrices, right = [], np.zeros(layout.size)
        for number, contact in enumerate(contacts):
            matrix, side = normal_equations(contact)
            held = firm[number].T @ matrix @ firm[number]
            held[:6, :6] += drift_information(contact, self.reach[number]) / weights[number]
            matrices.append(held)
            right += weights[number] * layout.columns(contact, number).T @ firm[number].T @ side
        matrix = layout.assembled(contacts, matrices, weights)
        extra, extra_right = known_equations(self.used, poses, layout)
        if layers is not None:
            held = rein(contacts)
            extra[layout.layers, layout.layers] += np.diag(held)
            extra_right[layout.layers] -= held * layers
        return _solution(matrix + extra, right + extra_right, layout, layers is not None)

    def trust_dimensions(self, state: State) -> None:
        """From now on use the stated dimensions that the faces do not flatly contradict."""
        layout = self.layout_at(state.poses)
        told = known_outcomes(self.known, state.poses, layout, state.contacts, state.statements, [])
        self.used = [item for item, outcome in zip(self.known, told, strict=True) if outcome.sigmas < GROSS]

    def known_matrix(self, state: State) -> FloatArray:
        """(size, size) information of the stated dimensions."""
        return known_equations(self.used, state.poses, self.layout_at(state.poses))[0]


def _moved(contact: Contact, moves: Poses, layer: float) -> Contact:
    still = np.eye(4)
    pairs = contact.pairs.moved(moves.get(contact.a, still), moves.get(contact.b, still))
    return replace(contact, pairs=pairs, residuals=pairs.gaps - layer, layer_mm=float(layer))


def _solution(matrix: FloatArray, right: FloatArray, layout: Layout, free: bool) -> FloatArray:
    """Solve for poses (and layers); unknowns that nothing holds stay where they are."""
    count = layout.size if free else 6 * len(layout.movable)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix)[:count], 1e-300))
    scaled = matrix[:count, :count] * scale[:, None] * scale
    answer = np.zeros(layout.size)
    answer[:count] = scale * np.linalg.solve(scaled + 1e-10 * np.eye(count), scale * right[:count])
    return answer


def _radius(fragment: Fragment) -> float:
    return float(np.linalg.norm(np.ptp(fragment.mesh.vertices, axis=0))) / 2.0
