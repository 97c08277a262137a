"""``rejoin make``: what it writes is read again by independent readers; a sentence and an exit code for bad input."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import lib3mf
import manifold3d
import numpy as np
import pytest
import trimesh

from rejoin.cli import main
from rejoin.core.files import read_fragment, write_mesh
from rejoin.core.records import Mesh

Solid = manifold3d.Manifold


def mesh_of(solid: Any) -> Mesh:
    out = solid.to_mesh64()
    return Mesh(np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int32))


@pytest.fixture(scope="module")
def block() -> Mesh:
    """200 x 60 x 40 about the origin, with a bore of 40 along z."""
    return mesh_of(Solid.cube((200, 60, 40), True) - Solid.cylinder(100, 20, 20, 96, True))


@pytest.fixture
def rejoin(capfd: pytest.CaptureFixture[str], tmp_path: Path, block: Mesh, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Call the command in a folder that holds the block; gives exit code, stdout, stderr."""
    monkeypatch.chdir(tmp_path)
    write_mesh(block, "part.ply")
    write_mesh(block, "part_inch.ply", "inch")

    def call(*arguments: object) -> tuple[int, str, str]:
        capfd.readouterr()
        return (main([str(argument) for argument in arguments]), *capfd.readouterr())

    return call


def write(name: str, content: Any) -> str:
    Path(name).write_text(json.dumps(content), encoding="utf-8")
    return name


STOCK = [{"point": [100, 5, 5], "mm": 3, "name": "end"}, {"point": [0, 20, 10], "mm": 3, "name": "bore"}]


@pytest.mark.parametrize("suffix", ["3mf", "stl", "ply", "obj"])
@pytest.mark.parametrize("unit, scale", [("mm", 1.0), ("inch", 25.4)])
def test_the_check_values_are_in_the_file(rejoin: Any, suffix: str, unit: str, scale: float) -> None:
    """205.115 and a bore of 34.354, within 0.01 mm, by trimesh; of 3MF by lib3mf, strictly."""
    stock = write("stock.json", [{**row, "point": [x / scale for x in row["point"]]} for row in STOCK])
    whole = "part.ply" if unit == "mm" else "part_inch.ply"
    code, out, err = rejoin("make", whole, "--unit", unit, "--for", "pattern", "--allowance", "1/96",
                            "--stock", stock, "--out", f"pattern.{suffix}")  # fmt: skip
    assert code == 0, err
    if suffix == "3mf":
        points = strictly(Path("pattern.3mf"), "Inch" if unit == "inch" else "MilliMeter")
    else:
        read = trimesh.load(f"pattern.{suffix}", process=True)
        assert read.is_watertight and read.volume > 0 and len(read.split()) == 1
        points = np.asarray(read.vertices)
    assert scale * np.ptp(points[:, 0]) == pytest.approx(205.115, abs=0.01)
    assert scale * 2 * np.hypot(points[:, 0], points[:, 1]).min() == pytest.approx(34.354, abs=0.01)
    told = json.loads(Path("pattern.json").read_text(encoding="utf-8"))
    assert told["unit"] == unit and told["bodies"][0]["shells"] == 1 and told["bodies"][0]["closed"]
    assert told["bodies"][0]["size_mm"][0] == pytest.approx(205.115, abs=0.001)
    assert [step["step"] for step in told["steps"]] == told["order"] and told["cautions"]


def strictly(path: Path, unit: str) -> np.ndarray:
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0 and model.GetUnit().name == unit
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    solid = objects.GetCurrentMeshObject()
    assert solid.IsManifoldAndOriented()
    group = model.GetMetaDataGroup()
    told = [group.GetMetaData(n).GetValue() for n in range(group.GetMetaDataCount())]
    assert any(one.startswith("pattern, +1.04 %") for one in told)
    return np.array([list(vertex.Coordinates) for vertex in solid.GetVertices()])


def test_printed_it_is_205_732(rejoin: Any) -> None:
    stock = write("stock.json", STOCK)
    code, out, _ = rejoin("make", "part.ply", "--unit", "mm", "--for", "pattern", "--allowance", "1/8 in/ft", "--stock",
                          stock, "--print-shrinkage", "0.3", "--out", "p.stl", "--out-unit", "inch")  # fmt: skip
    assert code == 0 and "revision A" in out
    assert 25.4 * np.ptp(np.asarray(trimesh.load("p.stl").vertices)[:, 0]) == pytest.approx(205.732, abs=0.01)


def test_it_is_named_for_what_it_is(rejoin: Any) -> None:
    code, _, _ = rejoin("make", "part.ply", "--unit", "mm", "--for", "pattern", "--metal", "grey iron")
    assert code == 0
    assert Path("part, pattern, grey iron, +1.04 %, revision A.3mf").is_file()
    assert Path("part, pattern, grey iron, +1.04 %, revision A.json").is_file()


