"""The least squares of joints: what each joint says, and all of them put together.

A joint speaks of seven numbers: how its side a moves against its side b (turn
about the joint's centre, shift) and the layer missing between them. `Layout`
carries this to the motions of all fragments but the reference.

Sources: Rusinkiewicz (2019) for the rows; the sandwich form and the block
jackknife are standard (White, 1980; Kuensch, 1989, both from memory). The
correlation of the noise is in `noise`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import block_diag, eigh

from rejoin.core.contact import Pairs, rows
from rejoin.core.records import FloatArray
from rejoin.core.robust import tukey
from rejoin.core.transforms import mean_square_move
from rejoin.core.uncertainty.noise import NoiseModel, Whitened, noise_of_right, whitened

DRIFT = 3.0
"""Spacings that two rims may be out of step before it shows (1 sigma)."""

ALIKE = 10.0
"""Pairs that err together, until their correlation is measured."""

STEADY = 0.5
"""Share of a motion's hold that must be relief for the coarse rounds to follow it, and for the rims to be judged by
it: on nearly flat faces those would lose what the search has found, and the last rounds know better."""

FIRM = 0.1
"""Share of a motion's apparent hold that must be relief, seen by both scans, for it to move the fragment."""


@dataclass(frozen=True, eq=False)
class Contact:
    """The pairs of one joint that count, at the adjusted pose, in the part's frame.

    Attributes
    ----------
    a, b : int
        Fragments.
    pairs : Pairs
    shares : (k,)
        Area weights, mean 1.
    residuals : (k,)
        Gap less the missing layer, mm.
    scale_mm : float
        Robust 1 sigma of the residuals.
    limit_mm : float
        Tukey's limit.
    spacing_mm : float
    centre : (3,)
    rim, rim_right : (6, 6), (6,)
        Information on the pose, and right side, from the original surfaces beside the crack.
    """

    a: int
    b: int
    pairs: Pairs
    shares: FloatArray
    residuals: FloatArray
    scale_mm: float
    limit_mm: float
    spacing_mm: float
    centre: FloatArray
    rim: FloatArray = field(default_factory=lambda: np.zeros((6, 6)))
    rim_right: FloatArray = field(default_factory=lambda: np.zeros(6))

    @property
    def robust(self) -> FloatArray:
        """Tukey's weights (k,)."""
        return tukey(self.residuals, self.limit_mm)

    @property
    def slope(self) -> float:
        """Mean derivative of the robust residual over the mean weight: what rejecting costs in information."""
        square = np.square(self.residuals / self.limit_mm)
        derivative = np.where(square < 1.0, (1.0 - square) * (1.0 - 5.0 * square), 0.0)
        return max(0.2, float((self.shares * derivative).sum() / (self.shares * self.robust).sum()))

    def jacobian(self) -> FloatArray:
        return rows(self.pairs.middles, self.pairs.directions, self.centre)


def normal_equations(contact: Contact) -> tuple[FloatArray, FloatArray]:
    """(7, 7) matrix and (7,) right side of the weighted least squares, in pairs (not over sigma)."""
    jacobian, weights = contact.jacobian(), contact.shares * contact.robust
    weighted = jacobian * weights[:, None]
    return weighted.T @ jacobian, -weighted.T @ contact.residuals


def firm_motions(crossed: FloatArray, plain: FloatArray, free: bool, least: float = FIRM) -> FloatArray:
    """(7, 7) projector onto the motions (and, where it is ``free``, the layer) that the relief holds.

    On a flat face noise in the normals pretends to hold a slide, or a layer,
    and would drive it anywhere. Such motions are left to the rims.

    Parameters
    ----------
    crossed : (7, 7)
        Normal matrix of one scan's normals times the other's.
    plain : (7, 7)
        That of the common normals.
    free : bool
    least : float
        Share of the apparent hold that must be relief.
    """
    size = 7 if free else 6
    values, vectors = eigh(crossed[:size, :size], _ridged(plain[:size, :size]))
    projector = np.eye(7)
    projector[:size, :size] = (vectors * (values > least)) @ np.linalg.inv(vectors)
    return projector


