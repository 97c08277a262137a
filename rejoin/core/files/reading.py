"""From a file, or a folder with the scan of one fragment, to a `Scan` in millimetres."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from rejoin.core.errors import FileTrouble
from rejoin.core.files.gltf import parse_gltf
from rejoin.core.files.parsed import EXPORT_AGAIN, Parsed, checked, checked_size
from rejoin.core.files.ply import parse_ply
from rejoin.core.files.stl import parse_stl
from rejoin.core.files.text import parse_obj, parse_off, parse_xyz
from rejoin.core.records import FloatArray, Mesh, Repair, Scan
from rejoin.core.settings import UNITS, ReadSettings, Report, silent

READING, READING_TEXT = 7, 13
"""Memory that reading takes at its peak over the file's size: a binary one (measured 3.4 to 6.3), a text (12.4)."""

LARGEST_FILE = 8_000_000_000
"""Bytes; a larger file is refused before it is opened."""


def _threemf(data: bytes, path: Path) -> Parsed:
    from rejoin.core.libraries.threemf import read_3mf

    read = read_3mf(path)
    return Parsed(read.vertices, read.triangles, read.unit)


_READERS: dict[str, Callable[[bytes, Path], Parsed]] = {
    ".stl": lambda data, path: parse_stl(data, path.name),
    ".ply": lambda data, path: parse_ply(data, path.name),
    ".obj": lambda data, path: parse_obj(data, path.name),
    ".off": lambda data, path: parse_off(data, path.name),
    ".glb": parse_gltf,
    ".gltf": parse_gltf,
    ".3mf": _threemf,
    **dict.fromkeys((".xyz", ".asc", ".pts"), lambda data, path: parse_xyz(data, path.name)),
}
READABLE = tuple(_READERS)
"""Suffixes of the files that `read_fragment` reads."""


def read_fragment(path: str | Path, settings: ReadSettings | None = None, report: Report = silent) -> Scan:
    """Read the scan of one fragment.

    Parameters
    ----------
    path : path
        A file (`READABLE`), or a folder that holds the scan of one fragment.
    settings : ReadSettings, optional
        ``unit`` for files that do not state theirs (3MF and glTF do).
    report : Report, optional

    Returns
    -------
    Scan
        Mesh in mm, in the scan's own frame. Where nobody stated a unit,
        millimetres are taken and ``unit_stated`` is False.

    Raises
    ------
    FileTrouble
        Missing, empty, damaged, of an unknown kind, or without a surface.
    """
    settings = settings or ReadSettings()
    file = _the_file(Path(path))
    report(0.0, f"Reading {file.name}")
    data = bytes_of(file)
    with ThreadPoolExecutor(1) as other:
        digest = other.submit(lambda: hashlib.sha256(data).hexdigest())
        parsed = checked(parsed_of(data, file), file.name)
        sha256 = digest.result()
    unit = parsed.unit or settings.unit
    vertices = parsed.vertices if UNITS[unit or "mm"] == 1.0 else parsed.vertices * UNITS[unit or "mm"]
    checked_size(vertices, file.name)
    notes = _notes(vertices, unit)
    mesh = Mesh(vertices, parsed.triangles)
    from_points = len(parsed.triangles) == 0
    if from_points:
        from rejoin.core.libraries.surfaces import surface_from_points

        report(0.3, f"{file.name} holds bare points; making a surface of them")
        mesh = surface_from_points(vertices, file.name, parsed.normals)
        notes += (
            Repair("points", len(vertices), f"A surface was made from {len(vertices):,} bare points; look it over."),
        )
    report(1.0, f"Read {file.name}: {len(mesh.triangles):,} triangles")
    return Scan(
        name=Path(path).name if Path(path).is_dir() else Path(path).stem,
        files=(str(file),),
        mesh=mesh,
        unit=unit or "mm",
        unit_stated=unit is not None,
        from_points=from_points,
        sha256=(sha256,),
        read_notes=notes,
    )


def scan_files(path: str | Path) -> tuple[Path, ...]:
    """The scan files of one fragment: the file itself, or all that a folder holds.

    Raises
    ------
    FileTrouble
        Where a folder holds none, or cannot be looked into.
    """
    path = Path(path)
    try:
        if not path.is_dir():
            return (path,)
        found = sorted(p for p in path.iterdir() if p.suffix.lower() in READABLE and not p.name.startswith("."))
    except OSError as error:
        raise FileTrouble(
            f"{path.name} cannot be opened ({error.strerror}).", "Look at the folder's permissions."
        ) from error
    if not found:
        raise FileTrouble(f"The folder {path.name} holds no scan.", f"It should hold one of {', '.join(READABLE)}.")
    return tuple(found)


def memory_to_read(path: str | Path) -> int:
    """About how many bytes of memory reading a file takes, or one fragment's folder; 0 of what cannot be read."""
    try:
        return sum(map(_memory_of, scan_files(path)))
    except (FileTrouble, OSError):
        return 0


def _memory_of(file: Path) -> int:
    with open(file, "rb") as opened:
        head = opened.read(1000)
    words = b"format ascii" in head or (file.suffix.lower() != ".ply" and b"\0" not in head)
    return (READING_TEXT if words else READING) * file.stat().st_size


def _the_file(path: Path) -> Path:
    found = scan_files(path)
    if len(found) > 1:
        raise FileTrouble(f"The folder {path.name} holds {len(found)} scans.", "Name one of them.")
    path = found[0]
    try:
        if not path.is_file():
            raise FileTrouble(f"There is no file {path}.", "Look at the name and the folder.")
    except OSError as error:
        raise FileTrouble(
            f"{path.name} cannot be opened ({error.strerror}).", "Look at the folder's permissions."
        ) from error
    if path.suffix.lower() not in READABLE:
        raise FileTrouble(
            f"{path.name} is not a kind of scan file that is known here.", f"Known: {', '.join(READABLE)}."
        )
    return path


def bytes_of(file: Path) -> bytes:
    try:
        if file.stat().st_size > LARGEST_FILE:
            raise FileTrouble(
                f"{file.name} is larger than {LARGEST_FILE // 10**9} GB.", "Export the scan with fewer points."
            )
        data = file.read_bytes()
    except OSError as error:
        raise FileTrouble(
            f"{file.name} cannot be read ({error.strerror}).", "Look at the file's permissions."
        ) from error
    if not data:
        raise FileTrouble(f"{file.name} is empty.", EXPORT_AGAIN)
    return data


def parsed_of(data: bytes, file: Path) -> Parsed:
    try:
        with np.errstate(all="ignore"):  # `checked` says in words which coordinates are no numbers
            return _READERS[file.suffix.lower()](data, file)
    except MemoryError as error:
        raise FileTrouble(f"{file.name} is too large for this computer's memory.", "Export fewer points.") from error


def _notes(vertices_mm: FloatArray, unit: str | None) -> tuple[Repair, ...]:
    """A warning where nobody stated the unit and millimetres give an unlikely size."""
    size = float(np.linalg.norm(vertices_mm.max(axis=0) - vertices_mm.min(axis=0)))
    if unit is not None or 5.0 <= size <= 5000.0:
        return ()
    told = f"only {size:.3g} mm" if size < 5.0 else f"{size / 1000:.3g} m"
    return (Repair("unit", 1, f"The file does not say its unit; in mm the scan is {told} across."),)
