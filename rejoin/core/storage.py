"""The project file and the recovery copy: versioned JSON plus arrays, never code."""

from __future__ import annotations

import json
import warnings
import zipfile
from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np
import numpy.lib.format as npy
import numpy.typing as npt

from rejoin.core.codec import Arrays, Table, array_key, pack, unpack_as
from rejoin.core.errors import FileTrouble
from rejoin.core.files.placing import written_whole
from rejoin.core.records import Project

SUFFIX = ".rejoin"
VERSION = 1
"""Raised when an older program could no longer understand the file."""
_CONTENT = "project.json"
_LARGEST_JSON = 64_000_000
_LARGEST_TOTAL = 64_000_000_000
_OLDER_COPY = "Open an older copy of the project."


def save_project(project: Project, path: str | Path) -> Path:
    """Write the project as one file; an older one is replaced only when the new one is whole.

    Parameters
    ----------
    project : Project
    path : path
        The suffix ``.rejoin`` is added where it is missing.

    Returns
    -------
    Path
        The file as written, with its suffix.

    Raises
    ------
    FileTrouble
        Where it cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() != SUFFIX:
        path = path.with_name(path.name + SUFFIX)
    content, arrays = _content(project)

    def write(beside: Path) -> None:
        with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr(_CONTENT, content)
            for key, array in arrays.items():
                with archive.open(f"{key}.npy", "w", force_zip64=True) as member:
                    npy.write_array(member, array, allow_pickle=False)

    return written_whole(path, write)


def load_project(path: str | Path) -> Project:
    """Read a project file.

    Raises
    ------
    FileTrouble
        Missing, damaged, from a newer version, or not a project file at all.
    """
    path = Path(path)
    try:
        with zipfile.ZipFile(path) as archive:
            sizes = _checked_members(archive, path)
            skeleton = _checked_content(archive.read(_CONTENT), path.name)
            arrays = {}
            for key in sizes:
                with archive.open(f"{key}.npy") as member:
                    arrays[key] = _array(member, key, sizes[key], path.name)
    except FileNotFoundError as error:
        raise FileTrouble(f"There is no project file {path}.", "Look at the name and the folder.") from error
    except OSError as error:
        raise FileTrouble(
            f"{path.name} cannot be read ({error.strerror}).", "Look at the file's permissions."
        ) from error
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, ValueError, KeyError) as error:
        raise _damaged(path.name) from error
    return unpack_as(Project, skeleton, arrays)


def save_recovery(project: Project, folder: str | Path, table: Table | None = None) -> None:
    """Keep a recovery copy in ``folder``: arrays that are there already are not written again.

    Parameters
    ----------
    project : Project
    folder : path
        Made where missing; nothing else should be kept in it.
    table : Table, optional
        Spares working out keys that are known.

    Raises
    ------
    FileTrouble
        Where it cannot be written.
    """
    folder = Path(folder)
    content, arrays = _content(project, table)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for key, array in arrays.items():
            target = folder / f"{key}.npy"
            if not target.exists():
                written_whole(target, lambda beside, array=array: _save_array(beside, array))  # type: ignore[misc]
        written_whole(folder / _CONTENT, lambda beside: _save_bytes(beside, content))
        for left in folder.glob("*.npy"):
            if left.stem not in arrays:
                left.unlink(missing_ok=True)
    except OSError as error:
        raise FileTrouble(
            f"The recovery copy cannot be written ({error.strerror}).", "Save the project by hand."
        ) from error


def load_recovery(folder: str | Path) -> Project:
    """The project of a recovery copy.

    Raises
    ------
    FileTrouble
        Where there is none, or it is damaged.
    """
    folder = Path(folder)
    try:
        if (folder / _CONTENT).stat().st_size > _LARGEST_JSON:
            raise _damaged("The recovery copy")
        skeleton = _checked_content((folder / _CONTENT).read_bytes(), "The recovery copy")
        arrays: Arrays = {}
        for file in folder.glob("*.npy"):
            if _is_key(file.stem) and not file.name.startswith("."):
                with open(file, "rb") as member:
                    arrays[file.stem] = _array(member, file.stem, file.stat().st_size, "The recovery copy")
    except FileNotFoundError as error:
        raise FileTrouble("There is no recovery copy.", "Open the project file.") from error
    except OSError as error:
        raise FileTrouble(f"The recovery copy cannot be read ({error.strerror}).", "Open the project file.") from error
    except (ValueError, EOFError, KeyError) as error:
        raise _damaged("The recovery copy") from error
    return unpack_as(Project, skeleton, arrays)


def _content(project: Project, table: Table | None = None) -> tuple[bytes, Arrays]:
    skeleton, arrays = pack(project, table)
    whole = {"format": "rejoin project", "version": VERSION, **skeleton}
    return json.dumps(whole, allow_nan=False, separators=(",", ":")).encode(), arrays


def _checked_content(text: bytes, name: str) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _damaged(name) from error
    if not isinstance(content, dict) or content.get("format") != "rejoin project":
        raise FileTrouble(f"{name} is no project file.", "Choose a file that was saved as a project.")
    version = content.get("version")
    if not isinstance(version, int):
        raise _damaged(name)
    if version > VERSION:
        raise FileTrouble(f"{name} was saved by a newer version of the program.", "Open it with that version.")
    return content


def _checked_members(archive: zipfile.ZipFile, path: Path) -> dict[str, int]:
    """Size by key, once names, sizes and the kind of packing are what this program writes.

    Members are stored, not packed, so that none can be larger than the file.
    """
    infos = archive.infolist()
    names = [info.filename for info in infos]
    if _CONTENT not in names:
        raise FileTrouble(f"{path.name} is no project file.", "Choose a file that was saved as a project.")
    sound = len(set(names)) == len(names)
    total, sizes = 0, {}
    for info in infos:
        total += info.file_size
        sound &= info.compress_type == zipfile.ZIP_STORED and info.file_size == info.compress_size
        if info.filename == _CONTENT:
            sound &= info.file_size <= _LARGEST_JSON
        else:
            key, dot, rest = info.filename.partition(".")
            sound &= _is_key(key) and dot + rest == ".npy"
            sizes[key] = info.file_size
    if not sound or total > min(_LARGEST_TOTAL, path.stat().st_size):
        raise _damaged(path.name)
    return sizes


def _is_key(text: str) -> bool:
    return len(text) == 40 and set(text) <= set("0123456789abcdef")


def _array(member: Any, key: str, size: int, name: str) -> npt.NDArray[Any]:
    """One array; its header must agree with the size of its member, and its content with its key."""
    version = npy.read_magic(member)
    if version != (1, 0):
        raise _damaged(name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", UserWarning)  # a head that has to be mended is none of this program's
            shape, fortran, dtype = npy.read_array_header_1_0(member)
    except (TokenError, SyntaxError, UserWarning) as error:
        raise _damaged(name) from error
    promised = int(np.prod([int(n) for n in shape], dtype=object)) * dtype.itemsize if shape else dtype.itemsize
    if dtype.kind not in "fiub" or fortran or promised > size or min(shape, default=0) < 0:
        raise _damaged(name)
    data = member.read(promised)
    if len(data) != promised:
        raise _damaged(name)
    array: npt.NDArray[Any] = np.frombuffer(data, dtype).reshape(shape)
    if array_key(array) != key:
        raise _damaged(name)
    return array


def _save_array(path: Path, array: npt.NDArray[Any]) -> None:
    with open(path, "wb") as file:
        npy.write_array(file, array, allow_pickle=False)


def _save_bytes(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def _damaged(name: str) -> FileTrouble:
    return FileTrouble(f"{name} is damaged and cannot be read.", _OLDER_COPY)
