"""What the joints say: pairs of their faces, noise, and the steps and planes of the original surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.core.abreast import abreast
from rejoin.core.alignment.rounding import rounded_rim
from rejoin.core.alignment.state import NothingOpposite, State
from rejoin.core.contact import Level, Mask, Side, Skirt, Steps, opposite, rows, side_and_skirt, steps_across
from rejoin.core.records import FloatArray, Fragment, Joint
from rejoin.core.robust import robust_scale
from rejoin.core.settings import AlignSettings, Report
from rejoin.core.transforms import apply, inverse
from rejoin.core.uncertainty.equations import Contact, relief_information
from rejoin.core.uncertainty.noise import NoiseModel, noise_model
from rejoin.core.uncertainty.steps import level_equations, step_equations

TUKEY = 5.0
"""Tukey's limit in robust sigmas (4.7 is the usual 95 % efficiency)."""

MOST = 24_000
"""Pairs of a joint in the last rounds: the noise left of so many is not worth more time. They are taken
in patches, so that what neighbours have in common stays known."""

PATCH = 8.0
"""Spacings across such a patch."""

FEWEST = 12
"""Pairs that a joint must have to say anything."""

NARROW = 400
"""Vertices inside a joint's two faces below which their triangles are met from the first round on: of a face
three rows wide too few vertices have another's opposite."""


class Told:
    """What every joint says in a state: its faces, the original surfaces beside them, and what was seen of them.

    Attributes
    ----------
    sides, skirts : list of two
        Of each joint: the faces that count, and the strips beside them.
    reach : list of float
        How far the other face is looked for, mm.
    models, chosen : list
        Of each joint, once `listen` was called: its noise, and the vertices that the last rounds take.
    seen, far : dict
        Steps at the rim of a joint and planes far beyond it, with the state in which they were measured.
    doubts : dict of int to (7, 7)
        Motions of a joint that its bound allows for besides.
    """

    def __init__(self, fragments: Sequence[Fragment], joints: Sequence[Joint], settings: AlignSettings) -> None:
        self.fragments, self.joints = fragments, joints
        mating = [self.beside(joint) for joint in joints]
        self.sides: list[tuple[Side, Side]] = [(a[0], b[0]) for a, b in mating]
        self.skirts: list[tuple[Skirt, Skirt]] = [(a[1], b[1]) for a, b in mating]
        # A fine scan of a coarse surface: the noise, not the spacing, says what is near.
        self.reach = [
            settings.reach * max(a.spacing_mm, b.spacing_mm, 5.0 * float(np.hypot(a.noise_mm, b.noise_mm)))
            for a, b in self.sides
        ]
        self.models: list[NoiseModel] = []
        self.chosen: list[tuple[Mask, Mask] | None] = []
        self.seen: dict[int, tuple[Steps, State]] = {}
        self.far: dict[int, tuple[list[Level], State]] = {}
        self.doubts: dict[int, FloatArray] = {}
        self.trimmed: list[int] = []

    def beside(self, joint: Joint) -> list[tuple[Side, Skirt]]:
        """The two faces of a joint, each with the original surface beside it."""
        faces = [(self.fragments[joint.a], joint.face_a.triangles), (self.fragments[joint.b], joint.face_b.triangles)]
        return abreast(lambda face, _: side_and_skirt(*face), faces)

    def leave_out(self, number: int, masks: tuple[Mask, Mask]) -> None:
        """From now on some vertices of a joint's two faces do not count."""
        a, b = (side.without(mask) for side, mask in zip(self.sides[number], masks, strict=True))
        self.sides[number] = a, b

    def doubt(self, number: int, moves: FloatArray) -> None:
        """From now on the bound allows for other motions (k, 7) of a joint's side a, each as likely as none."""
        self._allow(number, 0.5 * moves.T @ moves / len(moves))

    def doubt_smoothing(self, before: State, after: State) -> None:
        """From now on the bound allows for what smoothed scans still do to the joints whose rims were left out.

        A program that rounds a rim off raises what lies inside of it: the pose may err by about as much again as
        leaving the rims out moved it.
        """
        for number in self.trimmed:
            move = self.motion_seen(number, after.contacts[number].centre, before, after)
            move[6] = 0.0
            self._allow(number, np.outer(move, move))

    def _allow(self, number: int, covariance: FloatArray) -> None:
        self.doubts[number] = self.doubts.get(number, 0.0) + covariance

    def trim(self, state: State) -> bool:
        """Leave out rims that the scanner rounded off, as the gaps in a state show; False where there are none."""
        strips = [
            rounded_rim(sides, contact.pairs, contact.residuals)
            for sides, contact in zip(self.sides, self.contacts(state, None, True), strict=True)
        ]
        self.sides = [(a.within(strip), b.within(strip)) if strip else (a, b)
                      for (a, b), strip in zip(self.sides, strips, strict=True)]  # fmt: skip
        self.trimmed = [number for number, strip in enumerate(strips) if strip]
        return any(strips)

    def listen(self, state: State) -> None:
        """Measure how each joint's noise hangs together, from its residuals at this state."""
        self.models = []
        self.seen.clear()
        self.chosen = [self._patches(number, state) for number in range(len(self.joints))]
        self.models = abreast(
            lambda c, _: noise_model(c.pairs.middles, np.sqrt(c.robust) * c.residuals, c.spacing_mm),
            self.contacts(state, None, True),
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

    def motion_seen(self, number: int, centre: FloatArray, before: State, after: State) -> FloatArray:
        """(7,) what the joint saw of a small change of state: how a moved against b, and its layer."""
        joint = self.joints[number]
        move_a, move_b = (after.poses[n] @ inverse(before.poses[n]) for n in (joint.a, joint.b))
        move = inverse(move_b) @ move_a
        turn_ = Rotation.from_matrix(move[:3, :3]).as_rotvec()
        shift = apply(move, centre[None])[0] - centre
        return np.array([*turn_, *shift, after.layers[number] - before.layers[number]])

    def contacts(self, state: State, most: int | None, exact: bool) -> list[Contact]:
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
        exact = exact or bool(np.count_nonzero(~a.border) + np.count_nonzero(~b.border) < NARROW)
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
