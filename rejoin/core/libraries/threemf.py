"""The doorway to lib3mf: 3MF packages (3MF core specification 1.4), which state their unit."""

from __future__ import annotations

import ctypes
import hashlib
import uuid
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import FileTrouble
from rejoin.core.records import FloatArray, IntArray, Mesh

UNITS_BY_NUMBER = ("micron", "mm", "cm", "inch", "ft", "m")
"""Our unit names in the order of the specification's unit attribute (ST_Unit)."""
MOST_TRIANGLES = 200_000_000
_EXPORT_AGAIN = "Export the scan again, or ask for it once more."


@dataclass(frozen=True)
class Read3mf:
    """What the build of a package holds: vertices (n, 3) and triangles (m, 3), in ``unit``."""

    vertices: FloatArray
    triangles: IntArray
    unit: str


def read_3mf(path: Path) -> Read3mf:
    """All solids that the package's build places, in the package's own unit.

    The package is read strictly: what breaks the specification is refused.

    Raises
    ------
    FileTrouble
        No 3MF package, or one that breaks the specification.
    """
    import lib3mf

    _check_package(path)
    try:
        model = lib3mf.get_wrapper().CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(True)
        reader.ReadFromFile(str(path))
        if reader.GetWarningCount():
            raise _broken(path.name, str(reader.GetWarning(0)[0]))
        parts: list[tuple[FloatArray, IntArray]] = []
        items = model.GetBuildItems()
        while items.MoveNext():
            item = items.GetCurrent()
            motion = _matrix(item.GetObjectTransform()) if item.HasObjectTransform() else np.eye(4)
            _gather(item.GetObjectResource(), motion, parts, path.name, 0)
        unit = UNITS_BY_NUMBER[int(model.GetUnit())]
    except lib3mf.ELib3MFException as error:
        raise _broken(path.name, str(error)) from error
    if not parts:
        raise FileTrouble(f"{path.name} places no solid.", _EXPORT_AGAIN)
    offsets = np.cumsum([0, *(len(vertices) for vertices, _ in parts)])
    return Read3mf(
        np.concatenate([vertices for vertices, _ in parts]),
        np.concatenate([triangles + int(start) for (_, triangles), start in zip(parts, offsets, strict=False)]),
        unit,
    )


def write_3mf(mesh: Mesh, path: Path, unit: str, name: str, description: str = "") -> bool:
    """Write one solid; the vertices are taken as they are, in ``unit``.

    Returns
    -------
    bool
        Whether lib3mf finds the mesh closed and oriented, as the specification asks of a solid.

    Raises
    ------
    FileTrouble
        Where lib3mf cannot write it.
    """
    import lib3mf

    try:
        model = lib3mf.get_wrapper().CreateModel()
        model.SetUnit(lib3mf.ModelUnit(UNITS_BY_NUMBER.index(unit)))
        solid = model.AddMeshObject()
        points = np.array(mesh.vertices, np.float32, order="C")
        corners = np.array(mesh.triangles, np.uint32, order="C")
        _set_geometry(solid, points, corners)
        solid.SetName(name)
        if description:
            model.GetMetaDataGroup().AddMetaData("", "Description", description, "xs:string", True)
        item = model.AddBuildItem(solid, lib3mf.get_wrapper().GetIdentityTransform())
        # lib3mf draws these at random; from the content they make the same whole the same bytes.
        content = hashlib.sha256(points.tobytes() + corners.tobytes()).hexdigest() + unit + name
        for what, mark in (("object", solid.SetUUID), ("item", item.SetUUID), ("build", model.SetBuildUUID)):
            mark(str(uuid.uuid5(uuid.NAMESPACE_OID, what + content)))
        writer = model.QueryWriter("3mf")
        # Enough decimals for single precision: seven significant digits of the largest coordinate, and two more.
        largest = max(float(np.abs(points).max()), 1e-9)
        writer.SetDecimalPrecision(int(np.clip(9 - np.ceil(np.log10(largest)), 4, 15)))
        writer.WriteToFile(str(path))
        return bool(solid.IsManifoldAndOriented())
    except lib3mf.ELib3MFException as error:
        raise FileTrouble(
            f"{name} cannot be written as 3MF ({_plain(str(error))}).", "Write another kind of file."
        ) from error


