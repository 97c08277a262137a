"""Damaged, hostile and mutated files: a `FileTrouble` in plain words, never a traceback or a huge allocation."""

from __future__ import annotations

import json
import re
import time
import uuid
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rejoin.core.errors import FileTrouble
from rejoin.core.files import READABLE, read_fragment, write_mesh
from rejoin.core.files.points import read_points
from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.meshes import volume
from rejoin.core.records import Mesh
from tests.core.scan_bytes import BALL, ascii_stl, ball, binary_stl, nan_ball, ply, put, trouble


def _obj_text(mesh: Mesh) -> bytes:
    return trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).export(file_type="obj").encode()


def _off_text(mesh: Mesh) -> bytes:
    return trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).export(file_type="off").encode()


def _glb(mesh: Mesh) -> bytes:
    return trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).export(file_type="glb")


STL, PLY, TEXT_PLY, OBJ, OFF, GLB = (
    binary_stl(BALL),
    ply(BALL),
    ply(BALL, ""),
    _obj_text(BALL),
    _off_text(BALL),
    _glb(BALL),
)
XYZ = "\n".join(f"{x} {y} {z}" for x, y, z in BALL.vertices).encode()


@pytest.mark.parametrize(
    "name, data, words",
    [
        *((f"empty{s}", b"", "empty") for s in READABLE if s != ".3mf"),
        *((f"noise{s}", bytes(range(256)) * 9, "") for s in READABLE),
        *((f"text{s}", b"the pump rocker, left arm\n" * 40, "") for s in READABLE),
        ("short.stl", STL[:-20], "promises 1280"),
        ("long.stl", STL + b"\0" * 50, "promises 1280"),
        ("none.stl", b"\0" * 84, "no triangles"),
        ("head.stl", STL[:50], "ends before"),
        ("solid.stl", b"solid " + STL[6:-50], "promises"),
        ("giant.stl", STL[:80] + b"\xff\xff\xff\xff" + STL[84:], "4294967295"),
        ("nan.stl", binary_stl(nan_ball(np.nan)), "not a number"),
        ("inf.ply", ply(nan_ball(np.inf)), "not a number"),
        ("nan.ply", ply(nan_ball(np.nan), ""), "not a number"),
        ("far.ply", ply(nan_ball(1e12)), "km across"),
        ("away.ply", ply(Mesh(BALL.vertices + 1e9, BALL.triangles)), "10 km"),
        ("flat.ply", ply(Mesh(BALL.vertices * 0, BALL.triangles)), "no size"),
        ("one.stl", binary_stl(Mesh(BALL.vertices, BALL.triangles[:1])), "too few"),
        ("letter.stl", b"Dear all, the pump rocker is broken again. Who has a scan of it?\n" * 9, "no STL scan"),
        ("page.stl", "<html><body>Bitte später noch einmal</body></html>\n".encode(), "it holds text"),
        ("list.stl", b"1.0 2.0 3.0\n" * 400, "it holds text"),
        ("end.stl", ascii_stl(BALL)[:-40], "ends before"),
        ("cut.stl", ascii_stl(BALL)[:20000], ""),
        ("four.stl", ascii_stl(BALL).replace(b"endloop", b"vertex 1 2 3\nendloop", 1), "three corners"),
        ("word.stl", ascii_stl(BALL).replace(b"e+00 ", b"x+00 ", 1), "text where a number"),
        ("bare.stl", b"solid nothing\nendsolid nothing\n", "no triangles"),
        ("short.ply", PLY[:-30], "ends before"),
        ("text_cut.ply", TEXT_PLY[:-400], "ends before"),
        ("giant.ply", PLY.replace(b"element vertex 642", b"element vertex 999999999999", 1), "ends before"),
        ("faces.ply", PLY.replace(b"element face 1280", b"element face 4000000000", 1), "ends before"),
        ("header.ply", PLY[:60], "unfinished"),
        ("lie.ply", TEXT_PLY.replace(b"ascii", b"binary_little_endian", 1), ""),
        ("lie2.ply", PLY.replace(b"binary_little_endian", b"ascii", 1), ""),
        ("axes.ply", PLY.replace(b"double z", b"double w", 1), "x, y, z"),
        ("corner.ply", ply(Mesh(BALL.vertices, BALL.triangles + 1)), "not there"),
        ("minus.ply", ply(Mesh(BALL.vertices, BALL.triangles - 1)), "not there"),
        ("nothing.ply", PLY.replace(b"property int vertex1\nproperty int vertex2\n", b"", 1), "hold nothing"),
        ("lists.ply", TEXT_PLY.replace(b"property float nx", b"property list uchar int nx", 1), "rows hold lists"),
        ("label.ply", PLY.replace(b"vertex_indices", b"corner_numbers", 1), "do not name their corners"),
        ("half.ply", re.sub(rb"\n3 (\d+) ", rb"\n3 \1.5 ", TEXT_PLY, count=1), "whole number"),
        ("minus3.ply", re.sub(rb"\n3 (\d+ \d+ \d+ 7)", rb"\n-3 \1", TEXT_PLY, count=1), "impossible length"),
        ("strip.ply", PLY.replace(b"element face", b"element tristrips", 1), "strips"),
        ("corner.obj", OBJ + b"\nf 1 2 700\n", "not there"),
        ("none.obj", b"f 1 2 3\n", "no surface and no points"),
        ("zero.obj", OBJ + b"\nf 0 1 2\n", "not there"),
        ("two.obj", OBJ + b"\nf 1 2\n", "three corners"),
        ("word.obj", OBJ + b"\nf one 2 3\n", "text where a number"),
        ("half.obj", OBJ + b"\nf 1.5 2 3\n", "whole number"),
        ("v.obj", OBJ + b"\nv 1 2\n", "same count"),
        ("bin.obj", OBJ + b"\0", "plain text"),
        ("far.obj", OBJ + b"\nf 1 2 99999999999999999999\n", "whole number"),
        ("short.off", OFF[: len(OFF) // 2], "ends before"),
        ("giant.off", OFF.replace(b"642", b"99999999999", 1), "ends before"),
        ("face.off", OFF.rsplit(b"\n3 ", 1)[0] + b"\n9 1 2 3\n", "promises"),
        ("half.off", re.sub(rb"\n3 (\d+) ", rb"\n3 \1.5 ", OFF, count=1), "whole number"),
        ("short.glb", GLB[:-10], "ends before"),
        ("old.glb", GLB[:4] + b"\1" + GLB[5:], "version 2"),
        (
            "packed.gltf",
            json.dumps({"asset": {"version": "2.0"}, "extensionsRequired": ["EXT_meshopt_compression"]}).encode(),
            "packed",
        ),
        ("none.gltf", json.dumps({"asset": {"version": "2.0"}}).encode(), "no surface"),
        ("old.gltf", json.dumps({"asset": {"version": "1.0"}}).encode(), "version 2"),
        ("bare.xyz", b"# a heading\n// and no more\n", "no surface and no points"),
        ("few.xyz", b"1 2 3\n" * 5, "too few points"),
        ("ragged.xyz", XYZ + b"\n1 2\n", "same count"),
        ("word.xyz", XYZ + b"\n1 2 x\n", "text where a number"),
        ("two.xyz", b"1 2\n" * 200, "same count"),
    ],
)
def test_damage_is_told_in_words(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    assert words in trouble(put(tmp_path, name, data)).what_happened


def gltf_with(**accessor: object) -> bytes:
    tree = {
        "asset": {"version": "2.0"},
        "buffers": [{"byteLength": 36, "uri": "data:;base64," + "A" * 48}],
        "bufferViews": [{"buffer": 0, "byteLength": 36}],
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"} | accessor],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
    }
    return json.dumps(tree).encode()


@pytest.mark.parametrize("old, new, words", [
    (b'"POSITION": 0', b'"NORMAL": 0', "no surface"),
    (b'"attributes"', b'"mode": 1, "attributes"', "no surface"),
    (b'"attributes"', b'"mode": 5, "indices": 1, "attributes"', "no surface"),
    (b'"attributes"', b'"indices": 2, "attributes"', "not there"),
    (b'"buffer": 0', b'"buffer": 1', "missing"),
    (b"base64,AAAA", b"base64,****", "decoded"),
])  # fmt: skip
def test_a_gltf_that_contradicts_itself(tmp_path: Path, old: bytes, new: bytes, words: str) -> None:
    tree = json.loads(gltf_with())
    tree["buffers"].append({"byteLength": 8})
    tree["accessors"] += [{"bufferView": 0, "componentType": 5123, "count": 2, "type": "SCALAR"},
                          {"bufferView": 0, "componentType": 5121, "count": 3, "type": "SCALAR"}]  # fmt: skip
    data = json.dumps(tree).encode()
    if words == "not there":  # three corners of which one is 255
        data = data.replace(b"base64,AAAA", b"base64,AAD/", 1)
    assert data.count(old) >= 1
    assert words in trouble(put(tmp_path, "a.gltf", data.replace(old, new, 1))).what_happened


def test_a_3mf_of_mirrored_components(tmp_path: Path) -> None:
    """Inner and outer placement are applied one after the other; mirrored, the triangles are turned with it."""
    good = write_mesh(ball(10, 1), tmp_path / "good.3mf")
    with zipfile.ZipFile(good) as package:
        members = {name: package.read(name) for name in package.namelist()}
    name = next(name for name in members if name.endswith(".model"))
    text = re.sub(rb"<build.*</build>", b"", members[name], flags=re.S)
    number = re.search(rb'<object id="(\d+)"', text)[1]  # type: ignore[index]
    inner = b'<component objectid="%s" transform="-1 0 0 0 1 0 0 0 1 5 0 0"/>' % number
    marks = [b'p:UUID="%s"' % str(uuid.uuid4()).encode() for _ in range(4)]
    inner = inner.replace(b"<component ", b"<component %s " % marks[3])
    made = (b'<object id="99" type="model" %s><components>%s</components></object></resources><build %s>'
            b'<item objectid="99" transform="1 0 0 0 1 0 0 0 1 0 7 0" %s/></build>')  # fmt: skip
    text = text.replace(b"</resources>", made % (marks[0], inner, marks[1], marks[2]))
    for build, words in ((text, ""), (re.sub(rb"<item [^>]*/>", b"", text), "places no solid")):
        with zipfile.ZipFile(tmp_path / "made.3mf", "w") as package:
            for member, content in members.items():
                package.writestr(member, build if member == name else content)
        if words:
            assert words in trouble(tmp_path / "made.3mf").what_happened
            continue
        mesh, plain = read_fragment(tmp_path / "made.3mf").mesh, read_fragment(good).mesh
        np.testing.assert_allclose(mesh.vertices, plain.vertices * [-1, 1, 1] + [5, 7, 0], atol=1e-5)
        assert volume(mesh) == pytest.approx(volume(plain), rel=1e-6) and volume(mesh) > 0


@pytest.mark.parametrize("data, words", [(b"\0\1", "plain text"), (b"x,y\n", "no points"), (b"# none\n", "no points")])
def test_a_damaged_list_of_points_to_measure(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(FileTrouble, match=words):
        read_points(put(tmp_path, "ring.csv", data))
    broken = ply(Mesh(BALL.vertices, BALL.triangles + 1))
    with pytest.raises(FileTrouble, match="not there"):
        read_points(put(tmp_path, "ring.ply", broken))
    with pytest.raises(FileTrouble, match="not a number"):
        read_points(put(tmp_path, "ring.ply", ply(nan_ball(np.nan))))


@pytest.mark.parametrize(
    "accessor",
    [
        {"count": 10**12},
        {"count": -1},
        {"byteOffset": 4},
        {"componentType": 1},
        {"count": "3"},
        {"bufferView": 7},
        {"sparse": {}},
        {"bufferView": -1},
        {"count": 1.5},
    ],
)
def test_a_gltf_that_points_beyond_its_data(tmp_path: Path, accessor: dict[str, object]) -> None:
    trouble(put(tmp_path, "a.gltf", gltf_with(**accessor)))


def test_gltf_reads_nothing_outside_its_folder(tmp_path: Path) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    put(tmp_path, "secret.bin", bytes(36))
    for uri in (
        "../secret.bin",
        str(tmp_path / "secret.bin"),
        "https://host/secret.bin",
        "..%2Fsecret.bin",
        "missing.bin",
    ):
        data = gltf_with().replace(("data:;base64," + "A" * 48).encode(), uri.encode())
        assert "folder" in str(trouble(put(inner, "a.gltf", data)))


def test_gltf_nodes_without_end(tmp_path: Path) -> None:
    tree = json.loads(gltf_with())
    tree["nodes"] = [{"children": [0]}]
    assert "without end" in trouble(put(tmp_path, "a.gltf", json.dumps(tree).encode())).what_happened


def test_gltf_coordinates_that_leave_the_numbers(tmp_path: Path) -> None:
    tree = json.loads(gltf_with().replace(b"A" * 48, b"AACAfwAAgH8AAIB/" * 3))  # three times infinity a point
    tree["nodes"] = [{"mesh": 0, "matrix": [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]}]
    assert "not a number" in trouble(put(tmp_path, "a.gltf", json.dumps(tree).encode())).what_happened


def test_missing_and_unknown_files(tmp_path: Path) -> None:
    assert "no file" in trouble(tmp_path / "none.stl").what_happened
    assert "not a kind" in trouble(put(tmp_path, "a.doc", b"x")).what_happened


SMALL = ball(10, 1)
MUTABLE = {
    ".stl": binary_stl(SMALL),
    ".ply": ply(SMALL),
    "text.ply": ply(SMALL, ""),
    "text.stl": ascii_stl(SMALL),
    ".obj": _obj_text(SMALL),
    ".off": _off_text(SMALL),
    ".glb": _glb(SMALL),
    ".xyz": b"1 2 3\n" * 50,
}


@pytest.mark.parametrize("kind", MUTABLE)
def test_no_mutation_of_the_bytes_escapes_the_words(kind: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Bytes changed, cut out or put in anywhere, mostly in the header: a scan or a `FileTrouble`."""
    folder, good, stop = tmp_path_factory.mktemp("mutated"), MUTABLE[kind], time.monotonic() + 1.0

    @settings(max_examples=60, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(
        st.lists(
            st.tuples(
                st.one_of(st.integers(0, 300), st.integers(0, len(good))), st.binary(max_size=6), st.integers(0, 9)
            ),
            min_size=1,
            max_size=4,
        )
    )
    def mutate(edits: list[tuple[int, bytes, int]]) -> None:
        if time.monotonic() > stop:
            return
        data = bytearray(good)
        for at, new, gone in edits:
            data[at : at + gone] = new
        try:
            scan = read_fragment(put(folder, f"m{kind}", bytes(data)))
        except FileTrouble:
            return
        assert np.isfinite(scan.mesh.vertices).all() and scan.mesh.triangles.max() < len(scan.mesh.vertices)

    mutate()


def test_mutated_3mf(tmp_path: Path) -> None:
    good = write_mesh(ball(10, 1), tmp_path / "good.3mf").read_bytes()
    rng = np.random.default_rng(1)
    for _ in range(40):
        data = bytearray(good)
        for at in rng.integers(0, len(good), 3):
            data[at] = rng.integers(256)
        try:
            read_fragment(put(tmp_path, "m.3mf", bytes(data)))
        except FileTrouble as error:
            assert error.what_happened.endswith(".")


def test_a_point_far_off_does_not_make_the_surface_slow(tmp_path: Path) -> None:
    """One number too large in a list of bare points: refused, not searched for over the whole distance."""
    rows = ["65536 14 2", *(f"{x} {y} {z}" for x, y, z in ball(10, 2).vertices)]
    path = put(tmp_path, "far.xyz", "\n".join(rows).encode())
    the_open3d()  # its loading is not what is timed
    started = time.process_time()
    with pytest.raises(FileTrouble):
        read_fragment(path)
    assert time.process_time() - started < 2.0
