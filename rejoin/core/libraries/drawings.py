"""Doorway to ezdxf and reportlab: plain views, tables and words drawn at 1:1, in millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

View = tuple[str, Sequence[tuple[str, Any]]]
"""A name, and what is drawn: ("line", (points, closed)), ("circle", (x, y, diameter)), ("width", (x0, x1, y)),
("height", (y0, y1, x)), ("length", ((x, y), (x, y)))."""

ROOM = 25.0
"""Millimetres round a view for its dimension lines."""

FAR = 16.0
"""Millimetres of the overall sizes from the outline: clear of the labels of its sides."""

HEAD = ("hole", "x", "y", "diameter", "note")


def bounds_of(items: Sequence[tuple[str, Any]]) -> tuple[float, float, float, float]:
    """Left, low, right and high of a view, from its overall dimensions."""
    x0, x1, y0 = next(values for kind, values in items if kind == "width")
    _, y1, _ = next(values for kind, values in items if kind == "height")
    return x0, y0, x1, y1


def placed_views(views: Sequence[View]) -> list[tuple[str, Sequence[tuple[str, Any]], float, float]]:
    """The views side by side: name, items, and how far each is moved."""
    found, at = [], ROOM
    for name, items in views:
        x0, y0, x1, _ = bounds_of(items)
        found.append((name, items, at - x0, ROOM - y0))
        at += x1 - x0 + 2 * ROOM
    return found


def write_dxf(
    path: Path, title: str, views: Sequence[View], table: Sequence[Sequence[str]], words: Sequence[str]
) -> None:
    """Draw into a DXF file (version R2010, unit millimetre) with layers outline, dimensions and text."""
    from ezdxf import units
    from ezdxf.document import Drawing

    document: Any = Drawing.new("R2010")
    document.units = units.MM
    for name, colour in (("outline", 7), ("dimensions", 5), ("text", 3)):
        document.layers.add(name, color=colour)
    space = document.modelspace()
    style = {"dimtxt": 3.0, "dimasz": 2.5, "dimexe": 1.0, "dimexo": 1.0, "dimdec": 2, "dimtad": 1, "dimlfac": 1.0}
    for name, items, dx, dy in placed_views(views):
        for kind, values in items:
            _dxf_item(space, kind, values, dx, dy, style)
        x0, _, _, y1 = bounds_of(items)
        _dxf_text(space, f"Section {name}, 1:1", x0 + dx, y1 + dy + 11.0, 4.0)
    y = -8.0
    for row in (HEAD, *table) if table else ():
        for column, cell in enumerate(row):
            _dxf_text(space, cell, ROOM + (0, 30, 55, 80, 105)[column], y, 3.0)
        y -= 6.0
    for line in (title, *words):
        _dxf_text(space, line, ROOM, y - 4.0, 3.0)
        y -= 6.0
    document.saveas(path)


def _dxf_item(space: Any, kind: str, values: Any, dx: float, dy: float, style: dict[str, float]) -> None:
    attributes = {"layer": "dimensions"}
    if kind == "line":
        points, closed = values
        moved = [(x + dx, y + dy) for x, y in points]
        space.add_lwpolyline(moved, close=closed, dxfattribs={"layer": "outline"})
    elif kind == "circle":
        x, y, diameter = values
        space.add_circle((x + dx, y + dy), diameter / 2.0, dxfattribs={"layer": "outline"})
        space.add_diameter_dim(
            center=(x + dx, y + dy), radius=diameter / 2.0, angle=30, override=style, dxfattribs=attributes
        ).render()
    elif kind == "width":
        x0, x1, y = values
        space.add_linear_dim(base=(x0 + dx, y + dy - FAR), p1=(x0 + dx, y + dy), p2=(x1 + dx, y + dy),
                             override=style, dxfattribs=attributes).render()  # fmt: skip
    elif kind == "height":
        y0, y1, x = values
        space.add_linear_dim(base=(x + dx - FAR, y0 + dy), p1=(x + dx, y0 + dy), p2=(x + dx, y1 + dy), angle=90,
                             override=style, dxfattribs=attributes).render()  # fmt: skip
    else:
        (a, b), (c, d) = values
        space.add_aligned_dim(p1=(a + dx, b + dy), p2=(c + dx, d + dy), distance=5.0, override=style,
                              dxfattribs=attributes).render()  # fmt: skip


def _dxf_text(space: Any, text: str, x: float, y: float, height: float) -> None:
    space.add_text(text, height=height, dxfattribs={"layer": "text"}).set_placement((x, y))


def write_pdf(
    path: Path, title: str, views: Sequence[View], table: Sequence[Sequence[str]], words: Sequence[str]
) -> None:
    """Draw a PDF page as large as 1:1 needs, with a line of 100 mm to prove the printer by."""
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    placed = placed_views(views)
    right = max(bounds_of(items)[2] + dx for _, items, dx, _ in placed) + ROOM
    top = max(bounds_of(items)[3] + dy for _, items, _, dy in placed) + ROOM
    lines = len(table) + 1 + len(words) + 2
    below = 6.0 * lines + 24.0
    width, height = max(right, 210.0), max(top + below, 297.0 if right <= 210.0 else 210.0)
    page: Any = Canvas(str(path), pagesize=(width * mm, height * mm), invariant=1, pageCompression=0)
    page.setTitle(title)
    page.scale(mm, mm)
    page.setLineWidth(0.25)
    lift = height - top
    for name, items, dx, dy in placed:
        for kind, values in sorted(items, key=lambda item: item[0] != "line"):  # labels stand on the outlines
            _pdf_item(page, kind, values, dx, dy + lift)
        x0, _, _, y1 = bounds_of(items)
        _pdf_text(page, f"Section {name}, 1:1", x0 + dx, y1 + dy + lift + 11.0, 4.0)
    y = lift - 4.0
    for row in (HEAD, *table) if table else ():
        for column, cell in enumerate(row):
            _pdf_text(page, cell, ROOM + (0, 30, 55, 80, 105)[column], y, 3.0)
        y -= 6.0
    for line in (title, *words):
        _pdf_text(page, line, ROOM, y - 2.0, 3.0)
        y -= 6.0
    page.line(ROOM, 10.0, ROOM + 100.0, 10.0)
    _pdf_text(page, "This line is 100 mm: measure it on the print before you trust the drawing.", ROOM, 5.0, 3.0)
    page.save()


def _pdf_item(page: Any, kind: str, values: Any, dx: float, dy: float) -> None:
    if kind == "line":
        points, closed = values
        path = page.beginPath()
        path.moveTo(points[0][0] + dx, points[0][1] + dy)
        for x, y in points[1:]:
            path.lineTo(x + dx, y + dy)
        if closed:
            path.close()
        page.drawPath(path)
    elif kind == "circle":
        x, y, diameter = values
        page.circle(x + dx, y + dy, diameter / 2.0)
        page.line(x + dx - 2.0, y + dy, x + dx + 2.0, y + dy)
        page.line(x + dx, y + dy - 2.0, x + dx, y + dy + 2.0)
        text = f"\u00d8{diameter:.2f}"
        beside = 0.0 if diameter >= 16.0 else 0.5 * diameter + 0.5 * page.stringWidth(text, "Helvetica", 3.0) + 1.5
        _pdf_label(page, text, x + dx + beside, y + dy + (0.0 if beside else 4.0))
    elif kind == "width":
        x0, x1, y = values
        _pdf_size(page, (x0 + dx, y + dy - FAR), (x1 + dx, y + dy - FAR))
    elif kind == "height":
        y0, y1, x = values
        _pdf_size(page, (x + dx - FAR, y0 + dy), (x + dx - FAR, y1 + dy))
    else:
        (a, b), (c, d) = values
        length = max(((c - a) ** 2 + (d - b) ** 2) ** 0.5, 1e-9)
        out = (6.0 * (d - b) / length, -6.0 * (c - a) / length)
        _pdf_size(page, (a + dx + out[0], b + dy + out[1]), (c + dx + out[0], d + dy + out[1]))


def _pdf_size(page: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    """A dimension line with ticks and its length."""
    (a, b), (c, d) = start, end
    length = max(((c - a) ** 2 + (d - b) ** 2) ** 0.5, 1e-9)
    page.line(a, b, c, d)
    across = (1.5 * (d - b) / length, -1.5 * (c - a) / length)
    for x, y in (start, end):
        page.line(x - across[0], y - across[1], x + across[0], y + across[1])
    _pdf_label(page, f"{length:.2f}", 0.5 * (a + c), 0.5 * (b + d))


def _pdf_label(page: Any, text: str, x: float, y: float) -> None:
    """Words about a place, on white, so that no line runs through them."""
    wide = page.stringWidth(text, "Helvetica", 3.0) + 1.0
    page.setFillGray(1.0)
    page.rect(x - 0.5 * wide, y - 1.6, wide, 3.2, stroke=0, fill=1)
    page.setFillGray(0.0)
    _pdf_text(page, text, x - 0.5 * wide + 0.5, y - 1.1, 3.0)


def _pdf_text(page: Any, text: str, x: float, y: float, height: float) -> None:
    page.setFont("Helvetica", height)
    page.drawString(x, y, text)
