"""Fuse the placed fragments into one closed whole.

What the break made is given up: the fracture faces and a strip along the
crack. What is kept stays exactly where it is. One field for all fragments,
the winding number of what is kept, bridges the strip, and the surface drawn
from it is sewn to the kept borders. Where borders do not pair up, the exact
union of the fragments and a thin plug along the crack stands in.
"""

from __future__ import annotations

from rejoin.core.fusing.whole import fuse_fragments

__all__ = ["fuse_fragments"]
