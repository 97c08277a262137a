"""Large arrays over a pipe in small pieces, so that neither end holds the interpreter for long. No Qt."""

from __future__ import annotations

from collections.abc import Sequence
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
import numpy.typing as npt

Arrays = dict[str, npt.NDArray[Any]]
Heads = list[tuple[str, str, tuple[int, ...]]]
PIECE = 1 << 20


def heads(arrays: Arrays) -> Heads:
    """What the other end must know before the arrays themselves come."""
    return [(key, array.dtype.str, array.shape) for key, array in arrays.items()]


def send_arrays(wire: Connection, arrays: Arrays) -> None:
    """Send the bytes of each array, in the order of `heads`."""
    for array in arrays.values():
        raw = memoryview(np.ascontiguousarray(array).reshape(-1).view(np.uint8)) if array.size else memoryview(b"")
        for start in range(0, len(raw), PIECE):
            wire.send_bytes(raw[start : start + PIECE])


def receive_arrays(wire: Connection, coming: Sequence[tuple[str, str, tuple[int, ...]]]) -> Arrays:
    """The arrays that ``coming`` announces."""
    arrays: Arrays = {}
    for key, kind, shape in coming:
        array = np.empty(shape, np.dtype(kind))
        raw = memoryview(array.reshape(-1).view(np.uint8)) if array.size else memoryview(b"")
        done = 0
        while done < len(raw):
            done += wire.recv_bytes_into(raw[done:])
        arrays[key] = array
    return arrays
