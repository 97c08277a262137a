"""Two broken surfaces opposite each other: pairs of points, distances, facing triangles.

Shared by aligning, judging and measuring. A fracture face is used at full
resolution and unsmoothed: smoothing moves the answer.
"""

from rejoin.core.contact.distances import (
    Distances,
    Mask,
    border_vertices,
    closest_on_triangles,
    signed_distances,
)
from rejoin.core.contact.facing import facing_triangles, near_masks
from rejoin.core.contact.levels import Level, levels_across
from rejoin.core.contact.pairs import OPPOSED, Pairs, Side, opposite, rows, side_of
from rejoin.core.contact.skirts import Skirt, Steps, side_and_skirt, skirt_of, steps_across

__all__ = [
    "OPPOSED",
    "Distances",
    "Level",
    "Mask",
    "Pairs",
    "Side",
    "Skirt",
    "Steps",
    "border_vertices",
    "closest_on_triangles",
    "facing_triangles",
    "levels_across",
    "near_masks",
    "opposite",
    "rows",
    "side_and_skirt",
    "side_of",
    "signed_distances",
    "skirt_of",
    "steps_across",
]
