"""The worker process: does one task at a time and reports on it. Imports no Qt."""

from __future__ import annotations

import contextlib
import os
import signal
import time
import traceback
from multiprocessing.connection import Connection
from typing import Any

from rejoin.app.work import display
from rejoin.app.work.exchange import Exchange
from rejoin.app.work.wire import heads, receive_arrays, send_arrays
from rejoin.core.errors import RejoinError, out_of_memory
from rejoin.core.records import Mesh

REPORT_EVERY_S = 0.05


def main(wire: Connection) -> None:
    """Answer messages until the other end closes the wire.

    A message is ``(number, task, skeleton, heads of arrays, wishes)``, then the arrays; the answers are
    ``("progress", number, share, sentence)`` and in the end ``("failed", number, what, to do)`` or
    ``("done", number, skeleton, heads)`` and arrays, before it ``("copy", number, mesh key, reach, heads)``
    and arrays for each large mesh that is new.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the window, which ends this process
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # the window is gone
        _answer(wire)


def _answer(wire: Connection) -> None:
    exchange = Exchange()
    wire.send(("ready", 0))
    if not wire.poll():  # nothing to do yet: load the libraries meanwhile
        _warm_up()
    while True:
        try:
            number, task, skeleton, coming, wishes = wire.recv()
            arrays = receive_arrays(wire, coming)
        except (EOFError, OSError):
            return
        project = exchange.read((skeleton, arrays), question=True)
        try:
            after = task(project, _reporter(wire, number), **wishes)
        except RejoinError as error:
            wire.send(("failed", number, error.what_happened, error.what_to_do))
            continue
        except (BrokenPipeError, ConnectionResetError):
            raise
        except Exception as error:
            wire.send(("failed", number, *_unexpected(error)))
            continue
        skeleton, arrays = exchange.write(after, question=False)
        had = exchange.meshes_to_draw(project)
        fresh = {key: mesh for key, mesh in exchange.meshes_to_draw(after).items() if key not in had}
        _send_copies(wire, number, fresh)
        wire.send(("done", number, skeleton, heads(arrays)))
        send_arrays(wire, arrays)


def _send_copies(wire: Connection, number: int, meshes: dict[str, Mesh]) -> None:
    """What is drawn of large meshes is worked out here, so that the window need not."""
    for key, mesh in meshes.items():
        if len(mesh.triangles) > display.DRAWN_AS_IT_IS:
            reach, arrays = display.to_arrays(display.made(mesh))
            wire.send(("copy", number, key, reach, heads(arrays)))
            send_arrays(wire, arrays)


def _reporter(wire: Connection, number: int) -> Any:
    last = [0.0]

    def report(share: float, sentence: str) -> None:
        now = time.monotonic()
        if now - last[0] >= REPORT_EVERY_S:
            last[0] = now
            wire.send(("progress", number, float(share), sentence))

    return report


def _unexpected(error: Exception) -> tuple[str, str]:
    if out_of_memory(error):
        return (
            "The memory of this computer was not enough for this step.",
            "Close other programs, or scan with a coarser spacing.",
        )
    where = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(where.filename)}, line {where.lineno}"
    return (
        f"This step met a fault of the program ({type(error).__name__}: {error}; {place}).",
        "Nothing was changed. Try other settings, and report the fault with these words.",
    )


def _warm_up() -> None:
    for name in ("rejoin.core.files", "rejoin.core.cleaning", "rejoin.core.faces", "rejoin.core.assembling",
                 "rejoin.core.fit", "rejoin.core.fusing"):  # fmt: skip
        with contextlib.suppress(ImportError):
            __import__(name)
