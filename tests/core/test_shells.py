"""Shells of one bowl lie within each other in any number of poses; their breaks are found all the same."""

from __future__ import annotations

import manifold3d

from rejoin.core import steps
from rejoin.core.matching import Search
from rejoin.core.prepared import prepared
from rejoin.core.records import Fragment, Placement, Project
from rejoin.core.transforms import displacement, inverse
from tests.core import broken_solids as solids

RADIUS, WALL, SPACING, NOISE = 45.0, 6.0, 0.6, 0.03
LARGER = 2.5
"""The wavy break of `broken_solids` is made so much larger, and then as much flatter that it is 0.1 mm high."""


def sherd(upward: bool, shift: float, seed: int) -> tuple[Fragment, Placement]:
    """One eighth of a hollow ball, broken off the eighth beside it."""
    box = manifold3d.Manifold.cube([200, 100, 100], True).translate([0, 50, 50])
    ball = manifold3d.Manifold.sphere(RADIUS, 200) - manifold3d.Manifold.sphere(RADIUS - WALL, 200)
    side = solids.beyond(
        0.0, upward, SPACING / LARGER, shift, turned=True, relief=lambda x, y: 0.06 * solids.wave(x, y)
    )
    return solids.fragment(ball ^ box ^ side.scale([LARGER] * 3), SPACING, NOISE, seed, f"f{seed}")


def test_two_shells_of_a_bowl_are_joined_along_their_break_though_they_fit_within_each_other() -> None:
    both = [sherd(True, 0.0, 3), sherd(False, 0.37, 4)]
    fragments = tuple(one for one, _ in both)
    project = steps.find_faces(Project(scans=tuple(one.scan for one in fragments), fragments=fragments))
    first, second = (
        prepared(one, tuple(face for face in project.faces if face.fragment == number))
        for number, one in enumerate(fragments)
    )
    truth = inverse(both[0][1].part_from_scan) @ both[1][1].part_from_scan
    search = Search(first, second)
    best = search.deepen(2)[0]
    corners = fragments[1].mesh.vertices
    assert best.evidence.score > 100.0 and displacement(best.a_from_b, truth, corners).max() < SPACING
    assert not search._runs_through(truth)
    assert sum(search._runs_through(rough.a_from_b) for rough in search.waiting) > 0.3 * len(search.waiting)
