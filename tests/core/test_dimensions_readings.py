"""Caliper readings: the table, agreement, limits, scale, temperature, weight; tables against their published values."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rejoin.core import edits, further, steps
from rejoin.core.dimensions.agreement import Pairs, conformance, instrument_u95, normalised_error, scale_of, unit_slip
from rejoin.core.dimensions.checking import _comparable
from rejoin.core.dimensions.readings import parse_number, read_readings, write_readings
from rejoin.core.dimensions.tables import (
    DENSITY_G_CM3,
    EXPANSION_PER_K,
    IT_UM,
    at_20_degrees,
    grade_width_mm,
    misalignment_limits_mm,
)
from rejoin.core.dimensions.told import as_whole, check_content
from rejoin.core.errors import FileTrouble, NoAnswer, RejoinError, WrongUse
from rejoin.core.records import Fragment, Project, Reading, Scan
from rejoin.core.settings import DimensionSettings
from rejoin.core.storage import load_project, save_project
from tests.core.solids_to_measure import plate

CHECKS = Path(__file__).resolve().parents[3] / "shared" / "checks"


@pytest.mark.parametrize("text, value", [
    ("84.1", 84.1), ("84,1", 84.1), ("3 5/16", 3.3125), ("3-5/16", 3.3125), ("5/16", 0.3125), (" 1e-2 ", 0.01),
    ("-0,5", -0.5), ("12 3/4\"", 12.75), ("84.1 mm", 84.1), ("90°", 90.0), (".5", 0.5), ("7", 7.0),
])  # fmt: skip
def test_numbers_as_people_write_them(text: str, value: float) -> None:
    assert parse_number(text)[0] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("text", ["", "abc", "1.234,5", "1/0", "1,2,3", "--4", "3 5", "nan"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        parse_number(text)


HEAD = "name;kind;x1;y1;z1;x2;y2;z2;reading;unit;limit;low;high\n"


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_separators_decimals_and_inches(tmp_path: Path) -> None:
    semicolons = read_readings(
        table(tmp_path, HEAD + "a;bore;1,5;0;0;;;;19,98;mm;0,02;;\nb;faces;0;0;0;1;1;1;3 5/16;inch;0,001;;\n")
    )
    assert semicolons[0].picks_mm[0, 0] == 1.5
    assert (semicolons[0].value, semicolons[0].limit) == (19.98, 0.02)
    assert semicolons[1].value == pytest.approx(84.1375)
    assert semicolons[1].limit == pytest.approx(0.0254)
    commas = read_readings(table(tmp_path, HEAD.replace(";", ",") + "a,bore,1.5,0,0,,,,19.98,,0.02,,\n"))
    assert commas[0].value == 19.98
    tabs = read_readings(
        table(tmp_path, HEAD.replace(";", "\t") + 'a\tbore\t1,5\t0\t0\t\t\t\t3-5/16"\t\t\t\t\n'), unit="inch"
    )
    assert tabs[0].value == pytest.approx(84.1375)
    assert tabs[0].picks_mm[0, 0] == pytest.approx(1.5 * 25.4)


def test_a_written_table_is_read_again(tmp_path: Path) -> None:
    readings = (
        Reading("a", "bore", np.array([[1.0, 2, 3]]), (-1,), 84.1375, 0.0254, 84.0, 84.3, "inch", "by hand; with care"),
        Reading("b", "angle", np.array([[1.0, 2, 3], [4, 5, 6]]), (1, -1), 90.25, 0.1, None, None, "deg"),
    )
    for comma in (False, True):
        write_readings(readings, tmp_path / "out.csv", "cm", ("x", "y"), comma)
        again = read_readings(tmp_path / "out.csv", "cm", ("x", "y"))
        for one, other in zip(readings, again, strict=True):
            assert np.allclose(one.picks_mm, other.picks_mm, atol=1e-9)
            assert other.value == pytest.approx(one.value) and other.limit == pytest.approx(one.limit)
            assert (one.name, one.kind, one.on, one.unit, one.note) == (
                other.name,
                other.kind,
                other.on,
                other.unit,
                other.note,
            )


@pytest.mark.parametrize("text, sentence", [
    ("", "holds no readings"),
    (HEAD, "holds no readings"),
    ("name;kind\na;bore\n", "x1 is missing"),
    (HEAD.replace("limit", "limits") + "a;bore;1;0;0;;;;;;;;\n", "'limits' is not known"),
    (HEAD + "a;hole;1;0;0;;;;;;;;\n", "nothing that can be measured"),
    (HEAD + "a;faces;1;0;0;;;;20;;;;\n", "x2 is missing"),
    (HEAD + "a;bore;1;0;0;;;;twenty;;;;\n", "no number"),
    (HEAD + "a;bore;1;0;0;;;;3 5/16;;;;\n", "fraction"),
    (HEAD + "a;bore;1;0;0;;;;20;furlong;;;\n", "no unit"),
    (HEAD + "a;bore;1;0;0;;;;-20;;;;\n", "above zero"),
    (HEAD + "a;bore;1;0;0;;;;20;;0.02;21;20;\n", "more fields|lower limit"),
    ("name,kind,x1,y1,z1,reading\na,bore,1,5,0,0,19,98\n", "more fields"),
])  # fmt: skip
def test_a_bad_table_is_a_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(RejoinError, match=sentence) as caught:
        read_readings(table(tmp_path, text))
    assert isinstance(caught.value, FileTrouble if "holds no" in sentence else WrongUse)
    assert caught.value.what_to_do


def test_the_normalised_error_of_a_worked_example() -> None:
    """ISO/IEC 17043: E = (x - X) / sqrt(Ulab^2 + Uref^2); 0.05 against 0.03 and 0.04 is exactly 1."""
    assert normalised_error(0.05, 0.03, 0.04) == pytest.approx(1.0)
    assert normalised_error(0.0, 0.0, 0.0) == 0.0 and normalised_error(0.1, 0.0, 0.0) == np.inf
    assert instrument_u95(0.03) == pytest.approx(0.0346410)


@pytest.mark.parametrize("value, verdict", [
    (19.95, "not proven"), (20.0, "pass"), (20.05, "not proven"), (20.2, "fail"), (19.8, "fail"), (19.92, "not proven"),
])  # fmt: skip
def test_limits_by_iso_14253(value: float, verdict: str) -> None:
    assert conformance(value, 0.06, 19.9, 20.1) == verdict
    assert conformance(value, 0.06, None, None) == "no limits"


def pairs(scan: list[float], reading: list[float], u: float = 0.03) -> Pairs:
    size = np.full(len(scan), u)
    return Pairs(np.array(scan), size, np.array(reading), size)


def test_the_scale_of_a_known_scan() -> None:
    """Closed form: equal weights, factor = sum xy / sum x^2."""
    scan, reading = [100.0, 40.0, 20.0], [100.21, 40.07, 20.05]
    check, kept = scale_of(pairs(scan, reading), 0)
    assert all(kept)
    assert check.factor == pytest.approx(np.dot(scan, reading) / np.dot(scan, scan), abs=1e-5)
    assert check.state == "off" and "larger" in check.sentence
    near, _ = scale_of(pairs(scan, [100.01, 40.0, 19.99]), 0)
    assert near.state == "proven"
    assert near.u95 == pytest.approx(np.hypot(0.03, 0.03) / np.linalg.norm(scan), rel=0.01)


def test_slips_and_blunders_are_told() -> None:
    far, kept = scale_of(pairs([100.0, 40.0, 20.0], [100.02, 49.99, 20.01]), 0)
    assert kept == (True, False, True) and far.state == "proven"
    inch, _ = scale_of(pairs([100.0, 40.0], [2540.0, 1016.1]), 0)
    assert inch.state == "off" and "as if inch had been taken for mm" in inch.sentence
    assert unit_slip(1 / 25.4) == "as if mm had been taken for inch"
    assert unit_slip(1.002) is None
    torn, _ = scale_of(pairs([100.0, 40.0], [100.0, 45.0]), 0)
    assert torn.state == "contradictory"
    alone, _ = scale_of(pairs([100.0], [110.0]), 0)
    assert alone.state == "not proven"
    none, _ = scale_of(pairs([], []), 0)
    assert none.state == "not proven" and none.factor is None


def a_project(readings: tuple[Reading, ...], noise: float = 0.02) -> Project:
    mesh = plate(noise)
    scan = Scan("plate", ("plate.stl",), mesh, "mm", True, False, ("0",))
    fragment = Fragment(scan, mesh, 1.0, noise, (), 0, True, ())
    return edits.with_readings(Project((scan,), (fragment,), whole=as_whole(fragment)), readings)


BORE = Reading("big bore", "bore", np.array([[-10.0, 0, 0]]), (0,), 19.99, 0.02, 19.9, 20.1)
CENTRES = Reading("centres", "centres", np.array([[-10.0, 0, 0], [26, 0, 0]]), (0, 0), 40.01, 0.03)
UNREAD = Reading("wall", "wall", np.array([[-5.0, -5, 6]]), (0,))


def test_a_check_from_end_to_end(tmp_path: Path) -> None:
    project = further.check_dimensions(a_project((BORE, CENTRES, UNREAD)))
    bore, centres, wall = project.checks
    assert (bore.agreement, bore.verdict) == ("agrees", "pass")
    assert centres.agreement == "agrees" and centres.verdict == "no limits"
    assert project.scales[0].state == "proven"
    assert wall.scale_proven and wall.agreement == "not read"
    assert "14253" in bore.sentence
    assert check_content(project, "f", "mm", ("plate",))["complete"] is True
    again = load_project(save_project(project, tmp_path / "kept"))
    assert again.checks[0].sentence == bore.sentence
    assert again.readings[1].on == (0, 0)
    assert edits.remove_reading(project, 0).checks == ()
    assert steps.clean(replace(project, fragments=())).checks == ()


def test_without_a_reading_the_scale_is_not_proven() -> None:
    project = further.check_dimensions(a_project((UNREAD, replace(UNREAD, name="with limits", low=11.0, high=13.0))))
    assert "Scale not proven." in project.checks[0].sentence
    assert project.checks[1].verdict == "not proven"
    assert check_content(project, "f", "mm", ("plate",))["complete"] is False


def test_a_scan_too_small_is_found_and_corrected_only_on_demand() -> None:
    wrong = tuple(replace(one, value=1.01 * one.value if one.value else None) for one in (BORE, CENTRES))
    project = further.check_dimensions(a_project(wrong))
    assert project.scales[0].state == "off"
    assert project.fragments[0].scan is project.scans[0]
    assert project.checks[1].agreement in ("disagrees", "far off")
    corrected = edits.correct_scale(project, 0)
    assert np.ptp(corrected.scans[0].mesh.vertices[:, 0]) == pytest.approx(80.0 * 1.01, abs=0.2)
    assert corrected.scans[0].read_notes[-1].kind == "scale"
    again = further.check_dimensions(steps.clean(corrected))
    assert again.scales[0].state == "proven"
    with pytest.raises(NoAnswer, match="no correction"):
        edits.correct_scale(again, 0)


def test_a_pick_on_nothing_does_not_hold_up_the_others() -> None:
    lost = replace(BORE, name="lost", picks_mm=np.array([[500.0, 0, 0]]))
    project = further.check_dimensions(a_project((lost, BORE)))
    assert project.checks[0].value is None and "no surface at the pick" in project.checks[0].sentence
    assert project.checks[1].agreement == "agrees"


def test_readings_follow_their_fragments() -> None:
    project = a_project((BORE, replace(BORE, on=(-1,))))
    two = replace(project, scans=project.scans * 2, fragments=project.fragments * 2,
                  readings=(BORE, replace(BORE, on=(1,))))  # fmt: skip
    assert [one.on for one in edits.remove_fragment(two, 0).readings] == [(0,)]
    inches = edits.state_unit(two, (1,), "inch")
    assert inches.readings[1].picks_mm[0, 0] == pytest.approx(-254.0) and inches.readings[0].picks_mm[0, 0] == -10.0


def test_temperature_only_if_both_are_known() -> None:
    """R in the trade's own figures: grey iron 200 mm, +10 K: 0.022 mm; with a steel caliper as warm about 0.002 mm."""
    assert 200.0 - at_20_degrees(200.0, "grey iron", 30.0, 20.0) == pytest.approx(0.021, abs=0.001)
    assert at_20_degrees(200.0, "grey iron", 30.0, 30.0) - 200.0 == pytest.approx(0.003, abs=0.001)
    with pytest.raises(WrongUse, match="Only one temperature"):
        further.check_dimensions(a_project((BORE,)), DimensionSettings(part_temperature_c=30.0, metal="steel"))
    with pytest.raises(WrongUse, match="metal"):
        further.check_dimensions(
            a_project((BORE,)), DimensionSettings(part_temperature_c=30.0, instrument_temperature_c=20.0)
        )
    warm = DimensionSettings(metal="aluminium", part_temperature_c=40.0, instrument_temperature_c=20.0)
    project = further.check_dimensions(a_project((BORE,)), warm)
    assert project.checks[0].reading == pytest.approx(19.99 / (1 + 23e-6 * 20), abs=1e-9)