def crossed_matrix(contact: Contact, most: int = 10_000) -> tuple[FloatArray, FloatArray]:
    """(7, 7) crossed and plain normal matrices, from some of the pairs, taken for independent."""
    step = max(1, len(contact.residuals) // most)
    thin = np.arange(0, len(contact.residuals), step)
    pairs, weights = contact.pairs.where(thin), step * (contact.shares * contact.robust)[thin]
    first = rows(pairs.middles, -pairs.normals_a, contact.centre) * weights[:, None]
    product = first.T @ rows(pairs.middles, pairs.normals_b, contact.centre)
    plain = rows(pairs.middles, pairs.directions, contact.centre)
    return np.asarray(0.5 * (product + product.T)), plain.T @ (weights[:, None] * plain)


def relief_information(contact: Contact) -> FloatArray:
    """(6, 6) information on the pose from the relief alone, of the motions that it plainly holds."""
    crossed, plain = crossed_matrix(contact, 2_000)
    firm = firm_motions(crossed, plain, False, STEADY)[:6, :6]
    return np.asarray(firm.T @ plain[:6, :6] @ firm / (ALIKE * contact.scale_mm**2))


def _ridged(matrix: FloatArray) -> FloatArray:
    """Positive also where a face is flat to the last digit."""
    least = 1e-12 * np.trace(matrix) / len(matrix)
    return np.asarray(matrix + np.diag(1e-9 * np.diag(matrix) + least))


def drift_information(contact: Contact, reach_mm: float) -> FloatArray:
    """(6, 6) information that the faces lie within ``reach_mm`` of each other also along the crack.

    Their rims would show more; it matters only where the relief holds nothing.
    """
    return mean_square_move(contact.pairs.middles - contact.centre) / reach_mm**2


def crossed_information(crossed: FloatArray, plain: FloatArray, slope: float = 1.0) -> FloatArray:
    """What the relief says once the noise in the normals is taken out of it.

    The noise of normals squares to information that is not there; the two
    scans' noise is independent, so in the product it averages out. What would
    be negative is held at a thousandth of the plain matrix.
    """
    values, vectors = eigh(crossed, _ridged(plain))
    back = np.linalg.inv(vectors)
    return np.asarray(slope * (back.T * np.clip(values, 1e-3, 1.0)) @ back)


def patch_scores(scores: FloatArray, parts: FloatArray) -> FloatArray:
    """(n, n) covariance of the right side from leaving out one block after the other.

    Parameters
    ----------
    scores : (b, n)
        Each block's share of the right side.
    parts : (b, n, n)
        Each block's share of the matrix.
    """
    number, whole = len(scores), parts.sum(axis=0)
    # A block that alone holds some direction cannot be left out wholly.
    rest = whole - parts + 1e-3 * _ridged(whole)
    moved = np.linalg.solve(rest, scores[:, :, None])[:, :, 0]
    spread = moved.T @ moved * (number - 1) / max(number, 1)
    return np.asarray(whole @ spread @ whole)


@dataclass(frozen=True, eq=False)
class Statement:
    """What one joint says, in absolute terms (1/mm² where it is of shifts).

    Attributes
    ----------
    plain : (7, 7)
        The normal matrix under correlated noise.
    right : (7,)
    information, pose : (7, 7), (6, 6)
        Crossed; ``pose`` with the layer held.
    patches : (7, 7)
        Covariance of the right side from leaving blocks out.
    rim : (6, 6)
        What the original surfaces beside the crack, and the rims alone, say.
    firm : (7, 7)
        Projector onto what the relief holds.
    noise : (7, 7)
        Covariance of the right side from all of the noise that hangs together, also from block to block.
    """

    plain: FloatArray
    right: FloatArray
    information: FloatArray
    pose: FloatArray
    patches: FloatArray
    rim: FloatArray
    firm: FloatArray
    noise: FloatArray

    def held(self, matrix: FloatArray) -> FloatArray:
        """A (6, 6) or (7, 7) matrix of motions, of those that the relief holds."""
        firm = self.firm[: len(matrix), : len(matrix)]
        return np.asarray(firm.T @ matrix @ firm)


def heard(contact: Contact, model: NoiseModel) -> Whitened:
    """The joint's least squares under its noise model."""
    return whitened(contact.pairs, contact.residuals, contact.robust, contact.centre, model)


def statement(
    contact: Contact, told: Whitened, model: NoiseModel, doubt: FloatArray | None = None, slow: FloatArray | float = 0.0
) -> Statement:
    """What one joint says, from its least squares at the answer; ``doubt`` (7, 7) is the covariance of motions
    that its misfit leaves open besides noise, ``slow`` that of the right side by slow errors of the scans: one cause
    of the same misfit or the other, so the larger counts."""
    open_ = slow
    if doubt is not None:
        doubted = told.plain @ doubt @ told.plain
        either = np.linalg.pinv(told.plain)
        open_ = doubted if np.sum(either * doubted) > np.sum(either * slow) else slow
    return Statement(
        plain=told.plain,
        right=told.right,
        information=crossed_information(told.crossed, told.plain, contact.slope),
        pose=crossed_information(told.crossed[:6, :6], told.plain[:6, :6], contact.slope),
        patches=patch_scores(told.scores, told.parts) + open_,
        rim=contact.rim + drift_information(contact, DRIFT * contact.spacing_mm),
        firm=firm_motions(told.crossed, told.plain, False),
        noise=noise_of_right(contact.pairs.middles, told.pulls, model) + open_,
    )


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each unknown stands: six for each of ``movable`` about its centre, then a layer for each joint."""

    movable: tuple[int, ...]
    centres: dict[int, FloatArray]
    joints: int

    @property
    def size(self) -> int:
        return 6 * len(self.movable) + self.joints

    def pose(self, fragment: int) -> slice:
        start = 6 * self.movable.index(fragment)
        return slice(start, start + 6)

    @property
    def poses(self) -> slice:
        return slice(0, 6 * len(self.movable))

    @property
    def layers(self) -> slice:
        return slice(6 * len(self.movable), self.size)

    def layer(self, joint: int) -> int:
        return 6 * len(self.movable) + joint

    def moved_centre(self, fragment: int, centre: FloatArray) -> FloatArray:
        """(6, 6): a fragment's motion about its own centre, as a motion about another."""
        return shifted(centre - self.centres[fragment])

    def columns(self, contact: Contact, joint: int) -> FloatArray:
        """(7, size): the joint's seven numbers from all unknowns."""
        matrix = np.zeros((7, self.size))
        matrix[6, self.layer(joint)] = 1.0
        for fragment, sign in ((contact.a, 1.0), (contact.b, -1.0)):
            if fragment in self.movable:
                matrix[:6, self.pose(fragment)] = sign * self.moved_centre(fragment, contact.centre)
        return matrix

    def assembled(self, contacts: list[Contact], matrices: list[FloatArray]) -> FloatArray:
        """(size, size): sum over the joints; a (6, 6) matrix leaves the layer out."""
        total = np.zeros((self.size, self.size))
        for number, (contact, matrix) in enumerate(zip(contacts, matrices, strict=True)):
            if len(matrix) == 6:
                matrix = block_diag(matrix, [[0.0]])
            columns = self.columns(contact, number)
            total += columns.T @ matrix @ columns
        return total


def shifted(offset: FloatArray) -> FloatArray:
    """(6, 6): a motion about one centre, as a motion about the centre ``offset`` away from it."""
    x, y, z = offset
    matrix = np.eye(6)
    matrix[3:, :3] = -np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return matrix
