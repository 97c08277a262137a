"""Two broken surfaces opposite each other: pairs of points, distances, facing triangles, overlap.

Shared by aligning, judging and measuring. A fracture face is used at full
resolution and unsmoothed: smoothing moves the answer.
"""

from rejoin.core.contact.distances import (
    Distances,
    Mask,
    border_vertices,
    closest_on_triangles,
    penetration,
    signed_distances,
)
from rejoin.core.contact.facing import facing_triangles, near_masks
from rejoin.core.contact.pairs import OPPOSED, Pairs, Side, opposite, robust_scale, rows, side_of, tukey
from rejoin.core.contact.skirts import Skirt, Steps, skirt_of, steps_across

__all__ = [
    "OPPOSED",
    "Distances",
    "Mask",
    "Pairs",
    "Side",
    "Skirt",
    "Steps",
    "border_vertices",
    "closest_on_triangles",
    "facing_triangles",
    "near_masks",
    "opposite",
    "penetration",
    "robust_scale",
    "rows",
    "side_of",
    "signed_distances",
    "skirt_of",
    "steps_across",
    "tukey",
]
