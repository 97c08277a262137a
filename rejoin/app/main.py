"""Opens the window; the command line calls `run`."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Sequence

from rejoin.app.system_check import advice, missing_libraries
from rejoin.core.errors import NoAnswer


def run(
    sample: str | None = None,
    files: Sequence[str] = (),
    project: str | None = None,
    stop_was_asked: Callable[[], bool] = lambda: False,
) -> int:
    """Open the window, on a sample, some scans or a project file, and stay until it is closed.

    ``stop_was_asked`` tells of a Ctrl-C that came while the libraries were being loaded.

    Returns
    -------
    int
        The exit code.

    Raises
    ------
    NoAnswer
        Where this computer lacks system libraries that the window needs.
    KeyboardInterrupt
        After Ctrl-C in the terminal, once the window is closed.
    """
    missing = missing_libraries()
    if missing:
        raise NoAnswer(*advice(missing))
    from PySide6.QtCore import QTimer
    from PySide6.QtGui import QIcon
    from PySide6.QtWidgets import QApplication

    from rejoin.app.tidying import Tidier
    from rejoin.app.window import Window

    app = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(app, QApplication)
    app.setApplicationName("rejoin")
    app.setDesktopFileName("rejoin")
    app.setStyle("Fusion")
    icon = _icon()
    if icon:
        app.setWindowIcon(QIcon(icon))
    window = Window()
    tidier = Tidier()
    window.show()
    _begin(window, sample, files, project)
    stopped: list[bool] = []
    signal.signal(signal.SIGINT, lambda *_: stopped.append(True))
    awake = QTimer(interval=300)  # Python sees a signal only when some Python runs
    awake.timeout.connect(lambda: app.exit(0) if stopped or stop_was_asked() else None)
    awake.start()
    code = app.exec()
    if stop_was_asked():
        stopped.append(True)
    window.bench.close(keep_recovery=bool(stopped) and window.bench.session.modified)
    window.view.close()
    tidier.end()
    if stopped:
        raise KeyboardInterrupt
    return code


def _begin(window, sample: str | None, files: Sequence[str], project: str | None) -> None:  # type: ignore[no-untyped-def]
    from rejoin.app.parts.dialogs import ask_recover

    left = window.bench.recovery.left_behind()
    if project:
        window.bench.load(project)
    elif sample:
        window.bench.open_sample(sample)
    elif files:
        window.bench.open_scans(list(files))
    elif left:
        answer = ask_recover(window)
        if answer == "take":
            window.bench.recover(left[-1])
        for folder in {"take": left[:-1], "drop": left}.get(answer, []):
            window.bench.recovery.forget(folder)


def _icon() -> str | None:
    from rejoin.core.errors import FileTrouble
    from rejoin.core.samples import data_folder

    try:
        return str(data_folder("assets") / "rejoin.png")
    except FileTrouble:
        return None
