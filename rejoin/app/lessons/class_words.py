"""What class mode says in each row of the job card: what happens, why, and what can go wrong."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Explained:
    """The explanation of one operation."""

    what: str
    why: str
    wrong: str


EXPLAINED: dict[int, Explained] = {
    10: Explained(
        "Each fragment is a cloud of points that a scanner took, meshed into small triangles. The program welds them "
        "into one surface, measures how far the points lie apart and how much they jitter (the noise), and lists "
        "every repair.",
        "Whatever follows can be no better than the scan: spacing says how fine a detail is seen, noise how exactly.",
        "A file without its unit, taken for millimetres. Holes where the scanner could not look, mostly deep in the "
        "break. Two views of one fragment that were put together badly.",
    ),
    20: Explained(
        "A fracture face is the surface that the break made. The program looks for regions that end at a sharp rim "
        "and are rougher than what was cast or machined, and ranks what it finds. You may point them out yourself.",
        "Only fracture faces have a partner: every hill on one is a hollow on the other. Original surface has none.",
        "A sand-cast skin can be as rough as a break, and a polished break as smooth as a machined face. A pick that "
        "runs over the rim brings in surface that has nothing opposite.",
    ),
    30: Explained(
        "First a search: faces of like outline and relief are laid on each other in many positions, and each is "
        "judged. Then the alignment: points that lie opposite each other are paired, the fragment is moved so that "
        "the pairs come closest, and all is paired anew, until nothing moves.",
        "A position is believed for its evidence, not for its looks: how much touches, how well the relief agrees, "
        "and how far the next best position is behind.",
        "Smooth faces lie together in any position and can slide. Worn faces come too close. A fragment of another "
        "part finds no partner, and must not be forced to.",
    ),
    40: Explained(
        "For every point of a fracture face the distance to its partner is measured: + where the joint gapes, − where "
        "the two run into each other. Blue is open, brown overlaps, grey touches.",
        "The gap shows what the join cannot hide: chips, wear, a fragment that was bent or sprang when it broke.",
        "A wedge of colour means a tilted fragment or a bent part. A gap that is even all over means that material "
        "is missing. A patch of its own is a chip or a hole of the scan.",
    ),
    50: Explained(
        "The surfaces are cut back a little on both sides of the crack and sewn together, so that one closed skin of "
        "triangles is left. Small holes and chips are closed, and marked.",
        "Only a closed surface has a volume, can be printed, milled or sent to a foundry. What was invented is "
        "counted in cubic millimetres.",
        "A missing piece stays missing. Filled material is a guess at a smooth continuation, not a measurement.",
    ),
    60: Explained(
        "You pick a bore, a wall or two faces; a cylinder or planes are fitted to the scan around the pick. Beside it "
        "stands what the caliper read on the real part.",
        "A scanner may be wrong in scale without any sign of it. One reading that agrees proves the scale; one across "
        "the joint proves the join.",
        "Calipers read a bore too small and a worn edge too short. Limits are not proven where the uncertainty is as "
        "wide as they are.",
    ),
    70: Explained(
        "From the whole comes what the shop needs: a print to try the fit, a pattern for the foundry with its "
        "allowances, a model for the mill, or a cradle that holds the fragments.",
        "Metal shrinks as it cools, so a pattern must be larger than the part, with stock where it will be machined "
        "and draft so that it leaves the sand.",
        "A pattern taken for a part. A printed part put to work. An allowance that the foundry did not ask for.",
    ),
}
