"""Chips that cannot be filled are told, and keep no other from it."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from rejoin.core.cleaning import clean_scan
from rejoin.core.fusing import fuse_fragments, hollows
from rejoin.core.fusing.chips import _left_as_they_are
from rejoin.core.records import Joint, Placement, Scan
from tests.benchmarks.fusing import TRUE, outside, true_joints
from tests.core import broken_solids as solids
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


def test_a_wide_hollow_over_which_nothing_continues_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ball taken out of one fragment under a rippled side: no plane or quadric runs over it.

    The bare break is taken to be no rougher than the side, so that it does not tell either.
    """
    monkeypatch.setattr(hollows.Torn, "__call__", lambda self, patches: [patch[:0] for patch in patches])

    def rippled(points: np.ndarray) -> np.ndarray:
        side = points[:, 0] > 5.9
        points[side, 0] += 0.5 * np.sin(2.2 * points[side, 1]) * np.sin(2.2 * points[side, 2])
        return points

    solid = Manifold.cube([12, 12, 20], True).refine_to_length(0.4).warp_batch(rippled)
    upper, lower = solid ^ solids.beyond(0, True, 0.4, 0.0), solid ^ solids.beyond(0, False, 0.4, 0.37)
    ball = Manifold.sphere(2.4, 48).translate([5.0, 0.5, 1.4])
    both = [solids.fragment(body, 0.4, 0.02, k, f"f{k}") for k, body in enumerate((upper - ball, lower))]
    joint = Joint(0, 1, *solids.faces_of_break(both), np.eye(4), TRUE)
    whole = fuse_fragments([one for one, _ in both], [at for _, at in both], (joint,))
    assert whole.closed and whole.fills == ()
    assert any("may be chips or the part's own recesses" in note for note in whole.notes)


def test_hollows_that_are_left_are_told_with_their_place() -> None:
    places = [np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0]), np.array([7.0, 8.0, 9.0])]
    wide, own = _left_as_they_are(list(zip([20.0, 4.0, 2.0], places, [False, True, True], strict=True)), 15.0)
    assert "near (1.0, 2.0, 3.0) mm, 20 mm across" in wide
    assert "(2.0, 4.0 mm wide, the widest near (4.0, 5.0, 6.0) mm)" in own
