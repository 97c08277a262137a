"""Reading and writing: every kind of file, sound and damaged.

References: the STL, PLY, OBJ and OFF layouts as published with the formats; glTF 2.0 (Khronos Group) and
3MF core 1.4 (3MF Consortium); trimesh as an independent writer and reader; inch = 25.4 mm exactly (ISO 31).
"""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rejoin.core import meshes
from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.files import UNITS, read_fragment
from rejoin.core.meshes import is_closed, volume
from rejoin.core.records import Mesh
from rejoin.core.settings import ReadSettings
from tests.core.scan_bytes import BALL, ascii_stl, binary_stl, ply, put

NO_FACES = np.empty((0, 3), np.int32)
SHARED = Path(__file__).resolve().parents[3] / "shared" / "checks" / "data"


@pytest.mark.parametrize(
    "name, data",
    [
        ("a.stl", binary_stl(BALL)),
        ("solid.stl", binary_stl(BALL, b"solid made by a scanner")),
        ("text.stl", ascii_stl(BALL)),
        ("upper.STL", ascii_stl(BALL).upper()),
        ("dos.stl", ascii_stl(BALL).replace(b"\n", b"\r\n")),
        *(
            (f"{i}.ply", ply(BALL, order, extras=extras))
            for i, (order, extras) in enumerate((o, e) for o in ("<", ">", "") for e in (True, False))
        ),
    ],
)
def test_each_kind_of_stl_and_ply(tmp_path: Path, name: str, data: bytes) -> None:
    scan = read_fragment(put(tmp_path, name, data))
    assert (len(scan.mesh.vertices), len(scan.mesh.triangles)) == (len(BALL.vertices), len(BALL.triangles))
    assert is_closed(scan.mesh), "equal corners are one vertex"
    assert volume(scan.mesh) == pytest.approx(volume(BALL), rel=1e-6)
    assert (scan.unit, scan.unit_stated, scan.from_points, scan.read_notes) == ("mm", False, False, ())
    assert not scan.mesh.vertices.flags.writeable and len(scan.sha256[0]) == 64


@pytest.mark.parametrize("suffix", ["stl", "ply", "obj", "off", "glb", "gltf"])
def test_what_an_independent_library_writes(tmp_path: Path, suffix: str) -> None:
    made = trimesh.Trimesh(BALL.vertices, BALL.triangles, process=False)
    path = tmp_path / f"part.{suffix}"
    if suffix == "gltf":
        for name, data in made.scene().export(file_type="gltf").items():
            put(tmp_path, "part.gltf" if name == "model.gltf" else name, data)
    else:
        made.export(path)
    scan = read_fragment(path)
    scale = 1000.0 if suffix in ("glb", "gltf") else 1.0
    assert scan.unit_stated == (scale != 1.0) and scan.unit == ("m" if scale != 1.0 else "mm")
    assert volume(scan.mesh) == pytest.approx(made.volume * scale**3, rel=1e-6)
    assert np.allclose(np.sort(scan.mesh.vertices, axis=0), np.sort(BALL.vertices, axis=0) * scale, rtol=1e-6)


