"""A piece whose break is shared by two others: each half of it is small beside the walls of either."""

from __future__ import annotations

import manifold3d
import numpy as np

from rejoin.core import steps
from rejoin.core.records import Project
from rejoin.core.transforms import displacement, inverse
from tests.core.broken_solids import in_three


def finned() -> manifold3d.Manifold:
    """A short post between two plates with nine fins each, no two alike: far more wall than break."""
    cube = manifold3d.Manifold.cube
    solid = cube([12, 10, 30], True)
    for side in (1, -1):
        solid += cube([36, 36, 2], True).translate([0, 0, 17 * side])
        for k, y in enumerate(np.arange(-16.0, 17.0, 4.0)):
            high = 12.0 - 0.4 * k
            fin = cube([20.4 + 0.4 * side + 1.7 * k, 1.4, high], True)
            solid += fin.translate([0.4 * k, y, side * (16.0 - high / 2)])
    return solid


def test_a_piece_that_meets_two_halves_is_placed() -> None:
    """The two halves share a larger break with one another as well."""
    fragments, truth = in_three(finned(), noise_mm=0.01)
    project = Project(scans=tuple(one.scan for one in fragments), fragments=fragments)
    joints = steps.match(steps.find_faces(project)).joints
    assert sorted((joint.a, joint.b) for joint in joints) == [(0, 1), (0, 2), (1, 2)]
    for joint in joints:
        true = inverse(truth[joint.a].part_from_scan) @ truth[joint.b].part_from_scan
        assert displacement(joint.a_from_b, true, fragments[joint.b].mesh.vertices).max() < fragments[0].spacing_mm
