"""Unused objects go in the window's thread only, and they do go."""

from __future__ import annotations

import gc
import threading
import weakref

from rejoin.app.tidying import Tidier


class Ring:
    """Holds itself, so that only a look for unused objects frees it."""

    def __init__(self, freed_in: list[threading.Thread]) -> None:
        self.me = self
        weakref.finalize(self, lambda: freed_in.append(threading.current_thread()))


def busy_thread() -> None:
    """What a reader thread does: many small objects that all stay for a while."""
    kept = [[n] for n in range(200_000)]
    assert len(kept) == 200_000


def let_a_thread_work() -> None:
    thread = threading.Thread(target=busy_thread)
    thread.start()
    thread.join()


def test_a_reader_thread_frees_nothing_of_the_window(qtbot, tidier: Tidier):
    freed_in: list[threading.Thread] = []
    for _ in range(50):
        Ring(freed_in)
    let_a_thread_work()
    assert freed_in == []
    kept = [[n] for n in range(2_000)]
    qtbot.waitUntil(lambda: len(freed_in) == 50, timeout=5_000)
    assert len(kept) == 2_000
    assert set(freed_in) == {threading.main_thread()}


def test_even_a_quiet_window_frees_what_it_holds_in_the_end(qtbot, tidier: Tidier):
    freed_in: list[threading.Thread] = []
    Ring(freed_in)
    qtbot.waitUntil(lambda: len(freed_in) == 1, timeout=15_000)


def test_without_it_the_reader_thread_would(qtbot, tidier: Tidier):
    tidier.end()
    try:
        freed_in: list[threading.Thread] = []
        Ring(freed_in)
        let_a_thread_work()
        assert freed_in and freed_in[0] is not threading.main_thread()
    finally:
        gc.disable()
