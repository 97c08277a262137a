"""Datum frames, sections, fits and the sheet, against closed forms, trimesh and manifold3d, and read back again."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import ezdxf
import manifold3d
import numpy as np
import pytest
import trimesh

from rejoin.core.dimensions.datums import datum_frame
from rejoin.core.dimensions.mating import Mate, fit_map, fit_of, fit_with, limits_of_grade, mate_of
from rejoin.core.dimensions.sections import section_at
from rejoin.core.dimensions.sheet import Hole, Sheet, drawing_notes, hole_of, set_up_of, write_sheet
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import placed
from rejoin.core.records import FloatArray, Fragment, Mesh, Placement, Project, ScaleCheck, Scan, Shape, Whole
from rejoin.core.transforms import apply, from_vector, turn
from tests.core.plates import block, flat
from tests.core.solids_to_measure import plate

POSE = from_vector(np.array([0.4, -0.3, 0.9, 12.0, -7.0, 33.0]), np.zeros(3))


def shape(kind: str, point: list[float], direction: list[float] | None = None, radius: float | None = None) -> Shape:
    """A fitted feature in a frame that is turned and shifted by `POSE`."""
    at = apply(POSE, np.array([point], float))[0]
    along = None if direction is None else turn(POSE, np.array([direction], float))[0]
    return Shape(kind, at, along, radius, None, 0.01, 0.05, 0.04, 1.0, 100, 0.01)


FACE = shape("plane", [3, 4, 6], [0, 0, 1])
BORE = shape("cylinder", [-20, 0, 2], [0, 0, -1], 10.0)
OTHER = shape("cylinder", [20, 0, 5], [0, 0, 1], 6.0)
SIDE = shape("plane", [0, 20, 1], [0, 1, 0])


def in_datums(features: list[Shape], points: list[list[float]]) -> FloatArray:
    frame = datum_frame(features)
    assert np.linalg.det(frame.datum_from_part[:3, :3]) == pytest.approx(1.0)
    return apply(frame.datum_from_part @ POSE, np.array(points, float))


def test_a_face_and_two_bores_square_the_part_up() -> None:
    """Closed form: origin where the first bore meets the face, x towards the second bore, z into the part."""
    found = in_datums([FACE, BORE, OTHER], [[-20, 0, 6], [20, 0, 6], [-20, 0, -4]])
    np.testing.assert_allclose(found, [[0, 0, 0], [40, 0, 0], [0, 0, 10]], atol=1e-9)
    assert datum_frame([FACE, BORE, OTHER]).free == ()


def test_a_bore_may_come_first_and_a_side_settle_the_turn() -> None:
    frame = datum_frame([BORE, FACE, SIDE])
    assert frame.free == ()
    found = apply(frame.datum_from_part @ POSE, np.array([[-20.0, 0, 6]]))
    np.testing.assert_allclose(found, 0.0, atol=1e-9)
    into = turn(frame.datum_from_part @ POSE, np.array([[0.0, -1, 0], [0.0, 0, -1]]))
    np.testing.assert_allclose(into, [[1, 0, 0], [0, 0, 1]], atol=1e-9)
    turned_over = datum_frame([shape("cylinder", [-20, 0, 2], [0, 0, 1], 10.0), FACE, SIDE])
    np.testing.assert_allclose(turned_over.datum_from_part, frame.datum_from_part, atol=1e-9)


def test_three_faces_in_closed_form() -> None:
    left = shape("plane", [-40, 0, 0], [-1, 0, 0])
    found = in_datums([FACE, SIDE, left], [[-40, 20, 6], [-40, 10, 6]])
    np.testing.assert_allclose(found[0], 0.0, atol=1e-9)
    np.testing.assert_allclose(found[1], [10, 0, 0], atol=1e-9)


def test_what_is_left_free_is_told_and_useless_datums_are_refused() -> None:
    assert datum_frame([FACE]).free == ("turn about z", "origin along x", "origin along y")
    assert datum_frame([FACE, BORE]).free == ("turn about z",)
    again = shape("plane", [0, 0, -6], [0, 0, -1])
    with pytest.raises(NoAnswer, match="secondary datum settles nothing"):
        datum_frame([FACE, again])
    with pytest.raises(NoAnswer, match="primary datum must be"):
        datum_frame([shape("sphere", [0, 0, 0], None, 5.0)])
    with pytest.raises(WrongUse):
        datum_frame([])
    outward = turn(POSE, np.array([[0.0, 0, -1]]))[0]
    assert datum_frame([FACE], [outward]).datum_from_part[2, :3] @ outward == pytest.approx(-1.0)


def test_the_part_sits_on_the_face_that_was_picked_first() -> None:
    """Picked below, a hole at the far right stays at the far right as the machinist sees it: no mirror image."""
    under = shape("plane", [0, 0, -6], [0, 0, -1])
    found = in_datums([under, BORE, OTHER], [[0, 0, 6], [0, 15, 0]])
    np.testing.assert_allclose(found, [[20, 0, 12], [20, 15, 6]], atol=1e-9)
    assert any("as seen from above" in line for line in set_up_of([("base", under)], datum_frame([under])))


def a_section(noise: float = 0.0):  # type: ignore[no-untyped-def]
    return section_at(plate(noise), np.array([0.0, 0, 3.0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), noise)


def test_a_section_against_its_solid_trimesh_and_manifold() -> None:
    """Closed form (polygons of 240 sides), trimesh's section and manifold3d's slice."""
    found, mesh = a_section(), plate()
    ngon = 240 / 2 * np.sin(2 * np.pi / 240)
    assert found.area_mm2 == pytest.approx(80 * 40 - ngon * (100 + 36 + 25), abs=1e-3)
    cut = trimesh.Trimesh(mesh.vertices, mesh.triangles).section(plane_origin=[0, 0, 3.0], plane_normal=[0, 0, 1])
    length = sum(np.linalg.norm(np.roll(one.points, -1, 0) - one.points, axis=1).sum() for one in found.outlines)
    assert length == pytest.approx(cut.length, rel=1e-6)
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    assert found.area_mm2 == pytest.approx(solid.slice(3.0).area(), rel=1e-5)
    assert found.size_mm == pytest.approx((80.0, 40.0), abs=1e-6)
    assert all(one.closed for one in found.outlines)


def test_the_outline_is_dimensioned() -> None:
    for noise in (0.0, 0.02):
        found = a_section(noise)
        circles = sorted(one.circle for one in found.outlines if one.circle)
        assert [round(circle[2], 1) for circle in circles] == [20.0, 10.0, 12.0]
        np.testing.assert_allclose([circle[:2] for circle in circles], [[-20, 0], [0, 10], [20, 0]], atol=0.02)
        (outer,) = [one for one in found.outlines if not one.circle]
        lengths = sorted(np.hypot(b[0] - a[0], b[1] - a[1]) for a, b in outer.straights)
        np.testing.assert_allclose(lengths, [40, 40, 80, 80], atol=0.3)
        assert found.size_mm == pytest.approx((80.0, 40.0), abs=1.5 * noise + 1e-6), "noise makes no part larger"


def test_a_plane_beside_the_part_is_a_sentence() -> None:
    with pytest.raises(NoAnswer, match="does not cut"):
        section_at(plate(), np.array([0, 0, 99.0]), np.array([0, 0, 1.0]))


def a_sheet() -> Sheet:
    frame = datum_frame([FACE, BORE, OTHER])
    holes = (hole_of("A1", BORE, frame), hole_of("A2", OTHER, frame, "M12 x 1.75: tapping size 10.2, by number"))
    features = [("top face", FACE), ("big bore", BORE), ("small bore", OTHER)]
    return Sheet("rocker", (("A-A", a_section()),), holes, set_up_of(features, frame), ("Scale not proven.",))


def test_the_dxf_is_true_to_size(tmp_path: Path) -> None:
    """Read back by ezdxf: millimetres, 80 x 40, the bores' diameters, dimensions that say so, the hole table."""
    document = ezdxf.readfile(write_sheet(a_sheet(), tmp_path / "sheet.dxf"))
    assert document.units == ezdxf.units.MM
    space = document.modelspace()
    (line,) = space.query("LWPOLYLINE")
    points = np.array([p[:2] for p in line.get_points()])
    np.testing.assert_allclose(np.ptp(points, axis=0), [80, 40], atol=1e-6)
    assert sorted(round(2 * one.dxf.radius, 2) for one in space.query("CIRCLE")) == [10.0, 12.0, 20.0]
    sizes = {round(one.get_measurement(), 2) for one in space.query("DIMENSION")}
    assert {80.0, 40.0, 20.0, 12.0, 10.0} <= sizes
    texts = [one.dxf.text for one in space.query("TEXT")]
    assert {"A2", "40.00", "12.00", "rocker", "Scale not proven."} <= set(texts)
    assert any("by number" in text for text in texts) and any("Datum A (primary)" in text for text in texts)


