"""What was made, written: all bodies in one file, each of several in one of its own; every file is read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.files import read_fragment, write_mesh
from rejoin.core.meshes import components, is_closed, volume
from rejoin.core.records import MadePart, Mesh
from rejoin.core.settings import ReadSettings, Report, silent


def write_part(part: MadePart, path: str | Path, unit: str, report: Report = silent) -> list[Path]:
    """Write a made part and check what was written.

    Parameters
    ----------
    part : MadePart
    path : path
        The suffix tells the kind of file; several bodies also go into ``path-1``, ``path-2``, ...
    unit : str
    report : Report, optional

    Returns
    -------
    list of Path
        The file of each body.

    Raises
    ------
    FileTrouble
        Where nothing can be written, or what was written is not what was made.
    WrongUse
        A part without a body.
    """
    path = Path(path)
    told = part.title + ". " + "; ".join(f"{step.name}: {step.sentence}" for step in part.steps if step.done)
    jobs = [(path, together(part), sum(body.shells for body in part.bodies), told)]
    if len(part.bodies) > 1:
        jobs += [(path.with_name(f"{path.stem}-{n}{path.suffix}"), body.mesh, body.shells, f"{body.name}: {told}")
                 for n, body in enumerate(part.bodies, 1)]  # fmt: skip
    for n, (file, mesh, shells, words) in enumerate(jobs):
        report(n / len(jobs), f"Writing {file.name} and reading it back")
        write_mesh(mesh, file, unit, words)
        _check(file, mesh, shells, unit)
    return [file for file, *_ in jobs[1:]] or [path]


def together(part: MadePart) -> Mesh:
    """All bodies as one mesh, as they lie in the file."""
    if not part.bodies:
        raise WrongUse("There is no body in what was made.", "Make it again.")
    starts = np.cumsum([0, *(len(body.mesh.vertices) for body in part.bodies)])
    return Mesh(
        np.concatenate([body.mesh.vertices for body in part.bodies]),
        np.concatenate([b.mesh.triangles + int(n) for b, n in zip(part.bodies, starts, strict=False)]),
    )


def _check(file: Path, meant: Mesh, shells: int, unit: str) -> None:
    """Read a file as anyone would: closed, outward, of the stated number of shells, of the meant size and volume."""
    found = read_fragment(file, ReadSettings(unit=unit)).mesh
    size, wanted = np.ptp(found.vertices, axis=0), np.ptp(meant.vertices, axis=0)
    same = np.allclose(size, wanted, atol=1e-5 * float(wanted.max()))
    sound = is_closed(found) and volume(found) > 0 and abs(volume(found) / volume(meant) - 1.0) < 1e-5
    if not (same and sound and int(components(found)[0]) == shells):
        raise FileTrouble(f"What was written to {file.name} is not the closed solid that was made.",
                          "Write a PLY file, which holds more digits.")  # fmt: skip
