"""The wheel, built, looked into, installed in an environment of its own and run elsewhere:
``python -m tests.benchmarks.packaging [--full]``.

The new environment sees the libraries of this one, which come after its own; with ``--full`` it gets everything
from the package index instead. Ends with 1 where something is missing.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import sysconfig
import tempfile
import time
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TRAVELS = ("sample_scans", "assets", "README.md", "DEVELOPERS.md", "LICENSE")


def built(folder: Path, isolated: bool = True) -> Path:
    """The wheel of this repository, made in ``folder``; not ``isolated`` needs hatchling here and no network."""
    command = [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "--quiet", "--wheel-dir", str(folder)]
    done = _run([*command, "--disable-pip-version-check", *([] if isolated else ["--no-build-isolation"])], folder)
    if done.returncode:
        raise SystemExit(done.stderr)
    return next(folder.glob("rejoin-*.whl"))


def lacking(wheel: Path) -> list[str]:
    """What of the repository should be in the wheel and is not, or is there with other content, or should not be."""
    expected = {f"rejoin/{_posix(p, ROOT / 'rejoin')}": p for p in (ROOT / "rejoin").rglob("*") if _counts(p)}
    for name in TRAVELS:
        top = ROOT / name
        for path in [top] if top.is_file() else top.rglob("*"):
            if _counts(path):
                expected[f"rejoin/_data/{_posix(path, ROOT)}"] = path
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        faults = [name for name in expected if name not in names]
        faults += [f"{name} (other content)" for name, path in expected.items()
                   if name in names and archive.read(name) != path.read_bytes()]  # fmt: skip
    faults += [f"{name} (too many)" for name in names if name not in expected and ".dist-info/" not in name]
    return sorted(faults)


def _counts(path: Path) -> bool:
    return path.is_file() and "__pycache__" not in path.parts and path.name[0] != "."


def _posix(path: Path, top: Path) -> str:
    return path.relative_to(top).as_posix()


def installed(wheel: Path, folder: Path, full: bool = False) -> Path:
    """An environment in ``folder`` with the wheel in it; its folder of commands."""
    venv.create(folder, with_pip=full, symlinks=os.name == "posix")
    commands = folder / ("Scripts" if os.name == "nt" else "bin")
    python = commands / ("python.exe" if os.name == "nt" else "python")
    install = ["pip", "install", "--quiet", "--disable-pip-version-check"]
    if full:
        done = _run([str(python), "-m", *install, str(wheel)], folder)
    else:
        there = [sys.executable, "-m", "pip", "--python", str(python)]
        done = _run([*there, *install[1:], "--no-deps", str(wheel)], folder)
        own = next(path for path in folder.rglob("site-packages") if path.is_dir())
        here = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
        (own / "libraries.pth").write_text("\n".join(sorted(here)), encoding="utf-8")
    if done.returncode:
        raise SystemExit(done.stderr)
    return commands


def used(commands: Path, folder: Path, join: bool = True) -> list[tuple[str, int, str]]:
    """(command, exit code, last line said) of each thing that somebody does first, typed in ``folder``."""
    command, done = commands / "rejoin", []
    typed = [["--version"], ["sample"], ["sample", "bracket", "--to", "part"]]
    typed += [["scans", "part/fragment_1.stl", "--unit", "mm"]]
    if join:
        typed += [["join", "part/fragment_1.stl", "part/fragment_2.stl", "--unit", "mm", "--out", "whole.3mf",
                   "--save", "part.rejoin"], ["report", "part.rejoin", "--out", "card.pdf"]]  # fmt: skip
    for words in typed:
        ended = _run([str(command), *words], folder)
        last = (ended.stdout.strip() or ended.stderr.strip() or "nothing said").splitlines()[-1]
        done.append((f"rejoin {' '.join(words)}", ended.returncode, last))
    where = _run([str(commands / "python"), "-c", "import rejoin; print(rejoin.__file__)"], folder).stdout.strip()
    inside = Path(where).is_relative_to(commands.parent)
    done.append(("import rejoin", 0 if inside else 1, where))
    return done


def _run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "PYTHONHOME")}
    return subprocess.run(command, capture_output=True, text=True, cwd=folder, env=environment, timeout=1800)


def main(arguments: list[str] | None = None) -> int:
    """Build, look, install, run; prints a table."""
    wishes = argparse.ArgumentParser(description=__doc__, prog="python -m tests.benchmarks.packaging")
    wishes.add_argument("--full", action="store_true", help="every library from the package index, none of this one's")
    full = wishes.parse_args(arguments).full
    with tempfile.TemporaryDirectory() as name:
        scratch, started = Path(name), time.monotonic()
        wheel = built(scratch)
        faults = lacking(wheel)
        print(f"{wheel.name}: {wheel.stat().st_size / 1e6:.1f} MB, {len(faults)} files missing, changed or too many")
        print("\n".join(f"    {fault}" for fault in faults), end="\n" if faults else "")
        (scratch / "yard").mkdir()
        rows = used(installed(wheel, scratch / "new", full), scratch / "yard")
        for typed, code, last in rows:
            print(f"{code:3d}  {typed:60s}  {last[:80]}")
        print(f"{time.monotonic() - started:.0f} s")
    return 1 if faults or any(code for _, code, _ in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
