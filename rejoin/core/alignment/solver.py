"""Gauss-Newton over all joints: pairs are made anew each round, from few vertices to all."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.alignment.state import Poses, State, Watch, carried, followed, radius_of, solved, unwatched
from rejoin.core.alignment.telling import Told
from rejoin.core.contact import levels_across
from rejoin.core.records import FloatArray, Fragment, Joint
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import apply, from_vector, orthonormal
from rejoin.core.uncertainty.bounds import layer_leads, pose_covariance, with_layers
from rejoin.core.uncertainty.equations import (
    ALIKE,
    FIRM,
    STEADY,
    Contact,
    Layout,
    crossed_matrix,
    drift_information,
    firm_motions,
    heard,
    normal_equations,
    statement,
)
from rejoin.core.uncertainty.layers import Layer, rein
from rejoin.core.uncertainty.noise import NoiseModel, Whitened
from rejoin.core.uncertainty.slow import slow_errors
from rejoin.core.uncertainty.stated import GROSS, KnownDimension, known_equations, known_outcomes
from rejoin.core.uncertainty.steps import agreeing_levels
from rejoin.core.uncertainty.weighing import contradicted, evened, evenly

COARSE = 5_000
"""Vertices of each face in the rounds that only approach."""

STILL = 0.05
"""Movement, in units of the noise, below which another round changes nothing that matters."""


class Solver(Told):
    """Gauss-Newton over what all joints say."""

    def __init__(
        self,
        fragments: Sequence[Fragment],
        joints: Sequence[Joint],
        start: Poses,
        settings: AlignSettings,
        known: Sequence[KnownDimension],
        watch: Watch = unwatched,
    ) -> None:
        super().__init__(fragments, joints, settings)
        self.watch, self.settings, self.known = watch, settings, known
        self.used: list[KnownDimension] = []
        self.reference = next(iter(start))
        self.movable = tuple(number for number in start if number != self.reference)
        self.poses: Poses = {number: orthonormal(pose) for number, pose in start.items()}
        self.middles = {number: fragments[number].mesh.vertices.mean(axis=0) for number in start}
        self.sizes = {number: radius_of(fragments[number]) for number in start}

    def alone(self, number: int) -> Solver:
        """The same for one joint: its side a is held."""
        one, joint = copy(self), self.joints[number]
        one.joints, one.sides, one.skirts = [joint], [self.sides[number]], [self.skirts[number]]
        one.reach, one.reference, one.movable = [self.reach[number]], joint.a, (joint.b,)
        one.poses = {end: self.poses[end] for end in (joint.a, joint.b)}
        one.known, one.used, one.models, one.chosen, one.seen, one.far = (), [], [], [], {}, {}
        one.watch = unwatched
        return one

    def followed(self, crossed: FloatArray, plain: FloatArray, free: bool, least: float = FIRM) -> FloatArray:
        """(7, 7) projector onto the motions of a joint that move its fragments (`firm_motions`)."""
        return firm_motions(crossed, plain, free, least)

    def layout_at(self, poses: Poses) -> Layout:
        centres = {n: apply(poses[n], self.middles[n][None])[0] for n in poses}
        return Layout(self.movable, centres, len(self.joints))

    def settle(self, poses: Poses, layers: FloatArray, free: bool, report: Report) -> State:
        """Rounds of pairing vertices and solving, on some of them, until the poses stand still."""
        state = State(dict(poses), layers.copy(), [], [], False)
        rounds = max(2, self.settings.iterations)
        for turn_ in range(rounds):
            report(turn_ / rounds, "Adjusting all joints")
            state, moved = self.approached(state, self.contacts(state, COARSE, False), free)
            self.watch("all joints together, some of the points", state.poses)
            if moved < 10.0 * self.finest:
                break
        return replace(state, settled=moved < 100.0 * self.finest)

    def approached(self, state: State, contacts: list[Contact], free: bool) -> tuple[State, float]:
        """The state after one round with these contacts, taken for independent, and how far the worst point moved."""
        firm = [self.followed(*crossed_matrix(contact), free, STEADY) for contact in contacts]
        weights = [1.0 / (ALIKE * c.scale_mm**2) for c in contacts]
        told = [[w * part for part in normal_equations(c)] for w, c in zip(weights, contacts, strict=True)]
        return self._moved_by(state, contacts, firm, told, free, [])

    @property
    def finest(self) -> float:
        """A movement that no longer matters, mm."""
        return 1e-3 * min(min(a.spacing_mm, b.spacing_mm) for a, b in self.sides)

    def refine(self, state: State, free: bool, report: Report) -> State:
        """Rounds on all vertices and the other's triangles, allowing for the noise's correlation as far as it holds."""
        refined, misled = self._refined(state, free, part_of(report, 0.0, 0.6))
        if not misled:
            return refined
        for number in misled:
            self.models[number] = evenly(self.models[number])
        return self._refined(state, free, part_of(report, 0.6, 1.0))[0]

    def misled(self, contacts: list[Contact], whole: list[Whitened], free: bool) -> list[int]:
        """Joints whose weights by the noise's correlation lead away from what all their pairs say.

        Not where a layer may be missing and stays closed: it leaves a pattern that is no noise.
        """
        if not free and self.settings.missing_layer:
            return []

        def told(number: int, _: Report) -> bool:
            one = whole[number]
            firm = self.followed(one.crossed, one.plain, free)
            return contradicted(contacts[number], one, self.models[number], firm, free)

        found = abreast(told, range(len(contacts)))
        return [number for number, wrong in enumerate(found) if wrong]

    def _heard(self, contact: Contact, model: NoiseModel) -> Whitened:
        told = heard(contact, model)
        even = model.correlated == 0.0 and model.doubted > 0.0
        return evened(told, contact.pairs.middles, model) if even else told

    def _refined(self, state: State, free: bool, report: Report) -> tuple[State, list[int]]:
        rounds = max(2, self.settings.iterations // 5)
        quiet = min(min(a.noise_mm, b.noise_mm) for a, b in self.sides)
        near = max((10.0 if free else 3.0) * self.finest, STILL * quiet)
        for turn_ in range(rounds):
            report(turn_ / rounds, "Adjusting all joints to the last vertex")
            contacts = self.contacts(state, None, True)
            whole = abreast(lambda two, _: self._heard(*two), list(zip(contacts, self.models, strict=True)))
            firm = [self.followed(w.crossed, w.plain, free) for w in whole]
            before = state
            state, moved = self._moved_by(state, contacts, firm, [[w.plain, w.right] for w in whole], free, self.used)
            self.watch("every point of the faces", state.poses)
            if moved < near:
                break
        statements = [
            statement(
                c, followed(w, self.motion_seen(k, c.centre, before, state)), model,
                self.doubts.get(k), slow_errors(c, w, model),
            )
            for k, (c, w, model) in enumerate(zip(state.contacts, whole, self.models, strict=True))
        ]
        state = replace(state, statements=statements, settled=moved < 10.0 * near)
        return state, self.misled(contacts, whole, free)

    def with_layers(self, state: State, layers: FloatArray) -> State | None:
        """The state as it would follow other layers, to first order; None where they are too far away."""
        change = layers - state.layers
        if not state.statements or any(abs(c) > a.spacing_mm for c, (a, _) in zip(change, self.sides, strict=True)):
            return None
        layout = self.layout_at(state.poses)
        motion = layer_leads(layout, state.contacts, state.statements, self.known_matrix(state)) @ change
        moves = {n: from_vector(motion[layout.pose(n)], layout.centres[n]) for n in self.movable}
        poses = {n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in state.poses.items()}
        return replace(state, poses=poses, layers=layers)

    def look_far(self, state: State, layers: Sequence[Layer]) -> bool:
        """From now on heed the planes that run on across the cracks and agree with this state; False where none do."""
        layout, known = self.layout_at(state.poses), self.known_matrix(state)
        leads = layer_leads(layout, state.contacts, state.statements, known)
        covariance = pose_covariance(layout, state.contacts, state.statements, known)
        covariance = with_layers(covariance, leads, list(layers))
        for number, contact in enumerate(state.contacts):
            two = self.fragments[contact.a], self.fragments[contact.b]
            poses = state.poses[contact.a], state.poses[contact.b]
            levels = levels_across(two, self.skirts[number], self.seen[number][0], poses)
            columns = layout.columns(contact, number)[:6, layout.poses]
            self.far[number] = agreeing_levels(levels, contact.centre, columns @ covariance @ columns.T), state
        return any(levels for levels, _ in self.far.values())

    def _moved_by(
        self, state: State, contacts: list[Contact], firm: list[FloatArray], told: list[list[FloatArray]],
        free: bool, known: Sequence[KnownDimension],
    ) -> tuple[State, float]:  # fmt: skip
        """The state after solving for one pairing, and how far the worst point moved."""
        layout = self.layout_at(state.poses)
        matrix, right = known_equations(known, state.poses, layout)
        origin = replace(state, poses=self.poses)
        for number, (contact, hold, (plain, side)) in enumerate(zip(contacts, firm, told, strict=True)):
            columns = layout.columns(contact, number)
            held = hold.T @ plain @ hold
            # Where the relief and the rims leave a motion open, the faces stay about where the search put them.
            drift = drift_information(contact, self.reach[number])
            held[:6, :6] += contact.rim + drift
            pull = hold.T @ side
            pull[:6] += contact.rim_right - drift @ self.motion_seen(number, contact.centre, origin, state)[:6]
            matrix += columns.T @ held @ columns
            right += columns.T @ pull
        if free:
            held_back = rein(contacts)
            matrix[layout.layers, layout.layers] += np.diag(held_back)
            right[layout.layers] -= held_back * state.layers
        answer = solved(matrix, right, layout, free)
        step = max(self._step(answer[layout.pose(n)], n) for n in self.movable)
        # A step past the reach would leave the surfaces the pairs were made of.
        answer *= min(1.0, min(self.reach) / max(step, 1e-300))
        moves = {n: from_vector(answer[layout.pose(n)], layout.centres[n]) for n in self.movable}
        poses = {n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in state.poses.items()}
        layers = state.layers
        if free:
            layers = np.clip(layers + answer[layout.layers], -np.array(self.reach), self.reach)
        contacts = [carried(c, moves, layers[k]) for k, c in enumerate(contacts)]
        return replace(state, poses=poses, layers=layers, contacts=contacts), step

    def _step(self, motion: FloatArray, fragment: int) -> float:
        """Bound on how far a motion moves the fragment's points."""
        return float(np.linalg.norm(motion[3:]) + self.sizes[fragment] * np.linalg.norm(motion[:3]))

    def trust_dimensions(self, state: State) -> None:
        """From now on use the stated dimensions that the faces do not flatly contradict."""
        layout = self.layout_at(state.poses)
        told = known_outcomes(self.known, state.poses, layout, state.contacts, state.statements, [])
        self.used = [item for item, outcome in zip(self.known, told, strict=True) if outcome.sigmas < GROSS]

    def known_matrix(self, state: State) -> FloatArray:
        """(size, size) information of the stated dimensions."""
        return known_equations(self.used, state.poses, self.layout_at(state.poses))[0]
