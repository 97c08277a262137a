"""The least squares of joints: what each joint says, and all of them put together.

A joint speaks of seven numbers: how its side a moves against its side b (turn
about the joint's centre, shift) and the layer missing between them. `Layout`
carries this to the motions of all fragments but the reference.

Sources: Rusinkiewicz (2019) for the rows; the sandwich form and the block
jackknife are standard (White, 1980; Kuensch, 1989, both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag, eigh
from scipy.spatial import cKDTree

from rejoin.core.contact import Pairs, rows
from rejoin.core.records import FloatArray

CORRELATED = 5.0
"""Spacings over which the residuals' own correlation is measured."""

PATCH = 9.0
"""Spacings across one patch of the leave-one-patch-out estimate: wider than the correlation."""

DRIFT = 3.0
"""Spacings that two rims may be out of step before it shows (1 sigma)."""

SAMPLED = 2500
"""Pairs whose neighbours are looked at for the correlation: enough for a few per cent."""


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
    layer_mm : float
        The missing layer that was taken off.
    spacing_mm : float
    centre : (3,)
    """

    a: int
    b: int
    pairs: Pairs
    shares: FloatArray
    residuals: FloatArray
    scale_mm: float
    limit_mm: float
    layer_mm: float
    spacing_mm: float
    centre: FloatArray

    @property
    def robust(self) -> FloatArray:
        """Tukey's weights (k,)."""
        return np.square(np.clip(1.0 - np.square(self.residuals / self.limit_mm), 0.0, None))

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


FIRM = 0.1
"""Share of a motion's apparent hold that must be relief, seen by both scans, for it to move the fragment."""


