"""Damaged files made by coverage: ``python -m tests.benchmarks.fuzzing OUT [--runs N] [--only KIND ...]``.

Needs ``pip install atheris`` (Linux, CPython; no part of the suite). The readers are instrumented, each kind of file
runs in a process of its own from small sound files, and what reaches new code is changed further: at random, and in the
ways of `tests.benchmarks.mutating`. A failure is anything but a sound mesh or a refusal in words; its input is kept.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import io
import json
import os
import random
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

MOST_SECONDS = 10
LARGEST = 60_000
"""Bytes of an input at most: what is wrong is wrong in small files too."""
READERS = ("rejoin.core.files", "rejoin.core.storage", "rejoin.core.codec", "rejoin.core.libraries.threemf", "json",
           "zipfile")  # fmt: skip
Target = Callable[[bytes], None]


class Failure(Exception):
    """A file was read, and what came of it cannot be."""


def kinds() -> dict[str, tuple[str, list[bytes], Callable[[bytes], bytes]]]:
    """By name of the kind: suffix of the file, sound contents, and what makes a file of a content."""
    from tests.benchmarks.mutating import valid_files

    files, plain = valid_files(), lambda data: data
    made = {kind: (f".{kind}", [data for name, data in files.items() if name.endswith(f".{kind}")], plain)
            for kind in ("stl", "ply", "obj", "off", "glb", "xyz", "3mf", "rejoin")}  # fmt: skip
    project, package = _members(files["p.rejoin"]), _members(files["m.3mf"])
    skeleton = project.pop("project.json")
    array_name = max(project, key=lambda name: len(project[name]))
    model = next(name for name in package if name.endswith(".model"))
    made["json"] = ".rejoin", [skeleton], lambda data: _packed(project | {"project.json": data})
    made["npy"] = ".rejoin", list(project.values()), lambda data: _packed(
        project | {"project.json": skeleton, array_name: data}
    )
    made["model"] = ".3mf", [package[model]], lambda data: _packed(package | {model: data})
    made["gltf"] = ".gltf", [_text_of_glb(files["m.glb"])], plain
    return made


def _members(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _packed(members: dict[str, bytes]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_STORED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return held.getvalue()


def _text_of_glb(data: bytes) -> bytes:
    import base64

    length = int.from_bytes(data[12:16], "little")
    tree = json.loads(data[20 : 20 + length])
    tree["buffers"][0]["uri"] = "data:;base64," + base64.b64encode(data[28 + length :]).decode()
    return json.dumps(tree).encode()


def read_one(path: Path) -> None:
    """Read a file as the program does, bare points left bare; what cannot be right raises."""
    from rejoin.core.errors import RejoinError
    from rejoin.core.files.parsed import checked
    from rejoin.core.files.reading import bytes_of, parsed_of
    from rejoin.core.records import Mesh
    from rejoin.core.storage import load_project
    from tests.benchmarks.mutating import plausible

    started = time.monotonic()
    try:
        if path.suffix == ".rejoin":
            load_project(path)
            return
        parsed = checked(parsed_of(bytes_of(path), path), path.name)
    except RejoinError as error:
        if not (error.what_happened.endswith(".") and error.what_to_do.endswith((".", "?"))):
            raise Failure(f"no sentence: {error}") from error
        if "memory" in error.what_happened:
            raise Failure(f"asked for too much: {error}") from error
    else:
        repeats = path.suffix in (".3mf", ".glb", ".gltf", ".xyz")
        wrong = plausible(Mesh(parsed.vertices, parsed.triangles), path.stat().st_size, repeats)
        if wrong:
            raise Failure(wrong)
    if time.monotonic() - started > MOST_SECONDS:
        raise Failure(f"took {time.monotonic() - started:.0f} s")


def run_kind(kind: str, out: Path, runs: int, seed: int) -> None:
    """Change files of one kind for ever; never returns (the fuzzer ends the process)."""
    import atheris

    with atheris.instrument_imports(include=list(READERS)):
        importlib.import_module("rejoin.core.files.reading")
        importlib.import_module("rejoin.core.storage")
        importlib.import_module("rejoin.core.libraries.threemf")
    from tests.benchmarks.mutating import ways_of  # only now: it imports the readers

    suffix, sound, file_of = kinds()[kind]
    corpus = out / f"corpus_{kind}"
    corpus.mkdir(parents=True, exist_ok=True)
    for data in sound:
        (corpus / hashlib.sha1(data).hexdigest()).write_bytes(data)
    path, seen = Path(f"/dev/shm/rejoin_fuzz_{os.getpid()}{suffix}"), set[str]()

    def one(data: bytes) -> None:
        path.write_bytes(file_of(data))
        try:
            read_one(path)
        except Exception as error:
            told = _told(error)
            if told not in seen:
                seen.add(told)
                kept = out / f"failure_{kind}_{hashlib.sha1(told.encode()).hexdigest()[:8]}{suffix}"
                kept.write_bytes(path.read_bytes())
                print(f"FAILURE {kind} {kept.name}: {told}", flush=True)

    options = (f"-runs={runs}", f"-seed={seed}", f"-max_len={LARGEST}", f"-timeout={4 * MOST_SECONDS}",
               "-rss_limit_mb=4000", f"-artifact_prefix={out}/{kind}_", "-use_value_profile=1")  # fmt: skip
    ways = ways_of(suffix, sound[0])
    others = {str(number): data for number, data in enumerate(sound)}

    def change(data: bytes, largest: int, number: int) -> bytes:
        chance = random.Random(number)
        if chance.random() < 0.5:
            try:
                return chance.choice(ways)(data, chance, others)[:largest]
            except Exception:  # what there is offers no hold to this way
                pass
        return atheris.Mutate(data, largest)

    atheris.Setup([kind, *options, str(corpus)], one, custom_mutator=change)
    atheris.Fuzz()


def _told(error: BaseException) -> str:
    at: Any = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    where = f"{Path(at.tb_frame.f_code.co_filename).name}:{at.tb_lineno}" if at is not None else "?"
    return f"{type(error).__name__} at {where}: {str(error)[:200]}"


def main(arguments: list[str] | None = None) -> int:
    """Run each kind in a process of its own; 1 where there was a failure."""
    wishes = argparse.ArgumentParser(prog="python -m tests.benchmarks.fuzzing")
    wishes.add_argument("out", type=Path, help="folder for the inputs that led on, and those that failed")
    wishes.add_argument("--runs", type=int, default=5000, help="inputs of each kind")
    wishes.add_argument("--only", nargs="+", metavar="KIND", help="kinds of file; all unless given")
    wishes.add_argument("--seed", type=int, default=1)
    wishes.add_argument("--kind", help=argparse.SUPPRESS)
    asked = wishes.parse_args(arguments)
    if importlib.util.find_spec("atheris") is None:
        print("This needs atheris: pip install atheris")
        return 2
    if asked.kind:
        run_kind(asked.kind, asked.out, asked.runs, asked.seed)
    asked.out.mkdir(parents=True, exist_ok=True)
    failed = 0
    for kind in asked.only or kinds():
        command = [sys.executable, "-m", "tests.benchmarks.fuzzing", str(asked.out), "--kind", kind,
                   "--runs", str(asked.runs), "--seed", str(asked.seed)]  # fmt: skip
        ran = subprocess.run(command, capture_output=True, text=True, errors="replace")
        (asked.out / f"log_{kind}.txt").write_text(ran.stdout + ran.stderr)
        failures = [line for line in ran.stdout.splitlines() if line.startswith("FAILURE")]
        led = "Is the code instrumented" not in ran.stderr
        done = [line for line in ran.stderr.splitlines() if line.startswith("Done") and led]
        ended = done[-1] if done else f"ENDED WITH CODE {ran.returncode}" if led else "NOT LED BY COVERAGE"
        print(f"{kind:8s} {ended}; {len(failures)} failures", flush=True)
        print("".join(f"  {line}\n" for line in failures), end="", flush=True)
        failed += len(failures) + (not done)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
