"""Valid files of every kind that is read, damaged from a seed in the ways that files are damaged, or attacked."""

from __future__ import annotations

import io
import json
import random
import re
import struct
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh

from rejoin.core.files import write_mesh
from rejoin.core.records import Mesh
from rejoin.core.storage import save_project
from tests.core.scan_bytes import ascii_stl, ball, binary_stl, ply
from tests.core.test_codec import full_project

NUMBERS = (b"0", b"-1", b"1", b"255", b"65536", b"2147483647", b"2147483648", b"4294967295", b"999999999999",
           b"9223372036854775808", b"1e12", b"-1e12", b"1e308", b"nan", b"inf", b"-inf", b"0x10", b"1,5", b"", b"1.5",
           b"99999999999999999999999999")  # fmt: skip
"""What stands where a number of a text stood."""
WORDS = (struct.pack("<I", 0xFFFFFFFF), struct.pack("<I", 0x7FFFFFFF), struct.pack(">I", 1000), bytes(4),
         struct.pack("<f", np.nan), struct.pack("<f", np.inf), struct.pack("<f", 1e12), struct.pack("<d", 1e12),
         struct.pack("<d", np.nan), struct.pack("<Q", 2**63), b"\xff\xfe", b"\0")  # fmt: skip
NAMES = ("../../escaped.txt", f"{tempfile.gettempdir()}/escaped.txt", "..\\escaped.txt", "C:\\escaped.txt",
         "3D/../../escaped.model", "a" * 300, "\u0430\u0431.model", "_rels/.rels", "3D/3dmodel.model", "project.json",
         "")  # fmt: skip
ENTITIES = b'<!DOCTYPE m [<!ENTITY a "0000000000">' + b"".join(
    b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9)
) + b'<!ENTITY file SYSTEM "file:///etc/hostname">]>'  # fmt: skip


def valid_files() -> dict[str, bytes]:
    """One or more small sound files of each kind; the name ends in the suffix."""
    mesh = ball(10, 1)
    outside = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    points = ball(10, 2).vertices
    made = {
        "b.stl": binary_stl(mesh), "a.stl": ascii_stl(mesh), "l.ply": ply(mesh), "g.ply": ply(mesh, ">"),
        "a.ply": ply(mesh, ""), "q.ply": ply(mesh, quads=True), "s.ply": ply(mesh, extras=False),
        "m.obj": outside.export(file_type="obj").encode(), "m.off": outside.export(file_type="off").encode(),
        "m.glb": outside.export(file_type="glb"), "n.glb": _scene(outside),
        "m.xyz": "\n".join(f"{x:.4f} {y:.4f} {z:.4f}" for x, y, z in points).encode(),
    }  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        made["m.3mf"] = write_mesh(mesh, Path(folder) / "m.3mf").read_bytes()
        made["p.rejoin"] = save_project(full_project(), Path(folder) / "p").read_bytes()
    return made


def _scene(part: trimesh.Trimesh) -> bytes:
    scene = trimesh.Scene()
    scene.add_geometry(part, node_name="one")
    scene.add_geometry(part, node_name="two", transform=trimesh.transformations.translation_matrix([30, 0, 0]))
    return bytes(scene.export(file_type="glb"))


def mutated(files: dict[str, bytes], seed: int, number: int) -> tuple[str, str, bytes]:
    """(name of the file it was made from, what was done, the bytes) of one mutation; always the same for a number."""
    chance = random.Random(f"{seed} {number}")
    names = list(files)
    name = names[number % len(names)]
    if name.endswith(".xyz") and chance.random() < 0.7:  # surfaces from points take long: fewer of them
        name = names[chance.randrange(len(names))]
    data, told = files[name], []
    ways = ways_of(name, data)
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        way = chance.choice(ways)
        try:
            data = way(data, chance, files)
        except Exception:  # an earlier change left nothing that this one could take hold of
            continue
        told.append(way.__name__.strip("_"))
    return name, "+".join(told), data


Way = Callable[[bytes, random.Random, dict[str, bytes]], bytes]


def ways_of(name: str, data: bytes) -> list[Way]:
    """How a file of this name and content can be damaged; the likelier ones more than once."""
    packed = ZIPPED * 2 if data[:2] == b"PK" else []
    return [*PLAIN, *packed, *[_tree_of_glb] * (4 * name.endswith(".glb")), *[_tree_of_text] * (8 * (data[:1] == b"{"))]


