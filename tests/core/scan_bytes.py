"""Scan files made byte by byte for the tests of reading and writing, and how a refusal must look."""

from __future__ import annotations

import struct
import tracemalloc
import warnings
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rejoin.core.errors import FileTrouble
from rejoin.core.files import read_fragment
from rejoin.core.records import Mesh


def ball(radius: float = 10.0, subdivisions: int = 3) -> Mesh:
    made = trimesh.creation.icosphere(subdivisions, radius)
    return Mesh(np.array(made.vertices) + [5.0, 6.0, 7.0], np.array(made.faces))


BALL = ball()


def binary_stl(mesh: Mesh, header: bytes = b"") -> bytes:
    rows = np.zeros(len(mesh.triangles), np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    rows["v"] = mesh.vertices[mesh.triangles]
    return header.ljust(80, b"\0") + struct.pack("<I", len(rows)) + rows.tobytes()


def ascii_stl(mesh: Mesh) -> bytes:
    text = ["solid pump rocker 3"]
    for corners in mesh.vertices[mesh.triangles]:
        text += ["facet normal 0 0 0", "outer loop", *(f"vertex {x:.9e} {y:.9e} {z:.9e}" for x, y, z in corners)]
        text += ["endloop", "endfacet"]
    return "\n".join([*text, "endsolid pump rocker 3", ""]).encode()


def ply(mesh: Mesh, order: str = "<", quads: bool = False, extras: bool = True, faces: bool = True) -> bytes:
    """Binary or (order "") ASCII PLY; with ``extras`` also normals, a face colour and a trailing element of edges."""
    kind = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    head = ["ply", f"format {kind} 1.0", "comment made by hand", f"element vertex {len(mesh.vertices)}"]
    head += [f"property double {a}" for a in "xyz"] + (["property float nx"] if extras else [])
    head += [f"element face {len(mesh.triangles)}", "property list uchar int vertex_indices"] if faces else []
    head += ["property uchar red", "element edge 1", "property int vertex1", "property int vertex2"] if extras else []
    head += ["end_header", ""]
    body = b""
    for point in mesh.vertices:
        body += struct.pack(order + "3d", *point) if order else " ".join(map(repr, point.tolist())).encode()
        if extras:
            body += struct.pack(order + "f", 0.5) if order else b" 0.5"
        body += b"" if order else b"\n"
    for corners in mesh.triangles.tolist() if faces else ():
        corners = [*corners, corners[0]] if quads else corners
        body += (
            struct.pack(f"{order}B{len(corners)}i", len(corners), *corners)
            if order
            else " ".join(map(str, [len(corners), *corners])).encode()
        )
        if extras:
            body += struct.pack("B", 7) if order else b" 7"
        body += b"" if order else b"\n"
    if extras:
        body += struct.pack(order + "2i", 0, 1) if order else b"0 1\n"
    return "\n".join(head).encode() + body


def put(folder: Path, name: str, data: bytes) -> Path:
    (folder / name).write_bytes(data)
    return folder / name


def trouble(path: Path) -> FileTrouble:
    """Reading must fail in two plain sentences, quickly, without a library's warning or a large allocation."""
    tracemalloc.start()
    try:
        with pytest.raises(FileTrouble) as caught, warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)
            read_fragment(path)
        assert tracemalloc.get_traced_memory()[1] < 50e6
    finally:
        tracemalloc.stop()
    for sentence in (caught.value.what_happened, caught.value.what_to_do):
        assert sentence.endswith(".") and "Traceback" not in sentence and "Error" not in sentence
    return caught.value


def nan_ball(value: float) -> Mesh:
    points = np.array(BALL.vertices)
    points[3, 1] = value
    return Mesh(points, BALL.triangles)
