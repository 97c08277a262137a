"""Long work without a frozen window: one warm worker process, its messages turned into Qt signals.

A thread would not do: most libraries hold the interpreter for seconds. A
process also makes Cancel certain (it is killed, the next one is started at
once) and turns a crash in a library into a message.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import threading
from collections.abc import Callable
from functools import cache
from itertools import count
from multiprocessing.connection import Connection
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from rejoin.app.view import tints
from rejoin.app.view.drawn import ready
from rejoin.app.work.display import Display, display_of, from_arrays, remember
from rejoin.app.work.exchange import Exchange, Message
from rejoin.app.work.wire import heads, receive_arrays, send_arrays
from rejoin.app.work.worker import main as worker_main
from rejoin.core.errors import RejoinError
from rejoin.core.records import Project, Record

Task = Callable[..., Record]
"""What the worker does: most tasks answer with a project, some with another record."""
MOST_EARLY_DEATHS = 3
"""Workers that may die before they are ready until no further one is started unasked."""
STANDS_BACK = 5
"""Steps by which the worker comes after the window where both want the processor (POSIX)."""


class _Relay(QObject):
    """Carries messages from reader threads into the window's thread.

    There is one for the whole run and it is never deleted: a reader thread
    that emitted on an object which the window has just deleted would crash.
    """

    arrived = Signal(int, object)


@cache
def _relay() -> _Relay:
    return _Relay()


_generations = count(1)


class _Worker:
    """A worker process, its wire and the arrays it shares with this side."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.wire, far_end = context.Pipe()
        self.exchange = Exchange()
        self.generation = next(_generations)
        self.process = context.Process(target=worker_main, args=(far_end,), daemon=True, name="rejoin worker")
        self.process.start()
        _stand_back(self.process.pid)
        far_end.close()
        self._reader = threading.Thread(target=_listen, args=(self.wire, self, _relay()), daemon=True)
        self._reader.start()

    def end(self) -> None:
        self.process.kill()
        self._gone()

    def drop(self) -> None:
        """End it without waiting: giving back the memory of large scans takes the system a moment."""
        self.process.kill()
        threading.Thread(target=self._gone, daemon=True).start()

    def _gone(self) -> None:
        self.process.join(1.0)
        self._reader.join(1.0)


def _stand_back(process_id: int | None) -> None:
    """Let the window come first; done from here, before the process has threads of its own that would keep theirs."""
    if process_id is not None and hasattr(os, "setpriority"):
        with contextlib.suppress(OSError):  # it may have died already
            os.setpriority(os.PRIO_PROCESS, process_id, os.getpriority(os.PRIO_PROCESS, 0) + STANDS_BACK)


