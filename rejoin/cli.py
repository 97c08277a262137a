"""The command ``rejoin``: runs what was typed, and ends every failure in a sentence and an exit code.

Exit codes: 0 done · 1 done, with something left unplaced or doubtful · 2 wrong
use · 3 a step could give no answer · 4 file trouble.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from rejoin.core.errors import FileTrouble, NoAnswer, RejoinError, WrongUse, out_of_memory
from rejoin.options import parser
from rejoin.terminal import say, say_error, stop_on_ctrl_c, stop_was_asked

SCREEN = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
"""Environment variables of which one is set where a window can open (Linux)."""


def program() -> NoReturn:
    """Run what was typed, and leave with its exit code.

    Where a window was open, the process ends at once: Qt and the viewport, taken down one by one while Python ends,
    have crashed once all work was done.
    """
    code = main()
    if "PySide6.QtWidgets" not in sys.modules:
        sys.exit(code)
    from multiprocessing import active_children

    for child in active_children():
        child.terminate()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; every failure ends in a sentence on stderr and an exit code.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments after the program's name; those of the process by default.

    Returns
    -------
    int
        The exit code.
    """
    # Our matrices are many and small: threads inside each cost more than they give, and change last bits.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        stop_on_ctrl_c()
        arguments = parser().parse_args(argv)
        module, _, name = arguments.run.partition(":")
        return int(getattr(importlib.import_module(module), name)(arguments))
    except SystemExit as leaving:
        return int(leaving.code or 0)
    except RejoinError as error:
        say_error(error)
        return error.exit_code
    except KeyboardInterrupt:
        say("The work was stopped. No file was left half written.")
        return 3
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if out_of_memory(error):
            say("There is not enough memory for these scans. Export them with fewer points.")
            return 3
        if os.environ.get("REJOIN_TRACEBACK"):
            raise
        say(f"The program met something it did not foresee ({type(error).__name__}: {_one_line(error)}). "
            "Run it again with REJOIN_TRACEBACK=1 to see where, and tell the authors.")  # fmt: skip
        return 3


def window_command(arguments: argparse.Namespace) -> int:
    """Open the window on scans, a project or a sample."""
    if arguments.sample is not None:
        from rejoin.core.samples import sample_folder

        sample_folder(arguments.sample)
    files = list(arguments.files)
    for file in files:
        if not os.path.exists(file):
            raise FileTrouble(f"There is no file {file}.", "Look at the name and the folder.")
    projects = [file for file in files if file.lower().endswith(".rejoin")]
    if projects and len(files) > 1:
        raise WrongUse("A project is opened on its own.", "Name one project, or scans only.")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in SCREEN):
        raise NoAnswer(
            "There is no screen here, so the window cannot open.", "Start it on a desktop, or use: rejoin join."
        )
    from rejoin.app.main import run

    project = projects[0] if projects else None
    return int(run(arguments.sample, [] if projects else files, project, stop_was_asked) or 0)


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())[:200]
