"""Gauss-Newton over all joints: pairs are made anew each round, from few vertices to all."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.core.abreast import abreast
from rejoin.core.alignment.rounding import rounded_rim
from rejoin.core.alignment.state import (
    NothingOpposite,
    Poses,
    State,
    Watch,
    carried,
    followed,
    radius_of,
    solved,
    unwatched,
)
from rejoin.core.contact import (
    Level,
    Mask,
    Side,
    Skirt,
    Steps,
    levels_across,
    opposite,
    rows,
    side_and_skirt,
    steps_across,
)
from rejoin.core.records import FloatArray, Fragment, Joint
from rejoin.core.robust import robust_scale
from rejoin.core.settings import AlignSettings, Report
from rejoin.core.transforms import apply, from_vector, inverse, orthonormal
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
    relief_information,
    statement,
)
from rejoin.core.uncertainty.layers import Layer, rein
from rejoin.core.uncertainty.noise import NoiseModel, noise_model
from rejoin.core.uncertainty.stated import GROSS, KnownDimension, known_equations, known_outcomes
from rejoin.core.uncertainty.steps import agreeing_levels, level_equations, step_equations

TUKEY = 5.0
"""Tukey's limit in robust sigmas (4.7 is the usual 95 % efficiency)."""

COARSE = 5_000
"""Vertices of each face in the rounds that only approach."""

STILL = 0.05
"""Movement, in units of the noise, below which another round changes nothing that matters."""

MOST = 24_000
"""Pairs of a joint in the last rounds: the noise left of so many is not worth more time. They are taken
in patches, so that what neighbours have in common stays known."""

PATCH = 8.0
"""Spacings across such a patch."""

FEWEST = 12
"""Pairs that a joint must have to say anything."""


