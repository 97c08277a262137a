"""From a mesh in millimetres to a file that has been read back and compared before it takes its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import Parsed
from rejoin.core.files.placing import written_whole
from rejoin.core.files.ply import parse_ply
from rejoin.core.files.stl import FACET, binary_facets
from rejoin.core.files.text import parse_obj
from rejoin.core.meshes import is_closed, triangle_areas, volume
from rejoin.core.records import Mesh
from rejoin.core.settings import UNITS

SINGLE = 2.0**-23
"""Relative step of single precision, which STL and 3MF files are written in."""


def write_mesh(mesh: Mesh, path: str | Path, unit: str = "mm", description: str = "") -> Path:
    """Write a mesh; the kind of file follows from the suffix (`WRITABLE`).

    The file is made beside its target, read back, compared (triangles, size,
    volume, unit) and only then put in its place; an older file stays whole
    until that moment. PLY and OBJ keep double precision, STL and 3MF single.

    Parameters
    ----------
    mesh : Mesh
        mm.
    path : path
    unit : str
        Unit of the written numbers. 3MF states it; PLY and OBJ say it in a comment, STL in its header.
    description : str
        A line on what this is, where the format has a place for it.

    Returns
    -------
    Path

    Raises
    ------
    FileTrouble
        Unknown suffix or unit, nothing to write, no permission, no room; for
        3MF also a mesh that is not closed or is inside out.
    """
    path = Path(path)
    if path.suffix.lower() not in _WRITERS:
        raise FileTrouble(f"{path.name} does not end in a known kind of file.", f"Known: {', '.join(WRITABLE)}.")
    if unit not in UNITS:
        raise FileTrouble(f"The unit {unit!r} is not known.", f"Known: {', '.join(UNITS)}.")
    if len(mesh.triangles) == 0 or not np.isfinite(mesh.vertices).all():
        raise FileTrouble(f"There is no sound surface to write to {path.name}.", "Fuse the fragments first.")
    if not path.parent.is_dir():
        raise FileTrouble(f"There is no folder {path.parent}.", "Choose a folder that exists.")
    write, parse, exact = _WRITERS[path.suffix.lower()]
    scaled = mesh if unit == "mm" else Mesh(mesh.vertices / UNITS[unit], mesh.triangles)
    words = " ".join(description.split())

    def write_and_compare(beside: Path) -> None:
        write(scaled, beside, unit, words, path.name)
        _compare(scaled, parse(beside, path.name), unit, exact, path.name)

    return written_whole(path, write_and_compare)


def _ply(mesh: Mesh, path: Path, unit: str, words: str, name: str) -> None:
    header = ["ply", "format binary_little_endian 1.0", f"comment unit {unit}"]
    header += [f"comment {_ascii(words)}"] if words else []
    header += [f"element vertex {len(mesh.vertices)}", *(f"property double {axis}" for axis in "xyz")]
    header += [f"element face {len(mesh.triangles)}", "property list uchar int vertex_indices", "end_header", ""]
    faces = np.empty(len(mesh.triangles), np.dtype([("count", "u1"), ("corners", "<i4", 3)]))
    faces["count"], faces["corners"] = 3, mesh.triangles
    with open(path, "wb") as file:
        file.write("\n".join(header).encode("ascii"))
        file.write(mesh.vertices.astype("<f8").tobytes())
        file.write(faces.tobytes())


def _stl(mesh: Mesh, path: Path, unit: str, words: str, name: str) -> None:
    facets = np.zeros(len(mesh.triangles), FACET)
    corners = mesh.vertices[mesh.triangles]
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(crosses, axis=1, keepdims=True)
    facets["normal"] = crosses / np.where(length > 0, length, 1.0)
    facets["corners"] = corners
    # Must not begin with "solid", which many programs take for the ASCII kind.
    header = f"binary STL, unit {unit}. {_ascii(words)}".encode("ascii")[:80].ljust(80, b" ")
    with open(path, "wb") as file:
        file.write(header + len(facets).to_bytes(4, "little"))
        file.write(facets.tobytes())


def _obj(mesh: Mesh, path: Path, unit: str, words: str, name: str) -> None:
    with open(path, "w", encoding="utf-8", newline="\n") as file:
        file.write(f"# unit {unit}\n" + (f"# {words}\n" if words else ""))
        for line, table in (("v %r %r %r\n", mesh.vertices), ("f %d %d %d\n", mesh.triangles + 1)):
            for start in range(0, len(table), 50_000):
                part = table[start : start + 50_000]
                file.write(line * len(part) % tuple(part.ravel().tolist()))


def _threemf(mesh: Mesh, path: Path, unit: str, words: str, name: str) -> None:
    from rejoin.core.libraries.threemf import write_3mf

    sound = is_closed(mesh) and volume(mesh) > 0
    if not write_3mf(mesh, path, unit, Path(name).stem, words) or not sound:
        raise FileTrouble(f"A 3MF file must hold a closed solid, and the mesh for {name} is not one.",
                          "Write a PLY or STL file, or close the holes first.")  # fmt: skip


def _read_threemf(path: Path, name: str) -> Parsed:
    from rejoin.core.libraries.threemf import read_3mf

    read = read_3mf(path)
    return Parsed(read.vertices, read.triangles, read.unit)


def _read_facets(path: Path, name: str) -> Parsed:
    """The corners as they stand in the file, unwelded."""
    corners = binary_facets(path.read_bytes(), name)["corners"].reshape(-1, 3)
    return Parsed(corners.astype(np.float64), np.arange(len(corners), dtype=np.int32).reshape(-1, 3))


_Write = Callable[[Mesh, Path, str, str, str], None]
_Parse = Callable[[Path, str], Parsed]
_WRITERS: dict[str, tuple[_Write, _Parse, bool]] = {
    ".ply": (_ply, lambda path, name: parse_ply(path.read_bytes(), name), True),
    ".stl": (_stl, _read_facets, False),
    ".obj": (_obj, lambda path, name: parse_obj(path.read_bytes(), name), True),
    ".3mf": (_threemf, _read_threemf, False),
}
WRITABLE = tuple(_WRITERS)
"""Suffixes of the files that `write_mesh` writes."""


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()


def _compare(mesh: Mesh, read: Parsed, unit: str, exact: bool, name: str) -> None:
    """Is what was read back what was to be written?

    Raises
    ------
    FileTrouble
    """
    same = len(read.triangles) == len(mesh.triangles) and read.unit in (None, unit)
    if same and exact:
        same = np.array_equal(read.vertices, mesh.vertices) and np.array_equal(read.triangles, mesh.triangles)
    elif same:
        step = SINGLE * float(np.abs(mesh.vertices).max())
        if step > 1e-5 * float(np.ptp(mesh.vertices, axis=0).max()):
            raise FileTrouble(f"The mesh lies too far from its origin for the numbers of {name} to be exact.",
                              "Write a PLY file, which holds more digits.")  # fmt: skip
        corners, wanted = read.vertices[read.triangles], mesh.vertices[mesh.triangles]
        # both as loose corners: what an open surface holds depends on where it is counted from
        each = np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
        again, asked = (volume(Mesh(places.reshape(-1, 3), each)) for places in (corners, wanted))
        slack = 4.0 * step * float(triangle_areas(mesh).sum())
        same = bool((np.abs(corners - wanted) <= 2.0 * step).all()) and abs(again - asked) <= slack
    if not same:
        raise FileTrouble(f"What was written to {name} is not what was read back.", "Try again on another disk.")
