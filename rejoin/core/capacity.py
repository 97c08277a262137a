"""What this computer's memory is enough for: before it swaps, files are refused and coarser copies worked on."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Sequence

from rejoin.core.errors import FileTrouble, NoAnswer

BYTES_PER_TRIANGLE = 350
"""Memory that a job takes at its peak for each triangle of its scans: measured 290 for two scans of 10 million, from
reading to the whole."""

BESIDE = 100
"""Bytes for each triangle of the scans as read, which stay beside their coarser copies, and to make those; measured."""

USED = 0.85
"""Share of the free memory that is counted on."""

FEWEST = 100_000
"""Triangles of a copy below which a scan is not worked on: it would no longer show what is to be matched."""


def free_bytes() -> int | None:
    """Memory that is free now, file caches counted as free; None where the system does not tell."""
    try:
        if sys.platform == "win32":
            return _free_on_windows()
        if os.path.exists("/proc/meminfo"):
            with open("/proc/meminfo", encoding="ascii") as file:
                return 1024 * next(int(line.split()[1]) for line in file if line.startswith("MemAvailable:"))
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    except (OSError, ValueError, StopIteration, AttributeError):
        return None


def _free_on_windows() -> int:
    """By GlobalMemoryStatusEx: two numbers of four bytes, then ``ullTotalPhys`` and ``ullAvailPhys`` of eight."""
    told = (ctypes.c_uint64 * 8)()
    told[0] = 64  # dwLength in its lower half
    ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(told))  # type: ignore[attr-defined]
    return int(told[2])


def check_reading(needed: int) -> None:
    """Refuse files that take more memory to read than is free.

    Raises
    ------
    FileTrouble
    """
    free = free_bytes()
    if free is not None and needed > USED * free:
        raise FileTrouble(
            f"Reading these files takes about {_gb(needed)} of memory, and {_gb(free)} are free.",
            "Close other programs, or export the scans with fewer points, in a binary format.",
        )


def most_triangles(triangles: Sequence[int]) -> float | None:
    """How many triangles of a scan can be worked on; None where that is all of each.

    Parameters
    ----------
    triangles : sequence of int
        Of the scans of one job. Small ones are worked on as they are; what they leave is shared by the others.

    Raises
    ------
    NoAnswer
        Where it would be so few that nothing could be matched.
    """
    free = free_bytes()
    if free is None or BYTES_PER_TRIANGLE * sum(triangles) <= USED * free:
        return None
    left = most = max(USED * free - BESIDE * sum(triangles), 0.0) / BYTES_PER_TRIANGLE
    for number, count in enumerate(sorted(triangles)):
        most = left / (len(triangles) - number)
        if count > most:
            break
        left -= count
    if most < FEWEST:
        raise NoAnswer(
            f"These scans take about {_gb(BYTES_PER_TRIANGLE * sum(triangles))} of memory, and {_gb(free)} are free.",
            "Close other programs, or export the scans with fewer points.",
        )
    return most


def _gb(size: float) -> str:
    return f"{size / 1e9:.1f} GB"