def _bytes_changed(data: bytes, chance: random.Random, _: object) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.choice((1, 2, 4, 8, 64))):
        if changed:
            reach = min(len(changed), chance.choice((100, 400, len(changed))))
            changed[chance.randrange(max(reach, 1))] = chance.randrange(256)
    return bytes(changed)


def _cut_short(data: bytes, chance: random.Random, _: object) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def _piece_gone(data: bytes, chance: random.Random, _: object) -> bytes:
    at = chance.randrange(len(data) + 1)
    return data[:at] + data[at + chance.choice((1, 2, 4, 12, 50, 400)) :]


def _piece_twice(data: bytes, chance: random.Random, _: object) -> bytes:
    at, count = chance.randrange(len(data) + 1), chance.choice((1, 4, 50, 400))
    return data[:at] + data[at : at + count] * chance.choice((2, 3, 100)) + data[at + count :]


def _other_number(data: bytes, chance: random.Random, _: object) -> bytes:
    places = list(re.finditer(rb"(?<![A-Za-z0-9.])-?\d+(\.\d+)?([eE][-+]?\d+)?", data[:200_000]))
    if not places:
        return data
    place = places[min(chance.randrange(len(places)), chance.randrange(len(places)))]  # the head more often
    return data[: place.start()] + chance.choice(NUMBERS) + data[place.end() :]


