"""A chip that cannot be filled keeps no other from it."""

from __future__ import annotations

import numpy as np

from rejoin.core.cleaning import clean_scan
from rejoin.core.fusing import fuse_fragments
from rejoin.core.records import Placement, Scan
from tests.benchmarks.fusing import outside, true_joints
from tests.makers import make_case


def test_the_other_chips_are_filled_where_one_cannot_be_and_that_is_said() -> None:
    """A chip that took a flange's edge off along both sides: its mouth is wider than the flange is thick."""
    case = make_case("connecting_rod", 529, chips=6, spacing_mm=0.3)
    fragments = [clean_scan(Scan(f"piece {k}", (), m, "mm", True, False, ())) for k, m in enumerate(case.fragments)]
    placements = [Placement(np.array(pose), "truth") for pose in case.part_from_scan]
    whole = fuse_fragments(fragments, placements, true_joints(case, fragments))
    assert whole.notes[0] == "Chips at the break that could not be filled were left as they are."
    assert whole.closed and whole.genus == 2
    assert sum(fill.volume_mm3 > 3.0 for fill in whole.fills) == 3
    filled = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])]
    assert np.abs(outside(filled, case.intact)).max() < 0.3
