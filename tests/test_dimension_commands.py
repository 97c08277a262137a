"""`rejoin measure` and `rejoin check`: what they write, their exit codes, a sentence for every failure."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from manifold3d import Manifold

from rejoin.cli import main
from rejoin.core.cleaning import clean_scan
from rejoin.core.dimensions.readings import COLUMNS, WEIGHT, read_readings
from rejoin.core.dimensions.sizes import KINDS
from rejoin.core.dimensions.told import as_whole
from rejoin.core.files import read_fragment, write_mesh
from rejoin.core.fit import measure_joint
from rejoin.core.meshes import placed
from rejoin.core.records import Placement, Project, Scan
from rejoin.core.settings import FitSettings, ReadSettings, silent
from rejoin.core.storage import save_project
from rejoin.core.transforms import apply, from_vector
from tests.core.fitsets import certified
from tests.core.plates import block, joint_of, waves
from tests.core.solids_to_measure import noisy, plate

HEAD = "name;kind;x1;y1;z1;x2;y2;z2;reading;unit;limit;low;high\n"


@pytest.fixture
def rejoin(capfd: pytest.CaptureFixture[str]) -> Any:
    def call(*arguments: object) -> tuple[int, str, str]:
        capfd.readouterr()
        code = main([str(argument) for argument in arguments])
        return (code, *capfd.readouterr())

    return call


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("whole") / "plate.ply"
    write_mesh(plate(0.02), path, "mm")
    return path


@pytest.mark.parametrize("suffix, separator, comma", [
    (".xyz", " ", False), (".csv", ",", False), (".csv", ";", True), (".txt", "\t", True), (".ply", " ", False),
])  # fmt: skip
def test_measure_reads_points_however_written(
    rejoin: Any, tmp_path: Path, suffix: str, separator: str, comma: bool
) -> None:
    truth, points = certified("cylinder", 2)
    lines = [separator.join(repr(float(value)) for value in row) for row in points / 25.4]
    text = "\n".join(lines).replace(".", "," if comma else ".") + "\n"
    if suffix == ".ply":
        text = ("ply\nformat ascii 1.0\nelement vertex 60\nproperty double x\nproperty double y\nproperty double z\n"
                "end_header\n" + text)  # fmt: skip
    elif suffix == ".csv":
        text = separator.join(("x", "y", "z")) + "\n" + text
    file, out = tmp_path / f"points{suffix}", tmp_path / "out.json"
    file.write_text(text, encoding="utf-8")
    code, told, _ = rejoin("measure", file, "--shape", "cylinder", "--unit", "inch", "--json", out)
    assert code == 0 and "cylinder" in told and "scale not proven" in told
    content = json.loads(out.read_text())
    assert content["unit"] == "mm" and content["shape"] == "cylinder"
    assert content["params"]["radius"] == pytest.approx(truth.radius, abs=1e-6)
    assert set(content["params"]) == {"axis_point", "axis_dir", "radius"}
    assert content["rms_mm"] == pytest.approx(0.05, abs=1e-9)
    assert content["used_share"] == 1.0 and content["form_deviation_mm"] > 0.1


def test_measure_of_a_surface_and_of_a_plane_figure(rejoin: Any, tmp_path: Path, whole: Path) -> None:
    flat = tmp_path / "flat.csv"
    flat.write_text("1;7\n2;6\n5;8\n7;7\n9;5\n3;7\n")
    out = tmp_path / "out.json"
    assert rejoin("measure", flat, "--shape", "circle", "--unit", "mm", "--json", out)[0] == 0
    params = json.loads(out.read_text())["params"]
    assert len(params["center"]) == 2 and params["radius"] == pytest.approx(4.7142, abs=1e-4)
    assert rejoin("measure", flat, "--shape", "line", "--unit", "mm", "--json", out)[0] == 0
    assert len(json.loads(out.read_text())["params"]["direction"]) == 2
    assert rejoin("measure", whole, "--shape", "plane", "--unit", "mm", "--json", out)[0] == 0


@pytest.mark.parametrize("name, text, shape, code, sentence", [
    ("flat.xyz", "1 2\n3 4\n5 7\n", "sphere", 2, "two columns"),
    ("few.xyz", "1 2 3\n3 4 5\n", "plane", 3, "too few"),
    ("line.xyz", "".join(f"{k} {2 * k} {3 * k}\n" for k in range(20)), "plane", 3, "on one line"),
    ("plane.xyz", "".join(f"{k % 7} {k // 7} 1\n" for k in range(49)), "cylinder", 3, "in one plane"),
    ("text.xyz", "1 2 3\n4 five 6\n", "plane", 4, "text where a number"),
    ("ragged.csv", "1,2,3\n4,5\n", "plane", 4, "same count"),
    ("empty.xyz", "", "plane", 4, "empty"),
    ("points.doc", "1 2 3\n", "plane", 4, "not a kind"),
])  # fmt: skip
def test_measure_fails_in_words(
    rejoin: Any, tmp_path: Path, name: str, text: str, shape: str, code: int, sentence: str
) -> None:
    (tmp_path / name).write_text(text)
    got, _, said = rejoin("measure", tmp_path / name, "--shape", shape, "--unit", "mm", "--json", tmp_path / "o.json")
    assert got == code and sentence in said and "Traceback" not in said
    assert not (tmp_path / "o.json").exists()


def test_measure_of_a_missing_file(rejoin: Any, tmp_path: Path) -> None:
    assert rejoin("measure", tmp_path / "no.xyz", "--shape", "plane")[0] == 4
    assert rejoin("measure", tmp_path / "no.xyz", "--shape", "torus")[0] == 2


GOOD = "bore;bore;-10;0;0;;;;20,01;mm;0,03;19,9;20,1\nlength;faces;-40;5;1;40;5;1;3.1496;inch;0.0012;;\n"


def test_check_of_a_sound_whole(rejoin: Any, tmp_path: Path, whole: Path) -> None:
    readings, out = tmp_path / "readings.csv", tmp_path / "check.json"
    readings.write_text(HEAD + GOOD)
    code, told, _ = rejoin("check", whole, "--readings", readings, "--unit", "mm", "--json", out)
    content = json.loads(out.read_text())
    assert code == 0 and content["complete"] is True, told
    bore, length = content["dimensions"]
    assert bore["verdict"] == "pass" and bore["agreement"] == "agrees"
    assert length["value"] == pytest.approx(80.0, abs=0.02) and length["reading"] == pytest.approx(79.99984)
    assert content["scales"][0]["state"] == "proven"
    assert "largest inscribed" in bore["sizes"]


def test_a_fit_by_number_and_with_a_mating_part(rejoin: Any, tmp_path: Path, whole: Path) -> None:
    """A bore of 20, a pin of 19.8 made to fit it in position: clearance 0.2, half of it all round."""
    pin = noisy(Manifold.cylinder(30, 9.9, 9.9, 240, True).translate((-20, 0, 0)).refine_to_length(1.6), 0.0, 3)
    write_mesh(pin, tmp_path / "pin.ply", "mm")
    (tmp_path / "r.csv").write_text(
        "name;kind;x1;y1;z1;mating;mating_limit;fit_low;fit_high;nominal;grade\n"
        "bore;bore;-10;0;0;19,8;0,005;0,02;0,4;20;11\n"
    )
    out, drawn, table = (tmp_path / name for name in ("c.json", "cut.dxf", "map.csv"))
    _, told, _ = rejoin("check", whole, "--readings", tmp_path / "r.csv", "--unit", "mm", "--json", out, "--mating",
                        tmp_path / "pin.ply", "--mating-reach", 0.5, "--mating-map", table, "--section", "0,0,0,0,0,1",
                        "--section-out", drawn)  # fmt: skip
    content = json.loads(out.read_text())
    (row,) = content["dimensions"]
    assert row["clearance"] == pytest.approx(0.2, abs=1.5 * row["clearance_u95"]) and "Against the limits: pass" in told
    assert content["mating"]["median_mm"] == pytest.approx(0.1, abs=0.01) and content["mating"]["overlap_max_mm"] < 0.05
    assert len(table.read_text().splitlines()) == content["mating"]["points"] + 1
    circles = [one.dxf.radius for one in ezdxf.readfile(drawn).modelspace().query("CIRCLE")]
    assert {round(one, 1) for one in circles} == {5.0, 6.0, 10.0} and "area " in told


def test_a_project_s_own_mating_part_needs_no_file(rejoin: Any, tmp_path: Path, whole: Path) -> None:
    """The same pin as a scan of that role in the project; one that is nowhere near is told and ends nothing."""
    part = as_whole(clean_scan(read_fragment(whole, ReadSettings(unit="mm"))))
    (tmp_path / "r.csv").write_text(HEAD + "bore;bore;-10;0;0;;;;20;;0.01;;\n")
    for away, words in ((0.0, "median 0.10"), (500.0, "comes nowhere near this part")):
        pin = noisy(Manifold.cylinder(30, 9.9, 9.9, 240, True).translate((-20, 0, away)).refine_to_length(1.6), 0.0, 3)
        scan = Scan("pin", ("pin.ply",), pin, "mm", True, False, ("x",), role="mating")
        save_project(Project(scans=(scan,), whole=part), tmp_path / "part.rejoin")
        code, told, _ = rejoin("check", tmp_path / "part.rejoin", "--readings", tmp_path / "r.csv",
                               "--mating-reach", 0.5)  # fmt: skip
        assert code in (0, 1) and words in told


@pytest.mark.parametrize("arguments, words", [
    ((), "What is to be checked was not said"),
    (("--section", "0,0,0,0,0,1"), "needs its plane and a file"),
    (("--section", "0,0,99,0,0,1", "--section-out", "cut.pdf"), "does not cut the part"),
    (("--section", "0,0", "--section-out", "cut.pdf"), "plane of the section is not a point and a direction"),
    (("--mating", "far.ply"), "comes nowhere near this part"),
    (("--mating", "far.ply", "--mating-reach", "-1"), "reach must be above zero"),
])  # fmt: skip
def test_sections_and_fits_fail_in_words(
    rejoin: Any, tmp_path: Path, whole: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write_mesh(noisy(Manifold.cube((5, 5, 5)).translate((0, 0, 200)), 0.0, 0), tmp_path / "far.ply", "mm")
    code, _, said = rejoin("check", whole, "--unit", "mm", *arguments)
    assert code != 0 and words in said


@pytest.mark.parametrize("rows, sentence", [
    ("bore;bore;-10;0;0;;;;20,5;mm;0,03;;\nlength;faces;-40;5;1;40;5;1;80;mm;0,03;;\nc;centres;-10;0;0;26;0;0;40;mm;0,03;;\n",
     "far off"),
    ("bore;bore;-10;0;0;;;;0,7874;mm;0,001;;\nlength;faces;-40;5;1;40;5;1;3,1496;mm;0,001;;\n",
     "as if mm had been taken"),
    ("bore;bore;-10;0;0;;;;;;;;\n", "Scale not proven"),
    ("bore;bore;900;0;0;;;;20;mm;0,03;;\n", "no surface at the pick"),
    ("bore;bore;-10;0;0;;;;20;mm;0,03;18;19\n", "fail"),
])  # fmt: skip
def test_check_tells_what_is_wrong(rejoin: Any, tmp_path: Path, whole: Path, rows: str, sentence: str) -> None:
    readings = tmp_path / "readings.csv"
    readings.write_text(HEAD + rows)
    code, told, _ = rejoin("check", whole, "--readings", readings, "--unit", "mm", "--json", tmp_path / "c.json")
    assert code == 1 and sentence in told
    assert json.loads((tmp_path / "c.json").read_text())["complete"] is False


def test_check_of_a_whole_in_another_unit(rejoin: Any, tmp_path: Path) -> None:
    """The same plate read as inches: every pick is in inches too, and the readings say that the unit slipped."""
    write_mesh(plate(0.02), tmp_path / "plate.stl", "mm")
    (tmp_path / "r.csv").write_text(HEAD + GOOD)
    code, told, _ = rejoin("check", tmp_path / "plate.stl", "--readings", tmp_path / "r.csv", "--unit", "inch")
    assert code == 1 and "as if mm had been taken for inch" in told


@pytest.mark.parametrize("rows, options, code, sentence", [
    ("", [], 4, "holds no readings"),
    ("bore;hole;-10;0;0;;;;20;mm;0,03;;\n", [], 2, "nothing that can be measured"),
    (GOOD, ["--part-temperature", "30"], 2, "Only one temperature"),
    (GOOD, ["--metal", "wood"], 2, "metal cannot be"),
])  # fmt: skip
def test_check_fails_in_words(
    rejoin: Any, tmp_path: Path, whole: Path, rows: str, options: list[str], code: int, sentence: str
) -> None:
    (tmp_path / "r.csv").write_text(HEAD + rows)
    got, _, said = rejoin("check", whole, "--readings", tmp_path / "r.csv", "--unit", "mm", *options)
    assert got == code and sentence in said


def test_check_will_not_overwrite_what_it_reads(rejoin: Any, tmp_path: Path, whole: Path) -> None:
    (tmp_path / "r.csv").write_text(HEAD + GOOD)
    assert rejoin("check", whole, "--readings", tmp_path / "r.csv", "--json", tmp_path / "r.csv")[0] == 2
    assert np.all((tmp_path / "r.csv").read_text() == HEAD + GOOD)


def test_the_table_in_the_readme_is_read(tmp_path: Path) -> None:
    readme = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    example = re.search(r"^```csv\n(.*?)^```", readme, flags=re.S | re.M)
    assert example is not None
    (tmp_path / "r.csv").write_text(example[1], encoding="utf-8")
    bore, centres, wall = read_readings(tmp_path / "r.csv")
    assert (bore.value, bore.low, bore.note) == (20.01, 19.9, "inside jaws")
    assert centres.value == pytest.approx(40.084375) and wall.value is None
    told = readme[readme.index("### Readings") : readme.index("## In Python")]
    for word in (*COLUMNS, *KINDS, WEIGHT):
        assert f"`{word}`" in told, word


def test_a_project_tells_the_fit_up_of_its_joints(rejoin: Any, tmp_path: Path) -> None:
    lower, upper = block(waves, upper=False, seed=1), block(waves, upper=True, seed=2)
    joint = joint_of(lower, upper, np.eye(4))
    fragments = (lower.fragment, upper.fragment)
    placements = (Placement(np.eye(4), "program"), Placement(np.eye(4), "program"))
    fit = measure_joint(fragments, placements, joint, 0, FitSettings(), silent)
    scans = tuple(fragment.scan for fragment in fragments)
    project = Project(scans, fragments, joints=(joint,), placements=placements, fits=(fit,))
    save_project(project, tmp_path / "job.rejoin")
    (tmp_path / "r.csv").write_text(HEAD.replace("x1", "on1;x1") + "wide;points;lower;-6;0;-3;6;0;-3;12;mm;0,05;;\n")
    code, told, said = rejoin("check", tmp_path / "job.rejoin", "--readings", tmp_path / "r.csv", "--metal", "steel",
                              "--json", tmp_path / "c.json")  # fmt: skip
    assert code in (0, 1), said
    (row,) = json.loads((tmp_path / "c.json").read_text())["fit_up"]
    assert row["length_mm"] > 45 and row["step_limits_mm"] and row["cautions"] and len(row["gauge_marks"]) >= 1
    size = "-?[0-9.]+"
    words = rf"step {size} \+- {size} mm, angle {size} \+- {size} deg, gap {size} to {size} mm, crack"
    assert re.search(words, told), told
    assert not re.search(r"[0-9][.][0-9]{4,}", told.split("Scale")[-1]), "no more digits than a shop could use"
    assert "lower: Scale" in told, "whose scale it is"


def test_a_sheet_and_a_squared_model(rejoin: Any, tmp_path: Path) -> None:
    """A plate turned and shifted comes back square: the big bore's axis at x = y = 0, its face at z = 0."""
    pose = from_vector(np.array([0.3, -0.2, 0.7, 40.0, 10.0, -25.0]), np.zeros(3))
    write_mesh(placed(plate(0.02), pose), tmp_path / "turned.ply", "mm")
    picks = apply(pose, np.array([[-5.0, -5, 6], [-10, 0, 0], [26, 0, 0]]))
    bores = [(f"bore {n}", kind, k) for kind in ("datum", "bore") for k, n in enumerate("AB", start=1)]
    wanted = [("top", "datum", 0), *bores]
    rows = [f"{a};{b};" + ";".join(f"{value:.4f}" for value in picks[n]) + ";;;;;;;;\n" for a, b, n in wanted]
    (tmp_path / "r.csv").write_text(HEAD + "".join(rows))
    code, _, said = rejoin("check", tmp_path / "turned.ply", "--readings", tmp_path / "r.csv", "--unit", "mm",
                           "--sheet", tmp_path / "s.dxf", "--squared", tmp_path / "square.ply")  # fmt: skip
    assert code == 1, said
    square = read_fragment(tmp_path / "square.ply", ReadSettings("mm")).mesh.vertices
    np.testing.assert_allclose(square.min(axis=0), [-20, -20, -14], atol=0.15)
    np.testing.assert_allclose(square.max(axis=0), [60, 20, 12], atol=0.15)
    texts = [one.dxf.text for one in ezdxf.readfile(tmp_path / "s.dxf").modelspace().query("TEXT")]
    assert {"bore B", "40.00", "0.00"} <= set(texts)
    assert any("Scale not proven" in text for text in texts)
    (tmp_path / "r.csv").write_text(HEAD + rows[3])
    code, _, said = rejoin("check", tmp_path / "turned.ply", "--readings", tmp_path / "r.csv", "--unit", "mm",
                           "--sheet", tmp_path / "t.pdf")  # fmt: skip
    assert code == 3 and "No datum was picked" in said
