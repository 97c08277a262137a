"""STL: binary (80-byte header, count, 50 bytes a facet) and ASCII. The format has no unit."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.files.parsed import EXPORT_AGAIN, Parsed, cut_short, damaged, numbers
from rejoin.core.files.welding import welded_exactly

FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_NO_TEXT = bytes({*range(9), *range(14, 27), *range(28, 32), 127})
"""Bytes that stand in no text, but in the numbers of any scan."""
_STRUCTURE = re.compile(rb"facet\s+normal|outer\s+loop|vertex|endloop|endfacet")
_NAMES = re.compile(rb"^[ \t]*(?:end[ \t]*)?solid[^\r\n]*", re.MULTILINE)


def parse_stl(data: bytes, name: str) -> Parsed:
    """Facets, with their equal corners made one.

    The size decides between the two kinds: a binary header may begin with "solid".

    Raises
    ------
    FileTrouble
        Wrong facet count, no facets, cut short, or no STL at all.
    """
    if not _is_binary(data) and data[:256].lstrip().lower().startswith(b"solid") and b"\0" not in data:
        return _ascii(data, name)
    if not _is_binary(data) and data.strip() and len(data.translate(None, _NO_TEXT)) == len(data):
        raise FileTrouble(
            f"{name} is no STL scan, whatever its name says: it holds text, and no triangles as an STL has them.",
            "Choose the scan itself. If this is a scan of another kind (PLY, OBJ, a list of points), give the file "
            "the ending of that kind.",
        )
    return Parsed(*welded_exactly(binary_facets(data, name)["corners"].reshape(-1, 3)))


def _is_binary(data: bytes) -> bool:
    count = int.from_bytes(data[80:_HEADER], "little")
    return len(data) == _HEADER + FACET.itemsize * count


def binary_facets(data: bytes, name: str) -> npt.NDArray[np.void]:
    """The facets (m,) of a binary STL, of dtype `FACET`.

    Raises
    ------
    FileTrouble
        Cut short, wrong count, or none.
    """
    if len(data) < _HEADER:
        raise cut_short(name)
    count, held = int.from_bytes(data[80:_HEADER], "little"), (len(data) - _HEADER) // FACET.itemsize
    if not _is_binary(data):
        raise damaged(name, f"its header promises {count} triangles, but there is room for {held}")
    if count == 0:
        raise FileTrouble(f"{name} holds no triangles.", EXPORT_AGAIN)
    return np.frombuffer(data, FACET, count, _HEADER)


def _ascii(data: bytes, name: str) -> Parsed:
    text = _NAMES.sub(b" ", data.lower())
    words = _STRUCTURE.findall(text)
    if b"facet" not in text:
        raise FileTrouble(f"{name} holds no triangles.", EXPORT_AGAIN)
    if re.search(rb"end\s*solid[^\r\n]*\s*\Z", data[-4096:], re.IGNORECASE) is None:
        raise cut_short(name)
    facets, rest = divmod(len(words), 7)
    if b"".join(b"".join(words).split()) != b"facetnormalouterloopvertexvertexvertexendloopendfacet" * facets or rest:
        raise damaged(name, "a facet does not have one normal and three corners")
    values = numbers(_STRUCTURE.sub(b" ", text), name)
    if len(values) != 12 * facets:
        raise damaged(name, "a facet does not have one normal and three corners")
    return Parsed(*welded_exactly(values.reshape(-1, 12)[:, 3:].reshape(-1, 3)))