def test_weight_against_the_balance() -> None:
    """Closed form: the plate's volume in cm3 times the density."""
    grams = (80 * 40 * 12 - np.pi * (100 * 12 + 36 * 12 + 25 * 7) + np.pi * 16 * 14) / 1000 * 7.15
    weight = Reading("weight", "weight", np.empty((0, 3)), (), grams, 1.0, None, None, "g")
    metal = DimensionSettings(metal="grey iron")
    check = further.check_dimensions(a_project((weight,)), metal).checks[0]
    assert check.value == pytest.approx(grams, rel=2e-3) and check.agreement == "agrees"
    heavy = further.check_dimensions(a_project((replace(weight, value=1.3 * grams),)), metal).checks[0]
    assert heavy.agreement == "disagrees" and "cavity" in heavy.sentence
    assert "metal" in further.check_dimensions(a_project((weight,))).checks[0].sentence


def test_tolerance_grades_follow_their_formula() -> None:
    """ISO 286-1: i = 0.45 D^(1/3) + 0.001 D, IT6 = 10 i ... IT18 = 2500 i, D the geometric mean of the step."""
    ends = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)
    factors = {6: 10, 7: 16, 8: 25, 9: 40, 10: 64, 11: 100, 12: 160, 13: 250, 14: 400, 15: 640, 16: 1000, 17: 1600}
    for grade, factor in factors.items():
        for low, high in zip(ends, ends[1:], strict=False):
            mean = (low * high) ** 0.5
            size = factor * (0.45 * mean ** (1 / 3) + 0.001 * mean)
            assert 1000 * grade_width_mm(grade, high) == pytest.approx(size, rel=0.1)
    assert grade_width_mm(7, 20.0) == 0.021 and grade_width_mm(14, 50.0) == 0.62
    with pytest.raises(WrongUse):
        grade_width_mm(19, 20.0)
    with pytest.raises(NoAnswer):
        grade_width_mm(7, 501.0)


