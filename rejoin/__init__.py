"""Rejoin the scanned fragments of a broken part: the same steps for a script or a notebook."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rejoin.core.errors import Cancelled, FileTrouble, NoAnswer, RejoinError, WrongUse
    from rejoin.core.files import write_mesh
    from rejoin.core.further import check_dimensions, make
    from rejoin.core.records import Project
    from rejoin.core.steps import align, clean, find_faces, fuse, join, match, measure_fit, read
    from rejoin.core.storage import load_project, save_project

__version__ = "0.1.0"

_HOMES = {
    "rejoin.core.errors": ("Cancelled", "FileTrouble", "NoAnswer", "RejoinError", "WrongUse"),
    "rejoin.core.files": ("write_mesh",),
    "rejoin.core.further": ("check_dimensions", "make"),
    "rejoin.core.records": ("Project",),
    "rejoin.core.steps": ("align", "clean", "find_faces", "fuse", "join", "match", "measure_fit", "read"),
    "rejoin.core.storage": ("load_project", "save_project"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Cancelled",
    "FileTrouble",
    "NoAnswer",
    "Project",
    "RejoinError",
    "WrongUse",
    "align",
    "check_dimensions",
    "clean",
    "find_faces",
    "fuse",
    "join",
    "load_project",
    "make",
    "match",
    "measure_fit",
    "read",
    "save_project",
    "write_mesh",
]


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(import_module(_HOME_OF[name]), name)
    raise AttributeError(f"module 'rejoin' has no attribute {name!r}")