def test_gltf_nodes_move_mirror_and_repeat(tmp_path: Path) -> None:
    """Node motions as in glTF 2.0, 5.25: matrix or T * R * S, children within parents; strips and fans, 3.7.2.1."""
    cube = trimesh.creation.box([1, 1, 1])
    points, corners = np.asarray(cube.vertices, "<f4"), np.asarray(cube.faces, "<u2")
    fan = np.array([0, 1, 2, 3], "<u1")
    blob = points.tobytes() + corners.tobytes() + fan.tobytes()
    views = [(0, points.nbytes), (points.nbytes, corners.nbytes), (points.nbytes + corners.nbytes, 4)]
    tree = {
        "asset": {"version": "2.0"},
        "buffers": [{"byteLength": len(blob), "uri": "a%20b.bin"}],
        "bufferViews": [{"buffer": 0, "byteOffset": at, "byteLength": size} for at, size in views],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 8, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 36, "type": "SCALAR"},
            {"bufferView": 2, "componentType": 5121, "count": 4, "type": "SCALAR"},
        ],
        "meshes": [
            {"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]},
            {"primitives": [{"attributes": {"POSITION": 0}, "indices": 2, "mode": mode} for mode in (5, 6)]},
        ],
        "nodes": [
            {"mesh": 0, "scale": [-2, 1, 1], "children": [1]},
            {"mesh": 0, "translation": [10, 0, 0], "rotation": [0, 0, np.sqrt(0.5), np.sqrt(0.5)]},
            {"mesh": 1},
        ],
        "scenes": [{"nodes": [0]}, {"nodes": [2]}],
    }
    put(tmp_path, "a b.bin", blob)
    scan = read_fragment(put(tmp_path, "two.gltf", json.dumps(tree).encode()))
    assert volume(scan.mesh) == pytest.approx(2 * 2 * 1000.0**3), "the mirrored cubes are turned outside out"
    assert scan.mesh.vertices.min(axis=0) == pytest.approx([-21000.0, -500.0, -500.0])
    tree["scene"] = 1
    strip_and_fan = read_fragment(put(tmp_path, "two.gltf", json.dumps(tree).encode())).mesh.triangles
    assert (strip_and_fan % 8).tolist() == [[0, 1, 2], [2, 1, 3], [0, 1, 2], [0, 2, 3]]


def test_polygons_negative_corners_and_comments_of_obj(tmp_path: Path) -> None:
    text = """# a box of 2 x 3 x 4
    o box
v 0 0 0
v 2 0 0 # corner
v 2 3 0
v 0 3 0
v 0 0 4
v 2 0 4
v 2 3 4
v 0 3 4
vt 0 0
vn 0 0 1
f 4/1/1 3/1/1 2/1/1 1/1/1
f 5//1 6//1 7//1 8//1
f -8 -7 -3 -4
f 2 3 7
f 2 7 \\
6
f 3 4 8 7
f 4 1 5 8
"""
    scan = read_fragment(put(tmp_path, "box.obj", text.replace("\n", "\r\n").encode()))
    assert len(scan.mesh.triangles) == 12 and is_closed(scan.mesh)
    assert volume(scan.mesh) == pytest.approx(24.0)


def test_quads_in_ply_are_cut(tmp_path: Path) -> None:
    for order in ("<", ">", ""):
        scan = read_fragment(put(tmp_path, "q.ply", ply(BALL, order, quads=True)))
        assert len(scan.mesh.triangles) == 2 * len(BALL.triangles)


def test_ply_with_mixed_polygons(tmp_path: Path) -> None:
    head = (
        b"ply\nformat %s 1.0\nelement vertex 5\nproperty float x\nproperty float y\nproperty float z\nelement face 5\n"
    )
    head += b"property list uchar ushort vertex_index\nend_header\n"
    points, faces = (
        [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0.5, 0.5, 1)],
        [(3, 2, 1, 0), (0, 1, 4), (1, 2, 4), (2, 3, 4), (3, 0, 4)],
    )
    binary = head % b"binary_big_endian" + b"".join(struct.pack(">3f", *p) for p in points)
    binary += b"".join(struct.pack(f">B{len(f)}H", len(f), *f) for f in faces)
    text = (
        head % b"ascii"
        + "\n".join(" ".join(map(str, row)) for row in [*points, *((len(f), *f) for f in faces)]).encode()
    )
    for data in (binary, text):
        scan = read_fragment(put(tmp_path, "pyramid.ply", data))
        assert is_closed(scan.mesh) and volume(scan.mesh) == pytest.approx(1 / 3)


