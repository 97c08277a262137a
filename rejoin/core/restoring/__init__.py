"""Restore a lost piece from the part itself, by a mirror plane or a repeat about an axis, or from a reference scan.

A copy of the source is laid on the whole as one scan is laid on another. What
the copy has beyond the broken face, and the whole lacks, is added and marked
as not measured.
"""

from __future__ import annotations

from rejoin.core.records import Whole
from rejoin.core.restoring.adding import LACKS, restored
from rejoin.core.restoring.breaks import open_breaks
from rejoin.core.restoring.sources import CONTRADICTING, Source, sources_of


def doubtful(whole: Whole) -> bool:
    """Whether the last restored piece is told to lack a part, or its source to contradict the part."""
    return any(words in whole.notes[-1] for words in (LACKS, CONTRADICTING)) if whole.notes else False


__all__ = ["Source", "doubtful", "open_breaks", "restored", "sources_of"]
