"""How far along their rims two faces of a joint do not lie on each other as they do within.

A scanner rounds edges off: it sees both rims a little lower than they are, and
the crack seems to open towards them. Pressed together by such rims the faces
would come to lie askew, or pass for worn.
"""

from __future__ import annotations

import numpy as np

from rejoin.core.contact import Pairs, Side
from rejoin.core.records import FloatArray
from rejoin.core.robust import sigma_of

WIDEST = 3
"""Spacings from the rim up to which faces may be rounded off: beyond, it is their form."""

SIGMAS = 3.0
"""Standard errors by which the gap near the rim must differ from the gap within."""

ALIKE = 9.0
"""Pairs that err together: noise hangs together over some three spacings."""

MOST_LOST = 0.6
"""Share of the pairs that may be given up."""


def rounded_rim(sides: tuple[Side, Side], pairs: Pairs, residuals: FloatArray) -> int:
    """Spacings along the rim within which the gap differs from the gap within; 0 where it nowhere does.

    Parameters
    ----------
    sides : tuple of Side
    pairs : Pairs
        Of all vertices.
    residuals : (k,)
        Gaps, mm, less what the faces are apart all over.
    """
    own = np.empty(len(residuals))
    for side, mine in zip(sides, (~pairs.from_b, pairs.from_b), strict=True):
        own[mine] = side.from_border[pairs.vertex[mine]]
    for spacings in range(WIDEST, 0, -1):
        ring, within = (own >= spacings - 1) & (own < spacings), own >= spacings
        if within.mean() < 1.0 - MOST_LOST or not ring.any():
            continue
        middle = float(np.median(residuals[within]))
        # The median of n errs 1.25 times as much as their mean.
        sd = 1.25 * sigma_of(residuals[within] - middle) * np.sqrt(ALIKE * (1.0 / ring.sum() + 1.0 / within.sum()))
        if abs(float(np.median(residuals[ring])) - middle) > SIGMAS * sd:
            return spacings
    return 0