class Jobs(QObject):
    """Runs one task at a time in the worker.

    Attributes
    ----------
    progress : Signal(float, str)
        Share done and what is being done.
    finished : Signal(str, Project, object)
        Title, the new project or other answer, and the ``tag`` given to `start`.
    failed : Signal(str, str, str, object)
        Title, what happened, what to do, tag.
    cancelled : Signal(str, object)
    busy_changed : Signal(bool)
    """

    progress = Signal(float, str)
    finished = Signal(str, object, object)
    failed = Signal(str, str, str, object)
    cancelled = Signal(str, object)
    busy_changed = Signal(bool)
    ready = Signal()

    def __init__(self, parent: QObject | None = None, warm: bool = True) -> None:
        super().__init__(parent)
        _relay().arrived.connect(self._take, Qt.ConnectionType.QueuedConnection)
        self._number = 0
        self._title: str | None = None
        self._tag: Any = None
        self._closed = False
        self._early_deaths = 0
        self._worker: _Worker | None = _Worker() if warm else None

    @property
    def busy(self) -> bool:
        return self._title is not None

    @property
    def title(self) -> str:
        return self._title or ""

    @property
    def process_id(self) -> int | None:
        return self._worker.process.pid if self._worker else None

    def start(
        self, title: str, task: Task, project: Project, tag: Any = None, **wishes: Any
    ) -> bool:
        """Run ``task(project, report, **wishes)``; False where another one is still running."""
        if self.busy or self._closed:
            return False
        self._worker = self._worker or _Worker()
        self._number += 1
        self._title, self._tag = title, tag
        self.busy_changed.emit(True)
        self.progress.emit(0.0, title)
        # a big project takes a moment to pack and send, so not from the window's thread
        feed = (self._worker, self._number, task, project, wishes)
        threading.Thread(target=_feed, args=feed, daemon=True).start()
        return True

    def cancel(self) -> None:
        """Stop the running task; the project stays as it was."""
        if not self.busy:
            return
        title, tag = self.title, self._tag
        self._restart()
        self._idle()
        self.cancelled.emit(title, tag)

    def close(self) -> None:
        """End the worker for good."""
        if self._closed:
            return
        self._closed = True
        _relay().arrived.disconnect(self._take)
        if self._worker:
            self._worker.end()

    def _restart(self) -> None:
        old = self._worker
        self._worker = _Worker()
        if old:
            old.drop()

    def _idle(self) -> None:
        self._title = self._tag = None
        self.busy_changed.emit(False)

    def _take(self, generation: int, message: Any) -> None:
        if self._closed or self._worker is None or generation != self._worker.generation:
            return
        kind, number, *rest = message
        if kind == "ready":
            self._early_deaths = 0
            self.ready.emit()
        elif kind == "gone":
            self._crashed()
        elif number == self._number and self.busy:
            title, tag = self.title, self._tag
            if kind == "progress":
                self.progress.emit(*rest)
                return
            self._idle()
            if kind == "done":
                self.finished.emit(title, rest[0], tag)
            else:
                self.failed.emit(title, *rest, tag)

    def _crashed(self) -> None:
        busy, title, tag = self.busy, self.title, self._tag
        self._early_deaths += 1
        if self._early_deaths < MOST_EARLY_DEATHS:
            self._restart()
        else:  # it does not even start: try again only when it is asked for
            self._worker = None
        if busy:
            self._idle()
            self.failed.emit(
                title,
                "The working part of the program stopped unexpectedly.",
                "Nothing was changed and it was started again. Try once more, or with a smaller scan.",
                tag,
            )


def _listen(wire: Connection, worker: _Worker, relay: _Relay) -> None:
    copies: dict[str, Display] = {}
    while True:
        try:
            message = wire.recv()
            if message[0] == "copy":
                _, _, key, reach, coming = message
                copies[key] = from_arrays(reach, receive_arrays(wire, coming))
                continue
            if message[0] == "done":
                kind, number, skeleton, coming = message
                message = kind, number, _read(worker.exchange, (skeleton, receive_arrays(wire, coming)), copies)
        except (EOFError, OSError):
            relay.arrived.emit(worker.generation, ("gone", 0))
            return
        except RejoinError as error:  # else the window would wait for ever
            message = "failed", message[1], error.what_happened, error.what_to_do
        relay.arrived.emit(worker.generation, message)


def _read(exchange: Exchange, message: Message, copies: dict[str, Display]) -> Record:
    """The project, or other record, of an answer, with all that the view will need of it."""
    project = exchange.read(message, question=False)
    for key, mesh in exchange.meshes_to_draw(project).items():
        copy = copies.pop(key, None)
        if copy is not None:
            remember(mesh, copy)
        ready(display_of(mesh))
    copies.clear()
    if isinstance(project, Project):
        tints.prepare(project)
    return project


def _feed(worker: _Worker, number: int, task: Task, project: Project, wishes: dict[str, Any]) -> None:
    with contextlib.suppress(BrokenPipeError, OSError):  # it died; the reader says so
        skeleton, arrays = worker.exchange.write(project, question=True)
        worker.wire.send((number, task, skeleton, heads(arrays), wishes))
        send_arrays(worker.wire, arrays)
