"""The job card: what it tells is what FIT tells, on any paper, without a screen."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PySide6.QtGui import QColor, QImage, QImageIOHandler, QImageWriter, QTransform
from scipy.spatial import ConvexHull

from rejoin.app.paper.printing import gap_picture, pictures_of, write_card
from rejoin.cli import main
from rejoin.core.card import card_content
from rejoin.core.cardtables import Shown, dimensions, placements, value_of
from rejoin.core.cautions import STRENGTH
from rejoin.core.drawings import NOT_MEASURED, gap_map, look_of, section
from rejoin.core.edits import attach
from rejoin.core.records import (
    ByNumber,
    DimensionCheck,
    FitUp,
    MadePart,
    MadeStep,
    Mesh,
    Project,
    ScaleCheck,
    StepRecord,
    Whole,
)
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


ORDER = "Order of assembly: A (left) stays, then B (right) along x +0.12, y +0.00, z -0.99 of the whole."


@pytest.fixture(scope="module")
def full(project: Project) -> Project:
    """With dimensions, their scale, a fit-up and a made part, so that every row of the card is there."""
    check = DimensionCheck(
        "eye to eye, \"centres\"", "centres", 113.98765, 0.01849, (), np.zeros((0, 2, 3)), (), -1, 113.99, 0.0134,
        -0.00235, 0.1029, "agrees", "pass", True, "113.988 mm."
    )  # fmt: skip
    angle = replace(check, name="lean", kind="angle", value=12.3456, u95=0.0789, reading=None, difference=None,
                    normalised_error=None, agreement="not read", verdict="not proven")  # fmt: skip
    lost = replace(angle, name="taper", kind="taper", value=None, u95=None, sentence="No cone of 3.25 mm was found.")
    scale = ScaleCheck(-1, 1.0003, 0.00185, 1, "proven", "Scale proven: factor 1.00030 +- 0.00185 from 1 reading.")
    fit_up = FitUp(0, 0.1234, 3.12, -0.0641, 0.0923, 139.87, 476.4, (12.1, 12.54, 13.0), np.zeros((0, 3)),
                   np.zeros((0, 3)), np.zeros(0), np.zeros(0), np.array([0.0, 0.0, 1.0]), 0.0, (), (),
                   (ORDER,))  # fmt: skip
    whole = replace(project.whole, by_number=(ByNumber("bore", 38.5, np.zeros(3), np.ones(3), "A bore of 38.50 mm."),))
    steps = (MadeStep("draft", False, "no draft added"), MadeStep("stock", True, "3.00 mm on one face"))
    made = MadePart("pattern", "pattern, grey iron, +1.04 %, revision A", "A", whole.mesh, (), steps, None, (),
                    ("Thinnest wall found: 3.29 mm.",), ("Ask the foundry.", STRENGTH))  # fmt: skip
    done = StepRecord("fuse", (("largest_hole_mm", 12.75), ("reduce_mm", None)), 1.0)
    return replace(project, whole=whole, checks=(check, angle, lost), scales=(scale,), fit_ups=(fit_up,), made=(made,),
                   history=(*project.history, done))  # fmt: skip


def told_of(content: dict, shown: Shown) -> list[str]:
    """Every figure and word that the card owes to its content, as it must be printed."""
    fit = content["fit"]
    wanted = [fragment["name"] for fragment in fit["fragments"]]
    wanted += [f"{letter} ({fragment['name']})" for letter, fragment in zip("AB", fit["fragments"], strict=True)]
    wanted += [shown.length(f["u95_mm"]) for f in fit["fragments"] if f["u95_mm"]]
    wanted += [text for text in content["weakest"] if text]
    for joint in fit["joints"]:
        wanted += [shown.length(joint[n]) for n in ("gap_median_mm", "gap_p95_mm", "overlap_max_mm", "step_mm")]
        wanted += [shown.area(joint["area_mm2"]), f"{100 * joint['touching_share']:.0f} %", joint["verdict"]]
        wanted += [shown.words(joint["reason"])]
    whole = fit["whole"]
    wanted += [shown.volume(whole["volume_mm3"]), shown.volume(whole["filled_mm3"])]
    wanted += [f"{whole['shells']}; {whole['genus']}"]
    wanted += [shown.length(whole[n]) for n in ("thinnest_mm", "farthest_in_band_mm", "farthest_outside_mm")]
    wanted += [" x ".join(shown.length(v, 2).split()[0] for v in whole["size_mm"]), shown.area(whole["area_mm2"])]
    wanted += [f"{whole['crossing_pairs']} pairs made", f"{whole['scan_crossing_pairs']} brought"]
    wanted += [shown.words(text) for text in (*whole["by_number"], *whole["notes"])]
    for fill in whole["fills"]:
        wanted += [fill["kind"], shown.length(fill["across_mm"], 1), shown.volume(fill["volume_mm3"])]
    for scan, sums in zip(content["scans"], content["checksums"], strict=True):
        wanted += [f"{scan['points']} points", f"{scan['triangles']} triangles", sums[0][:12]]
        wanted += [shown.length(scan["spacing"]), shown.length(scan["noise"])]
        wanted += [shown.length(side, 1).split()[0] for side in scan["size"]]
        wanted += [repair["sentence"] for repair in scan["repairs"]]
    for item in content["dimensions"]:
        wanted += [item["name"], item["agreement"], item["verdict"]]
        wanted += [value_of(item["kind"], item[n], shown) for n in ("value", "u95", "reading", "difference")]
        wanted += [] if item["normalised_error"] is None else [f"{item['normalised_error']:.2f} of what"]
        wanted += [shown.words(item["sentence"])] if item["value"] is None else []
    wanted += [item["sentence"] for item in content["scales"]]
    for item in content["fit_ups"]:
        wanted += [shown.length(item[n]) for n in ("step_mm", "gap_low_mm", "gap_high_mm")]
        wanted += [shown.length(item["length_mm"], 1), shown.area(item["section_mm2"]), f"{item['angle_deg']:.2f}°"]
        wanted += [shown.length(item["wall_mm"][1], 1), *(shown.words(note) for note in item["notes"])]
    for part in content["made"]:
        wanted += [part["title"], *(shown.words(text) for text in part["notes"])]
        wanted += [shown.words(step["sentence"]) for step in part["steps"]]
    wanted += content["cautions"]
    told = [(name, value) for step in content["steps"] for name, value in step["settings"] if value != "None"]
    wanted += [f"{n[:-3].replace('_', ' ')} {shown.length(float(v), 1)}" for n, v in told if n.endswith("_mm")]
    wanted += [f"{n.replace('_', ' ')}: yes" for n, v in told if v == "True"]
    wanted += [f"{n.replace('_', ' ')}: {v}" for n, v in told if v not in ("True", "False") and not n.endswith("_mm")]
    return wanted


def test_what_is_said_of_a_placement_are_sentences(full: Project) -> None:
    content = card_content(full, "1.2.3")
    content["weakest"][1] = "may stand 0.13 mm closer or farther across the crack"
    content["fit"]["fragments"][1]["notes"] = ["A stated size contradicts the scans."]
    told = placements(content, Shown("mm"))
    assert "Good to 0.080 mm (95 %). May stand 0.13" in told
    assert "crack. A stated size contradicts the scans.<" in told


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_every_figure_on_paper_is_that_of_the_content(full: Project, tmp_path: Path, unit: str) -> None:
    path, shown = tmp_path / "card.pdf", Shown(unit)
    write_card(full, path, "pump rocker", "2026-01-02", "1.2.3", shown, "letter")
    text, content = text_of(path), card_content(full, "1.2.3")
    # Lines are broken within words and figures: compared without their spaces.
    bare = re.sub(r"\s", "", text)
    wanted = told_of(content, shown)
    assert len(wanted) > 60
    for words in wanted:
        assert re.sub(r"\s", "", words) in bare, words
    assert "pump rocker" in text and "2026-01-02" in text and "Boilers" in text
    assert bare.count(re.sub(r"\s", "", STRENGTH)) == 1, "what is said to all is said once"
    lengths = re.findall(r"\d mm(?![²³])|\d in(?![²³a-z])", text)
    assert all(one.endswith("mm" if unit == "mm" else "in") for one in lengths), "one unit on one card"


def test_no_figure_on_paper_comes_from_elsewhere(full: Project, tmp_path: Path) -> None:
    """The other way round: each number with decimals that is printed is one that the content holds."""
    path, shown = tmp_path / "card.pdf", Shown()
    write_card(full, path, "pump rocker", "2026-01-02", "1.2.3", shown)
    told = " ".join(told_of(card_content(full, "1.2.3"), shown))
    for figure in re.findall(r"(?<![\d.])\d+\.\d+(?![\d.])", text_of(path)):
        assert figure in told or figure in ("0.2", "0.4"), f"{figure} is in no content"


def test_what_was_not_found_does_not_disagree_with_its_reading(full: Project) -> None:
    lost = replace(full.checks[0], value=None, u95=None, agreement="disagrees", sentence="No bore was found.")
    told = dimensions(card_content(replace(full, checks=(lost,)), "1.2.3"), Shown())
    assert "not measured" in told and "disagrees" not in told and "No bore was found." in told


def test_sentences_follow_the_unit() -> None:
    shown = Shown("inch")
    assert shown.words("may turn by 2.54 mm at its end, 25.4 to 50.8 mm, 3 mm³") == (
        "may turn by 0.100 in at its end, 1.00 to 2.00 in, 3 mm³")  # fmt: skip
    assert shown.words("25.400 +- 0.254 mm; 2.54 x 5.08 x 25.4 mm; +0.10 mm, 3 faces") == (
        "1.0000 +- 0.0100 in; 0.100 x 0.200 x 1.00 in; +0.004 in, 3 faces")  # fmt: skip
    assert Shown().words("2.54 mm") == "2.54 mm"
    assert [Shown(unit).length(-0.0009) for unit in ("mm", "inch")] == ["-0.001 mm", "0.0000 in"], "nothing has no sign"


def test_the_card_has_two_to_four_pages_of_the_asked_size(project: Project, tmp_path: Path) -> None:
    for paper, size in (("A4", (595, 842)), ("letter", (612, 792))):
        path = tmp_path / f"{paper}.pdf"
        write_card(project, path, "rocker", "2026-01-02", "1.2.3", Shown(), paper)
        document = pypdfium2.PdfDocument(path)
        assert 2 <= len(document) <= 4
        assert document[0].get_size() == pytest.approx(size, abs=1.0)
        document.close()


def test_a_page_ends_between_two_rows_and_never_under_a_heading(full: Project, tmp_path: Path) -> None:
    """Rows of many lines, more than a page has room for: each stands whole, under the heads of its table."""
    path = tmp_path / "card.pdf"
    for more in (30, 33, 36, 39):  # the end of the table falls elsewhere each time
        names = [f"start-{n}. " + "said at length " * (6 + 5 * (n % 3)) + f"end-{n}." for n in range(more)]
        write_card(replace(full, checks=tuple(replace(full.checks[0], name=name) for name in names)), path, "rocker",
                   "2026-01-02", "1.2.3", Shown())  # fmt: skip
        document = pypdfium2.PdfDocument(path)
        pages = [re.sub(r"\s", "", page.get_textpage().get_text_range()) for page in document]
        document.close()
        for number in range(more):
            assert any(f"start-{number}." in page and f"end-{number}." in page for page in pages), number
        assert all(page.startswith("Dimension") for page in pages if re.match(r".{0,60}start-", page))
        assert sum("start-" in page for page in pages) > 2
        heads = ("Cautions", "Howitwasmade", "70Make", "60Dimensions", "50Whole")
        assert not any(page.endswith(heads) for page in pages)


def test_what_is_higher_than_a_page_does_not_stop_the_card(full: Project, tmp_path: Path) -> None:
    path = tmp_path / "card.pdf"
    write_card(replace(full, checks=(replace(full.checks[0], name="said at length " * 900), *full.checks)), path,
               "rocker", "2026-01-02", "1.2.3", Shown())  # fmt: skip
    assert "lean" in text_of(path) and "Cautions" in text_of(path)


def test_photographs_stand_upright_and_on_one_page(project: Project, tmp_path: Path) -> None:
    """A camera held upright writes its picture lying, with a word on how to turn it; a label is long and narrow."""
    upright = QImage(300, 400, QImage.Format.Format_RGB32)
    upright.fill(QColor("white"))
    for y in range(100):
        for x in range(300):
            upright.setPixelColor(x, y, QColor("red"))  # the upper quarter
    lying = upright.transformed(QTransform().rotate(-90))
    writer = QImageWriter(str(tmp_path / "upright.jpg"))
    writer.setTransformation(QImageIOHandler.Transformation.TransformationRotate90)
    assert writer.write(lying), writer.errorString()
    label = QImage(300, 1500, QImage.Format.Format_RGB32)
    label.fill(QColor("green"))
    assert label.save(str(tmp_path / "label.png"))
    for name in ("upright.jpg", "label.png"):
        project = attach(project, "photograph", f"words of {name}", tmp_path / name)
    broken = replace(project.attachments[0], data=np.zeros(50, np.uint8), text="words of a broken file")
    project = replace(project, attachments=(*project.attachments, broken))
    images = pictures_of(project, Shown())
    assert {"paper-0", "paper-1"} <= set(images) and "paper-2" not in images
    seen = images["paper-0"]
    assert seen.pixelColor(300, 100).green() < 100 < seen.pixelColor(300, 800).green(), "red above, white below"
    assert all(image.height() <= image.width() for image in images.values())
    path = tmp_path / "card.pdf"
    write_card(project, path, "rocker", "2026-01-02", "1.2.3", Shown())
    document = pypdfium2.PdfDocument(path)
    shown = [sum(thing.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE for thing in page.get_objects()) for page in document]
    document.close()
    assert sum(shown) == 6, "each picture on one page, none twice"
    text = text_of(path)
    assert all(f"words of {name}" in text for name in ("upright.jpg", "label.png", "a broken file"))


def test_an_html_card_stands_alone(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    write_card(project, path, "rocker <1>", "2026-01-02", "1.2.3", Shown())
    page = path.read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 4 and "rocker &lt;1&gt;" in page
    assert not re.search(r"(src|href)=['\"](?!data:)", page)
    on_screen = page[page.index("@media screen") : page.index("</style>", page.index("@media screen"))]
    sizes = [float(size) for size in re.findall(r"font-size: ([0-9.]+)pt", on_screen)]
    assert len(sizes) == 3 and min(sizes) >= 10.0, "the small letters are those of paper"


def test_the_pictures_show_something(project: Project) -> None:
    images = pictures_of(project, Shown())
    assert set(images) == {"gap-0", "section-0", "whole", "whole-back"}
    for image in images.values():
        colours = {image.pixel(x, y) for x in range(0, image.width(), 7) for y in range(0, image.height(), 7)}
        assert len(colours) > 4


def test_overlap_is_told_without_colour(project: Project) -> None:
    """In grey, open and overlapping at full colour would be alike; only overlap is hatched in black."""
    seen = gap_map(project, project.fits[0])
    counts = []
    for sign in (1.0, -1.0):
        size = np.abs(seen.gap_mm) * sign
        image = gap_picture(replace(seen, gap_mm=size), Shown())
        face = [image.pixelColor(x, y) for x in range(20, 700, 3) for y in range(20, 550, 3)]
        counts.append(sum(colour.lightness() < 8 for colour in face))
    assert counts[1] > 40 * max(counts[0], 1)


def test_the_look_of_the_whole_marks_what_no_scan_measured(project: Project) -> None:
    whole = project.whole
    plain = look_of(whole, (300, 200))
    assert 0.2 < np.isfinite(plain.light).mean() < 0.95
    every = np.arange(len(whole.mesh.triangles), dtype=np.int32)
    filled = look_of(replace(whole, filled_triangles=every), (300, 200))
    shown = np.isfinite(filled.light)
    assert (filled.kind[shown] == NOT_MEASURED).all() and np.array_equal(shown, np.isfinite(plain.light))
    numbered = look_of(replace(whole, filled_triangles=np.zeros(0, np.int32), number_triangles=every), (300, 200))
    assert (numbered.kind[shown] == NOT_MEASURED).all()


def test_the_look_keeps_to_scale() -> None:
    """Closed form: a sphere of 20 mm is a disc of 20 mm, seen from anywhere."""
    rng = np.random.default_rng(3)
    points = rng.normal(size=(4000, 3))
    points = 10.0 * points / np.linalg.norm(points, axis=1, keepdims=True)
    hull = ConvexHull(points)
    triangles = hull.simplices.copy()
    inward = np.einsum("ij,ij->i", np.cross(*(points[triangles[:, k]] - points[triangles[:, 0]] for k in (1, 2))),
                       points[triangles[:, 0]]) < 0  # fmt: skip
    triangles[inward] = triangles[inward][:, ::-1]
    none = np.zeros(0, np.int32)
    ball = Whole(Mesh(points, triangles), 1.0, 1.0, True, 1, 0, none, none, 0.0, (), 0, 0.0, ())
    seen = look_of(ball, (400, 300), back=True)
    area = float(np.isfinite(seen.light).sum()) * seen.mm_per_dot**2
    assert area == pytest.approx(np.pi * 100.0, rel=0.03)


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
