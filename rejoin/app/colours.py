"""Our palettes, the fragments' colours, the gap map, and the style sheet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

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
    accent="#24566b", on_accent="#ffffff", mark="#a63d12", good="#3c6424", bad="#a02c1c", sky="#f3eee2", ground="#cfc8b8",
)  # fmt: skip
LAMP = Palette(
    "dark", desk="#1c1a18", card="#2b2825", raised="#36322e", ink="#efe6d6", faded="#b5a995", rule="#554d43",
    accent="#7cc0d8", on_accent="#10222a", mark="#ffab6b", good="#a9cf8b", bad="#ff9a86", sky="#3a3733", ground="#1d1b19",
)  # fmt: skip

FRAGMENTS = ("#b9b2a3", "#8ea6b4", "#c2a88a", "#9db09a", "#b39db0", "#a7a7a7", "#c4b87e", "#8fb3ad")
"""Metal and primer tones; each fragment also carries its letter."""

FACE, FACE_HOVER, SEAM, FILLED, UNMATCHED = "#dc8f2c", "#f6d25a", "#d9772b", "#5f8fd0", "#8a7f8e"

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
    from cmcrameri import cm

    return np.asarray(cm.vik(np.linspace(1.0, 0.0, 256)))[:, :3] * 255.0


def style_sheet(p: Palette) -> str:
    """The window's own look: a warm route sheet on a bench."""
    return f"""
    QMainWindow, QDialog, QMessageBox {{ background: {p.desk}; color: {p.ink}; }}
    QWidget {{ color: {p.ink}; }}
    QToolTip {{ background: {p.raised}; color: {p.ink}; border: 1px solid {p.rule}; padding: 4px; }}
    QMenuBar, QStatusBar {{ background: {p.desk}; color: {p.ink}; }}
    QMenuBar::item:selected, QMenu::item:selected {{ background: {p.accent}; color: {p.on_accent}; }}
    QMenu {{ background: {p.card}; color: {p.ink}; border: 1px solid {p.rule}; }}
    QMenu::item {{ padding: 4px 22px; }}
    QMenu::item:disabled {{ color: {p.faded}; }}
    QMenu::separator {{ height: 1px; background: {p.rule}; margin: 3px 8px; }}
    #card, #cardSheet, #cardScroll, #panel {{ background: {p.card}; }}
    #cardScroll {{ border: none; border-right: 2px solid {p.rule}; }}
    #cardHead {{ border: none; border-bottom: 2px solid {p.ink}; }}
    #cardTitle {{ font-weight: bold; letter-spacing: 3px; }}
    #faded {{ color: {p.faded}; }}
    #row {{ background: {p.card}; border: none; border-bottom: 1px solid {p.rule}; }}
    #rowHead {{ background: transparent; border: none; border-left: 5px solid transparent; text-align: left; }}
    #rowHead:hover {{ background: {p.raised}; }}
    #rowHead:focus {{ outline: none; border: 1px dashed {p.accent}; border-left: 5px solid {p.accent}; }}
    #rowHead[next="true"] {{ border-left: 5px solid {p.mark}; }}
    #opNumber {{ font-family: monospace; font-weight: bold; }}
    #opTitle {{ font-weight: bold; }}
    #nextMark {{ color: {p.mark}; font-weight: bold; }}
    #doneMark {{ color: {p.good}; font-weight: bold; }}
    #caution {{ color: {p.ink}; border: none; border-left: 4px solid {p.mark}; padding-left: 6px; }}
    #good {{ color: {p.good}; }}
    #bad {{ color: {p.bad}; font-weight: bold; }}
    QPushButton, QToolButton {{ background: {p.raised}; color: {p.ink}; border: 1px solid {p.rule};
        border-radius: 3px; padding: 4px 10px; }}
    QPushButton:hover, QToolButton:hover {{ border-color: {p.accent}; }}
    QPushButton:focus, QToolButton:focus {{ border: 2px solid {p.accent}; padding: 3px 9px; }}
    QPushButton:disabled, QToolButton:disabled {{ color: {p.faded}; background: {p.card}; }}
    QPushButton:checked, QToolButton:checked {{ background: {p.accent}; color: {p.on_accent}; }}
    QToolButton#fold, QToolButton#fold:checked {{ background: transparent; color: {p.ink}; border: none; padding: 3px 2px;
        font-weight: bold; }}
    QToolButton#fold:hover {{ color: {p.accent}; }}
    QToolButton#fold:focus {{ border: 1px dashed {p.accent}; }}
    QPushButton#main {{ background: {p.accent}; color: {p.on_accent}; font-weight: bold; border: none; padding: 6px 12px; }}
    QPushButton#main:focus {{ border: 2px solid {p.mark}; padding: 4px 10px; }}
    QPushButton#main:disabled {{ background: {p.rule}; color: {p.faded}; }}
    QTreeWidget, QListWidget {{ background: {p.raised}; color: {p.ink}; border: 1px solid {p.rule};
        selection-background-color: {p.accent}; selection-color: {p.on_accent}; }}
    QHeaderView::section {{ background: {p.card}; color: {p.faded}; border: none; border-bottom: 1px solid {p.rule};
        padding: 2px 4px; }}
    #strip {{ background: {p.card}; border-top: 2px solid {p.rule}; }}
    QProgressBar {{ background: {p.raised}; border: 1px solid {p.rule}; border-radius: 3px; text-align: center; }}
    QProgressBar::chunk {{ background: {p.accent}; }}
    QSplitter::handle {{ background: {p.rule}; }}
    QScrollBar:vertical {{ background: {p.card}; width: 12px; }}
    QScrollBar::handle:vertical {{ background: {p.rule}; border-radius: 4px; min-height: 30px; margin: 2px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    """
