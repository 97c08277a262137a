"""What one adjustment found, and what it tells of each fragment and each joint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core.alignment.seating import Gape, Unsettled
from rejoin.core.alignment.state import Poses
from rejoin.core.evidence import adjusted
from rejoin.core.records import Evidence, FloatArray, Joint, Placement
from rejoin.core.transforms import inverse
from rejoin.core.uncertainty.bounds import Certainty
from rejoin.core.uncertainty.equations import Contact, Layout, Statement
from rejoin.core.uncertainty.layers import Layer, no_layers
from rejoin.core.uncertainty.stated import KnownOutcome


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
        False where the rounds ran out.
    covariance : (n, n)
        Of all moved poses together, in the layout's order.
    left_out : dict of int to str
        Joints (numbers among those given) that were not used, and why. The other fields on joints are
        of the rest, in their order.
    uneven : dict of int to Gape or Unsettled
        Joints (numbers likewise) of which a part gapes and did not count, or that may rest otherwise.
    against : dict of int to str
        What original surfaces beside a joint (numbers likewise) say against it, in words: empty where nothing. Those
        with too little rim to be judged are not named.
    holds : dict of int to float
        How firmly each joint (numbers likewise) is held in its weakest motion, as in `Evidence`, by every vertex.
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
    covariance: FloatArray
    left_out: dict[int, str] = field(default_factory=dict)
    uneven: dict[int, Gape | Unsettled] = field(default_factory=dict)
    against: dict[int, str] = field(default_factory=dict)
    holds: dict[int, float] = field(default_factory=dict)

    def placement(self, fragment: int) -> Placement:
        """The fragment's place and how sure it is; the held fragment is sure by definition."""
        pose, sure = self.part_from_scan[fragment], self.certainty.get(fragment)
        if sure is None:
            return Placement(pose, "program", covariance=np.zeros((6, 6)), u95_mm=0.0)
        return Placement(
            pose, "program", None, sure.covariance, sure.u95_mm, sure.weakest, layers=sure.layers, shared=sure.shared
        )

    def notes(self, joints: Sequence[Joint], fragment: int) -> tuple[str, ...]:
        """What is to be said of joints that lead to this fragment: left out, wholly or in part, or in doubt."""
        said = [*self.left_out.items(), *((number, told.sentence) for number, told in self.uneven.items())]
        doubts = {number: words for number, words in self.against.items() if words}
        said += [(number, f"This holds only if it is the right place: {words}.") for number, words in doubts.items()]
        sure = self.certainty.get(fragment)
        fresh = (sure.if_fresh,) if sure is not None and sure.if_fresh else ()
        hung = (f"It hangs on a joint that is in doubt: {words}." for number, words in doubts.items()
                if joints[number].b != fragment and self._hangs(joints, fragment, number))  # fmt: skip
        return (*(why for number, why in said if joints[number].b == fragment), *hung, *fresh)

    def _hangs(self, joints: Sequence[Joint], fragment: int, number: int) -> bool:
        """Whether nothing but one joint leads from a fragment to the one that is held."""
        ends = [(joint.a, joint.b) for n, joint in enumerate(joints) if n != number and n not in self.left_out]
        count = 1 + max(self.part_from_scan)
        links = coo_matrix((np.ones(len(ends)), tuple(np.reshape(ends, (-1, 2)).T.astype(int))), (count, count))
        piece = connected_components(links, directed=False)[1]
        return bool(piece[fragment] != piece[self.reference])

    def updated(self, joints: Sequence[Joint]) -> tuple[Joint, ...]:
        """The given joints, in their order, with the new ``a_from_b`` and missing layers."""
        poses, layers = self.part_from_scan, iter(self.layers)
        unknown = no_layers(1)[0]
        told = [unknown if number in self.left_out else next(layers) for number in range(len(joints))]
        return tuple(
            replace(joint, a_from_b=inverse(poses[joint.a]) @ poses[joint.b], evidence=self._evidence(number, joint),
                    missing_layer_mm=layer.apart_mm, missing_layer_sd_mm=layer.sd_mm)
            for number, (joint, layer) in enumerate(zip(joints, told, strict=True))
        )

    def _evidence(self, number: int, joint: Joint) -> Evidence:
        found = joint.evidence
        return adjusted(found, self.holds.get(number, found.held), self.against.get(number, found.against))
