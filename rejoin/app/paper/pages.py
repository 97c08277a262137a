"""The pages that come with the program, to read and to print: the window, the lesson, the samples, the manual."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QBuffer, QIODevice, QMarginsF, QSize, Qt, QUrl
from PySide6.QtGui import (
    QDesktopServices,
    QGuiApplication,
    QImage,
    QPageLayout,
    QPageSize,
    QPdfWriter,
    QTextCursor,
    QTextDocument,
)
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QListWidget,
    QPushButton,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.words.sentences import Units, sample_title
from rejoin.core.samples import data_folder, picture_of, readings_of, sample_about, sample_names

PAGES = (("window.md", "The window"), ("lesson.md", "The lesson"), ("samples", "The samples"),
         ("README.md", "The manual"))  # fmt: skip
WIDEST = 620
"""Pictures are shown no wider, in points of the screen."""


def source_of(page: str) -> tuple[str, Path]:
    """The Markdown of a page, and the folder that its pictures are named from."""
    if page == "samples":
        return samples_page(), data_folder("sample_scans")
    folder = data_folder("assets")
    path = folder.parent / page if page == "README.md" else folder / "help" / page
    return path.read_text(encoding="utf-8"), path.parent


def samples_page() -> str:
    """The samples: picture, story, readings, and what is known of them."""
    units, parts = Units("mm"), ["# The samples", ""]
    for name in sample_names():
        picture = f"![{sample_title(name)}]({name}/{picture_of(name).name})"
        parts += [f"## {sample_title(name)}", "", picture, "", sample_about(name), ""]
        parts += ["| measured by caliper | reading | limit of error |", "|---|---|---|"]
        parts += [f"| {what} | {value:.2f} {units.short} | ± {limit:.2f} {units.short} |"
                  for what, value, limit in readings_of(name)]  # fmt: skip
        known = "The true place of every fragment and its true fracture faces are known."
        parts += ["", f"{known} [Open it](open:{name}).", ""]
    return "\n".join(parts)


def slug(heading: str) -> str:
    """How a link names a heading."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


class Page(QTextBrowser):
    """One page; its pictures fit, its links lead on."""

    def __init__(self, follow: Callable[[str], None]) -> None:
        super().__init__()
        self.folder, self.follow = Path(), follow
        self.setOpenLinks(False)
        self.anchorClicked.connect(self._follow)

    def show_page(self, page: str) -> None:
        text, self.folder = source_of(page)
        self.document().setMarkdown(text)
        self.document().setDocumentMargin(16)
        self.moveCursor(QTextCursor.MoveOperation.Start)

    @called_by_qt
    def loadResource(self, kind: int, name: QUrl | str) -> object:
        if kind != QTextDocument.ResourceType.ImageResource.value:
            return super().loadResource(kind, name)
        return fitting(self.folder / (name if isinstance(name, str) else name.toString()), WIDEST)

    def headings(self) -> dict[str, int]:
        """Where each heading begins, by the name that links use."""
        found, block = {}, self.document().begin()
        while block.isValid():
            if block.blockFormat().headingLevel():
                found[slug(block.text())] = block.position()
            block = block.next()
        return found

    def go(self, heading: str) -> None:
        """Bring a heading to the top."""
        position = self.headings().get(heading)
        if position is not None:
            cursor = self.textCursor()
            cursor.setPosition(position)
            self.moveCursor(QTextCursor.MoveOperation.End)  # so that the heading comes to the top, as far as it can
            self.setTextCursor(cursor)
            self.verticalScrollBar().setValue(self.verticalScrollBar().value() + self.cursorRect().top() - 8)

    def _follow(self, link: QUrl) -> None:
        self.follow(link.toString())


def fitting(path: Path, widest: int) -> QImage:
    """A picture no wider than that."""
    image = QImage(str(path))
    if image.width() > widest:
        image = image.scaledToWidth(widest, Qt.TransformationMode.SmoothTransformation)
    return image