def _check_package(path: Path) -> None:
    """A zip whose members do not swell out of all proportion."""
    try:
        with zipfile.ZipFile(path) as package:
            members = package.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise FileTrouble(f"{path.name} is no 3MF package, or it is damaged.", _EXPORT_AGAIN) from error
    swollen = any(m.file_size > 50_000_000 and m.file_size > 200 * max(m.compress_size, 1) for m in members)
    if swollen or sum(m.file_size for m in members) > 16_000_000_000:
        raise FileTrouble(f"{path.name} would unpack to an unreasonable size.", _EXPORT_AGAIN)


def _gather(thing: Any, motion: FloatArray, parts: list[tuple[FloatArray, IntArray]], name: str, depth: int) -> None:
    """Adds a mesh, or all components of an object, moved to the build's frame."""
    import lib3mf

    if thing.GetType() in (lib3mf.ObjectType.Other, lib3mf.ObjectType.Support, lib3mf.ObjectType.SolidSupport):
        return
    if depth > 20 or sum(len(triangles) for _, triangles in parts) > MOST_TRIANGLES or len(parts) > 100_000:
        raise FileTrouble(f"{name} nests or repeats its parts without end.", _EXPORT_AGAIN)
    if thing.IsComponentsObject():
        for index in range(thing.GetComponentCount()):
            component = thing.GetComponent(index)
            inner = _matrix(component.GetTransform()) if component.HasTransform() else np.eye(4)
            _gather(component.GetObjectResource(), motion @ inner, parts, name, depth + 1)
    elif thing.IsMeshObject() and thing.GetTriangleCount():
        vertices, triangles = _geometry(thing)
        if np.linalg.det(motion[:3, :3]) < 0:
            triangles = triangles[:, ::-1]
        if not np.array_equal(motion, np.eye(4)):
            vertices = vertices @ motion[:3, :3].T + motion[:3, 3]
        parts.append((vertices, triangles))


# The binding's own GetVertices and SetGeometry copy each point as a Python object (half a minute for a million);
# the calls under them take a block of memory as it is.


def _geometry(solid: Any) -> tuple[FloatArray, IntArray]:
    """Vertices (n, 3) and triangles (m, 3) of a mesh object."""
    import lib3mf

    points = np.empty((solid.GetVertexCount(), 3), np.float32)
    corners = np.empty((solid.GetTriangleCount(), 3), np.uint32)
    calls, found = solid._wrapper.lib, ctypes.c_uint64(0)
    for get, values, kind in (
        (calls.lib3mf_meshobject_getvertices, points, lib3mf.Position),
        (calls.lib3mf_meshobject_gettriangleindices, corners, lib3mf.Triangle),
    ):
        block = (kind * len(values)).from_buffer(values)
        solid._wrapper.checkError(solid, get(solid._handle, ctypes.c_uint64(len(values)), found, block))
    return points.astype(np.float64), corners.astype(np.int32)


def _set_geometry(solid: Any, points: npt.NDArray[np.float32], corners: npt.NDArray[np.uint32]) -> None:
    import lib3mf

    code = solid._wrapper.lib.lib3mf_meshobject_setgeometry(
        solid._handle,
        ctypes.c_uint64(len(points)),
        (lib3mf.Position * len(points)).from_buffer(points),
        ctypes.c_uint64(len(corners)),
        (lib3mf.Triangle * len(corners)).from_buffer(corners),
    )
    solid._wrapper.checkError(solid, code)


def _matrix(transform: Any) -> FloatArray:
    """(4, 4) of lib3mf's four rows x, y, z, shift."""
    rows = np.array([list(row) for row in transform.Fields], dtype=np.float64)
    matrix = np.eye(4)
    matrix[:3] = rows.T
    return matrix


def _broken(name: str, detail: str) -> FileTrouble:
    return FileTrouble(f"{name} breaks the 3MF specification ({_plain(detail)}).", _EXPORT_AGAIN)


def _plain(message: str) -> str:
    """The library's message without its code names and full stop."""
    return message.split(":", 1)[-1].strip().rstrip(".")[:160]
