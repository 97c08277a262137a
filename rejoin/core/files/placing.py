"""A file is written beside its target, checked, forced to the disk, and only then put in its place."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from rejoin.core.errors import FileTrouble


def written_whole(path: Path, write: Callable[[Path], None]) -> Path:
    """Let ``write`` make a file beside ``path``, then let it take its place in one move.

    Whatever fails, an older file at ``path`` stays as it was and nothing is left beside it.

    Raises
    ------
    FileTrouble
        No such folder, no permission, disk full.
    """
    beside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        beside = Path(name)
        write(beside)
        with open(beside, "rb+") as file:
            os.fsync(file.fileno())
        beside.chmod(0o666 & ~_mask())
        os.replace(beside, path)
        beside = None
        _settle(path.parent)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FileTrouble(
            f"{path.name} cannot be written ({reason}).", "Choose another folder, or free some room."
        ) from error
    finally:
        if beside is not None:
            beside.unlink(missing_ok=True)
    return path


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _settle(folder: Path) -> None:
    """Force the new name to the disk too, where the system allows it."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