class Solver:
    """The faces of all joints, and Gauss-Newton over them."""

    def __init__(
        self,
        fragments: Sequence[Fragment],
        joints: Sequence[Joint],
        start: Poses,
        settings: AlignSettings,
        known: Sequence[KnownDimension],
        watch: Watch = unwatched,
    ) -> None:
        self.watch = watch
        self.fragments, self.joints, self.settings, self.known = fragments, joints, settings, known
        self.used: list[KnownDimension] = []
        self.reference = next(iter(start))
        self.movable = tuple(number for number in start if number != self.reference)
        mating = [self.beside(joint) for joint in joints]
        self.sides: list[tuple[Side, Side]] = [(a[0], b[0]) for a, b in mating]
        self.skirts: list[tuple[Skirt, Skirt]] = [(a[1], b[1]) for a, b in mating]
        # A fine scan of a coarse surface: the noise, not the spacing, says what is near.
        self.reach = [
            settings.reach * max(a.spacing_mm, b.spacing_mm, 5.0 * float(np.hypot(a.noise_mm, b.noise_mm)))
            for a, b in self.sides
        ]
        self.poses: Poses = {number: orthonormal(pose) for number, pose in start.items()}
        self.middles = {number: fragments[number].mesh.vertices.mean(axis=0) for number in start}
        self.sizes = {number: radius_of(fragments[number]) for number in start}
        self.models: list[NoiseModel] = []
        self.chosen: list[tuple[Mask, Mask] | None] = []
        self.seen: dict[int, tuple[Steps, State]] = {}
        self.far: dict[int, tuple[list[Level], State]] = {}
        self.doubts: dict[int, FloatArray] = {}

    def beside(self, joint: Joint) -> list[tuple[Side, Skirt]]:
        """The two faces of a joint, each with the original surface beside it."""
        faces = [(self.fragments[joint.a], joint.face_a.triangles), (self.fragments[joint.b], joint.face_b.triangles)]
        return abreast(lambda face, _: side_and_skirt(*face), faces)

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

    def leave_out(self, number: int, masks: tuple[Mask, Mask]) -> None:
        """From now on some vertices of a joint's two faces do not count."""
        a, b = (side.without(mask) for side, mask in zip(self.sides[number], masks, strict=True))
        self.sides[number] = a, b

    def doubt(self, number: int, moves: FloatArray) -> None:
        """From now on the bound allows for other motions (k, 7) of a joint's side a, each as likely as none."""
        self.doubts[number] = 0.5 * moves.T @ moves / len(moves)

    def trim(self, state: State) -> bool:
        """Leave out rims that the scanner rounded off, as the gaps in a state show; False where there are none."""
        strips = [
            rounded_rim(sides, contact.pairs, contact.residuals)
            for sides, contact in zip(self.sides, self._contacts(state, None, True), strict=True)
        ]
        self.sides = [(a.within(strip), b.within(strip)) if strip else (a, b)
                      for (a, b), strip in zip(self.sides, strips, strict=True)]  # fmt: skip
        return any(strips)

    def layout_at(self, poses: Poses) -> Layout:
        centres = {n: apply(poses[n], self.middles[n][None])[0] for n in poses}
        return Layout(self.movable, centres, len(self.joints))

    def settle(self, poses: Poses, layers: FloatArray, free: bool, report: Report) -> State:
        """Rounds of pairing vertices and solving, on some of them, until the poses stand still."""
        state = State(dict(poses), layers.copy(), [], [], False)
        rounds = max(2, self.settings.iterations)
        for turn_ in range(rounds):
            report(turn_ / rounds, "Adjusting all joints")
            state, moved = self.approached(state, self._contacts(state, COARSE, False), free)
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

    def listen(self, state: State) -> None:
        """Measure how each joint's noise hangs together, from its residuals at this state."""
        self.models = []
        self.seen.clear()
        self.chosen = [self._patches(number, state) for number in range(len(self.joints))]
        self.models = abreast(
            lambda c, _: noise_model(c.pairs.middles, np.sqrt(c.robust) * c.residuals, c.spacing_mm),
            self._contacts(state, None, True),
        )

    def _patches(self, number: int, state: State) -> tuple[Mask, Mask] | None:
        """Vertices of both faces in patches spread evenly over the joint, or None where all are few enough."""
        joint, sides = self.joints[number], self.sides[number]
        share = MOST / max(sum(len(side.points) for side in sides), 1)
        if share >= 1.0:
            return None
        size = PATCH * max(side.spacing_mm for side in sides)
        points = [apply(state.poses[n], side.points) for n, side in zip((joint.a, joint.b), sides, strict=True)]
        low = np.minimum(points[0].min(axis=0), points[1].min(axis=0))
        # An irrational pace through the cells takes their share evenly along every direction.
        paces = np.array([0.8191725134, 0.6710436067, 0.5497004779])
        masks = [(np.floor((p - low) / size) @ paces) % 1.0 < share for p in points]
        return masks[0], masks[1]

    def refine(self, state: State, free: bool, report: Report) -> State:
        """Rounds on all vertices and the other's triangles, allowing for the noise's correlation."""
        rounds = max(2, self.settings.iterations // 5)
        quiet = min(min(a.noise_mm, b.noise_mm) for a, b in self.sides)
        near = max((10.0 if free else 3.0) * self.finest, STILL * quiet)
        for turn_ in range(rounds):
            report(turn_ / rounds, "Adjusting all joints to the last vertex")
            contacts = self._contacts(state, None, True)
            whole = abreast(lambda two, _: heard(*two), list(zip(contacts, self.models, strict=True)))
            firm = [self.followed(w.crossed, w.plain, free) for w in whole]
            before = state
            state, moved = self._moved_by(state, contacts, firm, [[w.plain, w.right] for w in whole], free, self.used)
            self.watch("every point of the faces", state.poses)
            if moved < near:
                break
        statements = [
            statement(c, followed(w, self.motion_seen(k, c.centre, before, state)), model, self.doubts.get(k))
            for k, (c, w, model) in enumerate(zip(state.contacts, whole, self.models, strict=True))
        ]
        return replace(state, statements=statements, settled=moved < 10.0 * near)

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

    def motion_seen(self, number: int, centre: FloatArray, before: State, after: State) -> FloatArray:
        """(7,) what the joint saw of a small change of state: how a moved against b, and its layer."""
        joint = self.joints[number]
        move_a, move_b = (after.poses[n] @ inverse(before.poses[n]) for n in (joint.a, joint.b))
        move = inverse(move_b) @ move_a
        turn_ = Rotation.from_matrix(move[:3, :3]).as_rotvec()
        shift = apply(move, centre[None])[0] - centre
        return np.array([*turn_, *shift, after.layers[number] - before.layers[number]])

    def _contacts(self, state: State, most: int | None, exact: bool) -> list[Contact]:
        def told(number: int, _: Report) -> Contact | NothingOpposite:
            try:
                return self.contact(number, state, most, exact)
            except NothingOpposite as nothing:
                return nothing

        found = abreast(told, range(len(self.joints)))
        for nothing in (one for one in found if isinstance(one, NothingOpposite)):
            raise nothing
        return [one for one in found if isinstance(one, Contact)]

    def contact(self, number: int, state: State, most: int | None, exact: bool) -> Contact:
        """What one joint says in a state: its pairs, those that fit, and the steps at its rim."""
        joint, (a, b) = self.joints[number], self.sides[number]
        pose_a, pose_b = state.poses[joint.a], state.poses[joint.b]
        only = self.chosen[number] if exact and self.chosen else None
        pairs = opposite(a, b, pose_a, pose_b, self.reach[number], most, exact, only)
        if len(pairs.areas) < FEWEST:
            raise NothingOpposite(number, *(self.fragments[n].scan.name for n in (joint.a, joint.b)))
        residuals = pairs.gaps - state.layers[number]
        noise = float(np.hypot(a.noise_mm, b.noise_mm))
        scale = max(robust_scale(residuals, pairs.areas), 1e-6 * a.spacing_mm)
        kept = np.abs(residuals) < TUKEY * scale
        pairs, residuals = pairs.where(kept), residuals[kept]
        shares = pairs.areas / pairs.areas.mean()
        spacing = max(a.spacing_mm, b.spacing_mm)
        middle = np.average(pairs.middles, axis=0, weights=shares)
        bare = Contact(joint.a, joint.b, pairs, shares, residuals, scale, TUKEY * scale, spacing, middle)
        rim, right = self._rim(number, state, noise, bare)
        return replace(bare, rim=rim, rim_right=right)

    def _rim(
        self, number: int, state: State, noise: float, contact: Contact
    ) -> tuple[FloatArray, FloatArray]:
        """What the original surfaces say, measured anew or carried on from where they were measured."""
        joint, seen, centre = self.joints[number], self.seen.get(number), contact.centre
        if seen is None:
            steps = steps_across(*self.skirts[number], state.poses[joint.a], state.poses[joint.b])
            self.seen[number] = (steps, state)
        else:
            steps, before = seen
            motion = self.motion_seen(number, centre, before, state)[:6]
            moved = steps.steps + rows(steps.places, steps.normals, centre)[:, :6] @ motion
            steps = replace(steps, steps=moved)
        matrix, right = step_equations(steps, noise, centre, relief_information(contact))
        levels, before = self.far.get(number, ([], state))
        matrix_far, right_far = level_equations(levels, centre, self.motion_seen(number, centre, before, state)[:6])
        return matrix + matrix_far, right + right_far

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
