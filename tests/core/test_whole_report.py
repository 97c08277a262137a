"""What is told of the whole, in FIT and beside its file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rejoin.core.errors import WrongUse
from rejoin.core.fusing import fuse_fragments
from rejoin.core.records import Fill, Project
from rejoin.core.report import whole_content, whole_words, write_whole_report
from tests.core import broken_solids as solids


@pytest.fixture(scope="module")
def project() -> Project:
    fragments, placements = solids.in_two(solids.bored_block(), spacing_mm=0.6)
    whole = fuse_fragments(fragments, placements, ())
    hole = Fill("scan hole", 12.5, 3.25, np.array([1.0, 2.0, 3.0]))
    whole = replace(whole, closed=False, open_holes=(hole,), notes=("A hole 12.5 mm across was left open.",))
    scans = tuple(fragment.scan for fragment in fragments)
    return Project(scans=scans, fragments=fragments, placements=placements, whole=whole)


def test_content_holds_every_measure(project: Project) -> None:
    content = whole_content(project, "whole.stl", "mm")
    assert content is not None
    assert content["genus"] == 1 and content["closed"] is False
    # closed form: 12 x 10 x 20 mm, turned into the first scan's frame; its diagonal bounds every side
    assert max(content["size_mm"]) <= np.sqrt(12**2 + 10**2 + 20**2) + 0.3
    assert content["thinnest_mm"] == pytest.approx(2.5, abs=0.3)
    part_from_scan = project.placements[0].part_from_scan
    assert part_from_scan is not None
    expected = np.linalg.inv(part_from_scan) @ [1.0, 2.0, 3.0, 1.0]
    assert content["open_holes"][0]["centre_mm"] == pytest.approx(expected[:3].tolist())


def test_words_stand_beside_the_file(project: Project, tmp_path: Path) -> None:
    path = write_whole_report(project, tmp_path / "whole.stl")
    text = path.read_text(encoding="utf-8")
    assert path.parent == tmp_path and path.name == "whole.report.txt"
    for words in ("Closed: NO", "through-holes: 1", "LEFT OPEN: 12.5 mm across", ") mm\n", "Note: A hole 12.5 mm"):
        assert words in text
    assert f"{project.whole.volume_mm3:.1f} mm3" in text  # type: ignore[union-attr]


def test_one_place_is_not_many(project: Project) -> None:
    assert project.whole is not None
    fill = Fill("chip", 6.2, 2.61, np.zeros(3))
    for fills, words in (((fill,), "in 1 place"), ((fill, fill), "in 2 places")):
        lines = whole_words(replace(project, whole=replace(project.whole, fills=fills)), "whole.stl")
        assert any(line.endswith(words) for line in lines)


def test_no_whole_no_report() -> None:
    with pytest.raises(WrongUse):
        whole_words(Project(), "whole.stl")
