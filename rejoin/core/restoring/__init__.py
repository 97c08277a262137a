"""Restore a lost piece from the part itself, by a mirror plane or a repeat about an axis, or from a reference scan.

A copy of the source is laid on the whole as one scan is laid on another. What
the copy has beyond the broken face, and the whole lacks, is added and marked
as not measured.
"""

from __future__ import annotations

from rejoin.core.restoring.adding import restored
from rejoin.core.restoring.breaks import open_breaks
from rejoin.core.restoring.sources import Source, sources_of

__all__ = ["Source", "open_breaks", "restored", "sources_of"]