def _other_word(data: bytes, chance: random.Random, _: object) -> bytes:
    at = chance.choice((80, 4 * chance.randrange(30), 4 * chance.randrange(len(data) // 4 + 1)))
    word = chance.choice(WORDS)
    return data[:at] + word + data[at + len(word) :]


def _turned(data: bytes, chance: random.Random, _: object) -> bytes:
    """The other order of bytes: told in the head, or done in the body."""
    if b"_endian" in data[:100] and chance.random() < 0.6:
        kinds = (b"binary_little_endian", b"binary_big_endian", b"ascii")
        return re.sub(rb"binary_(little|big)_endian", chance.choice(kinds), data, count=1)
    at = chance.choice((80, 84, chance.randrange(len(data) + 1)))
    body = data[at:]
    body = body[: len(body) // 4 * 4]
    return data[:at] + np.frombuffer(body, "<u4").astype(">u4").tobytes()


def _text_inside(data: bytes, chance: random.Random, _: object) -> bytes:
    at = chance.randrange(len(data) + 1)
    text = chance.choice((b"the left arm of the rocker\n", b"1 2 3\n", b"solid \n", b"end_header\n", b"\xff\xfe\0\0"))
    return data[:at] + text * chance.choice((1, 30))


def _other_head(data: bytes, chance: random.Random, files: dict[str, bytes]) -> bytes:
    """The head of one kind of file, the body of another."""
    other = files[chance.choice(list(files))]
    at = chance.choice((4, 12, 20, 84, 300))
    return other[:at] + data[at:]


def _lines_shuffled(data: bytes, chance: random.Random, _: object) -> bytes:
    lines = data.split(b"\n")
    for _ in range(chance.choice((1, 5))):
        i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
        lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


PLAIN: tuple[Way, ...] = (_bytes_changed, _cut_short, _piece_gone, _piece_twice, _other_number, _other_number,
                          _other_word, _turned, _text_inside, _other_head, _lines_shuffled)  # fmt: skip


def _members(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()[:50] if info.file_size < 10_000_000}


def _packed(members: list[tuple[str, bytes]], kind: int) -> bytes:
    held = io.BytesIO()
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a name twice is meant
        with zipfile.ZipFile(held, "w", kind) as archive:
            for name, content in members:
                archive.writestr(name, content)
    return held.getvalue()


def _kind(data: bytes, chance: random.Random) -> int:
    stored = zipfile.ZipFile(io.BytesIO(data)).infolist()[0].compress_type
    return chance.choice((stored, stored, stored, zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2))


def _member_changed(data: bytes, chance: random.Random, files: dict[str, bytes]) -> bytes:
    """A member damaged, and the package sound around it."""
    members = _members(data)
    name = chance.choice(list(members))
    members[name] = chance.choice(PLAIN)(members[name], chance, files)
    return _packed(list(members.items()), _kind(data, chance))


def _member_renamed(data: bytes, chance: random.Random, _: object) -> bytes:
    """A name that leads out of the package, is given twice, or is missing."""
    members = list(_members(data).items())
    at = chance.randrange(len(members))
    way = chance.randrange(3)
    if way == 0:
        members[at] = chance.choice(NAMES), members[at][1]
    elif way == 1:
        members.append((chance.choice(NAMES), members[at][1]))
    else:
        del members[at]
    return _packed(members, _kind(data, chance))


def _bomb(data: bytes, chance: random.Random, _: object) -> bytes:
    """A member that swells: a few kilobytes to tens of megabytes, or entities that name each other."""
    members = _members(data)
    name = chance.choice(list(members))
    if chance.random() < 0.3:
        members[name] += bytes([chance.choice((0, 32))]) * chance.choice((1_000_000, 60_000_000))
    else:
        entity = chance.choice((b"&j;", b"&file;", b"&a;"))
        members[name] = members[name].replace(b"?>", b"?>" + ENTITIES, 1).replace(b'x="', b'x="' + entity, 1)
    return _packed(list(members.items()), zipfile.ZIP_DEFLATED)


def _size_lied(data: bytes, chance: random.Random, _: object) -> bytes:
    """Another size, offset, flag or way of packing in a record of the package's directory."""
    places = [m.start() for m in re.finditer(rb"PK(\x01\x02|\x03\x04|\x05\x06)", data)]
    at = chance.choice(places) + chance.choice((6, 8, 10, 14, 16, 18, 20, 22, 24, 26, 28, 42))
    word = chance.choice((b"\xff\xff\xff\xff", b"\0\0\0\0", b"\1\0", b"\x63\0", struct.pack("<I", 2**31)))
    return data[:at] + word + data[at + len(word) :]


def _record_changed(data: bytes, chance: random.Random, _: object) -> bytes:
    """A value of the project's JSON exchanged for one of another kind, or for another record or array."""
    members = _members(data)
    if "project.json" not in members:
        raise ValueError
    members["project.json"] = _tree_changed(members["project.json"], chance)
    return _packed(list(members.items()), zipfile.ZIP_STORED)


def _tree_changed(text: bytes, chance: random.Random) -> bytes:
    tree = json.loads(text)
    leaves: list[tuple[object, object]] = []

    def walk(node: object) -> None:
        pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
        for key, value in pairs:
            leaves.append((node, key))
            walk(value)

    walk(tree)
    for _ in range(chance.choice((1, 1, 2, 5))):
        node, key = chance.choice(leaves)
        other, name = chance.choice(leaves)
        values = (None, True, -1, 0, 1, 7, 1.5, -1e300, 2**31, 2**63, 10**30, "", "x", "a" * 5000, [], {}, [[1]],
                  {"float": "nan"}, other[name])  # type: ignore[index]  # fmt: skip
        try:
            node[key] = chance.choice(values + (other[name],) * 5)  # type: ignore[index]
        except (IndexError, KeyError):
            continue
    try:
        return json.dumps(tree).encode()
    except (ValueError, RecursionError):
        return text


def _tree_of_text(data: bytes, chance: random.Random, _: object) -> bytes:
    return _tree_changed(data, chance)


def _tree_of_glb(data: bytes, chance: random.Random, _: object) -> bytes:
    """A value of the glTF tree exchanged, the file sound around it (glTF 2.0, GLB layout)."""
    (length,) = struct.unpack("<I", data[12:16])
    tree = _tree_changed(data[20 : 20 + length], chance)
    tree += b" " * (-len(tree) % 4)
    rest = data[20 + length :]
    return data[:8] + struct.pack("<II", 20 + len(tree) + len(rest), len(tree)) + data[16:20] + tree + rest


ZIPPED: list[Way] = [_member_changed, _member_changed, _member_renamed, _bomb, _size_lied, _record_changed]


def plausible(mesh: Mesh, size: int, repeats: bool) -> str | None:
    """What is wrong with a mesh that was read from ``size`` bytes; None where nothing is."""
    points, corners = mesh.vertices, mesh.triangles
    if not np.isfinite(points).all():
        return "a vertex is no number"
    if len(corners) and not 0 <= int(corners.min()) <= int(corners.max()) < len(points):
        return "a corner is not there"
    if not repeats and max(len(points), len(corners)) > max(size, 100):
        return f"{len(points)} vertices and {len(corners)} triangles from {size} bytes"
    return None
