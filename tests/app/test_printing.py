"""The job card: what it tells is what FIT tells, on any paper, without a screen."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from rejoin.app.printing import pictures_of, write_card
from rejoin.cli import main
from rejoin.core.card import Shown, card_content
from rejoin.core.drawings import gap_map, section
from rejoin.core.records import Project
from rejoin.core.storage import save_project
from tests.app import made_up


@pytest.fixture(scope="module")
def project() -> Project:
    return made_up.whole()


def text_of(path: Path) -> str:
    document = pypdfium2.PdfDocument(path)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize(("unit", "one"), [("mm", 1.0), ("inch", 25.4)])
def test_every_figure_on_paper_is_that_of_the_content(project: Project, tmp_path: Path, unit: str, one: float) -> None:
    path = tmp_path / "card.pdf"
    write_card(project, path, "pump rocker", "2026-01-02", "1.2.3", Shown(unit), "letter")
    text, content = text_of(path), card_content(project, "1.2.3")
    joint, whole = content["fit"]["joints"][0], content["fit"]["whole"]
    places = 3 if unit == "mm" else 4
    for name in ("gap_median_mm", "gap_p95_mm", "overlap_max_mm"):
        assert f"{joint[name] / one:.{places}f}" in text, name
    volume = f"{whole['volume_mm3']:.1f} mm³" if unit == "mm" else f"{whole['volume_mm3'] / 25.4**3:.4f} in³"
    assert volume in text
    assert f"{100 * joint['touching_share']:.0f} %" in text
    for number, scan in enumerate(content["scans"]):
        assert f"{scan['points']} points" in text
        assert content["checksums"][number][0][:12] in text.replace(" ", "")
    assert "pump rocker" in text and "2026-01-02" in text and "Boilers" in text


def test_the_card_has_two_to_four_pages_of_the_asked_size(project: Project, tmp_path: Path) -> None:
    for paper, size in (("A4", (595, 842)), ("letter", (612, 792))):
        path = tmp_path / f"{paper}.pdf"
        write_card(project, path, "rocker", "2026-01-02", "1.2.3", Shown(), paper)
        document = pypdfium2.PdfDocument(path)
        assert 2 <= len(document) <= 4
        assert document[0].get_size() == pytest.approx(size, abs=1.0)
        document.close()


def test_an_html_card_stands_alone(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    write_card(project, path, "rocker <1>", "2026-01-02", "1.2.3", Shown())
    page = path.read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 2 and "rocker &lt;1&gt;" in page
    assert not re.search(r"(src|href)=['\"](?!data:)", page)


def test_the_pictures_show_something(project: Project) -> None:
    images = pictures_of(project, Shown())
    assert set(images) == {"gap-0", "section-0"}
    for image in images.values():
        colours = {image.pixel(x, y) for x in range(0, image.width(), 7) for y in range(0, image.height(), 7)}
        assert len(colours) > 4


def test_the_gap_map_is_the_face_laid_flat(project: Project) -> None:
    """Closed form: the area of the flat face is that of a cross-section, 30 by 20 mm, but for its lean."""
    seen = gap_map(project, project.fits[0])
    one, two = seen.corners[:, 1] - seen.corners[:, 0], seen.corners[:, 2] - seen.corners[:, 0]
    area = 0.5 * np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]).sum()
    assert area == pytest.approx(made_up.SIZE[1] * made_up.SIZE[2], rel=0.02)
    assert np.nanmedian(seen.gap_mm) == pytest.approx(project.fits[0].gap_median_mm, abs=0.02)


def test_a_section_closes_and_spans_the_block(project: Project) -> None:
    """Each end of a piece meets another one; together they are as long as the part, but for the lean of its break."""
    cut = section(project, project.joints[0])
    for pieces in (cut.of_a, cut.of_b):
        ends = np.round(pieces.reshape(-1, 2), 6)
        assert (np.unique(ends, axis=0, return_counts=True)[1] % 2 == 0).all()
    both = np.concatenate([cut.of_a, cut.of_b]).reshape(-1, 2)
    assert np.ptp(both[:, 1]) == pytest.approx(made_up.SIZE[0], abs=5.0)


def test_the_command_writes_card_and_content(project: Project, tmp_path: Path, capsys) -> None:
    saved = save_project(project, tmp_path / "rocker.rejoin")
    assert main(["report", str(saved), "--out", str(tmp_path / "c.pdf"), "--json", str(tmp_path / "c.json")]) in (0, 1)
    assert (tmp_path / "c.pdf").read_bytes().startswith(b"%PDF") and (tmp_path / "c.json").stat().st_size > 500
    capsys.readouterr()
    assert main(["report", str(saved), "--out", str(tmp_path / "c.txt")]) == 2
    assert main(["report", str(tmp_path / "none.rejoin"), "--out", str(tmp_path / "d.pdf")]) == 4
    assert main(["report", str(saved), "--out", str(tmp_path / "no folder" / "d.pdf")]) == 4
    assert capsys.readouterr().err.count("\n") >= 3
