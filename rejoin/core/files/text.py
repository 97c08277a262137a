"""Plain text: OBJ and OFF surfaces, and bare points (x y z, one point a line). None of them has a unit."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import EXPORT_AGAIN, Parsed, cut_short, damaged, numbers, polygons_to_triangles
from rejoin.core.records import FloatArray, IntArray

_NO_FACES = np.empty((0, 3), np.int32)
UNIT = 0.01
"""Normals written with few decimals are as long as one but for so much."""


def _clean_text(data: bytes, name: str) -> bytes:
    """Plain lines that begin with their first word and end in a line feed; comments (#) and blank lines left out."""
    if b"\0" in data:
        raise damaged(name, "it should be plain text, but is not")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"#" in data:
        data = re.sub(rb"#[^\n]*", b"", data)
    data = re.sub(rb"\n\s+", b"\n", data) if re.search(rb"\n\s", data) else data
    return data.strip() + b"\n"


def _widths(text: bytes) -> npt.NDArray[np.int64]:
    """Count of words (n,) on each line of a text that ends in a line feed."""
    letters = np.frombuffer(text, np.uint8)
    blank = letters <= 32
    begins = ~blank
    begins[1:] &= blank[:-1]
    return np.asarray(np.diff(np.cumsum(begins)[letters == 10], prepend=0), np.int64)


def _line_starts(text: bytes) -> npt.NDArray[np.int64]:
    """Where each line (n,) begins, and the end of the text as one more."""
    return np.concatenate([[0], np.flatnonzero(np.frombuffer(text, np.uint8) == 10) + 1])


def _table(text: bytes, name: str, least: int) -> FloatArray:
    """Numbers (n, k) of lines that all hold the same count, at least ``least``."""
    widths = _widths(text)
    if len(widths) == 0 or widths.min() != widths.max() or widths[0] < least:
        raise damaged(name, "its lines do not all hold the same count of numbers")
    values = numbers(text, name)
    if len(values) != len(widths) * widths[0]:
        raise damaged(name, "there is text where a number should stand")
    return values.reshape(len(widths), -1)


def _whole_numbers(text: bytes, expected: int, name: str) -> npt.NDArray[np.int64]:
    flat = numbers(text, name)
    if len(flat) != expected or not (np.abs(flat) < 2**31).all() or not np.array_equal(flat, np.floor(flat)):
        raise damaged(name, "a corner number is not a whole number")
    return flat.astype(np.int64)


def _triangulated(
    corners: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], vertex_count: int, name: str
) -> IntArray:
    if len(counts) and counts.min() < 3:
        raise damaged(name, "a face has fewer than three corners")
    if len(corners) and not (corners.min() >= 0 and corners.max() < vertex_count):
        raise damaged(name, "a triangle names a point that is not there")
    return polygons_to_triangles(corners, counts)


def _lines_joined(text: bytes, starts: npt.NDArray[np.int64], chosen: npt.NDArray[np.bool_], skip: int) -> bytes:
    """The chosen lines, each without its first ``skip`` letters; runs of neighbours are copied as one."""
    change = np.flatnonzero(np.diff(chosen.astype(np.int8), prepend=0, append=0))
    begin, end = starts[change[::2]].tolist(), starts[change[1::2]].tolist()
    joined = b"".join(text[a:b] for a, b in zip(begin, end, strict=True))
    letters = np.frombuffer(joined, np.uint8).copy()
    heads = _line_starts(joined)[:-1]
    for step in range(skip):
        letters[heads + step] = 32
    return letters.tobytes()


