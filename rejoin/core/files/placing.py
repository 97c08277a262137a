"""A file is written beside its target, checked, forced to the disk, and only then put in its place."""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Callable
from hashlib import blake2b
from pathlib import Path

from rejoin.core.errors import FileTrouble

ABANDONED_S = 3600.0
"""Nobody writes on one file for so long: a half-written one that is older was left by a process that was killed."""


def written_whole(path: Path, write: Callable[[Path], None]) -> Path:
    """Let ``write`` make a file beside ``path``, then let it take its place in one move.

    Whatever fails, an older file at ``path`` stays as it was and nothing is left beside it. Only where the process
    is killed meanwhile a hidden half-written file stays, until the next writing after `ABANDONED_S`.

    Raises
    ------
    FileTrouble
        No such folder, no permission, disk full.
    """
    beside: Path | None = None
    try:
        mark = f".{blake2b(path.name.encode(errors='surrogateescape'), digest_size=6).hexdigest()}-"
        _tidy(path, mark)
        handle, name = tempfile.mkstemp(prefix=mark, suffix=path.suffix, dir=path.parent)
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


def _tidy(path: Path, mark: str) -> None:
    """Take away what killed processes left of the same target."""
    for left in path.parent.glob(f"{mark}*"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > ABANDONED_S:
                left.unlink()


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