class Pages(QWidget):
    """A window of its own with all pages.

    ``open_sample`` puts a sample on the bench.
    """

    def __init__(self, open_sample: Callable[[str], object], parent: QWidget | None = None) -> None:
        super().__init__(parent, Qt.WindowType.Window)
        self.setObjectName("pages")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setObjectName("pages")
        self.setWindowTitle("Help – rejoin")
        self.resize(QSize(980, 720).boundedTo(QGuiApplication.primaryScreen().availableSize()))
        self.open_sample = open_sample
        self.list = QListWidget()
        self.list.setAccessibleName("Pages")
        for _, title in PAGES:
            self.list.addItem(title)
        self.page = Page(self.follow)
        self.list.currentRowChanged.connect(self._chosen)
        self.print_button = QPushButton("Print…")
        self.print_button.setToolTip("Print this page.")
        self.print_button.clicked.connect(self.print)
        self.save_button = QPushButton("Save as PDF…")
        self.save_button.setToolTip("Write this page as a PDF file, to print it elsewhere.")
        self.save_button.clicked.connect(self.save)
        side = QWidget()
        side.setObjectName("panel")
        column = QVBoxLayout(side)
        column.setContentsMargins(8, 8, 8, 8)
        column.addWidget(self.list, 1)
        column.addWidget(self.print_button)
        column.addWidget(self.save_button)
        line = QHBoxLayout(self)
        line.setContentsMargins(0, 0, 0, 0)
        line.addWidget(side)
        line.addWidget(self.page, 1)
        side.setFixedWidth(13 * self.fontMetrics().height())

    @property
    def shown(self) -> str:
        """Name of the page that is shown."""
        return PAGES[max(self.list.currentRow(), 0)][0]

    def show_page(self, page: str) -> None:
        """Show a page and come to the front."""
        self.list.setCurrentRow([name for name, _ in PAGES].index(page))
        self.show()
        self.raise_()
        self.activateWindow()

    def follow(self, link: str) -> None:
        """Go where a link leads: a heading, another page, a sample, or out of the program."""
        page, _, heading = link.partition("#")
        if link.startswith("open:"):
            self.open_sample(link.removeprefix("open:"))
        elif "://" in link:
            QDesktopServices.openUrl(QUrl(link))
        elif page in dict(PAGES):
            self.show_page(page)
            self.page.go(heading)
        elif not page:
            self.page.go(heading)
        else:
            file = (self.page.folder / page).resolve()
            if file.is_file():
                QDesktopServices.openUrl(QUrl.fromLocalFile(str(file)))

    def print(self) -> None:
        """Ask for a printer and print the page."""
        from PySide6.QtPrintSupport import QPrintDialog, QPrinter

        printer = QPrinter(QPrinter.PrinterMode.HighResolution)
        dialog = QPrintDialog(printer, self)
        if dialog.exec() == QPrintDialog.DialogCode.Accepted:
            self.for_paper().print_(printer)

    def save(self) -> None:
        """Ask for a file and write the page as PDF."""
        name = f"{dict(PAGES)[self.shown]}.pdf"
        path = QFileDialog.getSaveFileName(self, "Save as PDF", name, "To print (*.pdf)")[0]
        if path:
            self.write_pdf(path if path.lower().endswith(".pdf") else f"{path}.pdf")

    def write_pdf(self, path: str) -> None:
        """Write the page that is shown, on A4."""
        writer = QPdfWriter(path)
        writer.setTitle(dict(PAGES)[self.shown])
        writer.setResolution(150)
        writer.setPageLayout(QPageLayout(QPageSize(QPageSize.PageSizeId.A4), QPageLayout.Orientation.Portrait,
                                         QMarginsF(8, 8, 8, 8), QPageLayout.Unit.Millimeter))  # fmt: skip
        self.for_paper().print_(writer)

    def for_paper(self) -> QTextDocument:
        """The page in black on white, whatever the window's colours."""
        text, folder = source_of(self.shown)
        document = QTextDocument()
        document.setMarkdown(text)
        page = document.toHtml()
        for name in set(re.findall(r'<img src="([^"]+)"', page)):
            page = page.replace(f'src="{name}"', f'src="{_address(fitting(folder / name, 440))}"')
        ready = QTextDocument()
        ready.setDefaultStyleSheet("td, th { padding: 3px; }")
        font = ready.defaultFont()
        font.setPointSizeF(9.5)
        ready.setDefaultFont(font)
        ready.setHtml(page)
        return ready

    def _chosen(self, row: int) -> None:
        self.page.show_page(PAGES[row][0])


def _address(image: QImage) -> str:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    image.save(buffer, "PNG")  # type: ignore[call-overload]
    return "data:image/png;base64," + base64.b64encode(bytes(buffer.data().data())).decode("ascii")
