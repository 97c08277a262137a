"""The papers of a job: notes on part and material, casting marks, photographs, the original files."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.files.placing import written_whole
from rejoin.core.files.reading import bytes_of
from rejoin.core.records import Attachment, Project

KINDS = ("part", "material", "casting mark", "photograph", "scanner", "conditions", "original")
"""What a paper may be about; "original" is the file of a scan."""
PICTURES = (".png", ".jpg", ".jpeg")
LARGEST = 200_000_000
"""Bytes of a file that may be kept inside the project, but for originals."""


def attach(project: Project, kind: str, text: str, file: str | Path | None = None, keep: bool = True) -> Project:
    """Add a note, or a file with a note.

    Parameters
    ----------
    project : Project
    kind : str
        One of `KINDS`, but not "original" (`keep_originals`).
    text : str
    file : path, optional
    keep : bool
        Whether the file is kept inside the project, or only its name and checksum.

    Raises
    ------
    WrongUse
        Another kind, neither text nor file, a photograph that is no picture, a file too large to keep.
    FileTrouble
        Where the file cannot be read.
    """
    if kind not in KINDS[:-1]:
        raise WrongUse(f"{kind!r} is no kind of paper.", f"Choose one of: {', '.join(KINDS[:-1])}.")
    if not text.strip() and file is None:
        raise WrongUse("A paper needs words or a file.", "Type what is to be kept.")
    if file is None:
        return replace(project, attachments=(*project.attachments, Attachment(kind, text.strip())))
    path = Path(file)
    if kind == "photograph" and path.suffix.lower() not in PICTURES:
        raise WrongUse(f"{path.name} is no photograph that can be printed.", f"Known: {', '.join(PICTURES)}.")
    data = bytes_of(path)
    if keep and len(data) > LARGEST:
        raise WrongUse(f"{path.name} is too large to be kept inside the project.", "Attach it without keeping it.")
    one = Attachment(kind, text.strip(), path.name, hashlib.sha256(data).hexdigest(), _bytes(data) if keep else None)
    return replace(project, attachments=(*project.attachments, one))


def detach(project: Project, number: int) -> Project:
    """Take a paper out again."""
    if not 0 <= number < len(project.attachments):
        raise WrongUse(f"There is no paper {number + 1}.", "Choose one that is listed.")
    return replace(project, attachments=project.attachments[:number] + project.attachments[number + 1 :])


def keep_originals(project: Project) -> Project:
    """Keep the scans' own files inside the project, each checked against its checksum.

    Raises
    ------
    FileTrouble
        Where a file is gone, or is not what was read.
    """
    kept = {one.sha256 for one in project.attachments if one.kind == "original" and one.data is not None}
    added = []
    for scan in project.scans:
        for file, wanted in zip(scan.files, scan.sha256, strict=False):
            if wanted in kept:
                continue
            data = bytes_of(Path(file))
            if hashlib.sha256(data).hexdigest() != wanted:
                raise FileTrouble(f"{Path(file).name} has changed since it was read.",
                                  "Put the original back, or read the scan anew.")  # fmt: skip
            kept.add(wanted)
            added.append(Attachment("original", scan.name, Path(file).name, wanted, _bytes(data)))
    return replace(project, attachments=(*project.attachments, *added))


def write_originals(project: Project, folder: str | Path) -> tuple[Path, ...]:
    """Write the files that are kept inside the project to a folder; names that are taken get a number.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    target = Path(folder)
    if not target.is_dir():
        raise FileTrouble(f"There is no folder {target}.", "Make it first, or choose another.")
    paths: list[Path] = []
    for one in project.attachments:
        if one.data is None:
            continue
        name, number = Path(one.name).name, 1
        while (target / name).exists():
            number += 1
            name = f"{Path(one.name).stem} ({number}){Path(one.name).suffix}"
        data = one.data.tobytes()

        def write(beside: Path, data: bytes = data) -> None:
            beside.write_bytes(data)

        paths.append(written_whole(target / name, write))
    return tuple(paths)


def _bytes(data: bytes) -> np.ndarray:
    return np.frombuffer(data, np.uint8)
