"""Which system libraries the window needs and this computer lacks. Imports no Qt."""

from __future__ import annotations

import ctypes
import sys

NEEDED: tuple[tuple[str, str], ...] = (
    ("libEGL.so.1", "libegl1"),
    ("libGL.so.1", "libgl1"),
    ("libglib-2.0.so.0", "libglib2.0-0"),
    ("libfontconfig.so.1", "libfontconfig1"),
    ("libdbus-1.so.3", "libdbus-1-3"),
    ("libxkbcommon-x11.so.0", "libxkbcommon-x11-0"),
    ("libxcb-cursor.so.0", "libxcb-cursor0"),
    ("libxcb-icccm.so.4", "libxcb-icccm4"),
    ("libxcb-keysyms.so.1", "libxcb-keysyms1"),
    ("libxcb-shape.so.0", "libxcb-shape0"),
    ("libusb-1.0.so.0", "libusb-1.0-0"),
)
"""Shared library and the Debian package that brings it."""


def missing_libraries(needed: tuple[tuple[str, str], ...] = NEEDED) -> tuple[tuple[str, str], ...]:
    """The (library, package) pairs of ``needed`` that cannot be loaded; none off Linux."""
    if not sys.platform.startswith("linux"):
        return ()
    lacking = []
    for library, package in needed:
        try:
            ctypes.CDLL(library)
        except OSError:
            lacking.append((library, package))
    return tuple(lacking)


def advice(missing: tuple[tuple[str, str], ...]) -> tuple[str, str]:
    """What happened and what to do, for a message."""
    names = ", ".join(library for library, _ in missing)
    packages = " ".join(sorted({package for _, package in missing}))
    return (
        f"The window cannot open: this computer lacks {names}.",
        f"On Debian or Ubuntu install them with: sudo apt install {packages}",
    )