def parse_obj(data: bytes, name: str) -> Parsed:
    """OBJ: ``v`` and ``f`` lines (polygons are cut into triangles); all else is passed over.

    Raises
    ------
    FileTrouble
        Text where numbers should stand, a corner that is not there, or no points.
    """
    text = _clean_text(data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" "), name)
    starts = _line_starts(text)
    letters = np.frombuffer(text, np.uint8)
    first, second = letters[starts[:-1]], letters[np.minimum(starts[:-1] + 1, len(letters) - 1)]
    apart = (second == 32) | (second == 9)
    is_point, is_face = (first == ord("v")) & apart, (first == ord("f")) & apart
    if not is_point.any():
        raise FileTrouble(f"{name} holds no surface and no points.", EXPORT_AGAIN)
    vertices = _table(_lines_joined(text, starts, is_point, 1), name, 3)[:, :3]
    if not is_face.any():
        return Parsed(vertices, _NO_FACES)
    faces = _lines_joined(text, starts, is_face, 1)
    if b"/" in faces:
        faces = re.sub(rb"/[^ \t\n]*", b"", faces)
    counts = _widths(faces)
    corners = _whole_numbers(faces, int(counts.sum()), name)
    before = np.repeat(np.cumsum(is_point)[is_face], counts)
    corners = np.where(corners < 0, corners + before, corners - 1)
    return Parsed(vertices, _triangulated(corners, counts, len(vertices), name))


def parse_off(data: bytes, name: str) -> Parsed:
    """OFF: a line with the counts, the points, then faces that begin with their count of corners.

    Raises
    ------
    FileTrouble
        No OFF header, cut short, or text where numbers should stand.
    """
    text = _clean_text(data, name)
    head = re.match(rb"(?:C|N|CN)?OFF\s+(\d{1,11})\s+(\d{1,11})(?:[ \t]+\d+)?[ \t]*\n", text)
    if head is None:
        raise FileTrouble(f"{name} is no OFF file: its first lines are missing.", EXPORT_AGAIN)
    points, faces = int(head[1]), int(head[2])
    text = text[head.end() :]
    starts = _line_starts(text)
    if points == 0:
        raise FileTrouble(f"{name} holds no surface and no points.", EXPORT_AGAIN)
    if len(starts) - 1 < points + faces:
        raise cut_short(name)
    vertices = _table(text[: starts[points]], name, 3)[:, :3]
    if faces == 0:
        return Parsed(vertices, _NO_FACES)
    rows = text[starts[points] : starts[points + faces]]
    widths = _widths(rows)
    flat = numbers(rows, name)
    if len(flat) != widths.sum():
        raise damaged(name, "there is text where a number should stand")
    at = np.cumsum(widths) - widths
    counts = np.where(np.abs(flat[at]) < 2**31, flat[at], -1).astype(np.int64)
    if (counts < 3).any() or (counts >= widths).any():
        raise damaged(name, "a face does not have the corners that it promises")
    place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + np.repeat(at + 1, counts)
    corners = flat[place]
    if not (np.abs(corners) < 2**31).all() or not np.array_equal(corners, np.floor(corners)):
        raise damaged(name, "a corner number is not a whole number")
    return Parsed(vertices, _triangulated(corners.astype(np.int64), counts, len(vertices), name))


def parse_xyz(data: bytes, name: str) -> Parsed:
    """Bare points, one a line: x y z, perhaps their normals and more columns, parted by blanks, commas or semicolons.

    Comments (# or //) and a first line that is a heading or a count are passed over.

    Raises
    ------
    FileTrouble
        Text where numbers should stand, or lines of differing length.
    """
    text = _clean_text(re.sub(rb"(?m)^\s*//[^\r\n]*", b"", data) if b"//" in data else data, name)
    first, _, rest = text.partition(b"\n")
    if first.strip().isdigit() or re.search(rb"[A-Za-z]{2}", first):
        text = rest
        first = text.partition(b"\n")[0]
    if not text.strip():
        raise FileTrouble(f"{name} holds no surface and no points.", EXPORT_AGAIN)
    if b";" in first:
        text = text.replace(b",", b".").replace(b";", b" ")
    elif b"," in first:
        if any(len(field.split()) != 1 for field in first.rstrip(b", ").split(b",")):
            raise FileTrouble(f"{name} writes decimals with commas.", "Export it with decimal points.")
        text = text.replace(b",", b" ")
    table = _table(text, name, 3)
    # What follows the points may be colours, but only normals have the length one.
    unit = table.shape[1] >= 6 and bool((np.abs(np.linalg.norm(table[:, 3:6], axis=1) - 1.0) < UNIT).all())
    return Parsed(table[:, :3], _NO_FACES, normals=table[:, 3:6] if unit else None)
