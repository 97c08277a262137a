"""A picture of the view with more points than the screen has, its colour bar beside it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PySide6.QtGui import QColor, QImage, QPainter
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

from rejoin.app.parts.colour_bar import ColourBar
from rejoin.app.view.scene import Scene
from rejoin.app.view.widget import View

WIDE_MM, DOTS_PER_INCH = 180.0, 300.0
"""A picture this wide on paper, at what printers call fine."""


def save_picture(view: View, scene: Scene, bar: ColourBar | None, path: Path) -> None:
    """Write the view as a PNG of print resolution.

    Raises
    ------
    OSError
        Where it cannot be written.
    """
    bar_wide = bar.width() * view.devicePixelRatioF() if bar is not None else 0.0
    wanted = WIDE_MM / 25.4 * DOTS_PER_INCH
    seen = view.ren_win.GetSize()[0] + bar_wide
    scale = max(int(np.ceil(wanted / seen)), 1)
    scene.front.enlarge(scale)
    try:
        shown = _grabbed(view, scale)
    finally:
        scene.front.enlarge(1.0 / scale)
        view.update()
    picture = QImage(shown.width() + int(scale * bar_wide), shown.height(), QImage.Format.Format_RGB32)
    picture.fill(QColor(scene.palette.card))
    painter = QPainter(picture)
    painter.drawImage(0, 0, shown)
    if bar is not None:
        painter.translate(shown.width(), 0)
        factor = scale * view.devicePixelRatioF()
        painter.scale(factor, factor)
        bar.paint(painter)
    painter.end()
    dots = int(round(DOTS_PER_INCH / 25.4 * 1000))
    picture.setDotsPerMeterX(dots)
    picture.setDotsPerMeterY(dots)
    if not picture.save(str(path), "PNG"):
        raise OSError(5, "it could not be written")


def _grabbed(view: View, scale: int) -> QImage:
    view.makeCurrent()
    grab = vtkWindowToImageFilter()
    grab.SetInput(view.ren_win)
    grab.SetScale(scale, scale)
    grab.SetInputBufferTypeToRGB()
    grab.ReadFrontBufferOff()
    grab.Update()
    data = grab.GetOutput()
    wide, high, _ = data.GetDimensions()
    pixels = vtk_to_numpy(data.GetPointData().GetScalars()).reshape(high, wide, 3)[::-1]
    pixels = np.ascontiguousarray(pixels)
    view.doneCurrent()
    return QImage(pixels.tobytes(), wide, high, 3 * wide, QImage.Format.Format_RGB888).copy()
