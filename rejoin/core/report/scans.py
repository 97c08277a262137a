"""What is told of scans: their names, repeats, files, and each one's figures."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rejoin.core.records import Fragment, Scan, ScanView
from rejoin.core.report.plain import tidy
from rejoin.core.settings import UNITS


def same_scans(scans: Sequence[Scan]) -> dict[int, int]:
    """Which scans hold the very bytes of an earlier one: index -> index of the earlier."""
    first: dict[tuple[str, ...], int] = {}
    return {n: first[s.sha256] for n, s in enumerate(scans) if first.setdefault(s.sha256, n) != n}


def names_of(scans: Sequence[Scan]) -> tuple[str, ...]:
    """The scans' names, made different from each other where they are not."""
    names: list[str] = []
    for scan in scans:
        name, number = scan.name, 1
        while name in names:
            number += 1
            name = f"{scan.name} ({number})"
        names.append(name)
    return tuple(names)


def files_as_typed(scan: Scan, typed: str) -> list[str]:
    """The scan's files, named the way the person named them."""
    if Path(typed).is_dir():
        return [os.path.join(typed, Path(file).name) for file in scan.files]
    return [typed]


def view_content(view: ScanView) -> dict[str, Any]:
    """One of the scans that a fragment's scan was made of."""
    return {
        "name": view.name,
        "scan_from_view_mm": view.scan_from_view.tolist(),
        "points": view.points,
        "support_mm2": view.support_mm2,
        "foreign_mm2": view.foreign_mm2,
        "misfit_mm": view.misfit_mm,
    }


def scan_content(fragment: Fragment, file: str) -> dict[str, Any]:
    """What is known of one scan, lengths in the file's own unit."""
    one = UNITS[fragment.scan.unit]
    vertices = fragment.scan.mesh.vertices
    repairs = (*fragment.scan.read_notes, *(r for r in fragment.repairs if r not in fragment.scan.read_notes))
    content: dict[str, Any] = tidy({
        "file": file,
        "unit": fragment.scan.unit,
        "size": ((vertices.max(axis=0) - vertices.min(axis=0)) / one).tolist(),
        "points": len(vertices),
        "triangles": len(fragment.scan.mesh.triangles),
        "spacing": fragment.spacing_mm / one,
        "noise": fragment.noise_mm / one,
        "specks": fragment.specks,
        "holes": len(fragment.holes),
        "closed": fragment.closed,
        "repairs": [{"kind": r.kind, "count": r.count, "sentence": r.sentence} for r in repairs],
        "role": fragment.scan.role,
        "views": [view_content(view) for view in fragment.scan.views],
        "faults": None if fragment.faults is None else [
            {"kind": f.kind, "sentence": f.sentence, "size_mm": f.size_mm,
             "place_mm": None if f.place_mm is None else f.place_mm.tolist()} for f in fragment.faults
        ],
    })  # fmt: skip
    return content
