"""Pages of a printed document broken where a reader can follow: between rows, and never under a heading.

Qt breaks a page through a row of a table wherever its first line still fits, and leaves a heading alone at the foot.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from PySide6.QtGui import QTextBlock, QTextDocument, QTextFrame, QTextTable

MOST = 200
"""Breaks that are moved at most."""
NEW_PAGE = "page-break-before: always"
_HEADS = re.compile(r"<thead>.*?</thead>", re.DOTALL)


def laid_out(document: QTextDocument, page: str) -> None:
    """Give a document, whose page size is set, the HTML with its page breaks moved to where they do no harm."""
    document.setHtml(page)
    for _ in range(MOST):
        # What is higher than a page stays torn, and is passed over.
        moved = next((new for torn in _torn(document) if (new := _moved(page, *torn)) != page), page)
        if moved == page:
            return
        page = moved
        document.setHtml(page)


def _torn(document: QTextDocument) -> Iterator[tuple[str, int, int]]:
    """What a page break runs through, or cuts off from what follows: its tag, which of that tag, row of a table."""
    counts = {"h2": -1, "li": -1, "table": -1}
    above: tuple[str, int, int] | None = None
    last = -1
    for item in _items(document):
        rows = _rows(document, item)
        first = _page(document, rows[0][0])
        tag = _tag(item)
        if tag:
            counts[tag] += 1
        if above is not None and first != last:
            yield above
        ends = [top for top, _ in rows[:1]] + [bottom for _, bottom in rows[:-1]]
        # A table that Qt parts between two rows has no line at the foot of the page: it is parted here.
        broken = [n for n, (_, bottom) in enumerate(rows) if _page(document, ends[n]) != _page(document, bottom)]
        heads = item.format().toTableFormat().headerRowCount() if isinstance(item, QTextTable) else 0
        if tag and broken:
            yield above or (tag, counts[tag], 0) if broken[0] <= heads else (tag, counts[tag], broken[0])
        above = (tag, counts[tag], 0) if tag == "h2" else None
        last = _page(document, rows[-1][1])


def _items(document: QTextDocument) -> Iterator[QTextBlock | QTextFrame]:
    """The blocks and tables of a document, one after the other."""
    at = document.rootFrame().begin()
    while not at.atEnd():
        yield at.currentFrame() or at.currentBlock()
        at += 1


def _rows(document: QTextDocument, item: QTextBlock | QTextFrame) -> list[tuple[float, float]]:
    """Where the text of each row of a table, or of a block, begins and ends, from the top of the first page."""
    box = document.documentLayout().blockBoundingRect
    if isinstance(item, QTextBlock):
        return [(box(item).top(), box(item).bottom())]
    if not isinstance(item, QTextTable):
        return [(0.0, 0.0)]
    found = []
    for row in range(item.rows()):
        cells = [item.cellAt(row, column) for column in range(item.columns())]
        found.append((min(box(cell.firstCursorPosition().block()).top() for cell in cells),
                      max(box(cell.lastCursorPosition().block()).bottom() for cell in cells)))  # fmt: skip
    return found


def _page(document: QTextDocument, height: float) -> int:
    return int((height - 0.5) // document.pageSize().height())


def _tag(item: QTextBlock | QTextFrame) -> str:
    if isinstance(item, QTextTable):
        return "table"
    if isinstance(item, QTextBlock) and item.blockFormat().headingLevel() == 2:
        return "h2"
    return "li" if isinstance(item, QTextBlock) and item.textList() is not None else ""


def _moved(page: str, tag: str, number: int, row: int) -> str:
    """The page with a new one begun before a heading, a line of a list, a table, or a row of it, its head repeated."""
    start = [found.start() for found in re.finditer(f"<{tag}[ >]", page)][number]
    if tag == "table" and row > 0:
        end = page.index("</table>", start)
        rows = [found.start() for found in re.finditer("<tr>", page[start:end])]
        opening = page[start : page.index(">", start) + 1]
        head = _HEADS.search(page, start, end)
        begun = f"</table>{_begun(opening)}{head.group() if head else ''}"
        return page[: start + rows[row]] + begun + page[start + rows[row] :]
    opening = page[start : page.index(">", start) + 1]
    return page[:start] + _begun(opening) + page[start + len(opening) :]


def _begun(opening: str) -> str:
    """An opening tag with a new page before it."""
    bare = opening.replace(f" style='{NEW_PAGE}'", "")
    return f"{bare[:-1]} style='{NEW_PAGE}'>"
