"""PLY: a text header that lists elements and their properties, then ASCII or binary rows. It has no unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import EXPORT_AGAIN, Parsed, cut_short, damaged, numbers, polygons_to_triangles
from rejoin.core.records import IntArray

TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_CORNERS = ("vertex_indices", "vertex_index")
_NORMAL = ("nx", "ny", "nz")
_NO_FACES = np.empty((0, 3), np.int32)


@dataclass(frozen=True)
class Property:
    """One property of an element; ``counted`` is the type of a list's length, None for a single value."""

    name: str
    kind: str
    counted: str | None = None


@dataclass(frozen=True)
class Element:
    """One kind of row, how many there are, and what a row holds."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def least_bytes(self) -> int:
        """What one binary row takes at least (all lists empty)."""
        return sum(np.dtype(p.counted or p.kind).itemsize for p in self.properties)


def parse_ply(data: bytes, name: str) -> Parsed:
    """Vertices and faces (polygons cut into triangles); every other element is passed over.

    Raises
    ------
    FileTrouble
        No PLY header, counts that the file cannot hold, cut short, text where numbers should stand.
    """
    order, elements, start = _header(data, name)
    body = data[start:] if order == "" else memoryview(data)[start:]
    _check_counts(elements, len(body), order, name)
    tokens = numbers(bytes(body), name) if order == "" else None
    at, points, normals, triangles = 0, np.empty((0, 3)), list[npt.NDArray[np.generic]](), _NO_FACES
    for element in elements:
        if element.name == "vertex":
            values, at = _rows(element, tokens, body, at, order, name)
            try:
                points = np.stack([np.asarray(values[axis], np.float64) for axis in "xyz"], axis=1)
            except KeyError as error:
                raise damaged(name, "its points have no x, y, z") from error
            normals = [values[axis] for axis in _NORMAL if axis in values]
        elif element.name == "face":
            triangles, at = _faces(element, tokens, body, at, order, name)
        elif element.name == "tristrips":
            raise FileTrouble(
                f"{name} stores its triangles as strips, which cannot be read.", "Export plain triangles."
            )
        else:
            at = _passed_over(element, tokens, body, at, order, name)
    told = len(normals) == 3 and not len(triangles)  # a surface has its own
    return Parsed(points, triangles, normals=np.stack(normals, axis=1).astype(np.float64) if told else None)


def _header(data: bytes, name: str) -> tuple[str, tuple[Element, ...], int]:
    end = data[:65536].find(b"end_header")
    line_end = data.find(b"\n", end) if end >= 0 else -1
    if not data.startswith(b"ply") or end < 0 or line_end < 0:
        raise FileTrouble(f"{name} is no PLY file: its header is missing or unfinished.", EXPORT_AGAIN)
    order: str | None = None
    elements: list[Element] = []
    for line in data[:end].decode("latin-1").replace("\r", "\n").split("\n")[1:]:
        match line.split():
            case ["format", kind, *_]:
                order = ORDERS.get(kind)
            case ["element", element, count] if count.isdecimal() and count.isascii() and len(count) < 16:
                elements.append(Element(element, int(count), ()))
            case ["property", "list", counted, kind, label] if elements and {counted, kind} <= TYPES.keys():
                _add(elements, Property(label, TYPES[kind], TYPES[counted]))
            case ["property", kind, label] if elements and kind in TYPES:
                _add(elements, Property(label, TYPES[kind]))
            case ["comment" | "obj_info", *_] | []:
                pass
            case _:
                raise damaged(name, f"its header has a line that is not understood ({line.strip()[:60]!r})")
    if order is None:
        raise damaged(name, "its header does not say how the numbers are stored")
    return order, tuple(elements), line_end + 1


def _add(elements: list[Element], item: Property) -> None:
    last = elements[-1]
    elements[-1] = Element(last.name, last.count, (*last.properties, item))


def _check_counts(elements: tuple[Element, ...], size: int, order: str, name: str) -> None:
    """Before anything is made: can the rows promised be there at all?"""
    if order == "":
        least = sum(e.count * 2 * len(e.properties) for e in elements) - 1
    else:
        least = sum(e.count * e.least_bytes for e in elements)
    if least > size:
        raise cut_short(name)
    if any(e.count and not e.properties for e in elements):
        raise damaged(name, "its header lists rows that hold nothing")


def _row_type(element: Element, order: str, lengths: dict[str, int]) -> np.dtype[np.void]:
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for i, item in enumerate(element.properties):
        if item.counted is not None:
            fields.append((f"n{i}", order + item.counted))
            fields.append((f"p{i}", order + item.kind, (lengths[item.name],)))
        else:
            fields.append((f"p{i}", order + item.kind))
    return np.dtype(fields)


def _rows(
    element: Element, tokens: npt.NDArray[np.float64] | None, body: bytes | memoryview, at: int, order: str, name: str
) -> tuple[dict[str, npt.NDArray[np.generic]], int]:
    """Columns by property name of an element without lists, and where the next element begins."""
    if any(item.counted for item in element.properties):
        raise damaged(name, f"its {element.name} rows hold lists")
    width = len(element.properties)
    if tokens is not None:
        end = at + element.count * width
        if end > len(tokens):
            raise cut_short(name)
        table = tokens[at:end].reshape(element.count, width)
        return {item.name: table[:, i] for i, item in enumerate(element.properties)}, end
    kind = _row_type(element, order, {})
    end = at + kind.itemsize * element.count
    if end > len(body):
        raise cut_short(name)
    rows = np.frombuffer(body, kind, element.count, at)
    return {item.name: rows[f"p{i}"] for i, item in enumerate(element.properties)}, end


def _passed_over(
    element: Element, tokens: npt.NDArray[np.float64] | None, body: bytes | memoryview, at: int, order: str, name: str
) -> int:
    if any(item.counted for item in element.properties):
        return _walk(element, tokens, body, at, order, name, "")[2]
    return _rows(element, tokens, body, at, order, name)[1]


def _faces(
    element: Element, tokens: npt.NDArray[np.float64] | None, body: bytes | memoryview, at: int, order: str, name: str
) -> tuple[IntArray, int]:
    """Triangles (m, 3) and where the next element begins."""
    label = next((p.name for p in element.properties if p.counted and p.name in _CORNERS), None)
    if element.count == 0:
        return _NO_FACES, at
    if label is None:
        raise damaged(name, "its faces do not name their corners")
    lists = [p for p in element.properties if p.counted]
    if len(lists) == 1:
        for corners in (3, 4):
            found = _uniform(element, tokens, body, at, order, corners)
            if found is not None:
                return _triangulated(found[0].ravel(), np.full(element.count, corners), name), found[1]
    corners_flat, counts, end = _walk(element, tokens, body, at, order, name, label)
    return _triangulated(corners_flat, counts, name), end


def _triangulated(corners: npt.NDArray[np.generic], counts: npt.NDArray[np.int64], name: str) -> IntArray:
    if corners.dtype.kind == "f" and not np.array_equal(corners, np.floor(corners)):
        raise damaged(name, "a corner number is not a whole number")
    if len(corners) and not (0 <= float(corners.min()) and float(corners.max()) < 2**31):
        raise damaged(name, "a triangle names a point that is not there")
    if len(counts) and (counts == 3).all():
        return np.asarray(corners, dtype=np.int32).reshape(-1, 3)
    return polygons_to_triangles(np.asarray(corners, dtype=np.int64), counts)


def _uniform(
    element: Element,
    tokens: npt.NDArray[np.float64] | None,
    body: bytes | memoryview,
    at: int,
    order: str,
    corners: int,
) -> tuple[npt.NDArray[np.generic], int] | None:
    """Corners (m, ``corners``) when every face has that many, else None."""
    column = next(i for i, item in enumerate(element.properties) if item.counted)
    if tokens is not None:
        width = len(element.properties) + corners
        end = at + element.count * width
        if end > len(tokens) or (tokens[at + column : end : width] != corners).any():
            return None
        return tokens[at:end].reshape(-1, width)[:, column + 1 : column + 1 + corners], end
    kind = _row_type(element, order, {item.name: corners for item in element.properties if item.counted})
    end = at + kind.itemsize * element.count
    if end > len(body):
        return None
    rows = np.frombuffer(body, kind, element.count, at)
    if (rows[f"n{column}"] != corners).any():
        return None
    return rows[f"p{column}"], end


def _walk(
    element: Element,
    tokens: npt.NDArray[np.float64] | None,
    body: bytes | memoryview,
    at: int,
    order: str,
    name: str,
    wanted: str,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64], int]:
    """Row by row, for lists of differing length: the wanted list's values end to end, their counts, the end."""
    kinds = [
        (None if p.counted is None else np.dtype(order + p.counted), np.dtype(order + p.kind), p.name == wanted)
        for p in element.properties
    ]
    values, counts = [], np.zeros(element.count, np.int64)
    size = len(body) if tokens is None else len(tokens)
    for row in range(element.count):
        for counted, kind, take in kinds:
            length = 1
            if counted is not None:
                head = 1 if tokens is not None else counted.itemsize
                if at + head > size:
                    raise cut_short(name)
                told = tokens[at] if tokens is not None else np.frombuffer(body, counted, 1, at)[0]
                if not 0 <= told < 2**31 or told != int(told):
                    raise damaged(name, "a list has an impossible length")
                length, at = int(told), at + head
            step = length if tokens is not None else length * kind.itemsize
            if at + step > size:
                raise cut_short(name)
            if take:
                counts[row] = length
                values.append(tokens[at : at + length] if tokens is not None else np.frombuffer(body, kind, length, at))
            at += step
    flat = np.concatenate(values) if values else np.empty(0)
    return flat.astype(np.float64), counts, at
