"""The job card on paper: its pictures drawn, its page printed to PDF. Needs no screen."""

from __future__ import annotations

import base64
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QBuffer, QIODevice, QLineF, QMarginsF, QPointF, QRectF, QSize, QSizeF, Qt, QUrl
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QGuiApplication,
    QImage,
    QImageReader,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
    QPolygonF,
    QTextDocument,
)

from rejoin.app.paper.page_breaks import laid_out
from rejoin.app.parts import colours
from rejoin.core.card import card_html
from rejoin.core.cardtables import Shown
from rejoin.core.drawings import MADE_AT_CRACK, NOT_MEASURED, GapMap, Section, gap_map, look_of, section
from rejoin.core.files.placing import written_whole
from rejoin.core.records import FloatArray, Project, Whole

PAPERS = {"A4": QPageSize.PageSizeId.A4, "letter": QPageSize.PageSizeId.Letter}
DOTS_PER_INCH = 200
WIDE, HIGH = 1000, 647
"""Size of a picture, dots."""

SMOOTH = Qt.TransformationMode.SmoothTransformation

HATCHED = 0.25
"""From this share of full colour on, overlap is hatched."""

HATCH = QBrush(QColor("#000000"), Qt.BrushStyle.BDiagPattern)


def gui() -> Any:
    """The Qt application, made for drawing alone where there is none."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY") and not os.environ.get("WAYLAND_DISPLAY"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    return QGuiApplication.instance() or QGuiApplication(["rejoin"])


def write_card(
    project: Project, path: str | Path, title: str, date: str, version: str, shown: Shown, paper: str = "A4"
) -> None:
    """Write the job card as PDF, or as one HTML file where the name ends so.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    application = gui()
    images = pictures_of(project, shown)
    as_page = Path(path).suffix.lower() in (".html", ".htm")
    sources = {name: _data_address(name, image) if as_page else name for name, image in images.items()}
    page = card_html(project, title, date, version, shown, sources, on_screen=as_page)

    def write(beside: Path) -> None:
        if as_page:
            beside.write_text(page, encoding="utf-8")
        else:
            _print(page, images, beside, paper)

    written_whole(Path(path), write)
    del application


def pictures_of(project: Project, shown: Shown) -> dict[str, QImage]:
    """The gap map and the section of each measured joint, by name."""
    images: dict[str, QImage] = {}
    for fit in project.fits:
        joint = project.joints[fit.joint]
        images[f"gap-{fit.joint}"] = gap_picture(gap_map(project, fit), shown)
        images[f"section-{fit.joint}"] = section_picture(section(project, joint), shown)
    if project.whole is not None:
        images["whole"], images["whole-back"] = (look_picture(project.whole, shown, back) for back in (False, True))
    for number, paper in enumerate(project.attachments):
        if paper.kind == "photograph" and paper.data is not None:
            image = photograph(paper.data.tobytes())
            images |= {} if image is None else {f"paper-{number}": image}
    return images


def photograph(data: bytes) -> QImage | None:
    """A photograph the right way up, at the left of a strip that is no higher than wide; None where it is none."""
    buffer = QBuffer()
    buffer.setData(data)
    reader = QImageReader(buffer)
    reader.setAutoTransform(True)  # a camera that was held upright only says so
    seen = reader.read()
    if seen.isNull():
        return None
    fitted = seen.scaled(QSize(WIDE, WIDE), Qt.AspectRatioMode.KeepAspectRatio, SMOOTH)
    strip = QImage(WIDE, fitted.height(), QImage.Format.Format_RGB32)
    strip.fill(QColor("#ffffff"))
    painter = QPainter(strip)
    painter.drawImage(0, 0, fitted)
    painter.end()
    return strip


def _print(page: str, images: dict[str, QImage], path: Path, paper: str) -> None:
    writer = QPdfWriter(str(path))
    writer.setTitle("Job card")
    writer.setResolution(DOTS_PER_INCH)
    margins = QMarginsF(15, 15, 15, 15)
    size = QPageSize(PAPERS[paper])
    writer.setPageLayout(QPageLayout(size, QPageLayout.Orientation.Portrait, margins, QPageLayout.Unit.Millimeter))
    document = QTextDocument()
    document.setDefaultFont(QFont("sans-serif", 7))
    for name, image in images.items():
        document.addResource(QTextDocument.ResourceType.ImageResource.value, QUrl(name), image)
    points = writer.pageLayout().paintRect(QPageLayout.Unit.Point)
    document.setPageSize(QSizeF(points.width(), points.height()))
    laid_out(document, page)
    document.print_(writer)


