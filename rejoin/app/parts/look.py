"""The window's own look: a warm route sheet on a bench, by lamp or by day."""

from __future__ import annotations

from PySide6.QtGui import QColor, QPalette

from rejoin.app.parts.colours import LAMP, Palette


def qt_palette(chosen: Palette) -> QPalette:
    """The palette for what the style draws itself."""
    palette = QPalette()
    role = QPalette.ColorRole
    for kind, colour in ((role.Window, chosen.desk), (role.WindowText, chosen.ink), (role.Base, chosen.raised),
                         (role.AlternateBase, chosen.card), (role.Text, chosen.ink), (role.Button, chosen.raised),
                         (role.ButtonText, chosen.ink), (role.Highlight, chosen.accent),
                         (role.HighlightedText, chosen.on_accent), (role.PlaceholderText, chosen.faded),
                         (role.ToolTipBase, chosen.raised), (role.ToolTipText, chosen.ink),
                         (role.Link, chosen.accent), (role.LinkVisited, chosen.accent)):  # fmt: skip
        palette.setColor(kind, QColor(colour))
    if chosen is LAMP:  # the style draws frames in a darker shade of Window, which would vanish here
        palette.setColor(role.Window, QColor(chosen.rule).lighter(190))
    for kind in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, kind, QColor(chosen.faded))
    return palette


def style_sheet(p: Palette) -> str:
    """The window's own look: a warm route sheet on a bench."""
    return f"""
    QDialog, QMessageBox, #pages {{ background: {p.desk}; color: {p.ink}; }}
    QToolTip {{ background: {p.raised}; color: {p.ink}; border: 1px solid {p.rule}; padding: 4px; }}
    QMenuBar, QStatusBar {{ background: {p.desk}; color: {p.ink}; }}
    QMenuBar::item:selected, QMenu::item:selected {{ background: {p.accent}; color: {p.on_accent}; }}
    QMenu {{ background: {p.card}; color: {p.ink}; border: 1px solid {p.rule}; }}
    QMenu::item {{ padding: 4px 22px; }}
    QMenu::item:disabled {{ color: {p.faded}; }}
    QMenu::separator {{ height: 1px; background: {p.rule}; margin: 3px 8px; }}
    #cardHead {{ background: {p.card}; border: none; border-bottom: 2px solid {p.ink}; }}
    #cardTitle {{ font-weight: bold; letter-spacing: 3px; }}
    #columns {{ color: {p.faded}; letter-spacing: 1px; padding-top: 4px; }}
    #faded {{ color: {p.faded}; }}
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
    QFileDialog QToolButton {{ padding: 2px; }}
    QToolButton#fold, QToolButton#fold:checked {{ background: transparent; color: {p.ink}; border: none;
        padding: 3px 2px; icon-size: 0.85em;
        font-weight: bold; }}
    QToolButton#fold:hover {{ color: {p.accent}; }}
    QToolButton#fold:focus {{ border: 1px dashed {p.accent}; }}
    QPushButton#main {{ background: {p.accent}; color: {p.on_accent}; font-weight: bold; border: none;
        padding: 6px 12px; }}
    QPushButton#main:focus {{ border: 2px solid {p.mark}; padding: 4px 10px; }}
    QPushButton#main:disabled {{ background: {p.rule}; color: {p.faded}; }}
    QTreeWidget, QListWidget {{ color: {p.ink}; border: 1px solid {p.rule};
        selection-background-color: {p.accent}; selection-color: {p.on_accent}; }}
    QHeaderView::section {{ background: {p.card}; color: {p.faded}; border: none; border-bottom: 1px solid {p.rule};
        padding: 2px 4px; }}
    QCheckBox::indicator, QRadioButton::indicator {{ width: 0.85em; height: 0.85em; }}
    QTreeView::indicator {{ width: 0.8em; height: 0.8em; }}
    #strip {{ background: {p.card}; border-top: 2px solid {p.rule}; }}
    QProgressBar {{ background: {p.raised}; border: 1px solid {p.rule}; border-radius: 3px; text-align: center; }}
    QProgressBar::chunk {{ background: {p.accent}; }}
    QScrollBar:vertical {{ background: {p.card}; width: 12px; }}
    QScrollBar::handle:vertical {{ background: {p.rule}; border-radius: 4px; min-height: 30px; margin: 2px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    """
