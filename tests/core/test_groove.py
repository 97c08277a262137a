"""A crack kept as a witness groove: its volume in closed form, and what is said where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core import meshes, steps
from rejoin.core.fusing import fuse_fragments
from rejoin.core.fusing.groove import DEPTH, grooved
from rejoin.core.records import Project, Whole
from rejoin.core.settings import FuseSettings
from tests.app import made_up
from tests.core import broken_solids as solids


@pytest.fixture(scope="module")
def block() -> Whole:
    fragments, placements = solids.in_two(solids.bored_block())
    return fuse_fragments(fragments, placements, (), FuseSettings())


def rims_at_the_middle(whole: Whole) -> np.ndarray:
    """Points round the block and round its bore, half way up."""
    share = np.linspace(0, 1, 200, endpoint=False)
    flat = np.concatenate([
        np.column_stack([12 * share - 6, np.full(200, y)]) for y in (-5.0, 5.0)
    ] + [np.column_stack([np.full(200, x), 10 * share - 5]) for x in (-6.0, 6.0)]
      + [2.5 * np.column_stack([np.cos(2 * np.pi * share), np.sin(2 * np.pi * share)])])  # fmt: skip
    return np.column_stack([flat, np.zeros(len(flat))])


def test_the_groove_takes_what_a_parabola_along_the_crack_takes(block: Whole):
    wide = 3.0
    made = grooved(replace(block, thinnest_mm=None), rims_at_the_middle(block), wide)
    assert meshes.is_closed(made.mesh) and meshes.genus(made.mesh) == block.genus
    along = 2 * (12 + 10) + 2 * np.pi * 2.5  # round the block, and round its bore
    exact = 2 / 3 * wide * DEPTH * wide * along
    taken = block.volume_mm3 - made.volume_mm3
    assert taken == pytest.approx(exact, rel=0.15)  # outside corners take a little less, the bore's wall a little more
    moved = np.linalg.norm(made.mesh.vertices - block.mesh.vertices, axis=1)
    assert moved.max() <= DEPTH * wide + 1e-9
    assert np.abs(block.mesh.vertices[moved > 0][:, 2]).max() <= 0.5 * wide
    assert made.notes[-1] == "The crack is kept as a groove 3 mm wide and 1.05 mm deep."


def test_a_thin_wall_is_not_cut_deep_and_a_narrow_groove_not_made(block: Whole):
    rims = block.mesh.vertices[np.unique(block.mesh.triangles[block.seam_triangles])]
    shallow = grooved(replace(block, thinnest_mm=2.0), rims, 3.0)
    assert "0.50 mm deep" in shallow.notes[-1]
    narrow = grooved(block, rims, 0.4)
    assert narrow.mesh is block.mesh and "too narrow" in narrow.notes[-1]
    nowhere = grooved(block, np.empty((0, 3)), 3.0)
    assert nowhere.mesh is block.mesh and "no crack" in nowhere.notes[-1]


def test_the_step_makes_it_along_the_joint():
    project: Project = made_up.joined()
    flush = steps.fuse(project).whole
    kept = steps.fuse(project, FuseSettings(groove_mm=5.0)).whole
    assert flush is not None and kept is not None
    assert "groove 5 mm wide" in kept.notes[-1] and kept.volume_mm3 < flush.volume_mm3
    assert kept.closed and meshes.is_closed(kept.mesh)
