"""The open project, its undo stack and its one signal.

Everything that changes the project goes through `Session.apply`; the value
before and after is kept, so one command class undoes anything.
"""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QUndoCommand, QUndoStack

from rejoin.app.parts.overrides import called_by_qt
from rejoin.core.records import Project


class _Change(QUndoCommand):
    """One step of work: the project before and after it."""

    def __init__(self, session: Session, text: str, before: Project, after: Project, merge_key: str | None) -> None:
        super().__init__(text)
        self._session, self._before, self._after, self._key = session, before, after, merge_key

    def id(self) -> int:
        return 1 if self._key is not None else -1

    @called_by_qt
    def mergeWith(self, other: QUndoCommand) -> bool:
        if not isinstance(other, _Change) or other._key != self._key:
            return False
        self._after = other._after
        return True

    @called_by_qt
    def undo(self) -> None:
        self._session._show(self._before)

    @called_by_qt
    def redo(self) -> None:
        self._session._show(self._after)


class Session(QObject):
    """The project that the window shows.

    Attributes
    ----------
    project : Project
        Read only; `apply` replaces it.
    path : Path or None
        The project file, once saved or opened.
    changed : Signal(Project, Project)
        Emitted with the project before and after, also by undo and redo.
    """

    changed = Signal(object, object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.project = Project()
        self.path: Path | None = None
        self._stamp: tuple[int, int] | None = None
        self.stack = QUndoStack(self)

    @property
    def modified(self) -> bool:
        """Whether there is work that the project file does not hold."""
        return not self.stack.isClean()

    @property
    def changed_outside(self) -> bool:
        """Whether another program changed the project file since it was opened or saved here."""
        now = _stamp(self.path)
        return now is not None and now != self._stamp

    def apply(self, text: str, project: Project, merge_key: str | None = None) -> None:
        """Make ``project`` the current one, as one undoable step named ``text``.

        Steps in a row with the same ``merge_key`` become one, such as the
        moves of one drag.
        """
        if project is not self.project:
            self.stack.push(_Change(self, text, self.project, project, merge_key))

    def replace(self, project: Project, path: Path | None) -> None:
        """Open another project: what was done before cannot be undone any more."""
        self.path, self._stamp = path, _stamp(path)
        self.stack.clear()
        self._show(project)

    def saved(self, path: Path) -> None:
        """The project as it stands is now in ``path``."""
        self.path, self._stamp = path, _stamp(path)
        self.stack.setClean()

    def end(self) -> None:
        """Let go of every step, while the stack lives: freed in any other order, they would be freed twice."""
        self.stack.blockSignals(True)
        self.stack.clear()

    def _show(self, project: Project) -> None:
        before, self.project = self.project, project
        if before is not project:
            self.changed.emit(before, project)


def _stamp(path: Path | None) -> tuple[int, int] | None:
    """When a file was changed last and how long it is; None where there is none to be seen."""
    if path is None:
        return None
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