@pytest.mark.parametrize("unit, mm", UNITS.items())
def test_the_unit_the_person_states(tmp_path: Path, unit: str, mm: float) -> None:
    scan = read_fragment(put(tmp_path, "a.ply", ply(BALL)), ReadSettings(unit=unit))
    assert np.ptp(scan.mesh.vertices, axis=0) == pytest.approx([20 * mm] * 3) and (scan.unit, scan.unit_stated) == (
        unit,
        True,
    )


def test_an_inch_is_25_4_mm() -> None:
    assert UNITS["inch"] == 25.4 and UNITS["ft"] == 304.8
    with pytest.raises(WrongUse):
        ReadSettings(unit="cubit")


def test_an_unlikely_size_is_noted_when_no_unit_is_stated(tmp_path: Path) -> None:
    small = Mesh(BALL.vertices / 1000, BALL.triangles)
    assert "only 0.0346 mm" in read_fragment(put(tmp_path, "a.ply", ply(small))).read_notes[0].sentence
    assert read_fragment(tmp_path / "a.ply", ReadSettings(unit="m")).read_notes == ()


def test_a_folder_holds_one_fragment(tmp_path: Path) -> None:
    folder = tmp_path / "left arm"
    folder.mkdir()
    with pytest.raises(FileTrouble, match="holds no scan"):
        read_fragment(folder)
    put(folder, "view.stl", binary_stl(BALL))
    put(folder, "photo.jpg", b"x")
    scan = read_fragment(folder)
    assert scan.name == "left arm" and scan.files == (str(folder / "view.stl"),)
    put(folder, "view2.stl", binary_stl(BALL))
    with pytest.raises(FileTrouble, match="holds 2 scans"):
        read_fragment(folder)


def test_bare_points_become_a_marked_surface(tmp_path: Path) -> None:
    """The sphere's own radius is the reference."""
    golden = np.arange(1500) + 0.5
    polar, turn = np.arccos(1 - golden / 750), np.pi * (1 + 5**0.5) * golden
    points = 15 * np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], 1) + 40.0
    lines = "X Y Z intensity\n" + "\n".join(f"{x:.4f}, {y:.4f}, {z:.4f}, 7" for x, y, z in points)
    scan = read_fragment(put(tmp_path, "p.xyz", lines.encode()))
    assert scan.from_points and "1,500 bare points" in scan.read_notes[-1].sentence
    radius = np.linalg.norm(scan.mesh.vertices - 40.0, axis=1)
    assert len(scan.mesh.triangles) > 1000 and np.abs(radius - 15).max() < 0.3
    cloud = Mesh(np.array([[float(word) for word in line.split(",")[:3]] for line in lines.split("\n")[1:]]), NO_FACES)
    again = read_fragment(put(tmp_path, "p.ply", ply(cloud, faces=False, extras=False)))
    assert again.from_points
    assert np.abs(again.mesh.vertices - scan.mesh.vertices).max() < 1e-9, "same points, same surface"


def points_with(normals: np.ndarray, points: np.ndarray, kind: str) -> bytes:
    """Bare points and what stands beside each, as PLY or by lines."""
    rows = "\n".join(" ".join(f"{value:.5f}" for value in row) for row in np.column_stack([points, normals]))
    names = "".join(f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz"))
    head = f"ply\nformat ascii 1.0\nelement vertex {len(points)}\n{names}end_header\n" if kind == "ply" else ""
    return (head + rows + "\n").encode()


@pytest.mark.parametrize("kind", ["ply", "xyz"])
def test_bare_points_keep_the_sides_that_their_normals_tell(tmp_path: Path, kind: str) -> None:
    """Normals turned inwards turn the surface; such as look to either side by chance, and colours, tell nothing."""
    golden = np.arange(1500) + 0.5
    polar, turn = np.arccos(1 - golden / 750), np.pi * (1 + 5**0.5) * golden
    ways = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], 1)
    either = np.random.default_rng(3).choice([-1.0, 1.0], (len(ways), 1))
    told = {"out": ways, "in": -ways, "either": ways * either, "grey": np.full_like(ways, 90.0), "none": 0.0 * ways}
    size = {
        name: meshes.volume(read_fragment(put(tmp_path, f"{name}.{kind}", points_with(beside, 15 * ways, kind))).mesh)
        for name, beside in told.items()
    }
    assert size["out"] > 13_000 and size["in"] < -13_000
    assert size["either"] == size["grey"] == size["none"]