def test_what_rounds_to_nothing_has_no_sign(tmp_path: Path) -> None:
    sheet = replace(a_sheet(), holes=(Hole("A9", -0.004, -0.006, 8.0, 0.0),))
    space = ezdxf.readfile(write_sheet(sheet, tmp_path / "sheet.dxf")).modelspace()
    texts = {one.dxf.text for one in space.query("TEXT")}
    assert {"A9", "0.00", "-0.01"} <= texts and "-0.00" not in texts


def test_the_pdf_is_true_to_size(tmp_path: Path) -> None:
    """The page's own numbers: scaled to millimetres (72 / 25.4 points), the proving line 100 long, the part 80 wide."""
    data = write_sheet(a_sheet(), tmp_path / "sheet.pdf").read_bytes().decode("latin-1")
    assert re.search(r"2\.834\d+ 0 0 2\.834\d+ 0 0 cm", data)
    lines = [tuple(map(float, m)) for m in re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l S", data)]
    lengths = [round(np.hypot(c - a, d - b), 3) for a, b, c, d in lines]
    assert 100.0 in lengths and 80.0 in lengths and 40.0 in lengths
    width, height = map(float, re.search(r"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data).groups())  # type: ignore[union-attr]
    assert width >= 130 * 72 / 25.4 and height >= 90 * 72 / 25.4
    assert "(80.00)" in data and "rocker" in data


def test_every_drawing_says_that_the_scale_is_not_proven() -> None:
    """Until a reading on the whole, or on each fragment, agrees; what was put in by number is always said."""
    pieces = [block(flat, upper=upper, seed=1) for upper in (False, True)]
    project = Project(tuple(one.fragment.scan for one in pieces), tuple(one.fragment for one in pieces))
    assert [one for one in drawing_notes(project) if "SCALE NOT PROVEN" in one]
    sure = [ScaleCheck(on, 1.0, 0.001, 1, "proven", "Scale proven.") for on in (-1, 0, 1)]
    off = ScaleCheck(-1, 1.02, 0.001, 2, "off", "Scale off: 2 % larger.")
    assert drawing_notes(replace(project, scales=(sure[0],))) == ()
    assert drawing_notes(replace(project, scales=(off,))) == ("Scale off: 2 % larger.",)
    assert drawing_notes(replace(project, scales=(sure[1],)))
    assert drawing_notes(replace(project, scales=tuple(sure[1:]))) == ()


def test_a_sheet_in_words(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="cannot be written as"):
        write_sheet(a_sheet(), tmp_path / "sheet.doc")
    with pytest.raises(WrongUse, match="no section"):
        write_sheet(Sheet("x", (), (), (), ()), tmp_path / "sheet.dxf")
    with pytest.raises(NoAnswer, match="no bore"):
        hole_of("face", FACE, datum_frame([FACE]))
    with pytest.raises(NoAnswer, match="along the datum plane"):
        hole_of("cross bore", shape("cylinder", [0, 0, 0], [1, 0, 0], 3.0), datum_frame([FACE]))
    assert hole_of("A2", OTHER, datum_frame([FACE, BORE, OTHER])).x_mm == pytest.approx(40.0)
    assert isinstance(a_sheet().holes[0], Hole)


@pytest.mark.parametrize("bore, shaft, state, verdict", [
    (20.05, 20.0, "clearance", "pass"), (20.0, 20.03, "interference", "fail"), (20.005, 20.0, "either", "fail"),
    (20.2, 20.0, "clearance", "fail"), (20.025, 20.0, "clearance", "not proven"),
])  # fmt: skip
def test_fits(bore: float, shaft: float, state: str, verdict: str) -> None:
    found = fit_of(bore, 0.006, shaft, 0.008, 0.02, 0.08)
    assert found.u95_mm == pytest.approx(0.01)
    assert (found.state, found.verdict) == (state, verdict)


def test_limits_from_a_grade() -> None:
    """ISO 286-2: 20 H7 is 20.000 to 20.021, 20 g6 is 19.980 to 19.993 (deviation -7 um typed in)."""
    assert limits_of_grade(20.0, 7, 0.0) == pytest.approx((20.0, 20.021))
    assert limits_of_grade(20.0, 6, -0.007, above=False) == pytest.approx((19.98, 19.993))


@pytest.mark.parametrize(("radius", "aside", "words", "asked"), [
    (9.9, 0.0, r"^Clearance 0\.\d+ to 0\.\d+ mm", False),
    (10.1, 0.0, r"^They overlap by 0\.\d+ to 0\.\d+ mm .*at its deepest point the overlap is 0\.", False),
    (10.0, 0.1, r"^From 0\.\d+ mm overlap to 0\.\d+ mm clearance", False),
    (10.0, 0.9, r"is the mating part's scan in position\?$", True),
])  # fmt: skip
def test_a_fit_is_told_as_overlap_where_it_is_one(radius: float, aside: float, words: str, asked: bool) -> None:
    pin = manifold3d.Manifold.cylinder(30, radius, radius, 480, True).translate((-20.0 + aside, 0, 0)).to_mesh()
    told = fit_map(plate(), Mesh(np.array(pin.vert_properties[:, :3], float), np.array(pin.tri_verts, np.int32)), 1.0)
    assert re.search(words, told.sentence) and ("in position" in told.sentence) == asked, told.sentence


@pytest.mark.parametrize(("noise", "views", "placed", "mate_noise", "u95", "told"), [
    (0.0, 0.0, 0.0, 0.02, 0.0392, False), (0.02, 0.0, 0.0, 0.0, 0.0392, False), (0.0, 0.03, 0.0, 0.0, 0.03, False),
    (0.0, 0.0, 0.04, 0.0, 0.04, False), (0.02, 0.03, 0.08, 0.02, 0.1018, True),
])  # fmt: skip
def test_a_clearance_is_as_unsure_as_scans_and_places_are(
    noise: float, views: float, placed: float, mate_noise: float, u95: float, told: bool
) -> None:
    """A pin of 19.8 set aside by 0.05: its tightest 0.05 mm is proven only by what is surer than that."""
    pin = manifold3d.Manifold.cylinder(30, 9.9, 9.9, 480, True).translate((-19.95, 0, 0)).to_mesh()
    scan = Scan("half", (), plate(), "mm", True, False, ("x",), views_u95_mm=views)
    piece = Fragment(scan, plate(), 1.0, noise, (), (), True, ())
    none = np.empty(0, np.int32)
    whole = Whole(plate(), 1.0, 1.0, True, 1, 0, none, none, 0.0, (), 0, 0.0, ())
    project = replace(Project(), fragments=(piece, piece), whole=whole, placements=tuple(
        Placement(np.eye(4), "program", u95_mm=value) for value in (None, placed)))  # fmt: skip
    mating = Mesh(np.array(pin.vert_properties[:, :3], float), np.array(pin.tri_verts, np.int32))
    found = fit_with(project, Mate("pin", mating, mate_noise, 0.0), 0.5)
    assert found.u95_mm == pytest.approx(u95, abs=1e-3)
    assert f"Each number +- {found.u95_mm:.3f} mm (95 %), if the mating part's scan is in position" in found.sentence
    assert ("cannot tell whether the tightest places clear or overlap" in found.sentence) == told
    assert mate_of("pin", replace(scan, mesh=mating, views_u95_mm=0.2)).views_u95_mm == 0.2


def test_the_map_of_a_fit() -> None:
    """Closed form: a pin of 19.8 in the bore of 20, set aside by 0.05: clearance 0.05 to 0.15."""
    pin = manifold3d.Manifold.cylinder(30, 9.9, 9.9, 480, True).translate((-19.95, 0, 0)).to_mesh()
    mating = Mesh(np.array(pin.vert_properties[:, :3], float), np.array(pin.tri_verts, np.int32))
    found = fit_map(plate(), mating, 0.5)
    assert found.tightest_mm == pytest.approx(0.05, abs=0.01) and found.loosest_mm == pytest.approx(0.15, abs=0.01)
    assert found.median_mm == pytest.approx(0.1, abs=0.01) and found.overlap_max_mm == 0.0
    wide = fit_map(plate(), mating, 1.5)
    assert wide.loosest_mm == pytest.approx(0.15, abs=0.02), "the face beside the mouth of the bore is not in the fit"
    with pytest.raises(NoAnswer, match="nowhere near"):
        fit_map(plate(), placed(mating, from_vector(np.array([0, 0, 0, 0, 0, 500.0]), np.zeros(3))), 0.5)
    with pytest.raises(WrongUse):
        fit_map(plate(), mating, 0.0)
