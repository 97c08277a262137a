"""glTF 2.0 and GLB (Khronos Group specification 2.0): the triangles of the scene, in metres as the standard says."""

from __future__ import annotations

import base64
import binascii
import json
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import EXPORT_AGAIN, Parsed, cut_short, damaged
from rejoin.core.records import FloatArray, IntArray

_KINDS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}
_HARMLESS = ("KHR_materials_", "KHR_texture_", "KHR_lights_", "EXT_texture_")
MOST_TRIANGLES = 200_000_000


def parse_gltf(data: bytes, path: Path) -> Parsed:
    """All triangles that the default scene shows, moved to its frame; the unit is the metre.

    Raises
    ------
    FileTrouble
        Damaged, cut short, packed in a way that is not read here, or files beside it that are missing.
    """
    try:
        return _Document(data, path).parsed()
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
        raise damaged(path.name, "its parts do not fit together") from error


class _Document:
    def __init__(self, data: bytes, path: Path) -> None:
        self.name, self.folder, self.binary = path.name, path.parent, b""
        if data[:4] == b"glTF":
            data = self._chunks(data)
        try:
            self.tree: dict[str, Any] = json.loads(data)
        except (ValueError, RecursionError) as error:
            raise FileTrouble(f"{self.name} is no glTF file.", EXPORT_AGAIN) from error
        if not isinstance(self.tree, dict) or not str(self.tree["asset"]["version"]).startswith("2."):
            raise FileTrouble(f"{self.name} is not of glTF version 2.", EXPORT_AGAIN)
        needed = [one for one in self.tree.get("extensionsRequired", []) if not str(one).startswith(_HARMLESS)]
        if needed:
            raise FileTrouble(f"{self.name} is packed in a way that is not read here ({str(needed[0])[:40]}).",
                              "Export it without compression.")  # fmt: skip
        self.buffers: dict[int, bytes] = {}
        self.parts: list[tuple[FloatArray, IntArray]] = []

    def _chunks(self, data: bytes) -> bytes:
        """The JSON of a GLB; its binary chunk is kept aside."""
        version, length = (int.from_bytes(data[at : at + 4], "little") for at in (4, 8))
        if version != 2:
            raise FileTrouble(f"{self.name} is not of glTF version 2.", EXPORT_AGAIN)
        if length != len(data) or length < 20:
            raise cut_short(self.name)
        found: dict[bytes, bytes] = {}
        at = 12
        while at + 8 <= length:
            size = int.from_bytes(data[at : at + 4], "little")
            if at + 8 + size > length:
                raise cut_short(self.name)
            found.setdefault(data[at + 4 : at + 8], data[at + 8 : at + 8 + size])
            at += 8 + size
        self.binary = found.get(b"BIN\0", b"")
        return found.get(b"JSON", b"")

    def parsed(self) -> Parsed:
        """Walks the scene."""
        scenes = self.tree.get("scenes", [])
        if scenes:
            roots = scenes[self.tree.get("scene", 0)].get("nodes", [])
        else:
            roots = range(len(self.tree.get("nodes", [])))
        for root in roots:
            self._node(root, np.eye(4), 0)
        if not self.parts:
            raise FileTrouble(f"{self.name} shows no surface.", EXPORT_AGAIN)
        offsets = np.cumsum([0, *(len(points) for points, _ in self.parts)])
        triangles = [part + int(start) for (_, part), start in zip(self.parts, offsets, strict=False)]
        return Parsed(np.concatenate([points for points, _ in self.parts]),
                      np.concatenate(triangles).astype(np.int32), "m")  # fmt: skip

    def _node(self, number: int, motion: FloatArray, depth: int) -> None:
        if depth > 100 or sum(len(t) for _, t in self.parts) > MOST_TRIANGLES or len(self.parts) > 100_000:
            raise damaged(self.name, "its parts nest or repeat without end")
        node = self.tree["nodes"][_index(number)]
        motion = motion @ _local(node)
        if "mesh" in node:
            for primitive in self.tree["meshes"][_index(node["mesh"])]["primitives"]:
                self._primitive(primitive, motion)
        for child in node.get("children", []):
            self._node(child, motion, depth + 1)

    def _primitive(self, primitive: dict[str, Any], motion: FloatArray) -> None:
        mode = primitive.get("mode", 4)
        if mode not in (4, 5, 6) or "POSITION" not in primitive["attributes"]:
            return
        points = self._accessor(primitive["attributes"]["POSITION"], "VEC3").astype(np.float64)
        if "indices" in primitive:
            corners = self._accessor(primitive["indices"], "SCALAR").ravel().astype(np.int64)
        else:
            corners = np.arange(len(points))
        if len(corners) and corners.max() >= len(points):
            raise damaged(self.name, "a triangle names a point that is not there")
        triangles = _as_triangles(corners, mode)
        if np.linalg.det(motion[:3, :3]) < 0:
            triangles = triangles[:, ::-1]
        if len(triangles):
            self.parts.append((points @ motion[:3, :3].T + motion[:3, 3], triangles.astype(np.int32)))

    def _accessor(self, number: int, kind: str) -> npt.NDArray[Any]:
        """(count, width) values; their place in the buffer is checked before anything is made."""
        accessor = self.tree["accessors"][_index(number)]
        if accessor["type"] != kind or "sparse" in accessor or "bufferView" not in accessor:
            raise FileTrouble(
                f"{self.name} is packed in a way that is not read here.", "Export it without compression."
            )
        view = self.tree["bufferViews"][_index(accessor["bufferView"])]
        buffer = self._buffer(_index(view["buffer"]))
        dtype, count = np.dtype(_KINDS[accessor["componentType"]]), _index(accessor["count"])
        if (kind == "VEC3") != (dtype.kind == "f"):
            raise damaged(self.name, "its numbers are of an unexpected kind")
        width = _WIDTHS[kind] * dtype.itemsize
        stride = _index(view.get("byteStride", width)) or width
        start = _index(view.get("byteOffset", 0)) + _index(accessor.get("byteOffset", 0))
        last = _index(view.get("byteOffset", 0)) + _index(view["byteLength"])
        if count == 0 or stride < width or start + (count - 1) * stride + width > min(last, len(buffer)):
            raise cut_short(self.name)
        rows = np.ndarray((count, _WIDTHS[kind]), dtype, buffer, start, (stride, dtype.itemsize))
        return np.ascontiguousarray(rows)

    def _buffer(self, number: int) -> bytes:
        if number not in self.buffers:
            self.buffers[number] = self._loaded(self.tree["buffers"][number], number)
        return self.buffers[number]

    def _loaded(self, buffer: dict[str, Any], number: int) -> bytes:
        uri = buffer.get("uri")
        if uri is None:
            if number != 0:
                raise damaged(self.name, "a part of its data is missing")
            return self.binary
        if uri.startswith("data:"):
            try:
                return base64.b64decode(uri.split(",", 1)[1], validate=True)
            except (binascii.Error, IndexError) as error:
                raise damaged(self.name, "the data inside it cannot be decoded") from error
        beside = Path(unquote(uri))
        if "://" in uri or beside.is_absolute() or ".." in beside.parts or "\\" in uri:
            raise FileTrouble(f"{self.name} points to data outside its own folder.", "Export it as one .glb file.")
        try:
            return (self.folder / beside).read_bytes()
        except OSError as error:
            raise FileTrouble(f"{beside.name}, which belongs to {self.name}, is not beside it.",
                              "Put both in one folder, or export one .glb file.") from error  # fmt: skip


def _index(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError("no index")
    return value


def _local(node: dict[str, Any]) -> FloatArray:
    """(4, 4) of a node: its matrix (column by column), or shift, turn (x y z w) and scale."""
    if "matrix" in node:
        return np.array(node["matrix"], np.float64).reshape(4, 4).T
    x, y, z, w = (float(v) for v in node.get("rotation", (0, 0, 0, 1)))
    turn = np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.array(node.get("scale", (1, 1, 1)), np.float64)
    matrix[:3, 3] = node.get("translation", (0, 0, 0))
    return matrix


def _as_triangles(corners: npt.NDArray[np.int64], mode: int) -> npt.NDArray[np.int64]:
    """Plain triangles (m, 3) of a list (4), a strip (5) or a fan (6)."""
    if mode == 4:
        return corners[: len(corners) // 3 * 3].reshape(-1, 3)
    if len(corners) < 3:
        return np.empty((0, 3), np.int64)
    if mode == 6:
        return np.stack([np.full(len(corners) - 2, corners[0]), corners[1:-1], corners[2:]], 1)
    triangles = np.stack([corners[:-2], corners[1:-1], corners[2:]], 1)
    triangles[1::2] = triangles[1::2][:, [1, 0, 2]]
    return triangles
