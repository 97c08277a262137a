"""Measures how long the window's thread does not come round to its events, painting left out."""

from __future__ import annotations

import sys
import threading
import time
import traceback
from pathlib import Path
from typing import Any, NamedTuple

BEAT_MS = 5
SCHEDULE = Path(f"/proc/self/task/{threading.get_native_id()}/schedstat")
"""Where Linux tells how long this thread was ready to run while something else had the processor."""


class Spent(NamedTuple):
    """Milliseconds by the clock, of the thread's own processor time, and ready but kept waiting for a processor.

    ``putting`` is by the clock less such waiting: putting what was drawn on the screen, which Qt does after drawing.
    """

    clock: float
    own: float
    waiting: float
    putting: float = 0.0

    def less(self, other: Spent) -> Spent:
        return Spent(*(mine - theirs for mine, theirs in zip(self, other, strict=True)))

    def more(self, other: Spent) -> Spent:
        return Spent(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))


NOTHING = Spent(0.0, 0.0, 0.0, 0.0)


def spent() -> Spent:
    """What has been spent so far."""
    waiting = float(SCHEDULE.read_text().split()[1]) * 1e-6 if SCHEDULE.exists() else 0.0
    return Spent(1e3 * time.monotonic(), 1e3 * time.thread_time(), waiting)


class Pulse:
    """Beats every 5 ms; a stall is the time between two beats less what drawing the view took in it.

    Attributes
    ----------
    stalls : list of (Spent, str)
        Every stall of note, and what was going on then.
    """

    def __init__(self, window: Any) -> None:
        from PySide6.QtCore import Qt, QTimer

        self.window = window
        self.stalls: list[tuple[Spent, str]] = []
        self._last = self._painted = NOTHING
        self._putting, self._began_putting = 0.0, NOTHING
        self.leave_out(window.view)
        self._seen: tuple[Spent, str] = (NOTHING, "")
        self.skip()
        self._timer = QTimer(window, interval=BEAT_MS, timerType=Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._beat)
        self._timer.start()
        threading.Thread(target=self._watch, args=(threading.get_ident(),), daemon=True).start()

    def skip(self) -> None:
        """Leave out the time since the last beat: the script was at work, not the window."""
        self._last, self._painted, self._putting = spent(), NOTHING, 0.0

    def leave_out(self, view: Any) -> None:
        """Count every drawing of a view: those that Qt asks for, and those within a move of the mouse."""
        paint, began = view.paintGL, []

        def measured() -> None:
            start = spent()
            began.append(None)
            paint()
            began.pop()
            self._painted = self._painted.more(spent().less(start))

        def begins(*_: object) -> None:
            began.append(spent())

        def ends(*_: object) -> None:
            start = began.pop()
            if began == []:  # else it is within a measured one
                self._painted = self._painted.more(spent().less(start))

        def puts() -> None:
            self._began_putting = spent()

        def put() -> None:
            took = spent().less(self._began_putting)
            self._putting += took.clock - took.waiting

        view.aboutToCompose.connect(puts)
        view.frameSwapped.connect(put)
        view.paintGL = measured
        view.ren_win.AddObserver("StartEvent", begins)
        view.ren_win.AddObserver("EndEvent", ends)

    def told(self) -> dict[str, Any]:
        """The longest stall by the clock and what it was made of; the longest of own processor time.

        Putting what was drawn on the screen is painting, and left out like it;
        ``longest_with_the_screen_ms`` counts it. What of a stall was neither
        own work nor waiting for a processor that something else had, was
        waiting for another thread.
        """
        longest, during = max(self.stalls, key=lambda s: s[0].clock - s[0].putting, default=(NOTHING, ""))
        by_own, own_during = max(self.stalls, key=lambda s: s[0].own, default=(NOTHING, ""))
        return {
            "longest_stall_ms": round(longest.clock - longest.putting, 1), "stall_during": during,
            "of_it_own_processor_ms": round(longest.own, 1),
            "of_it_others_had_the_processor_ms": round(longest.waiting, 1),
            "longest_with_the_screen_ms": round(max((s.clock for s, _ in self.stalls), default=0.0), 1),
            "longest_own_processor_ms": round(by_own.own, 1), "own_processor_during": own_during,
        }  # fmt: skip

    def _watch(self, main_thread: int) -> None:
        """Note, during a stall, which of our lines the window's thread is in."""
        while True:
            time.sleep(0.03)
            if 1e3 * time.monotonic() - self._last.clock > 80.0:
                frame = sys._current_frames().get(main_thread)
                frames = traceback.extract_stack(frame) if frame is not None else []
                own = [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in frames if "/rejoin/" in f.filename]
                self._seen = self._last, own[-1] if own else "the event loop"

    def _beat(self) -> None:
        stall = spent().less(self._last).less(self._painted).less(Spent(BEAT_MS, 0.0, 0.0, -self._putting))
        place = self._seen[1] if self._seen[0] is self._last else ""
        work = self.window.bench.jobs.title or f"after {self.window.bench.session.stack.undoText() or 'the start'}"
        if stall.clock > 20.0 or stall.own > 20.0:
            self.stalls.append((stall, f"{work} {place}".strip()))
        self.skip()