def gap_picture(seen: GapMap, shown: Shown) -> QImage:
    """The face laid flat, coloured by gap, with a scale bar and a colour bar whose numbers carry their sign."""
    image, painter = _blank()
    known = np.isfinite(seen.gap_mm)
    limit = float(np.percentile(np.abs(seen.gap_mm[known]), 98)) if known.any() else 1.0
    limit = max(limit, 1e-3)
    place, scale = _fitted(seen.corners.reshape(-1, 2), QRectF(16, 14, WIDE - 270, HIGH - 84))
    paint = colours.gap_colours(seen.gap_mm, limit, 0.0)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    overlapping = seen.gap_mm < -HATCHED * limit
    for corners, colour, hatched in zip(place(seen.corners), paint, overlapping, strict=True):
        triangle = QPolygonF([QPointF(x, y) for x, y in corners])
        painter.setPen(QPen(QColor(*map(int, colour[:3])), 1))
        painter.setBrush(QColor(*map(int, colour[:3])))
        painter.drawPolygon(triangle)
        if hatched:  # blue and brown are the same grey to a black-and-white printer
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(HATCH)
            painter.drawPolygon(triangle)
    _scale_bar(painter, scale, shown)
    values, high = np.linspace(limit, -limit, HIGH - 130), HIGH - 130
    for row, colour in enumerate(colours.gap_colours(values, limit, 0.0)):
        painter.fillRect(QRectF(WIDE - 232, 40 + row, 40, 1.5), QColor(*map(int, colour[:3])))
    below = 40 + 0.5 * high * (1 + HATCHED)
    painter.fillRect(QRectF(WIDE - 232, below, 40, 40 + high - below), HATCH)
    painter.setPen(QColor("#111111"))
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        text = "0" if share == 0 else f"{'+' if share > 0 else '-'}{shown.length(abs(share) * limit)}"
        painter.drawText(QPointF(WIDE - 182, 50 + 0.5 * high * (1 - share)), text)
    painter.end()
    return image


def section_picture(seen: Section, shown: Shown) -> QImage:
    """Both outlines in the cut: the first fragment's thin and dark, the second's wide and pale."""
    image, painter = _blank()
    near = np.concatenate([seen.of_a, seen.of_b]).reshape(-1, 2)
    if len(near):
        place, scale = _fitted(near, QRectF(20, 14, WIDE - 40, HIGH - 84))
        for pieces, width, colour in ((seen.of_b, 7, "#d9a58c"), (seen.of_a, 2, "#173d4d")):
            painter.setPen(QPen(QColor(colour), width))
            painter.drawLines([QLineF(a[0], a[1], b[0], b[1]) for a, b in place(pieces)])
        _scale_bar(painter, scale, shown)
    painter.end()
    return image


def look_picture(whole: Whole, shown: Shown, back: bool) -> QImage:
    """The whole as it looks, in greys: dark what was made at the crack, black what no scan measured."""
    seen = look_of(whole, (WIDE, HIGH - 70), back)
    grey = np.select([seen.kind == NOT_MEASURED, seen.kind == MADE_AT_CRACK], [20, 70 + 70 * seen.light],
                     130 + 115 * seen.light)  # fmt: skip
    bytes_ = np.where(np.isnan(seen.light), 255, grey).astype(np.uint8)
    picture = QImage(bytes_.tobytes(), WIDE, HIGH - 70, WIDE, QImage.Format.Format_Grayscale8)
    image, painter = _blank()
    painter.drawImage(QPointF(0, 0), picture)
    _scale_bar(painter, 1.0 / seen.mm_per_dot, shown)
    painter.end()
    return image


def _blank() -> tuple[QImage, QPainter]:
    image = QImage(WIDE, HIGH, QImage.Format.Format_RGB32)
    image.fill(QColor("#ffffff"))
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    font = QFont("sans-serif")
    font.setPixelSize(27)
    painter.setFont(font)
    return image, painter


def _fitted(points: FloatArray, frame: QRectF) -> tuple[Any, float]:
    """How to place points (…, 2) in mm into the frame, y upwards, and the dots of one mm."""
    low, high = points.min(axis=0), points.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    scale = float(min(frame.width() / span[0], frame.height() / span[1]))
    middle = np.array([frame.center().x(), frame.center().y()])

    def place(values: FloatArray) -> FloatArray:
        return np.asarray((values - (low + high) / 2) * np.array([scale, -scale]) + middle)

    return place, scale


def _scale_bar(painter: QPainter, scale: float, shown: Shown) -> None:
    """A bar of a round length, about a fifth of the picture wide."""
    one = 25.4 if shown.unit == "inch" else 1.0
    wanted = 0.2 * WIDE / scale / one
    tens = 10.0 ** np.floor(np.log10(wanted))
    length = max(step * tens for step in (1.0, 2.0, 5.0) if step * tens <= wanted)
    y = HIGH - 26
    painter.setPen(QPen(QColor("#111111"), 4))
    painter.drawLine(QLineF(20, y, 20 + length * one * scale, y))
    painter.drawText(QPointF(30 + length * one * scale, y + 9), f"{length:g} {'in' if shown.unit == 'inch' else 'mm'}")


def _data_address(name: str, image: QImage) -> str:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    kind = "jpeg" if name.startswith("paper-") else "png"
    image.save(buffer, kind)  # type: ignore[call-overload]
    return f"data:image/{kind};base64," + base64.b64encode(bytes(buffer.data().data())).decode("ascii")