def test_halves_come_in_one_file_and_one_by_one(rejoin: Any) -> None:
    code, _, err = rejoin("make", "part.ply", "--unit", "mm", "--for", "pattern", "--metal", "brass",
                          "--parting", "0,0,0,0,0,1", "--split", "--out", "p.3mf")  # fmt: skip
    assert code == 0, err
    told = json.loads(Path("p.json").read_text(encoding="utf-8"))
    assert [body["file"] for body in told["bodies"]] == ["p-1.3mf", "p-2.3mf"]
    whole, *parts = (read_fragment(name).mesh for name in ("p.3mf", "p-1.3mf", "p-2.3mf"))
    whole = trimesh.Trimesh(whole.vertices, whole.triangles)
    parts = [trimesh.Trimesh(one.vertices, one.triangles) for one in parts]
    assert whole.is_watertight and whole.body_count == 2
    assert whole.volume == pytest.approx(sum(one.volume for one in parts), rel=1e-6)


def test_a_trial_leads_to_revision_b_and_back(rejoin: Any) -> None:
    """0.3 tight on top, 200 came out as 199.4: each once, listed, with the difference; one step back is A again."""
    assert rejoin("make", "part.ply", "--unit", "mm", "--for", "print", "--out", "a.ply")[0] == 0
    trial = write("trial.json", {
        "notes": [{"point": [0, 25, 20], "tight_mm": 0.3, "note": "0.3 tight here"}],
        "measured": [{"axis": "x", "meant_mm": 200, "printed_mm": 199.4}],
    })  # fmt: skip
    code, out, err = rejoin("make", "part.ply", "--unit", "mm", "--after", "a.json", "--trial", trial, "--out", "b.ply")
    assert code == 0, err
    assert "revision B" in out and "0.3 tight here" in out
    size = np.ptp(read_fragment("b.ply").mesh.vertices, axis=0)
    assert size == pytest.approx([200 * 200 / 199.4, 60, 39.7], abs=1e-3)
    told = json.loads(Path("b.json").read_text(encoding="utf-8"))
    assert told["revision"] == "B" and told["difference"]["from_revision"] == "A"
    assert told["difference"]["size_mm"] == pytest.approx([200 * 200 / 199.4 - 200, 0, -0.3], abs=1e-3)
    assert len(told["difference"]["corrections"]) == 2
    code, out, _ = rejoin("make", "part.ply", "--unit", "mm", "--after", "b.json", "--undo", "--out", "again.ply")
    assert code == 0 and "revision A" in out
    assert Path("again.ply").read_bytes() == Path("a.ply").read_bytes()


def test_the_test_bar_is_written(rejoin: Any) -> None:
    code, _, _ = rejoin("make", "part.ply", "--unit", "mm", "--for", "print", "--out", "p.stl", "--test-bar", "bar.stl",
                        "--bar-length-mm", "80")  # fmt: skip
    assert code == 0
    bar = trimesh.load("bar.stl")
    assert bar.is_watertight and bar.extents == pytest.approx([80, 80, 80])


@pytest.mark.parametrize("arguments, code, words", [
    (("--for", "pattern"), 2, "needs a contraction"),
    (("--for", "pattern", "--metal", "unobtainium"), 2, "not in the table"),
    (("--for", "toy"), 2, "invalid choice"),
    ((), 2, "was not said"),
    (("--for", "print", "--undo"), 2, "was not said"),
    (("--for", "print", "--out", "p.step"), 2, "cannot be written"),
    (("--for", "print", "--out", "part.ply"), 2, "overwrite"),
    (("--for", "print", "--out", "nowhere/p.stl"), 4, "no folder"),
    (("--for", "print", "--stock", "none.json"), 4, "cannot be read"),
    (("--after", "part.ply", "--undo"), 4, "does not tell"),
    (("--for", "print", "--bed", "2,2,2"), 3, "more than 64 pieces"),
    (("--for", "print", "--bar-length-mm", "1"), 2, "cannot be"),
])  # fmt: skip
def test_bad_calls_end_in_a_sentence(rejoin: Any, arguments: tuple[str, ...], code: int, words: str) -> None:
    found, _, err = rejoin("make", "part.ply", "--unit", "mm", *arguments)
    assert found == code and words in err and "Traceback" not in err
    assert not list(Path().glob("*.3mf"))


def test_an_open_whole_is_refused(rejoin: Any, block: Mesh) -> None:
    write_mesh(Mesh(block.vertices, block.triangles[4:]), "open.ply")
    code, _, err = rejoin("make", "open.ply", "--unit", "mm", "--for", "print")
    assert code == 3 and "open" in err


def test_a_mesh_without_unit_says_so(rejoin: Any) -> None:
    code, _, err = rejoin("make", "part.ply", "--for", "print", "--out", "p.stl")
    assert code == 0 and "taken as mm" in err
