"""Unused objects go in the window's thread only, and they do go."""

from __future__ import annotations

import gc
import threading
import weakref

from PySide6.QtCore import QSettings

from rejoin.app.bench.bench import Bench
from rejoin.app.tidying import Tidier
from rejoin.app.window import Window
from tests.app import made_up


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


def test_a_closed_window_is_given_up_whole(qtbot, tmp_path):
    memory = QSettings(str(tmp_path / "memory.ini"), QSettings.Format.IniFormat)
    window = Window(Bench(memory, tmp_path / "recovery", warm=False), animated=False)
    window.ask_keep = lambda parent: "discard"
    window.show()
    qtbot.waitExposed(window)
    window.bench.session.apply("Join", made_up.joined())
    seen = [weakref.ref(window), weakref.ref(window.scene), weakref.ref(window.bench)]
    window.close()
    window.deleteLater()
    qtbot.wait(20)
    del window
    gc.collect()
    assert [one() for one in seen] == [None, None, None]
