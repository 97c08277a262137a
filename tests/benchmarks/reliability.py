"""Is anything lost, is anything let in: ``python -m tests.benchmarks.reliability [--saves N] [--copies N] [--steps N]
[--inputs N]``.

Saving processes are killed at random moments and what stands on the disk is read; the window's worker is killed, hung
and kept out of memory within steps; damaged files are read. A killed process is no power cut: that the disk keeps what
it was forced to is not tried.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, fields, is_dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.codec import pack
from rejoin.core.errors import RejoinError
from rejoin.core.files import read_fragment
from rejoin.core.records import Mesh, Project, Scan
from rejoin.core.storage import load_project, load_recovery, save_project, save_recovery
from tests.benchmarks.mutating import mutated, plausible, valid_files

MOST_SECONDS = 10.0
MOST_MB = 500.0
SPACE = multiprocessing.get_context("forkserver") if os.name == "posix" else multiprocessing.get_context("spawn")


# ---- killed in a save ----


def version_of(project: Project) -> int:
    """Which of the saved versions this is; -1 where its parts are of different ones."""
    number = int(project.scans[0].name)
    sound = all((scan.mesh.vertices[:, 2] == number).all() for scan in project.scans)
    return number if sound and len(project.scans) == 1 + number % 3 else -1


def _version(number: int) -> Project:
    """A project of a megabyte or three; every array of it is other than before."""
    vertices = np.random.default_rng(number).normal(size=(30_000, 3))
    vertices[:, 2] = number
    corners = np.arange(30_000).reshape(-1, 3)
    scans = [Scan(str(number), (), Mesh(vertices + [i, 0, 0], corners), "mm", True, False, (), ()) for i in (0, 1, 2)]
    return Project(scans=tuple(scans[: 1 + number % 3]))


def _save_for_ever(wire: Connection, target: str, first: int, recovery: bool) -> None:
    number = first
    while True:
        project = _version(number)
        wire.send(("begun", number))
        if recovery:
            save_recovery(project, target)
        else:
            save_project(project, target)
        wire.send(("ended", number))
        number += 1


def killed_saves(kills: int, folder: Path, recovery: bool = False, seed: int = 1) -> Counter[str]:
    """Kill a process that saves, again and again; how often the old file, the new one, or neither was there."""
    if os.name == "posix":
        SPACE.set_forkserver_preload(["tests.benchmarks.mutating"])
    chance, counts = random.Random(seed), Counter[str]()
    target = folder / ("copy" if recovery else "part.rejoin")
    load: Callable[[Path], Project] = load_recovery if recovery else load_project
    (save_recovery if recovery else save_project)(_version(0), target)
    stands = 0
    for _ in range(kills):
        wire, far_end = SPACE.Pipe(duplex=False)
        child = SPACE.Process(target=_save_for_ever, args=(far_end, str(target), stands + 1, recovery), daemon=True)
        child.start()
        far_end.close()
        begun, ended = wire.recv()[1], stands
        time.sleep(chance.uniform(0.0, 0.12))
        child.kill()
        child.join()
        try:
            while True:
                what, number = wire.recv()
                begun, ended = (number, ended) if what == "begun" else (begun, number)
        except (EOFError, OSError):
            wire.close()
        counts["kills"] += 1
        try:
            found = version_of(load(target))
        except RejoinError as error:
            counts["neither"] += 1
            print(f"neither: {error}")
            (save_recovery if recovery else save_project)(_version(stands), target)
            continue
        told = "between two saves" if begun == ended == found else {ended: "old", begun: "new"}.get(found, "neither")
        counts[told] += 1
        stands = max(found, stands)
    left = (target if recovery else folder).glob(".*")
    counts["half-written files left beside"] = sum(1 for _ in left)
    return counts


# ---- the worker harmed within a step ----


def harmed_steps(times: int, seed: int = 1, harm: str = "killed") -> Counter[str]:
    """Harm the window's worker at random moments of real steps: told, the project as before, the next step runs.

    ``harm``: "killed"; "hung"; "out of memory": no more than it has then. What does not go on is cancelled.
    """
    from PySide6.QtCore import QCoreApplication, QEventLoop, QTimer

    from rejoin.app.bench.jobs import Jobs
    from rejoin.app.work import tasks
    from tests.app import made_up, odd_tasks

    app = QCoreApplication.instance() or QCoreApplication(sys.argv[:1])
    chance, counts, jobs = random.Random(seed), Counter[str](), Jobs()
    states = [(tasks.find_faces, made_up.scans()), (tasks.join, made_up.scans()), (tasks.fuse, made_up.joined())]
    longest = dict.fromkeys(range(len(states)), 3.0)

    def outcome(task: Any, project: Project, harm_after: float | None) -> tuple[str, Any]:
        loop, got = QEventLoop(), []

        def came(kind: str, answer: Any) -> None:
            got.append((kind, answer))
            loop.quit()

        links = [jobs.finished.connect(lambda title, answer, tag: came("finished", answer)),
                 jobs.failed.connect(lambda title, what, to_do, tag: came("failed", what)),
                 jobs.cancelled.connect(lambda title, tag: came("cancelled", title))]  # fmt: skip
        worker = jobs.process_id
        assert jobs.start("Work", task, project)
        clock = QTimer(singleShot=True)

        def do_harm() -> None:
            HARMS[harm](worker or jobs.process_id)
            if harm != "killed":
                clock.timeout.disconnect(do_harm)
                clock.timeout.connect(jobs.cancel)
                clock.start(int(1000 * PATIENCE_S[harm]))

        clock.timeout.connect(do_harm)
        if harm_after is not None:
            clock.start(int(1000 * harm_after))
        QTimer.singleShot(60_000, loop.quit)
        loop.exec()
        clock.stop()  # else it would harm what comes next
        for ending, link in zip((jobs.finished, jobs.failed, jobs.cancelled), links, strict=True):
            ending.disconnect(link)
        if harm == "out of memory":
            _with_memory(worker or jobs.process_id)
        return got[0] if got else ("never ended", None)

    for index, (task, project) in enumerate(states):  # how long each takes when it is let alone
        started = time.monotonic()
        assert outcome(task, project, None)[0] == "finished"
        longest[index] = time.monotonic() - started
    for number in range(times):
        index = number % len(states)
        task, project = states[index]
        before = pack(project)[0]
        kind, said = outcome(task, project, chance.uniform(0.0, longest[index]))
        counts["times"] += 1
        if kind == "finished":
            counts["step was done before"] += 1
        else:
            told = kind == "failed" and any(words in said for words in IN_WORDS)
            counts["told in words" if told else kind if kind == "cancelled" else f"other: {kind} {said}"] += 1
        counts["project changed"] += pack(project)[0] != before
        kind, answer = outcome(odd_tasks.touch_nothing, project, None)
        counts["next step ran" if kind == "finished" and answer is project else "next step failed"] += 1
    jobs.close()
    app.processEvents()
    return counts


PATIENCE_S = {"hung": 0.7, "out of memory": 20.0}
"""When the person cancels what does not go on: a thread that gets no memory to begin with never tells anyone."""

IN_WORDS = ("stopped unexpectedly", "memory of this computer was not enough")


def _signalled(process: int | None, signal: int) -> None:
    if process is not None:
        with suppress(ProcessLookupError):
            os.kill(process, signal)


def _without_memory(process: int | None) -> None:
    """From now on the process gets no more than it has (Linux)."""
    with suppress(ProcessLookupError, FileNotFoundError):
        has = int(Path(f"/proc/{process}/statm").read_text().split()[0]) * resource.getpagesize()
        resource.prlimit(process or 0, resource.RLIMIT_AS, (has, resource.RLIM_INFINITY))


def _with_memory(process: int | None) -> None:
    if process is not None:
        with suppress(ProcessLookupError):
            resource.prlimit(process, resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


HARMS: dict[str, Callable[[int | None], None]] = {
    "killed": lambda process: _signalled(process, signal.SIGKILL),
    "hung": lambda process: _signalled(process, signal.SIGSTOP),
    "out of memory": _without_memory,
}


# ---- damaged files ----


@dataclass
class Tried:
    """What came of damaged files."""

    inputs: Counter[str] = field(default_factory=Counter)
    read: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    peak_mb: float = 0.0
    slowest_s: float = 0.0


def _meshes(value: Any) -> list[Mesh]:
    if isinstance(value, Mesh):
        return [value]
    if isinstance(value, tuple):
        return [mesh for one in value for mesh in _meshes(one)]
    if is_dataclass(value):
        return [mesh for one in fields(value) for mesh in _meshes(getattr(value, one.name))]
    return []


def judged(path: Path) -> tuple[str, str]:
    """("read" | "refused" | "failure", detail) of one file."""
    try:
        if path.suffix == ".rejoin":
            meshes = _meshes(load_project(path))
        else:
            meshes = [read_fragment(path).mesh]
            if not len(meshes[0].triangles):
                return "failure", "an empty mesh was read without a word"
    except RejoinError as error:
        if not (error.what_happened.endswith(".") and error.what_to_do.endswith((".", "?"))):
            return "failure", f"no sentence: {error.what_happened!r} {error.what_to_do!r}"
        if "memory" in error.what_happened:
            return "failure", f"asked for too much: {error.what_happened}"
        return "refused", ""
    except Exception as error:  # everything else is what is looked for
        return "failure", f"{type(error).__name__}: {error}"
    repeats = path.suffix in (".3mf", ".glb", ".xyz")  # a part may be placed again and again; points are not corners
    wrong = [w for mesh in meshes if (w := plausible(mesh, path.stat().st_size, repeats))]
    return ("failure", wrong[0]) if wrong else ("read", "")


def _read_for_ever(wire: Connection, folder: str, seed: int, first: int, end: int) -> None:
    files, scratch = valid_files(), Path(folder)
    os.chdir(scratch)
    for name, data in files.items():  # libraries are loaded, the first measure is of this
        (scratch / name).write_bytes(data)
        assert judged(scratch / name)[0] == "read", name
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + 3_000_000_000, resource.RLIM_INFINITY))
    base = _peak_mb()
    for number in range(first, end):
        name, way, data = mutated(files, seed, number)
        path = scratch / f"m{Path(name).suffix}"
        path.write_bytes(data)
        wire.send(("trying", number, name, way))
        started = time.monotonic()
        kind, detail = judged(path)
        seconds, grown = time.monotonic() - started, _peak_mb() - base
        if seconds > MOST_SECONDS and kind != "failure":
            kind, detail = "failure", f"{seconds:.1f} s"
        if grown > MOST_MB + 4e-6 * len(data) and kind != "failure":
            kind, detail, base = "failure", f"{grown:.0f} MB", _peak_mb()
        wire.send(("was", kind, detail, seconds, grown))
    wire.send(("end",))


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def damaged_files(count: int, folder: Path, seed: int = 1, most_seconds: float = 1e9, first: int = 0) -> Tried:
    """Read ``count`` damaged files in a process of their own; a crash or a hang of it is a failure of that file."""
    tried, number, started = Tried(), first, time.monotonic()
    end = first + count
    while number < end and time.monotonic() - started < most_seconds:
        number = _one_process(tried, folder, seed, number, end, started + most_seconds)
    stray = [*folder.parent.rglob("*escaped*"), *Path(tempfile.gettempdir()).glob("escaped*")]
    tried.failures += [f"a file was written: {path}" for path in stray]
    return tried


def _one_process(tried: Tried, folder: Path, seed: int, number: int, end: int, stop: float) -> int:
    wire, far_end = SPACE.Pipe(duplex=False)
    child = SPACE.Process(target=_read_for_ever, args=(far_end, str(folder), seed, number, end), daemon=True)
    child.start()
    far_end.close()
    name = way = ""
    waiting, trouble = False, ""
    try:
        while time.monotonic() < stop or waiting:
            if not wire.poll(60.0 if not waiting else 2 * MOST_SECONDS):
                trouble = f"hung for {2 * MOST_SECONDS:.0f} s"
                break
            what, *rest = wire.recv()
            if what == "end":
                return end
            if what == "trying":
                number, name, way = rest
                waiting = True
                continue
            kind, detail, seconds, grown = rest
            waiting = False
            _count(tried, name, kind, f"number {number} ({name}, {way}): {detail}")
            tried.slowest_s, tried.peak_mb = max(tried.slowest_s, seconds), max(tried.peak_mb, grown)
            number += 1
        else:
            return number
    except (EOFError, OSError):
        child.join(5.0)
        trouble = f"the process ended with code {child.exitcode}"
    finally:
        child.kill()
        child.join()
        wire.close()
    if not name:
        raise RuntimeError(f"the reading process did not start: {trouble}")
    _count(tried, name, "failure", f"number {number} ({name}, {way}): {trouble}")
    return number + 1


def _count(tried: Tried, name: str, kind: str, told: str) -> None:
    suffix = Path(name).suffix
    tried.inputs[suffix] += 1
    if kind == "read":
        tried.read[suffix] += 1
    elif kind == "refused":
        tried.refused[suffix] += 1
    else:
        tried.failures.append(told)


def main(arguments: list[str] | None = None) -> int:
    """Run what is asked for; 1 where something was lost or let in."""
    wishes = argparse.ArgumentParser(prog="python -m tests.benchmarks.reliability")
    wishes.add_argument("--saves", type=int, default=0, help="kills of a process that saves the project file")
    wishes.add_argument("--copies", type=int, default=0, help="kills of a process that writes the recovery copy")
    wishes.add_argument("--steps", type=int, default=0, help="times the worker is killed, hung, out of memory")
    wishes.add_argument("--inputs", type=int, default=0, help="damaged files to read")
    wishes.add_argument("--first", type=int, default=0, help="number of the first damaged file")
    wishes.add_argument("--seconds", type=float, default=1e9, help="read no more damaged files after this time")
    wishes.add_argument("--seed", type=int, default=1)
    asked = wishes.parse_args(arguments)
    bad = False
    with tempfile.TemporaryDirectory() as name:
        for title, count, recovery in (("project file", asked.saves, False), ("recovery copy", asked.copies, True)):
            if count:
                counts = killed_saves(count, Path(name), recovery, asked.seed)
                print(f"killed while it saved, {title}: {_told(counts)}", flush=True)
                bad |= counts["neither"] > 0
        if asked.steps:
            for harm in HARMS:
                counts = harmed_steps(asked.steps, asked.seed, harm)
                print(f"worker {harm} within a step: {_told(counts)}", flush=True)
                ended = sum(counts[how] for how in ("told in words", "cancelled", "step was done before"))
                bad |= ended < counts["times"] or counts["next step ran"] < counts["times"]
                bad |= counts["project changed"] > 0
        if asked.inputs:
            (folder := Path(name) / "deep" / "down").mkdir(parents=True)
            tried = damaged_files(asked.inputs, folder, asked.seed, asked.seconds, asked.first)
            print("\n".join(tried.failures[:50]))
            for suffix, count in sorted(tried.inputs.items()):
                print(f"{suffix:8s} {count:8d} tried {tried.read[suffix]:8d} read {tried.refused[suffix]:8d} refused")
            print(f"damaged files: {tried.inputs.total()} tried, {tried.read.total()} read, {tried.refused.total()} "
                  f"refused in words, {len(tried.failures)} failures; slowest {tried.slowest_s:.2f} s, "
                  f"memory grew by {tried.peak_mb:.0f} MB at most")  # fmt: skip
            bad |= bool(tried.failures)
    return 1 if bad else 0


def _told(counts: Counter[str]) -> str:
    return ", ".join(f"{counts[name]} {name}" for name in sorted(counts, key=lambda n: n not in ("kills", "times")))


if __name__ == "__main__":
    sys.exit(main())
