"""Triangles of the seam that run through each other: sewn again with more given up around them."""

from __future__ import annotations

import numpy as np
import pytest

from rejoin.core.fusing import fuse_fragments, whole
from tests.core import broken_solids as solids


@pytest.mark.parametrize("gap_mm", [0.0, -0.15])
def test_no_triangles_of_the_seam_run_through_each_other(gap_mm: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """The scans' own do in some dozen places, at the crack too; what is kept beyond what was given up is as placed."""
    fragments, placements = solids.in_two(solids.bored_block(), gap_mm, seed=0)
    freed = fuse_fragments(fragments, placements, ())
    monkeypatch.setattr(whole, "freed", lambda pieces, scene, made, spacing_mm, report: (made, scene))
    usual = fuse_fragments(fragments, placements, ())
    assert usual.crossing_pairs > 0 and freed.crossing_pairs == 0
    assert freed.closed and (freed.shells, freed.genus) == (usual.shells, usual.genus) == (1, 1)
    assert freed.original_moved_mm < 1e-6 and freed.volume_mm3 == pytest.approx(usual.volume_mm3, rel=1e-3)
    far = freed.mesh.vertices[np.abs(freed.mesh.vertices[:, 2]) > 6.0]
    assert len(far) == np.count_nonzero(np.abs(usual.mesh.vertices[:, 2]) > 6.0)
