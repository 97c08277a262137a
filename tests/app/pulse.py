"""Measures how long the window's thread does not come round to its events, painting left out."""

from __future__ import annotations

import sys
import threading
import time
import traceback
from pathlib import Path
from typing import Any

BEAT_MS = 5


class Pulse:
    """Beats every 5 ms; a stall is the time between two beats less what drawing the view took in it.

    Attributes
    ----------
    longest_ms : float
        By the clock: also what other programs took from this one.
    longest_own_ms : float
        Processor time of the window's own thread.
    where, where_own : str
        What was going on then.
    """

    def __init__(self, window: Any) -> None:
        from PySide6.QtCore import Qt, QTimer

        self.window = window
        self.longest_ms = self.longest_own_ms = 0.0
        self.where = self.where_own = ""
        self.stalls: list[tuple[float, float, str]] = []
        self._painted = self._painted_own = 0.0
        self.leave_out(window.view)
        self._seen: tuple[float, str] = (0.0, "")
        self.skip()
        self._timer = QTimer(window, interval=BEAT_MS, timerType=Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._beat)
        self._timer.start()
        threading.Thread(target=self._watch, args=(threading.get_ident(),), daemon=True).start()

    def skip(self) -> None:
        """Leave out the time since the last beat: the script was at work, not the window."""
        self._last, self._last_own = time.monotonic(), time.thread_time()
        self._painted = self._painted_own = 0.0

    def leave_out(self, view: Any) -> None:
        """Count every drawing of a view: those that Qt asks for, and those within a move of the mouse."""
        paint, began = view.paintGL, []

        def measured() -> None:
            start, own = time.monotonic(), time.thread_time()
            began.append(None)
            paint()
            began.pop()
            self._painted += time.monotonic() - start
            self._painted_own += time.thread_time() - own

        def begins(*_: object) -> None:
            began.append((time.monotonic(), time.thread_time()))

        def ends(*_: object) -> None:
            start = began.pop()
            if began == []:  # else it is within a measured one
                self._painted += time.monotonic() - start[0]
                self._painted_own += time.thread_time() - start[1]

        view.paintGL = measured
        view.ren_win.AddObserver("StartEvent", begins)
        view.ren_win.AddObserver("EndEvent", ends)

    def _watch(self, main_thread: int) -> None:
        """Note, during a stall, which of our lines the window's thread is in."""
        while True:
            time.sleep(0.03)
            if time.monotonic() - self._last > 0.08:
                frame = sys._current_frames().get(main_thread)
                frames = traceback.extract_stack(frame) if frame is not None else []
                own = [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in frames if "/rejoin/" in f.filename]
                self._seen = self._last, own[-1] if own else "the event loop"

    def _beat(self) -> None:
        now, own = time.monotonic(), time.thread_time()
        stalled = 1000.0 * (now - self._last - self._painted) - BEAT_MS
        busy = 1000.0 * (own - self._last_own - self._painted_own)
        place = self._seen[1] if self._seen[0] == self._last else ""
        work = self.window.bench.jobs.title or f"after {self.window.bench.session.stack.undoText() or 'the start'}"
        words = f"{work} {place}".strip()
        if stalled > 30.0 or busy > 30.0:
            self.stalls.append((round(stalled, 1), round(busy, 1), words))
        if stalled > self.longest_ms:
            self.longest_ms, self.where = stalled, words
        if busy > self.longest_own_ms:
            self.longest_own_ms, self.where_own = busy, words
        self.skip()