def firm_motions(contact: Contact, free: bool, most: int = 10_000) -> FloatArray:
    """(7, 7) projector onto the motions (and, where it is ``free``, the layer) that the relief holds.

    On a flat face noise in the normals pretends to hold a slide, or a layer,
    and would drive it anywhere. Such motions are left where the start put them.
    """
    step = max(1, len(contact.residuals) // most)
    thin = np.arange(0, len(contact.residuals), step)
    pairs, weights = contact.pairs.where(thin), (contact.shares * contact.robust)[thin]
    size = 7 if free else 6
    plain = rows(pairs.middles, pairs.directions, contact.centre)[:, :size]
    product = _crossed(pairs, weights, contact.centre)[:size, :size]
    values, vectors = eigh(product, _ridged(plain.T @ (weights[:, None] * plain)))
    projector = np.eye(7)
    projector[:size, :size] = (vectors * (values > FIRM)) @ np.linalg.inv(vectors)
    return projector


def _crossed(pairs: Pairs, weights: FloatArray, centre: FloatArray) -> FloatArray:
    jacobian_a = rows(pairs.middles, -pairs.normals_a, centre) * weights[:, None]
    product = jacobian_a.T @ rows(pairs.middles, pairs.normals_b, centre)
    return np.asarray(0.5 * (product + product.T))


def _ridged(matrix: FloatArray) -> FloatArray:
    """Positive also where a face is flat to the last digit."""
    least = 1e-12 * np.trace(matrix) / len(matrix)
    return np.asarray(matrix + np.diag(1e-9 * np.diag(matrix) + least))


def drift_information(contact: Contact, reach_mm: float) -> FloatArray:
    """(6, 6) information that the faces lie within ``reach_mm`` of each other also along the crack.

    Their rims would show more; it matters only where the relief holds nothing.
    """
    x, y, z = (contact.pairs.middles - contact.centre).T
    moves = np.zeros((len(x), 3, 6))
    moves[:, 0, 1], moves[:, 0, 2], moves[:, 1, 0] = z, -y, -z
    moves[:, 1, 2], moves[:, 2, 0], moves[:, 2, 1] = x, y, -x
    moves[:, 0, 3] = moves[:, 1, 4] = moves[:, 2, 5] = 1.0
    flat = moves.reshape(-1, 6)
    return np.asarray(flat.T @ flat / (len(x) * reach_mm**2))


def crossed_information(contact: Contact, size: int = 7) -> FloatArray:
    """(size, size) like the normal matrix, one scan's normals times the other's; 6 leaves the layer out.

    The noise of normals squares to information that is not there; the two
    scans' noise is independent, so in the product it averages out. What would
    be negative is held at a thousandth of the plain matrix.
    """
    product = _crossed(contact.pairs, contact.shares * contact.robust, contact.centre)[:size, :size]
    plain = _ridged(normal_equations(contact)[0][:size, :size])
    values, vectors = eigh(product, plain)
    back = np.linalg.inv(vectors)
    return np.asarray(contact.slope * (back.T * np.clip(values, 1e-3, 1.0)) @ back)


def correlated_scores(contact: Contact) -> FloatArray:
    """(7, 7) covariance of the right side from the residuals' own correlation over distance."""
    middles = contact.pairs.middles
    scores = contact.residuals * contact.robust
    rng = np.random.default_rng(20190712)
    count = len(middles)
    chosen = np.sort(rng.choice(count, min(SAMPLED, count), replace=False))
    near = cKDTree(middles[chosen]).sparse_distance_matrix(
        cKDTree(middles), CORRELATED * contact.spacing_mm, output_type="ndarray"
    )
    one, other, distance = chosen[near["i"]], near["j"], near["v"] / contact.spacing_mm
    place = np.where(one == other, 0, 1 + np.floor(2.0 * distance).astype(np.int64))
    number = np.maximum(np.bincount(place), 1)
    mean = np.bincount(place, scores[one] * scores[other]) / number
    jacobian = contact.jacobian() * contact.shares[:, None]
    summed = np.stack(
        [np.bincount(one, mean[place] * jacobian[other, i], count)[chosen] for i in range(7)], axis=1
    )
    meat = jacobian[chosen].T @ summed * (count / len(chosen))
    # Correlation cut at some distance need not be positive: never less than independent noise.
    independent = _ridged(float(np.mean(np.square(scores))) * (jacobian.T @ jacobian))
    values, vectors = eigh(0.5 * (meat + meat.T), independent)
    back = np.linalg.inv(vectors)
    return np.asarray((back.T * np.maximum(values, 1.0)) @ back)


def patch_scores(contact: Contact) -> FloatArray:
    """(6, 6) covariance of the pose's right side from leaving out one patch after the other."""
    cells = np.floor(contact.pairs.middles / (PATCH * contact.spacing_mm)).astype(np.int64)
    cells -= cells.min(axis=0)
    spans = cells.max(axis=0) + 1
    _, patch = np.unique((cells[:, 0] * spans[1] + cells[:, 1]) * spans[2] + cells[:, 2], return_inverse=True)
    jacobian, weights = contact.jacobian()[:, :6], contact.shares * contact.robust
    number = int(patch.max()) + 1
    scores = np.stack([np.bincount(patch, weights * contact.residuals * jacobian[:, i]) for i in range(6)], axis=1)
    parts = np.empty((number, 6, 6))
    for i in range(6):
        for j in range(i, 6):
            parts[:, i, j] = np.bincount(patch, weights * jacobian[:, i] * jacobian[:, j])
            parts[:, j, i] = parts[:, i, j]
    whole = parts.sum(axis=0)
    # A patch that alone holds some direction cannot be left out wholly.
    rest = whole - parts + 1e-3 * _ridged(whole)
    moved = np.linalg.solve(rest, scores[:, :, None])[:, :, 0]
    spread = moved.T @ moved * (number - 1) / max(number, 1)
    return np.asarray(whole @ spread @ whole)


@dataclass(frozen=True, eq=False)
class Statement:
    """What one joint says.

    Attributes
    ----------
    plain : (7, 7)
        The normal matrix.
    information, pose : (7, 7), (6, 6)
        Crossed; ``pose`` with the layer held.
    meat, patches : (7, 7), (6, 6)
        Covariance of the right side from correlation, and from patches.
    weight, total : float
        Trust per pair (1/mm²) and number of pairs.
    drift : (6, 6)
        What the rims alone say.
    firm : (7, 7)
        Projector onto what the relief holds.
    """

    plain: FloatArray
    information: FloatArray
    pose: FloatArray
    meat: FloatArray
    patches: FloatArray
    weight: float
    total: float
    drift: FloatArray
    firm: FloatArray

    def held(self, matrix: FloatArray) -> FloatArray:
        """A (6, 6) or (7, 7) matrix of motions, of those that the relief holds."""
        firm = self.firm[: len(matrix), : len(matrix)]
        return np.asarray(firm.T @ matrix @ firm)


def statement(contact: Contact) -> Statement:
    """Measure one joint. Its weight allows for noise that is correlated from pair to pair."""
    information, meat = crossed_information(contact), correlated_scores(contact)
    plain, _ = normal_equations(contact)
    inflation = float(np.trace(np.linalg.solve(_ridged(plain[:6, :6]), meat[:6, :6])) / 6.0)
    return Statement(
        plain=plain,
        information=information,
        pose=crossed_information(contact, 6),
        meat=meat,
        patches=patch_scores(contact),
        weight=1.0 / max(inflation, 1e-300),
        total=float((contact.shares * contact.robust).sum()),
        drift=drift_information(contact, DRIFT * contact.spacing_mm),
        firm=firm_motions(contact, False),
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

    def columns(self, contact: Contact, joint: int) -> FloatArray:
        """(7, size): the joint's seven numbers from all unknowns."""
        matrix = np.zeros((7, self.size))
        matrix[6, self.layer(joint)] = 1.0
        for fragment, sign in ((contact.a, 1.0), (contact.b, -1.0)):
            if fragment in self.movable:
                matrix[:6, self.pose(fragment)] = sign * shifted(contact.centre - self.centres[fragment])
        return matrix

    def assembled(
        self, contacts: list[Contact], matrices: list[FloatArray], weights: list[float]
    ) -> FloatArray:
        """(size, size): weighted sum over the joints; a (6, 6) matrix leaves the layer out."""
        total = np.zeros((self.size, self.size))
        for number, (contact, matrix, weight) in enumerate(zip(contacts, matrices, weights, strict=True)):
            if len(matrix) == 6:
                matrix = block_diag(matrix, [[0.0]])
            columns = self.columns(contact, number)
            total += weight * columns.T @ matrix @ columns
        return total


def shifted(offset: FloatArray) -> FloatArray:
    """(6, 6): a motion about one centre, as a motion about the centre ``offset`` away from it."""
    x, y, z = offset
    matrix = np.eye(6)
    matrix[3:, :3] = -np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return matrix