@pytest.mark.skipif(not CHECKS.is_dir(), reason="the reference data beside this repository is absent")
def test_tolerance_grades_against_the_table() -> None:
    with open(CHECKS / "tables" / "it_grades_um.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 13
    for number, row in enumerate(rows):
        for grade in IT_UM:
            assert IT_UM[grade][number] == float(row[f"IT{grade}"])


def test_expansion_against_handbook_values() -> None:
    """Common handbook ranges, 1e-6 per K (from memory): steel 11 to 13, aluminium 23 to 24, brass 18 to 19."""
    bounds = {"steel": (11, 13), "grey iron": (9, 11), "aluminium": (23, 24), "brass": (18, 19), "zinc": (26, 31)}
    for metal, (low, high) in bounds.items():
        assert low <= 1e6 * EXPANSION_PER_K[metal] <= high
    assert set(DENSITY_G_CM3) == set(EXPANSION_PER_K)


def test_misalignment_limits_of_iso_5817() -> None:
    """ISO 5817:2023, 507: for t = 12 mm D 3.0, C 1.8, B 1.2; capped at 5, 4 and 3 mm."""
    assert misalignment_limits_mm(12.0, "steel") == pytest.approx({"D": 3.0, "C": 1.8, "B": 1.2})
    assert misalignment_limits_mm(100.0, "steel") == pytest.approx({"D": 5.0, "C": 4.0, "B": 3.0})
    assert misalignment_limits_mm(2.0, "steel") == pytest.approx({"D": 0.7, "C": 0.5, "B": 0.4})
    with pytest.raises(NoAnswer, match="not for grey iron"):
        misalignment_limits_mm(12.0, "grey iron")


def test_a_file_that_is_no_table_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core.dimensions import readings

    with pytest.raises(FileTrouble, match="cannot be read"):
        read_readings(tmp_path / "none.csv")
    for data in (b"name;kind\0", b"\x81\x8d\x8f"):
        (tmp_path / "r.csv").write_bytes(data)
        with pytest.raises(FileTrouble, match="is no text"):
            read_readings(tmp_path / "r.csv")
    (tmp_path / "r.csv").write_bytes((HEAD + "a;bore;1;0;0;;;;19;mm;0,02;;\n").encode("utf-16"))
    assert read_readings(tmp_path / "r.csv")[0].value == 19.0
    monkeypatch.setattr(readings, "LARGEST_FILE", 10)
    with pytest.raises(FileTrouble, match="too large"):
        read_readings(tmp_path / "r.csv")


@pytest.mark.parametrize("kind, read, size, told", [
    ("angle", 120.0, 60.1, 60.0), ("angle", 60.0, 119.9, 120.0), ("angle", 90.1, 90.2, 90.1),
    ("faces", 120.0, 60.0, 120.0),
])  # fmt: skip
def test_an_angle_may_be_read_from_its_other_side(kind: str, read: float, size: float, told: float) -> None:
    reading = Reading("a", kind, np.zeros((2, 3)), (-1, -1), read, 0.1, None, None, "deg")
    assert _comparable(reading, read, size) == pytest.approx(told)