def test_a_surface_of_bare_points_is_no_finer_than_they_are(tmp_path: Path) -> None:
    """Points strewn by chance lie closer in places; a finer surface would pass for a finer scan with less noise."""
    ways = np.random.default_rng(0).normal(size=(6000, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    mesh = read_fragment(put(tmp_path, "p.xyz", points_with(ways, 15 * ways, "xyz"))).mesh
    assert 5000 < len(mesh.vertices) < 7000
    assert np.abs(np.linalg.norm(mesh.vertices, axis=1) - 15).max() < 0.1


def test_points_with_decimal_commas(tmp_path: Path) -> None:
    from rejoin.core.files.text import parse_xyz

    assert parse_xyz(b"1,5;2;3\n4;5,25;6\n", "p.xyz").vertices.tolist() == [[1.5, 2, 3], [4, 5.25, 6]]
    with pytest.raises(FileTrouble, match="commas"):
        parse_xyz(b"1,5 2,3 4,0\n1,5 2,3 4,0\n", "p.xyz")


def _samples(folder: str, pattern: str) -> list[Path]:
    return sorted((SHARED / folder).rglob(pattern))


needs_samples = pytest.mark.skipif(not SHARED.is_dir(), reason="the shared reference files are not here")


@needs_samples
def test_stl_collection() -> None:
    """npm stl-models 0.12.0 (MIT): sound solids are read, with trimesh's volume; broken ones refused or harmless."""
    harmless = {
        "wrongNormal.ascii",
        "wrongNormals.ascii",
        "notANumberNormal.ascii",
        "solidNameMismatch.ascii",
        "missingFace.ascii",
        "wrongHeader.bin",
    }
    small = {"triangle.bin", "triangle.ascii", "faceless.ascii", "multiWordName.bin"}  # the last was re-encoded as text
    for path in _samples("stl_models_npm", "*.stl"):
        sound = path.parent.name != "broken" or path.stem in harmless
        if sound and path.stem not in small:
            made = trimesh.load(path)
            try:
                scan = read_fragment(path)
            except FileTrouble as error:
                assert "too few" in str(error) and len(made.faces) < 4, path.name
                continue
            assert len(scan.mesh.triangles) == len(made.faces), path.name
            assert volume(scan.mesh) == pytest.approx(made.volume, rel=1e-5, abs=1e-9), path.name
        else:
            with pytest.raises(FileTrouble):
                pytest.fail(f"{path.name} was read: {read_fragment(path)}")


@needs_samples
def test_3mf_collection() -> None:
    """3MF Consortium samples (BSD-2). Two must-fail files concern colours and namespaces that the reader ignores;
    three must-pass files of an older edition carry metadata or object kinds that the library in strict mode refuses."""
    passing, failing = _samples("3mf_samples/MUSTPASS", "*.3mf"), _samples("3mf_samples/MUSTFAIL", "*.3mf")
    assert len(passing) == 13 and len(failing) == 38
    read = {path.name: _outcome(path) for path in passing + failing}
    assert sum(read[path.name] == "read" for path in failing) <= 2
    assert sum(read[path.name] != "read" for path in passing) <= 3
    units = {path.stem: read_fragment(path) for path in _samples("3mf_samples", "*Units*.3mf")}
    assert all(scan.unit_stated and scan.unit == "mm" for scan in units.values())


def _outcome(path: Path) -> str:
    try:
        read_fragment(path)
        return "read"
    except FileTrouble as error:
        return error.what_happened
