"""What a reader hands on, and the checks that hold for every format."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.records import FloatArray, IntArray

EXPORT_AGAIN = "Export the scan again, or ask for it once more."


@dataclass(frozen=True)
class Parsed:
    """Points (n, 3) and triangles (m, 3), still in the file's unit; no triangles for bare points.

    ``unit`` is what the file itself states, None where the format has none. ``normals`` (n, 3) of the points, of any
    length, where the file holds them beside the points.
    """

    vertices: FloatArray
    triangles: IntArray
    unit: str | None = None
    normals: FloatArray | None = None


def damaged(name: str, detail: str) -> FileTrouble:
    """The file is not what its kind promises."""
    return FileTrouble(f"{name} is damaged or incomplete: {detail}.", EXPORT_AGAIN)


def cut_short(name: str) -> FileTrouble:
    """The file ends before it should."""
    return damaged(name, "it ends before all that its header promises")


def numbers(text: bytes, name: str) -> FloatArray:
    """All numbers (k,) in a text that holds nothing else.

    Raises
    ------
    FileTrouble
        Where something in it is not a number.
    """
    with warnings.catch_warnings():
        # Older numpy only warns where it stops reading at something that is no number.
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(text, dtype=np.float64, sep=" ") if text.strip() else np.empty(0)
        except (ValueError, DeprecationWarning) as error:
            raise damaged(name, "there is text where a number should stand") from error


def polygons_to_triangles(corners: npt.NDArray[np.int64], counts: npt.NDArray[np.int64]) -> IntArray:
    """Fans (m, 3) of polygons that are given corner after corner with their corner counts."""
    starts = np.cumsum(counts) - counts
    pieces, order = [], []
    for count in np.unique(counts[counts >= 3]):
        rows = np.flatnonzero(counts == count)
        ring = corners[starts[rows][:, None] + np.arange(count)]
        fan = np.stack([np.stack([ring[:, 0], ring[:, i], ring[:, i + 1]], 1) for i in range(1, count - 1)], 1)
        pieces.append(fan.reshape(-1, 3))
        order.append(np.repeat(rows, count - 2))
    if not pieces:
        return np.empty((0, 3), np.int32)
    triangles = np.concatenate(pieces)[np.argsort(np.concatenate(order), kind="stable")]
    return triangles.astype(np.int32)


def checked(parsed: Parsed, name: str) -> Parsed:
    """The same, once counts, indices and coordinates have been found sound.

    Raises
    ------
    FileTrouble
        Nothing in it, a corner that does not exist, or a coordinate that is no number.
    """
    vertices, triangles = parsed.vertices, parsed.triangles
    if len(vertices) == 0:
        raise FileTrouble(f"{name} holds no surface and no points.", EXPORT_AGAIN)
    if len(triangles) and (int(triangles.min()) < 0 or int(triangles.max()) >= len(vertices)):
        raise damaged(name, "a triangle names a point that is not there")
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    if not (np.isfinite(low).all() and np.isfinite(high).all()):
        raise damaged(name, "a coordinate is not a number")
    if 0 < len(triangles) < 4:
        raise FileTrouble(f"{name} holds too few triangles to be a scan ({len(triangles)}).", EXPORT_AGAIN)
    if not len(triangles) and len(vertices) < 100:
        raise FileTrouble(f"{name} holds too few points to make a surface of ({len(vertices)}).", EXPORT_AGAIN)
    return parsed


def checked_size(vertices_mm: FloatArray, name: str) -> None:
    """Refuse sizes and offsets that no scan of a part can have (the unit is the usual cause).

    Raises
    ------
    FileTrouble
    """
    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    size = float((high - low).max())
    if size == 0.0:
        raise FileTrouble(f"{name} has no size: all its points are the same.", EXPORT_AGAIN)
    if size > 1e6:
        raise FileTrouble(f"The scan in {name} would be {size / 1e6:.3g} km across.", "Say which unit the file is in.")
    if float(np.abs([low, high]).max()) > 1e7:
        raise FileTrouble(
            f"The scan in {name} lies more than 10 km from its origin, too far for its coordinates to be exact.",
            "Move the scan to its origin in the scanner's program and export it again.",
        )
