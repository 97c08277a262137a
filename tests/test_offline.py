"""Nothing leaves the machine: the program works where an internet socket is death."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.makers import make_case, write_case

ROOT = Path(__file__).resolve().parents[1]

GUARD = '''
"""Run at the start of each interpreter, children too: sockets of the internet end the process."""
import os, sys

def refuse(event, arguments):
    if event == "socket.__new__" and arguments[1] in (2, 10, 23, 30):  # AF_INET, and AF_INET6 of three systems
        sys.stderr.write("A SOCKET WAS OPENED\\n")
        sys.stderr.flush()
        os._exit(77)
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "urllib.Request"):
        sys.stderr.write("A NAME WAS LOOKED UP\\n")
        sys.stderr.flush()
        os._exit(77)

sys.addaudithook(refuse)

if os.environ.get("GUARD_KERNEL") == "1":  # libraries that are not Python: the kernel itself refuses
    import ctypes, struct
    # classic BPF over struct seccomp_data (linux/seccomp.h, linux/filter.h): call at 0, arch at 4, first argument at 16
    LOAD, EQUAL, RETURN = 0x20, 0x15, 0x06
    rules = [
        (LOAD, 0, 0, 4), (EQUAL, 1, 0, 0xC000003E), (RETURN, 0, 0, 0x7FFF0000),  # another architecture: let it be
        (LOAD, 0, 0, 0), (EQUAL, 0, 4, 41),  # socket()
        (LOAD, 0, 0, 16), (EQUAL, 1, 0, 2), (EQUAL, 0, 1, 10),  # AF_INET, AF_INET6
        (RETURN, 0, 0, 0x80000000),  # kill the process (SIGSYS)
        (RETURN, 0, 0, 0x7FFF0000),
    ]
    code = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *rule) for rule in rules))
    program = ctypes.create_string_buffer(struct.pack("HxxxxxxP", len(rules), ctypes.addressof(code)))
    kernel = ctypes.CDLL(None, use_errno=True)
    if kernel.prctl(38, 1, 0, 0, 0) or kernel.prctl(22, 2, program, 0, 0):  # no new privileges; filter
        raise OSError(ctypes.get_errno(), "the kernel takes no filter")
'''

INTERFACE = """
import sys
import rejoin
project = rejoin.read(sys.argv[1:3])
project = rejoin.find_faces(rejoin.clean(project))
assert len(project.faces) >= 2
rejoin.save_project(project, sys.argv[3])
assert len(rejoin.load_project(sys.argv[3]).scans) == 2
rejoin.write_mesh(project.scans[0].mesh, sys.argv[3] + ".3mf")
print("worked")
"""

WINDOW = """
import sys
from pathlib import Path
from PySide6.QtCore import QSettings
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from rejoin.app.bench.bench import Bench
from rejoin.app.window import Window

if __name__ == "__main__":
    app = QApplication(sys.argv[:1])
    folder = Path(sys.argv[1])
    window = Window(Bench(QSettings(str(folder / "m.ini"), QSettings.Format.IniFormat), folder / "recovery"),
                    animated=False)
    window.ask_keep = lambda parent: "discard"
    window.show()
    QTest.qWaitForWindowExposed(window)
    window.bench.load(sys.argv[2])
    for _ in range(600):
        QTest.qWait(50)
        if not window.bench.jobs.busy and window.bench.project.scans:
            break
    assert window.bench.project.scans, "the project was not opened"
    window.close()
    print("worked", flush=True)
"""


def kernel_can() -> bool:
    return sys.platform == "linux" and platform.machine() == "x86_64"


def guarded(folder: Path, *command: object, kernel: bool = True) -> subprocess.CompletedProcess[str]:
    """Run Python with the guard in place."""
    (folder / "sitecustomize.py").write_text(GUARD, encoding="utf-8")
    places = os.pathsep.join([str(folder), str(ROOT)])
    environment = {**os.environ, "PYTHONPATH": places, "GUARD_KERNEL": "1" if kernel and kernel_can() else "0"}
    return subprocess.run([sys.executable, *map(str, command)], capture_output=True, text=True, timeout=300,
                          cwd=folder, env=environment)  # fmt: skip


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], Path]:
    """Scans of a small broken part, and the project that a guarded `join` saved of them."""
    folder = tmp_path_factory.mktemp("offline")
    scans = write_case(make_case("knob", 5, spacing_mm=0.8, noise_mm=0.02), folder, fmt="stl")
    done = guarded(folder, "-m", "rejoin", "join", *scans, "--out", folder / "whole.3mf", "--save",
                   folder / "knob.rejoin")  # fmt: skip
    assert done.returncode in (0, 3), done.stderr
    assert "SOCKET" not in done.stderr and (folder / "knob.rejoin").exists(), done.stderr
    return scans, folder / "knob.rejoin"


@pytest.mark.parametrize("kernel", [False, pytest.param(True, marks=pytest.mark.skipif(
    not kernel_can(), reason="the kernel's filter is written for Linux on x86-64"))])  # fmt: skip
def test_the_guard_ends_who_opens_a_socket(tmp_path: Path, kernel: bool) -> None:
    opens = "import socket; socket.socket(socket.AF_UNIX).close(); print('so far'); socket.socket()"
    done = guarded(tmp_path, "-u", "-c", opens, kernel=False)
    assert done.stdout.strip() == "so far" and done.returncode == 77 and "A SOCKET WAS OPENED" in done.stderr
    if kernel:  # past Python
        done = guarded(tmp_path, "-u", "-c", "import ctypes; ctypes.CDLL(None).socket(2, 1, 0); print('opened')")
        assert done.returncode == -signal.SIGSYS and "opened" not in done.stdout


def test_the_command_opens_no_socket(saved: tuple[list[Path], Path], tmp_path: Path) -> None:
    done = guarded(tmp_path, "-m", "rejoin", "report", saved[1], "--out", tmp_path / "card.pdf")
    assert done.returncode == 0 and (tmp_path / "card.pdf").exists(), done.stderr


def test_the_python_interface_opens_no_socket(saved: tuple[list[Path], Path], tmp_path: Path) -> None:
    done = guarded(tmp_path, "-c", INTERFACE, *saved[0][:2], tmp_path / "p.rejoin")
    assert done.returncode == 0 and "worked" in done.stdout, done.stderr


@pytest.mark.skipif(sys.platform == "linux" and not os.environ.get("DISPLAY"), reason="needs a screen (xvfb)")
def test_the_window_opens_no_socket_of_the_internet(saved: tuple[list[Path], Path], tmp_path: Path) -> None:
    script = tmp_path / "shown.py"
    script.write_text(WINDOW, encoding="utf-8")
    done = guarded(tmp_path, script, tmp_path, saved[1])
    assert done.returncode == 0 and "worked" in done.stdout, (done.returncode, done.stderr)
