"""Our palettes, the fragments' colours and the gap map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Palette:
    """Named colours of the window, as #rrggbb."""

    name: str
    desk: str
    card: str
    raised: str
    ink: str
    faded: str
    rule: str
    accent: str
    on_accent: str
    mark: str
    good: str
    bad: str
    sky: str
    ground: str


PAPER = Palette(
    "light", desk="#ddd5c3", card="#f7f1e3", raised="#fffaf0", ink="#2c2822", faded="#675e50", rule="#cbbd9f",
    accent="#24566b", on_accent="#ffffff", mark="#a63d12", good="#3c6424", bad="#a02c1c", sky="#f3eee2",
    ground="#cfc8b8",
)  # fmt: skip
LAMP = Palette(
    "dark", desk="#1c1a18", card="#2b2825", raised="#36322e", ink="#efe6d6", faded="#b5a995", rule="#554d43",
    accent="#7cc0d8", on_accent="#10222a", mark="#ffab6b", good="#a9cf8b", bad="#ff9a86", sky="#3a3733",
    ground="#1d1b19",
)  # fmt: skip

FRAGMENTS = ("#b9b2a3", "#8ea6b4", "#c2a88a", "#9db09a", "#b39db0", "#a7a7a7", "#c4b87e", "#8fb3ad")
"""Metal and primer tones; each fragment also carries its letter."""

FACE, FACE_HOVER, SEAM, FILLED, UNMATCHED = "#dc8f2c", "#f6d25a", "#d9772b", "#5f8fd0", "#8a7f8e"

AXES = ("#b5622f", "#3f7d5a", "#5b5fa8")
"""Handles for moving along and turning about the three directions: rust, verdigris, ink."""


@lru_cache
def rgb(colour: str) -> Bytes:
    """The bytes of a #rrggbb colour."""
    return np.frombuffer(bytes.fromhex(colour[1:]), np.uint8)


def rgb01(colour: str) -> tuple[float, float, float]:
    """A #rrggbb colour as three numbers from 0 to 1."""
    red, green, blue = (int(v) / 255.0 for v in rgb(colour))
    return red, green, blue


def blend(below: str, above: str, strength: float) -> Bytes:
    """One colour laid over another."""
    mixed = (1.0 - strength) * rgb(below).astype(float) + strength * rgb(above).astype(float)
    return np.round(mixed).astype(np.uint8)


def shaded(colour: str, share: float) -> str:
    """A darker form of a colour."""
    return "#" + "".join(f"{int(round(int(value) * share)):02x}" for value in rgb(colour))


def gap_colours(gap_mm: npt.ArrayLike, limit_mm: float, tolerance_mm: float = 0.0) -> Bytes:
    """Colours (n, 3) of signed gaps: blue where open, brown-red where overlapping, grey where touching.

    Parameters
    ----------
    gap_mm : (n,) array
        NaN gets a neutral tone of its own.
    limit_mm : float
        The size that gets the full colour.
    tolerance_mm : float
        Within it the colour is the plain grey of zero; beyond it the colour
        sets in without a jump.
    """
    gap = np.asarray(gap_mm, float)
    span = max(limit_mm - tolerance_mm, 1e-12)
    share = np.sign(gap) * np.clip((np.abs(gap) - tolerance_mm) / span, 0.0, 1.0)
    known = np.isfinite(share)
    place = (share[known] + 1.0) / 2.0
    table = _gap_table()
    stops = np.linspace(0.0, 1.0, len(table))
    colours = np.empty((len(gap), 3), np.uint8)
    colours[known] = np.round(np.stack([np.interp(place, stops, table[:, i]) for i in range(3)], axis=1))
    colours[~known] = rgb(UNMATCHED)
    return colours


@lru_cache
def _gap_table() -> npt.NDArray[np.float64]:
    """The map "vik" (Crameri, Shephard and Heron 2020), turned so that blue is open."""
    # the one table alone: the package itself reads all of its sixty, and a plotting library, while the person waits
    package = find_spec("cmcrameri")
    assert package is not None and package.origin is not None
    return np.loadtxt(Path(package.origin).parent / "cmaps" / "vik.txt")[::-1] * 255.0
