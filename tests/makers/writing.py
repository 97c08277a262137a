"""Writes a case as scan files (binary PLY or STL, or OBJ) with its truth beside them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from rejoin.core import meshes
from rejoin.core.lessons.answers import packed
from rejoin.core.records import Mesh
from rejoin.core.settings import UNITS
from tests.makers.cases import Case


def write_case(case: Case, folder: str | Path, unit: str = "mm", fmt: str = "ply") -> list[Path]:
    """Writes one file per fragment (``ply`` or ``stl`` binary, or ``obj``) and truth.json; returns the scan files."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for index, mesh in enumerate(case.fragments):
        path = folder / f"fragment_{index + 1}.{fmt}"
        {"ply": _write_ply, "stl": _write_stl, "obj": _write_obj}[fmt](path, mesh, 1.0 / UNITS[unit])
        paths.append(path)
    truth = {
        "name": case.name,
        "made": case.note,
        "unit": unit,
        "files": [path.name for path in paths],
        "part_from_scan_mm": [None if i in case.strangers else m.tolist() for i, m in enumerate(case.part_from_scan)],
        "strangers": list(case.strangers),
        "intact_volume_mm3": case.intact_volume_mm3,
        "intact_genus": case.intact_genus,
        "spacing_mm": case.spacing_mm,
        "noise_mm": case.noise_mm,
        "wear_mm": case.wear_mm,
        "broken_triangles": [
            {"of": len(mesh.triangles), "bits": packed(broken[mesh.triangles].all(axis=1))}
            for mesh, broken in zip(case.fragments, case.fracture, strict=True)
        ],
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return paths


def _write_ply(path: Path, mesh: Mesh, scale: float) -> None:
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.triangles), [("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, mesh.triangles
    path.write_bytes(header.encode() + (mesh.vertices * scale).astype("<f4").tobytes() + faces.tobytes())


def _write_stl(path: Path, mesh: Mesh, scale: float) -> None:
    rows = np.zeros(len(mesh.triangles), [("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    normals = meshes.triangle_crosses(mesh)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    rows["n"] = normals / np.where(length > 0, length, 1.0)
    rows["v"] = mesh.vertices[mesh.triangles] * scale
    path.write_bytes(b"triangle scan".ljust(80) + np.uint32(len(rows)).tobytes() + rows.tobytes())


def _write_obj(path: Path, mesh: Mesh, scale: float) -> None:
    with path.open("w", encoding="ascii") as out:
        np.savetxt(out, mesh.vertices * scale, "v %.6f %.6f %.6f")
        np.savetxt(out, mesh.triangles + 1, "f %d %d %d")
